"""The benchmark must not flatter: its truth lies where the sound is, its scores know right from wrong."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import sosfilt

from benchmarks import clips, scoring, tables
from benchmarks.recordings import Case, conditions
from benchmarks.scoring import Row
from clackcount.simulate.level import octaves

IMPACTS = clips.read(clips.DATA, "impacts")
PLACES = clips.read(clips.DATA, "backgrounds")


def test_a_number_gives_the_same_place_in_every_process() -> None:
    """Python orders a set of names anew in each process, and the noise is drawn in their order."""
    code = (
        "import hashlib; from benchmarks.recordings import made_place; "
        "print(hashlib.sha256(b''.join(b.tobytes() for b in made_place('clock', 90001).blocks())).hexdigest())"
    )
    made = [
        subprocess.run(
            [sys.executable, "-c", code],
            env=os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": str(Path(__file__).parents[1])},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("0", "1")
    ]
    assert len(made[0]) > 60
    assert made[0] == made[1]


def test_bundled_clips_are_all_there_and_as_described() -> None:
    assert len(IMPACTS) == 5
    assert len(PLACES) == 5
    for clip in IMPACTS:
        assert np.all(np.diff(clip.onsets_s) > 0.2)
        assert 0 < clip.onsets_s[0] < clip.onsets_s[-1] < len(clip.samples) / clip.sample_rate_hz


@pytest.mark.parametrize("whole_cycle", [True, False])
def test_a_ram_made_of_recordings_is_louder_just_after_each_true_slam(whole_cycle: bool) -> None:
    for seed in range(4):
        made = clips.recorded_ram(
            IMPACTS, PLACES, np.random.default_rng(seed), snr_db=25, duration_s=20, whole_cycle=whole_cycle
        )
        sound = sosfilt(dict(octaves(clips.RATE_HZ))[made.octave_hz], made.samples)
        n = int(0.02 * clips.RATE_HZ)
        at = np.round(made.slam_s * clips.RATE_HZ).astype(int)
        after = np.array([np.mean(sound[i : i + n] ** 2) for i in at])
        before = np.array([np.mean(sound[i - n - 132 : i - 132] ** 2) for i in at])
        assert np.median(after) > 3 * np.median(before)


def test_a_shuffled_clip_has_the_length_and_the_loudness_of_the_clip_but_no_loop() -> None:
    brook = next(clip for clip in PLACES if clip.name == "brook")
    made = clips.shuffled(brook, 30.0, 44100, np.random.default_rng(1))
    assert len(made) == 30 * 44100
    assert np.std(made) == pytest.approx(np.std(brook.samples), rel=0.2)
    n = len(brook.samples)
    again = np.corrcoef(made[:n], made[n : 2 * n])[0, 1]
    assert abs(again) < 0.05


def test_every_condition_makes_a_recording_with_its_truth_inside() -> None:
    found = conditions([clips.DATA])
    assert len({condition.name for condition in found}) == len(found)
    for condition in (c for c in found if c.name in ("rain", "two rams", "AMR 5.9 kbit/s", "recorded cycle, 6 dB")):
        case = condition.make(1)
        assert np.all(np.isfinite(case.samples))
        assert 0 < case.slam_s[0] < case.slam_s[-1] < len(case.samples) / case.sample_rate_hz
        assert len(case.slam_s) == len(case.pump)
        assert len(case.rates_per_min) == (2 if condition.group == "two" else 1)


def test_the_same_number_gives_the_same_recording_and_another_another() -> None:
    condition = next(c for c in conditions([clips.DATA]) if c.name == "over brook")
    assert np.array_equal(condition.make(3).samples, condition.make(3).samples)
    assert len(condition.make(3).slam_s) != len(condition.make(4).slam_s)


def test_scores_know_right_from_late_from_missing() -> None:
    true_s = np.arange(1.0, 11.0)
    assert scoring.f1(true_s, true_s + 0.010, 15) == 1.0
    assert scoring.f1(true_s, true_s + 0.010, 5) == 0.0
    assert scoring.f1(true_s, true_s[::2], 15) == pytest.approx(2 / 3)
    assert scoring.f1(true_s, np.sort(np.r_[true_s, true_s + 0.3]), 15) == pytest.approx(2 / 3)
    assert scoring.f1(true_s, np.zeros(0), 15) == 0.0
    assert scoring.late_ms(true_s, true_s + 0.010) == pytest.approx([10.0] * 10)


def row(stated: float | None, *, true: float | None = 60.0, low95: float = 0.0, high95: float = 0.0) -> Row:
    n_slams = 45 if true else 0
    return Row(
        "stream, 6 dB", "stream", 1, 1000.0, "even", 45.0, n_slams, 45, true, stated, low95, high95, 0.9, False, 1.0,
        f1={"5": 0.5, "15": 1.0, "50": 1.0}, late_ms=[0.1, -0.3], rams=1, rams_told=1,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("stated", "octave", "other"),
    [(60.02, 0, 0), (120.0, 1, 0), (30.0, 1, 0), (180.5, 1, 0), (70.0, 0, 1), (45.0, 0, 1), (None, 0, 0)],
)
def test_tables_tell_a_double_beat_from_another_wrong_one(stated: float | None, octave: int, other: int) -> None:
    cells = dict(zip(("condition", *tables.FOUND), tables._found("x", [row(stated)]), strict=True))
    n = 0 if stated is None else 1
    assert cells["double or half"] == tables.share(octave, n)
    assert cells["other wrong beat"] == tables.share(other, n)


def test_tables_say_whether_the_interval_holds_the_truth() -> None:
    rows = [row(60.1, low95=59.9, high95=60.3), row(60.3, low95=60.1, high95=60.5)]
    cells = dict(zip(("condition", *tables.FOUND), tables._found("x", rows), strict=True))
    assert cells["95 % interval holds"] == "1 of 2"
    assert cells["F1 ±5 ms"] == "0.500"
    assert cells["placed within, median ms"] == "0.20"


def test_tables_go_between_their_markers_and_nowhere_else() -> None:
    text = "a\n<!-- slams: written by the benchmark -->\nold\n<!-- end slams -->\nb\n"
    once = tables.put(text, "slams", ["", "new"])
    assert once == "a\n<!-- slams: written by the benchmark -->\n\nnew\n\n<!-- end slams -->\nb\n"
    assert tables.put(once, "slams", ["", "new"]) == once
    with pytest.raises(ValueError, match="no place marked 'cost'"):
        tables.put(text, "cost", [])


def test_a_recording_without_a_ram_scores_only_where_nothing_is_told() -> None:
    silent = Case(np.zeros(8000, np.float32), 8000, np.zeros(0), np.zeros(0, np.int32), ())
    assert sum(len(block) for block in silent.blocks()) == 8000
    assert scoring.f1(silent.slam_s, np.zeros(0), 15) == 1.0
    assert scoring.f1(silent.slam_s, np.array([1.0]), 15) == 0.0


def test_aims_say_no_where_an_aim_is_missed() -> None:
    made = "\n".join(tables.aims([row(60.02, low95=59.9, high95=60.1), row(120.0)], []))
    assert "| F1 ±15 ms, stream, 6 dB | ≥ 0.99 | 1.000 | yes |" in made
    assert "| double or half the rate | never | 1 of 2 | no |" in made
    assert "| rate within 0.1 % | all | 1 of 2 | no |" in made

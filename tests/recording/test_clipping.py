"""Clipping is found where tops are flat, and nowhere else."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
import soundfile
from made_files import encode
from test_samples import Given

from clackcount.model import RecordingInfo
from clackcount.recording import Recording, open_recording

RATE = 48_000


def info_of(sound: np.ndarray, step: float = 2.0**-15) -> RecordingInfo:
    whole = np.round(sound / step) * step if step else sound
    recording = Recording(Given([whole.astype(np.float32)[None]], RATE, step), "given")
    for _ in recording.blocks():
        pass
    return recording.info()


def share_in_runs(at_rail: np.ndarray) -> float:
    """Share of samples in runs of 3 and more, the slow plain way."""
    runs = (len(list(run)) for at, run in itertools.groupby(at_rail.tolist()) if at)
    return sum(length for length in runs if length >= 3) / len(at_rail)


def slams(level: float = 0.4, seconds: float = 10.0) -> np.ndarray:
    rng = np.random.default_rng(7)
    sound = rng.normal(0, 0.01, round(RATE * seconds))
    t = np.arange(RATE // 4) / RATE
    for at in np.arange(0.5, seconds - 0.5, 0.7):
        start = round(at * RATE)
        sound[start : start + len(t)] += level * rng.uniform(0.8, 1) * np.exp(-t / 0.02) * np.sin(2 * np.pi * 300 * t)
    return sound


@pytest.mark.parametrize("gain", [1.0, 0.5, 0.05])
@pytest.mark.parametrize("drive", [3.0, 10.0, 40.0])
def test_flat_tops_are_counted_at_any_level(gain: float, drive: float) -> None:
    clipped = np.clip(drive * slams(), -1, 1)
    share = share_in_runs(clipped == 1) + share_in_runs(clipped == -1)
    info = info_of(gain * clipped)
    assert info.clipped_fraction == pytest.approx(share, rel=0.1)
    assert any("the sound is clipped in" in warning for warning in info.warnings)


def test_one_side_only() -> None:
    info = info_of(np.minimum(3 * slams(), 0.5))
    assert info.clipped_fraction == pytest.approx(share_in_runs(3 * slams() >= 0.5), rel=0.1)


@pytest.mark.parametrize(
    "sound",
    [
        np.zeros(10 * RATE),
        np.full(10 * RATE, 0.3),
        np.random.default_rng(1).normal(0, 0.2, 10 * RATE).clip(-0.99, 0.99),
        0.8 * np.sin(2 * np.pi * 50 * np.arange(10 * RATE) / RATE),
        0.999 * np.sin(2 * np.pi * 441.3 * np.arange(10 * RATE) / RATE),
        np.random.default_rng(2).integers(-3, 4, 10 * RATE) * 2.0**-15,
        slams(0.9),
    ],
    ids=["silence", "direct current", "noise", "low tone", "full tone", "last bits", "slams"],
)
@pytest.mark.parametrize("step", [2.0**-15, 2.0**-7, 0.0])
def test_what_is_not_clipped_is_not_called_so(sound: np.ndarray, step: float) -> None:
    info = info_of(sound, step)
    assert info.clipped_fraction < 1e-4
    assert not any("clipped" in warning for warning in info.warnings)


@pytest.mark.parametrize("subtype", ["ULAW", "ALAW"])
def test_the_coarse_steps_of_the_telephone_codings_are_no_flat_tops(tmp_path: Path, subtype: str) -> None:
    for name, sound, clipped in (("well", slams(0.7), False), ("badly", np.clip(10 * slams(), -1, 1), True)):
        path = tmp_path / f"{name}.wav"
        soundfile.write(path, sound, RATE, subtype=subtype)
        with open_recording(path) as recording:
            for _ in recording.blocks():
                pass
            assert (recording.info().clipped_fraction > 0) is clipped


@pytest.mark.parametrize(("codec", "container"), [("aac", "ipod"), ("libmp3lame", "mp3"), ("libopus", "ogg")])
def test_clipping_at_full_scale_shows_through_a_lossy_codec(tmp_path: Path, codec: str, container: str) -> None:
    clipped = np.clip(20 * slams(), -1, 1).astype(np.float32)
    path = encode(tmp_path / "a", clipped, RATE, codec, container, bit_rate=96_000)
    with open_recording(path) as recording:
        for _ in recording.blocks():
            pass
        info = recording.info()
    assert 0.1 * np.mean(np.abs(clipped) == 1) < info.clipped_fraction < 1.2 * np.mean(np.abs(clipped) == 1)
    assert any("clipped" in warning for warning in info.warnings)


@pytest.mark.parametrize(("codec", "container"), [("aac", "ipod"), ("libmp3lame", "mp3"), ("libopus", "ogg")])
@pytest.mark.parametrize("what", ["slams", "tone", "noise"])
def test_loud_sound_through_a_lossy_codec_is_not_called_clipped(
    tmp_path: Path, codec: str, container: str, what: str
) -> None:
    t = np.arange(5 * RATE) / RATE
    sound = {
        "slams": slams(1.0, 5),
        "tone": np.sin(2 * np.pi * 441 * t),
        "noise": np.random.default_rng(1).normal(size=len(t)),
    }[what]
    sound = (0.99 * sound / np.abs(sound).max()).astype(np.float32)
    path = encode(tmp_path / "a", sound, RATE, codec, container, bit_rate=96_000)
    with open_recording(path) as recording:
        for _ in recording.blocks():
            pass
        assert recording.info().clipped_fraction < 1e-4


def test_a_float_file_above_full_scale_is_not_clipped(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", 5 * slams(0.9), RATE, subtype="FLOAT")
    with open_recording(tmp_path / "a.wav") as recording:
        loudest = max(float(np.abs(block).max()) for block in recording.blocks())
        assert recording.info().clipped_fraction == 0
    assert loudest > 3

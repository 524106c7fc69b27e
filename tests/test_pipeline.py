"""From the sound of a made ram to the published document, through every stage; and no rate where nothing beats."""

from __future__ import annotations

import dataclasses
import json
import time
from collections.abc import Iterator

import jsonschema
import numpy as np
import pytest

from clackcount import pipeline, simulate
from clackcount.errors import RecordingError
from clackcount.model import Listening, Pattern
from clackcount.report.schema import json_schema
from clackcount.settings import BeatsSettings, HearingSettings, RunningSettings, as_dict
from support.made_sound import Sound

RATE_HZ = 16000


@pytest.fixture(scope="module")
def made() -> simulate.Rendered:
    rng = np.random.default_rng(3)
    ram = dataclasses.replace(
        simulate.random_ram(rng, rate_per_min=62, pattern=Pattern.EVEN, material="cast-iron"), reopen_db=-6.0
    )
    scene = simulate.Scenario(
        60.0, (simulate.Part(ram),), (simulate.Layer("room"),), snr_db=20, sample_rate_hz=RATE_HZ
    )
    return simulate.render(scene, 3)


@pytest.fixture(scope="module")
def heard(made: simulate.Rendered) -> Listening:
    return pipeline.listen(Sound(made.samples, RATE_HZ))


def read_back(listening: Listening) -> dict:
    return json.loads(json.dumps(listening.to_dict(), allow_nan=False))


def test_slams_rate_and_phases_are_those_of_the_ram(made: simulate.Rendered, heard: Listening) -> None:
    told = read_back(heard)
    truth = made.truth.pumps[0]
    assert told["rate_per_min"] == pytest.approx(truth.rate_per_min, rel=0.001)
    low, high = told["rate_ci95_per_min"]
    assert low <= truth.rate_per_min <= high
    assert told["regularity"]["pattern"] == "even"
    assert told["regularity"]["missed"] == truth.missed
    found_s = np.array([slam["time_s"] for slam in told["slams"]])
    true_s = made.truth.slam_s
    nearest_s = np.abs(true_s[:, None] - found_s).min(axis=1)
    assert len(found_s) == pytest.approx(len(true_s), abs=1)
    assert np.median(nearest_s) <= 0.0005
    assert np.percentile(nearest_s, 95) <= 0.003
    assert {slam["pump"] for slam in told["slams"]} == {1}
    assert told["phases"]["shut_s"] == pytest.approx(truth.shut_s, abs=0.02)
    assert told["phases"]["open_s"] == pytest.approx(truth.open_s, abs=0.02)


def test_the_document_meets_its_schema_and_its_own_rules(heard: Listening) -> None:
    told = read_back(heard)
    jsonschema.Draft202012Validator(json_schema()).validate(told)
    assert told["schema"] == "clackcount.listening/1"
    assert told["recording"]["duration_s"] == 60.0
    times_s = [slam["time_s"] for slam in told["slams"]]
    assert times_s == sorted(times_s)
    for slam in told["slams"]:
        assert 0 <= slam["confidence"] <= 1
        assert slam["reopen_s"] is None or slam["time_s"] < slam["reopen_s"] < slam["time_s"] + 1.5
    # the timeline covers the recording without a gap
    edges = [stretch["start_s"] for stretch in told["timeline"]] + [told["timeline"][-1]["end_s"]]
    assert edges[0] == 0
    assert edges[-1] == pytest.approx(60.0)
    assert [stretch["end_s"] for stretch in told["timeline"]] == edges[1:]
    assert any(stretch["state"] == "self" for stretch in told["timeline"])
    assert told["stops"] == []


def test_a_result_carries_the_settings_that_made_it(heard: Listening) -> None:
    for settings in (HearingSettings(), BeatsSettings(), RunningSettings()):
        assert as_dict(settings).items() <= heard.settings.items()


def test_the_settings_given_are_the_settings_used(made: simulate.Rendered) -> None:
    strict = pipeline.listen(Sound(made.samples, RATE_HZ), beats=BeatsSettings(ram_odds_min=14.0))
    assert strict.beats.pumps == ()
    assert any("a minute" in doubt for doubt in strict.beats.doubts)
    assert strict.settings["ram_odds_min"] == 14.0


def test_progress_is_told_in_seconds_heard(made: simulate.Rendered) -> None:
    told: list[float] = []
    pipeline.listen(Sound(made.samples[: 12 * RATE_HZ], RATE_HZ, 5 * RATE_HZ), on_progress=told.append)
    assert told == [5.0, 10.0, 12.0]


@pytest.mark.parametrize("place", ["stream", "footsteps"])
def test_no_ram_no_rate(place: str) -> None:
    scene = simulate.Scenario(30.0, (), (simulate.Layer(place), simulate.Layer("room", -20)), sample_rate_hz=RATE_HZ)
    told = read_back(pipeline.listen(Sound(simulate.render(scene, 5).samples, RATE_HZ)))
    jsonschema.Draft202012Validator(json_schema()).validate(told)
    assert told["rate_per_min"] is None
    assert told["rate_ci95_per_min"] is None
    assert told["slams"] == []
    assert told["findings"]


@pytest.mark.parametrize(
    ("samples", "code"),
    [
        (np.zeros(RATE_HZ * 10, dtype=np.float32), "silent"),
        (np.full(RATE_HZ * 10, 0.9, dtype=np.float32), "silent"),  # a standing level
        (np.full(RATE_HZ // 5, 0.1, dtype=np.float32), "too-short"),
        (np.zeros(0, dtype=np.float32), "too-short"),
    ],
)
def test_what_holds_no_sound_is_an_error_with_a_hint(samples: np.ndarray, code: str) -> None:
    with pytest.raises(RecordingError) as caught:
        pipeline.listen(Sound(samples, RATE_HZ))
    assert caught.value.code == code
    assert caught.value.hint


def test_what_is_made_ahead_keeps_its_order_and_its_errors() -> None:
    def items() -> Iterator[int]:
        yield from range(5)
        raise RecordingError("torn off")

    got: list[int] = []
    with pytest.raises(RecordingError, match="torn off"):
        got.extend(pipeline.ahead(items()))
    assert got == [0, 1, 2, 3, 4]


def test_nothing_is_made_ahead_for_one_who_left() -> None:
    made: list[int] = []

    def items() -> Iterator[int]:
        for i in range(1000):
            made.append(i)
            yield i

    wanted = pipeline.ahead(items())
    assert [next(wanted), next(wanted)] == [0, 1]
    wanted.close()
    so_far = len(made)
    assert so_far <= 5
    time.sleep(0.05)
    assert len(made) == so_far

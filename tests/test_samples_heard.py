"""The recordings in sample_audio, heard from the file to the document, against the truth beside each of them."""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import pytest

import clackcount

FOLDER = Path(__file__).parents[1] / "sample_audio"
WINDOW_S = 0.015
# The least F1 of its slams, and how far the rate may be off, as a share.
HEARD = {
    "steady.m4a": (1.0, 0.0005),
    "delivery_opened.mp4": (1.0, 0.0005),
    "leaf_in_valve.ogg": (0.94, 0.0005),
    "far_in_wind.wav": (0.96, 0.0005),
    "hand_start.mp4": (0.9, 0.003),  # three to seven knocks of pushes are told as slams: which, rounding decides
    "two_rams.flac": (0.87, 0.0005),
    "rain_and_talk.m4a": (0.85, 0.0005),
}


@functools.cache
def told_and_true(name: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """What is told of a sample, and what is true."""
    path = FOLDER / name
    truth = (FOLDER / f"{path.stem}.truth.json").read_text(encoding="utf-8")
    return clackcount.listen(path).to_dict(), json.loads(truth)


@pytest.mark.parametrize("name", HEARD)
def test_slams_and_rate_are_those_of_the_ram(name: str) -> None:
    told, truth = told_and_true(name)
    least, off = HEARD[name]
    times_s = [np.array([slam["time_s"] for slam in each["slams"]]) for each in (truth, told)]
    assert mir_eval.onset.f_measure(*times_s, window=WINDOW_S)[0] >= least
    assert told["rate_per_min"] == pytest.approx(truth["rate_per_min"], rel=off)
    low, high = told["rate_ci95_per_min"]
    assert low <= truth["rate_per_min"] <= high


@pytest.mark.parametrize(
    ("name", "cause"), [("leaf_in_valve.ogg", "open-stall"), ("delivery_opened.mp4", "shut-stall")]
)
def test_a_stop_is_told_at_its_last_slam_and_with_its_cause(name: str, cause: str) -> None:
    told, truth = told_and_true(name)
    (stop,), (true,) = told["stops"], truth["stops"]
    assert stop["cause"] == true["cause"] == cause
    assert stop["time_s"] == pytest.approx(true["time_s"], abs=WINDOW_S)


def test_it_runs_by_itself_from_the_slam_it_does() -> None:
    told, truth = (each["startup"] for each in told_and_true("hand_start.mp4"))
    assert told["self_cycling_from_s"] == pytest.approx(truth["self_cycling_from_s"], abs=WINDOW_S)
    assert told["settled_from_s"] == pytest.approx(truth["settled_from_s"], abs=2.0)  # of a slow approach, any beat


@pytest.mark.parametrize("name", [name for name in HEARD if name not in ("hand_start.mp4", "leaf_in_valve.ogg")])
def test_nobody_pushed_where_nobody_did(name: str) -> None:
    told, truth = told_and_true(name)
    assert truth["startup"] is None
    assert told["startup"] is None
    assert "hand" not in {stretch["state"] for stretch in told["timeline"]}


def test_beside_a_brook_with_birds_there_is_no_ram() -> None:
    told, _truth = told_and_true("brook_and_birds.m4a")
    assert told["rate_per_min"] is None
    assert told["slams"] == []


def test_both_rams_are_heard() -> None:
    told, truth = told_and_true("two_rams.flac")
    for number, least in ((1, 0.97), (2, 0.8)):
        times_s = [
            np.array([slam["time_s"] for slam in each["slams"] if slam["pump"] == number]) for each in (truth, told)
        ]
        assert mir_eval.onset.f_measure(*times_s, window=WINDOW_S)[0] >= least

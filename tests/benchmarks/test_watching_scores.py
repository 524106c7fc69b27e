"""The benchmark of watching scores what it says: a perfect watcher gets full marks, a late or silent one does not."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import understanding
import watching

from clackcount import simulate
from clackcount.model import Cause, Event, Happening, State


@pytest.fixture(scope="module")
def made() -> simulate.Rendered:
    ram = simulate.random_ram(np.random.default_rng(3), rate_per_min=62, pattern="even")
    acts = (simulate.Quiet(3.0), simulate.Hand(strokes=5), simulate.Running(20.0, Cause.OPEN_STALL))
    part = simulate.Part(ram, (*acts, simulate.Rushing()))
    return simulate.render(simulate.Scenario(45.0, (part,), (simulate.Layer("room"),), sample_rate_hz=8000), 3)


def told_of(made: simulate.Rendered, late_s: float) -> list[tuple[Event, float]]:
    """The truth as events, the stop told so long after a beat was missing."""
    events = [
        Event(Happening.STATE, stretch.start_s, stretch.start_s, stretch.state, made.truth.startup.hand_strokes)
        for stretch in made.truth.timeline[1:]
    ]
    (stop,) = made.truth.stops
    told = [(event, event.time_s + 1) for event in events]
    at = next(i for i, event in enumerate(events) if event.time_s > stop.time_s)
    told.insert(at, (Event(Happening.STOP, stop.time_s, 0.0, State.SELF, cause=Cause.UNKNOWN), stop.time_s + late_s))
    told.append((Event(Happening.CAUSE, stop.time_s, 0.0, State.SELF, cause=stop.cause), 45.0))
    return told


def scores_of(made: simulate.Rendered, told: list[tuple[Event, float]]) -> watching.Scores:
    scores = watching.Scores()
    watching.score(scores, made, told, len(made.truth.slam_s), period_s=0.97)
    return scores


def test_the_truth_gets_full_marks(made: simulate.Rendered) -> None:
    scores = scores_of(made, told_of(made, late_s=2.5))
    assert scores.right_s == pytest.approx(scores.whole_s, abs=0.2)
    assert (scores.stops, scores.false_stops, scores.causes) == (1, 0, [True])
    assert scores.late_s == pytest.approx([2.5 - 0.97])
    assert scores.late_share[0] < 1
    assert scores.strokes == [(5, 5)]
    assert np.abs(scores.self_cycles).max() < 1.5


def test_late_and_silent_are_seen(made: simulate.Rendered) -> None:
    assert scores_of(made, told_of(made, late_s=4.0)).late_share[0] > 1
    silent = scores_of(made, [])
    assert (silent.stops, silent.late_s, silent.self_missing) == (1, [], 1)
    assert silent.right_s < 0.5 * silent.whole_s


def test_slams_told_of_one_pump_are_not_told_again_of_another() -> None:
    """Of this scene, drawn by lot, a first guess is given up after a minute, and another sound of it taken up."""
    scenario, *_ = understanding.scene(74057)
    made = simulate.render(scenario, 74057)
    told, slams_s = watching.watch(made)  # a slam told twice is an error there
    assert told
    assert np.mean(np.abs(made.truth.slam_s[:, None] - slams_s).min(axis=1) < 0.03) > 0.8

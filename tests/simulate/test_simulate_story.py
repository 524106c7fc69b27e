"""What a story says happened is what happened: states, strokes, stops and rates agree with one another."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from clackcount.model import Cause, State, check_times
from clackcount.simulate import Hand, Quiet, Rhythm, Running, Rushing, random_acts, random_ram
from clackcount.simulate.acts import Kind, Told
from clackcount.simulate.ram import Ram
from clackcount.simulate.scenes import STORIES
from clackcount.simulate.story import tell
from clackcount.simulate.truth import Truth, snapped, truth_of

RATE_HZ = 48000


def told_and_truth(ram: Ram, acts: tuple, duration_s: float, rng: np.random.Generator) -> tuple[Told, Truth]:
    told = snapped(tell(ram, acts, duration_s, rng), RATE_HZ)
    return told, truth_of(
        [told], [1], [ram.rhythm.pattern], [ram.reopen_db is not None], [(None, None)], duration_s, RATE_HZ
    )


@settings(max_examples=80, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1), story=st.sampled_from(STORIES), duration_s=st.sampled_from([20.0, 60.0, 300.0])
)
def test_truth_is_consistent(seed: int, story: str, duration_s: float) -> None:
    rng = np.random.default_rng(seed)
    ram = random_ram(rng)
    told, truth = told_and_truth(ram, random_acts(story, ram, duration_s, rng), duration_s, rng)
    check_times(truth.slam_s, duration_s)
    assert_allclose(truth.slam_s * RATE_HZ, np.round(truth.slam_s * RATE_HZ), atol=1e-4)
    # The timeline covers the recording without gaps, neighbours differ, and each slam is counted once.
    assert truth.timeline[0].start_s == 0
    assert truth.timeline[-1].end_s == duration_s
    for one, next_one in zip(truth.timeline, truth.timeline[1:], strict=False):
        assert one.end_s == next_one.start_s > one.start_s
        assert one.state is not next_one.state
    assert sum(stretch.n_slams for stretch in truth.timeline) == len(truth.slam_s)
    for stretch in truth.timeline:
        inside = (truth.slam_s >= stretch.start_s) & (truth.slam_s < stretch.end_s)
        if stretch.state in (State.QUIET, State.RUSHING):
            assert not inside.any()
        if stretch.state is State.SELF:
            assert truth.running[inside].all()
    # A reopening lies between its slam and the next; a stop is a slam, with none of its own after it until a restart.
    opened = np.isfinite(truth.reopen_s)
    assert np.all(truth.reopen_s[opened] > truth.slam_s[opened])
    following = np.append(truth.slam_s[1:], duration_s)
    assert np.all(truth.reopen_s[opened] <= following[opened])
    for stop in truth.stops:
        assert np.min(np.abs(truth.slam_s - stop.time_s)) < 1e-9
        own_s = truth.slam_s[truth.running]
        after = own_s[own_s > stop.time_s + 1e-9]
        assert stop.restarted_s == (after[0] if len(after) else None)
    assert np.sum(truth.pushed) == told.hand_strokes
    # Spells of open valve never contain a slam: the flow ends where the valve shuts.
    for start_s, end_s, _, _ in told.spell:
        assert not np.any((truth.slam_s > start_s + 1e-9) & (truth.slam_s < end_s - 1e-9))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), rate=st.floats(15, 400))
def test_rate_of_a_steady_ram_is_the_rate_of_its_column(seed: int, rate: float) -> None:
    rng = np.random.default_rng(seed)
    ram = random_ram(rng, rate_per_min=rate, pattern="even")
    _, truth = told_and_truth(ram, (Running(),), 120.0, rng)
    pump = truth.pumps[0]
    n = pump.n_cycles
    assert_allclose(pump.rate_per_min * (n + pump.missed) / n, rate, rtol=0.02)  # even: wander up to 1 %, scatter 2 %
    assert_allclose(pump.shut_s, ram.column.shut_s, rtol=0.02)


def test_an_open_stall_leaves_the_valve_open_and_a_shut_stall_shut() -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        ram = random_ram(rng, rate_per_min=(30, 200))
        told, truth = told_and_truth(ram, (Running(30.0, Cause.OPEN_STALL), Rushing()), 60.0, rng)
        assert [(s.state, s.n_slams > 0) for s in truth.timeline] == [(State.SELF, True), (State.RUSHING, False)]
        assert truth.stops[0].cause is Cause.OPEN_STALL
        assert any(start_s < 40 and end_s > 60 for start_s, end_s, _, _ in told.spell)
        told, truth = told_and_truth(ram, (Running(30.0, Cause.SHUT_STALL), Quiet()), 60.0, rng)
        assert truth.stops[0].cause is Cause.SHUT_STALL
        assert np.isnan(truth.reopen_s[-1])
        assert told.spell[-1, 1] == truth.slam_s[-1]


def test_a_starved_end_slows_or_grows_ragged_and_softens() -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        ram = random_ram(rng, rate_per_min=80, pattern="even")
        told, _ = told_and_truth(ram, (Running(120.0, Cause.STARVED, fading_s=40.0), Quiet()), 150.0, rng)
        slams = told.kind == Kind.SLAM
        time_s, level_db = told.time_s[slams], told.level_db[slams]
        before, end = (time_s > 20) & (time_s < 70), time_s > 105
        gap_s = np.diff(time_s, append=np.nan)
        slower = np.nanmean(gap_s[end]) > 1.05 * np.nanmean(gap_s[before])
        ragged = np.nanstd(gap_s[end]) > 1.5 * np.nanstd(gap_s[before])
        assert slower or ragged
        assert np.mean(level_db[end]) < np.mean(level_db[before]) - 4
        assert np.sum(told.kind == Kind.BUBBLE) > 10


def test_hand_strokes_have_a_push_before_each_slam_and_human_gaps() -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        ram = random_ram(rng, rate_per_min=(40, 120))
        hand = Hand(strokes=12, failed_attempts=2, mean_gap_s=1.8, gap_cv=0.3)
        told, truth = told_and_truth(ram, (Quiet(3.0), hand, Running(settling=True)), 120.0, rng)
        assert truth.startup is not None
        assert (truth.startup.hand_strokes, truth.startup.failed_attempts) == (12, 2)
        pushes_s = told.time_s[told.kind == Kind.PUSH]
        pushed_s = truth.slam_s[truth.pushed]
        assert len(pushes_s) == len(pushed_s) == 12
        lead_s = pushed_s - pushes_s
        assert np.all((lead_s >= 0.0999) & (lead_s <= 0.6001))
        assert [s.state for s in truth.timeline] == [State.QUIET, State.HAND, State.SELF]
        assert truth.startup.self_cycling_from_s == truth.slam_s[truth.running][0]
        assert not truth.running[: np.flatnonzero(truth.pushed)[-1] + 1].any()


def test_after_a_start_the_period_settles_exponentially() -> None:
    rng = np.random.default_rng(1)
    ram = random_ram(rng, rate_per_min=60, pattern="even")
    ram = replace(ram, rhythm=Rhythm(white_cv=0, missed_share=0, shut_cv=0), settle_share=0.2, settle_s=20.0)
    _, truth = told_and_truth(ram, (Hand(3), Running(settling=True)), 200.0, rng)
    own_s = truth.slam_s[truth.running]
    gap_s = np.diff(own_s)
    since_s = own_s[1:] - own_s[0]
    assert_allclose(gap_s, 1 + 0.2 * np.exp(-since_s / 20), atol=0.02)
    assert truth.startup is not None
    settled_s = truth.startup.settled_from_s
    assert settled_s is not None
    assert np.all(np.abs(gap_s[own_s[1:] > settled_s] - 1) < 0.021)


def test_drift_of_a_long_recording() -> None:
    rng = np.random.default_rng(2)
    ram = random_ram(rng, rate_per_min=60, pattern="even")
    _, truth = told_and_truth(ram, (Running(drift_per_hour=0.1),), 3 * 3600.0, rng)
    gap_s = np.diff(truth.slam_s)
    assert_allclose(np.median(gap_s[-600:]) / np.median(gap_s[:600]), 1.25, atol=0.06)


@pytest.mark.parametrize("strokes", [1, 2, 5])
def test_no_more_failed_attempts_than_strokes(strokes: int) -> None:
    rng = np.random.default_rng(0)
    ram = random_ram(rng, rate_per_min=90)
    _, truth = told_and_truth(ram, (Hand(strokes, failed_attempts=4), Running()), 120.0, rng)
    assert truth.startup is not None
    assert truth.startup.hand_strokes == strokes
    assert truth.startup.failed_attempts == min(4, strokes - 1)


def test_to_dict_uses_the_names_of_the_document() -> None:
    rng = np.random.default_rng(4)
    ram = random_ram(rng, rate_per_min=60)
    _, truth = told_and_truth(ram, (Hand(4), Running(20.0, Cause.OPEN_STALL), Rushing()), 40.0, rng)
    made = json.loads(json.dumps(truth.to_dict()))
    assert {"slams", "rate_per_min", "regularity", "phases", "timeline", "stops", "startup"} <= set(made)
    assert set(made["slams"][0]) >= {"time_s", "reopen_s", "pump"}
    assert [s["state"] for s in made["timeline"]] == ["hand", "self", "rushing"]
    assert made["stops"][0]["cause"] == "open-stall"
    assert made["startup"]["hand_strokes"] == 4


def test_flow_grows_from_nothing_to_the_closing_velocity_and_is_nought_while_shut() -> None:
    rng = np.random.default_rng(6)
    ram = random_ram(rng, rate_per_min=50, pattern="even")
    ram = replace(ram, rhythm=Rhythm(white_cv=0, missed_share=0, shut_cv=0))
    told, truth = told_and_truth(ram, (Running(),), 30.0, rng)
    column = ram.column
    opened_s = truth.reopen_s[:-2]
    for into_s in (0.0, 0.3 * column.acceleration_s, column.acceleration_s):
        velocity_m_s, gap, _ = told.flow(column, opened_s + into_s)
        assert_allclose(velocity_m_s, column.velocity_m_s(into_s), atol=1e-3 * column.terminal_velocity_m_s)
        assert_allclose(gap, 1, atol=0.01)
    assert_allclose(velocity_m_s, column.closing_velocity_m_s, rtol=1e-2)
    assert_allclose(told.flow(column, truth.slam_s[:-1] + 0.5 * column.shut_s)[0], 0)
    assert_allclose(told.flow(column, truth.slam_s[1:] - 0.5 * column.closing_s)[1], 0.5, atol=0.01)

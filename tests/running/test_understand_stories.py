"""The running room against stories told in its own nouns: many of them, with noise, and their truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stories import Story, Truth

from clackcount.model import Beats, Cause, FlowTrack, Running, SlamTrain, State
from clackcount.running import understand


def right_share(running: Running, truth: Truth, duration_s: float) -> float:
    """Share of the recording's time in which the state is right."""
    at_s = np.arange(0.05, duration_s, 0.1)
    ends_s = np.array([stretch.end_s for stretch in running.timeline])
    where = np.minimum(np.searchsorted(ends_s, at_s, side="right"), len(ends_s) - 1)
    told = [running.timeline[i].state for i in where]
    return float(np.mean([a is b for a, b in zip(told, truth.state_at(at_s), strict=True)]))


def tell(story: Story) -> tuple[Running, Truth, float]:
    train, flow, truth = story.told()
    return understand(Beats(train), flow, train.duration_s), truth, train.duration_s


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("cause", [Cause.OPEN_STALL, Cause.SHUT_STALL, Cause.STARVED])
def test_start_run_and_stop_are_told_with_their_cause(seed: int, cause: Cause) -> None:
    rng = np.random.default_rng(seed)
    story = Story(
        seed,
        period_s=float(np.exp(rng.uniform(np.log(0.3), np.log(2.0)))),
        rush_db=rng.uniform(8, 18),
        drift_db=rng.uniform(0, 1.2),
        agc_db=float(rng.choice([0, 4])),
    )
    n_strokes = int(rng.integers(3, 12))
    story.quiet(6).hand(n_strokes).runs(rng.uniform(25, 50), settle=0.1).fades(cause).stalls(cause, 15)
    running, truth, duration_s = tell(story)
    assert right_share(running, truth, duration_s) >= 0.9
    assert [stop.cause for stop in running.stops] == [cause]
    assert running.stops[0].time_s == pytest.approx(truth.stops[0][0], abs=1.0)
    assert running.startup is not None
    assert running.startup.hand_strokes == pytest.approx(n_strokes, abs=1)
    assert running.startup.self_cycling_from_s == pytest.approx(
        truth.self_from_s + story.period_s, abs=2 * story.period_s
    )


@pytest.mark.parametrize("seed", range(6))
def test_a_ram_that_hops_to_its_other_rate_and_stops_there_did_not_starve(seed: int) -> None:
    story = Story(seed, period_s=1.0, rush_db=14).quiet(6).hand(6)
    for period_s, seconds in ((1.0, 10), (1.4, 10), (1.0, 30), (1.4, 12)):
        story.period_s = period_s
        first = len(story.slams)
        story.runs(seconds)
        if period_s > 1:  # it slams more softly at that rate
            story.strength_db.update(dict.fromkeys(range(first, len(story.slams)), -6.0))
    running, _, _ = tell(story.stalls(Cause.SHUT_STALL, 15))
    assert len(running.stops) == 1
    assert running.stops[0].cause in (Cause.SHUT_STALL, Cause.UNKNOWN)
    assert any("a rate that it had had before" in word for word in running.stops[0].before)


def test_a_steady_run_is_one_stretch_without_a_stop() -> None:
    running, _, duration_s = tell(Story(3, period_s=0.8).runs(300))
    assert [stretch.state for stretch in running.timeline] == [State.SELF]
    assert running.timeline[0].end_s == duration_s
    assert running.stops == ()
    assert running.startup is None


@pytest.mark.parametrize("seed", range(6))
def test_slams_missed_in_noise_make_no_stop(seed: int) -> None:
    story = Story(seed, period_s=0.5 + 0.2 * seed, miss=0.15, drift_db=1.5, rush_db=4)
    running, _, _ = tell(story.runs(240))
    assert running.stops == ()
    assert sum(row.missed for row in running.trend) > 10


def test_a_beat_drowned_for_a_while_ran_on_if_its_rush_did() -> None:
    train, flow, _ = Story(5, period_s=1.0, rush_db=14).runs(90).told()
    heard = (train.time_s < 40) | (train.time_s > 47)
    drowned = SlamTrain(*(getattr(train, name)[heard] for name in COLUMNS), duration_s=train.duration_s)
    assert understand(Beats(drowned), flow, train.duration_s).stops == ()


def test_a_stop_and_a_restart_by_hand_are_both_seen() -> None:
    story = Story(8, period_s=0.9, rush_db=12).runs(40).stalls(Cause.SHUT_STALL, 14).hand(5).runs(40)
    running, truth, duration_s = tell(story)
    assert right_share(running, truth, duration_s) >= 0.95
    (stop,) = running.stops
    assert stop.restarted_s == pytest.approx(duration_s - 40, abs=1.5)


def test_a_recording_that_begins_after_the_stop_says_little_and_is_unsure() -> None:
    train, flow, _ = Story(2).rushing(30).told()
    (stretch,) = understand(Beats(train), flow, train.duration_s).timeline
    assert (stretch.start_s, stretch.end_s) == (0.0, train.duration_s)
    assert stretch.confidence <= 0.5


def test_without_a_rush_above_the_background_the_cause_stays_unknown() -> None:
    for seed in range(8):
        cause = (Cause.OPEN_STALL, Cause.SHUT_STALL)[seed % 2]
        running, _, _ = tell(Story(seed, rush_db=-12, drift_db=1.5, agc_db=4).runs(40).stalls(cause, 12))
        assert [stop.cause for stop in running.stops] == [Cause.UNKNOWN]
        assert running.timeline[-1].confidence < 0.75


def with_knocks(train: SlamTrain, knocks_s: list[float]) -> SlamTrain:
    """The train with knocks off the beat, no opening heard before them."""
    order = np.argsort(np.concatenate([train.time_s, knocks_s]))
    n = len(knocks_s)
    extra = {"time_s": knocks_s, "strength_db": [12.0] * n, "confidence": [0.6] * n, "pump": [1] * n}
    extra |= {"reopen_s": [np.nan] * n, "opened_s": [np.nan] * n, "beating": [False] * n}
    return SlamTrain(
        *(np.concatenate([getattr(train, name), extra[name]])[order] for name in COLUMNS), duration_s=train.duration_s
    )


def test_lone_knocks_after_a_stop_are_no_strokes() -> None:
    train, flow, truth = Story(6, rush_db=12).runs(40).stalls(Cause.SHUT_STALL, 60).told()
    stop_s = truth.stops[0][0]
    knocked = with_knocks(train, [stop_s + 15, stop_s + 30, stop_s + 31, stop_s + 50])
    running = understand(Beats(knocked), flow, train.duration_s)
    assert [stretch.state for stretch in running.timeline] == [State.SELF, State.QUIET]
    assert [stop.time_s for stop in running.stops] == pytest.approx([stop_s], abs=0.1)


def test_failed_attempts_are_counted_and_their_beats_are_no_strokes() -> None:
    story = Story(4, period_s=0.8, opening_heard=1.0).quiet(5).hand(4).few_beats(3).hand(5).runs(40)
    running, _, _ = tell(story)
    assert running.startup is not None
    assert running.startup.failed_attempts == 1
    assert running.startup.hand_strokes == pytest.approx(9, abs=1)


@pytest.mark.parametrize("settle", [0.25, -0.15])
def test_the_settling_time_lies_in_its_band(settle: float) -> None:
    inside = 0
    for seed in range(10):
        story = Story(seed, period_s=0.9, jitter=0.01).quiet(5).hand(4).runs(120, settle=settle, settle_s=12)
        running, truth, _ = tell(story)
        true_s = 12 * np.log(abs(settle) / 0.02) - 0.9  # counted from the first slam without a push
        assert running.startup is not None
        assert running.startup.settled_from_s == pytest.approx(truth.self_from_s + true_s, abs=12)
        low_s, high_s = running.startup.settling_time_ci95_s
        inside += low_s <= true_s <= high_s
    assert inside >= 8


def test_no_catch_is_advised_while_the_rate_still_settles() -> None:
    running, _, _ = tell(Story(1, jitter=0.005).quiet(5).hand(4).runs(40, settle=0.4, settle_s=40))
    assert running.startup is not None
    assert running.startup.self_cycling_from_s is not None
    assert running.startup.settled_from_s is None


def test_a_long_recording_gives_a_bounded_table() -> None:
    train, flow, _ = Story(1, period_s=1.2).runs(1500, factor=1.2).told()
    trend = understand(Beats(train), flow, train.duration_s).trend
    assert 24 <= len(trend) <= 48
    rates = [row.rate_per_min for row in trend]
    assert rates[0] == pytest.approx(50, rel=0.03)
    assert rates[-1] == pytest.approx(50 / 1.2, rel=0.03)
    assert np.all(np.diff(rates) < 1)
    assert trend[-1].end_s == train.duration_s
    assert all(row.rush_db > 2 for row in trend)


COLUMNS = ("time_s", "strength_db", "confidence", "reopen_s", "opened_s", "pump", "beating")


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 500), cells=st.integers(0, 400))
def test_starting_the_recorder_earlier_shifts_the_story_and_nothing_else(seed: int, cells: int) -> None:
    train, flow, _ = (
        Story(seed, period_s=0.7, rush_db=12).quiet(8).hand(4).runs(30).stalls(Cause.SHUT_STALL, 8).told()
    )
    early_s = cells * flow.step_s
    rng = np.random.default_rng(seed)
    first = flow.level_db[rng.integers(0, 100, cells)]  # more of the same quiet
    later = SlamTrain(
        time_s=train.time_s + early_s,
        strength_db=train.strength_db,
        confidence=train.confidence,
        reopen_s=train.reopen_s + early_s,
        opened_s=train.opened_s + early_s,
        pump=train.pump,
        beating=train.beating,
        duration_s=train.duration_s + early_s,
    )
    before = understand(Beats(train), flow, train.duration_s)
    after = understand(
        Beats(later), FlowTrack(flow.step_s, np.concatenate([first, flow.level_db]), flow.band_hz), later.duration_s
    )
    assert [s.state for s in after.timeline[1:]] == [s.state for s in before.timeline[1:]]
    assert [s.start_s - early_s for s in after.timeline[1:]] == pytest.approx(
        [s.start_s for s in before.timeline[1:]], abs=0.06
    )
    assert after.startup.hand_strokes == before.startup.hand_strokes


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 500), gain_db=st.floats(-30, 20))
def test_a_louder_recording_tells_the_same_story(seed: int, gain_db: float) -> None:
    train, flow, _ = Story(seed).rushing(6).hand(5).runs(25).stalls(Cause.OPEN_STALL, 9).told()
    louder = FlowTrack(flow.step_s, flow.level_db + np.float32(gain_db), flow.band_hz)
    one, other = (understand(Beats(train), track, train.duration_s) for track in (flow, louder))
    assert [s.state for s in one.timeline] == [s.state for s in other.timeline]
    assert [s.cause for s in one.stops] == [s.cause for s in other.stops]


@settings(max_examples=40, deadline=None)
@given(
    gaps_s=st.lists(st.floats(0.15, 9.0), max_size=40),
    seed=st.integers(0, 99),
    n_cells=st.integers(0, 600),
)
def test_any_slams_with_any_flow_give_a_timeline_without_holes(gaps_s: list[float], seed: int, n_cells: int) -> None:
    rng = np.random.default_rng(seed)
    time_s = np.cumsum([0.0, *gaps_s])
    n = len(time_s)
    train = SlamTrain(
        time_s, rng.normal(10, 3, n), rng.random(n), time_s + 0.1, time_s - 0.3, np.ones(n), rng.random(n) < 0.5,
        duration_s=float(time_s[-1] + rng.uniform(0, 9)),
    )  # fmt: skip
    flow = FlowTrack(0.05, rng.normal(-50, 3, (n_cells, 8)).astype(np.float32), np.geomspace(100, 12000, 9))
    running = understand(Beats(train), flow, train.duration_s)
    edges_s = [0.0, *(stretch.end_s for stretch in running.timeline)]
    assert [stretch.start_s for stretch in running.timeline] == pytest.approx(edges_s[:-1])
    assert edges_s[-1] == pytest.approx(train.duration_s)
    assert all(0 <= stretch.confidence <= 1 for stretch in running.timeline)
    assert all(0 <= stop.time_s <= train.duration_s for stop in running.stops)

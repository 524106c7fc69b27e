"""Knocks told from slams by the water they cut off, beats told by the water alone, and gaps in which none is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from stories import Story

from clackcount.model import Beats, Cause, FlowTrack, SlamTrain, State
from clackcount.running import understand
from clackcount.running.cutoff import CutOff
from clackcount.running.reading import read
from clackcount.running.strays import _reckoned, plausible
from clackcount.running.strokes import judge_strokes
from clackcount.settings import RunningSettings

SETTINGS = RunningSettings()


def with_knocks(train: SlamTrain, at_s: list[float], louder_db: float = 0.0, *, beating: bool = False) -> SlamTrain:
    """The train with knocks that are no slams among it."""
    n = len(at_s)
    none = np.full(n, np.nan)
    louder = np.full(n, np.median(train.strength_db) + louder_db)
    at = np.sort(np.array(at_s, np.float64))
    knocks = SlamTrain(
        at, louder, np.full(n, 0.9), none, none, np.ones(n, np.int32), np.full(n, beating), train.duration_s
    )
    return train.joined(knocks)


def deaf_to(train: SlamTrain, lost: NDArray[np.bool_]) -> SlamTrain:
    """The train without the slams that are lost, bool (n,)."""
    return train.where(~lost)


def states(train: SlamTrain, flow: FlowTrack) -> list[State]:
    return [stretch.state for stretch in understand(Beats(train), flow, train.duration_s).timeline]


def test_what_sounds_somewhat_like_a_slam_is_a_stroke_where_its_water_ends() -> None:
    train, flow, _ = Story(2, period_s=1.2, opening_heard=0.0).quiet(5).hand(7).runs(60).told()
    soft = np.zeros(len(train), np.bool_)
    soft[[1, 3, 4]] = True
    perhaps = replace(train.where(soft), beating=np.zeros(3, np.bool_))
    nothing = with_knocks(perhaps, (train.time_s[5:7] + 0.5).tolist())
    heard = train.where(~soft)
    for beats, strokes in ((Beats(heard), 4), (Beats(heard, perhaps=perhaps), 7), (Beats(heard, perhaps=nothing), 7)):
        told = understand(beats, flow, train.duration_s)
        assert told.startup is not None
        assert told.startup.hand_strokes == strokes
    deaf = replace(flow, level_db=np.zeros_like(flow.level_db))  # where no water tells, none is
    assert len(read(heard, deaf, SETTINGS, perhaps=perhaps).train) == len(read(heard, deaf, SETTINGS).train)


@pytest.mark.parametrize("cause", [Cause.OPEN_STALL, Cause.SHUT_STALL])
def test_knocks_after_a_stop_that_cut_no_water_off_are_no_strokes(cause: Cause) -> None:
    train, flow, truth = Story(1).runs(40).stalls(cause, 25).told()
    knocks = with_knocks(train, [truth.stops[0][0] + t for t in (6.0, 7.7, 9.1, 11.4, 12.6)])
    assert State.HAND not in states(knocks, flow)


def test_knocks_after_a_stop_that_do_are_strokes() -> None:
    train, flow, _ = Story(1).runs(40).stalls(Cause.SHUT_STALL, 6).hand(5).quiet(5).told()
    assert State.HAND in states(train, flow)


def test_the_knock_of_the_push_before_each_stroke_is_not_counted() -> None:
    train, flow, _ = Story(2, period_s=1.2, opening_heard=0.0).quiet(5).hand(7).runs(60).told()
    pushed_s = train.time_s[:7] - 0.6
    told = understand(Beats(with_knocks(train, pushed_s.tolist(), -3.0)), flow, train.duration_s)
    assert told.startup is not None
    assert told.startup.hand_strokes == pytest.approx(7, abs=1)


def test_the_knock_of_a_push_opens_the_slam_that_follows_it() -> None:
    train, _flow, _ = Story(2, period_s=1.2, opening_heard=0.0).quiet(5).hand(7).runs(60).told()
    pushed_s = train.time_s[2:5] - 0.6
    told = plausible(with_knocks(train, pushed_s.tolist(), -3.0), None, SETTINGS)
    np.testing.assert_array_equal(told.time_s, train.time_s)
    np.testing.assert_array_equal(told.opened_s[2:5], pushed_s)
    assert np.isnan(told.opened_s[[0, 1, 5, 6]]).all()


def test_a_knock_far_louder_than_the_pump_is_no_stroke_even_where_no_water_is_heard() -> None:
    train, flow, truth = Story(3, rush_db=-20).runs(40).stalls(Cause.SHUT_STALL, 25).told()
    after_s = [truth.stops[0][0] + t for t in (6.0, 7.7, 9.1, 11.4)]
    assert State.HAND in states(with_knocks(train, after_s), flow)
    assert State.HAND not in states(with_knocks(train, after_s, 15.0), flow)


def test_beats_reckoned_on_through_a_stop_are_taken_out() -> None:
    train, flow, truth = Story(4).runs(40).stalls(Cause.OPEN_STALL, 12).hand(4).runs(30).told()
    stop_s = truth.stops[0][0]
    reckoned = with_knocks(train, (stop_s + np.arange(1, 12)).tolist(), beating=True)
    told = understand(Beats(reckoned), flow, train.duration_s)
    assert [stop.cause for stop in told.stops] == [Cause.OPEN_STALL]
    assert told.stops[0].time_s == pytest.approx(stop_s, abs=2.5)  # one or two look by chance as if they did


def test_a_run_that_fades_below_hearing_is_followed_by_its_water() -> None:
    train, flow, truth = Story(5, rush_db=15).runs(40).fades(Cause.STARVED).stalls(Cause.SHUT_STALL, 20).told()
    stop_s = truth.stops[0][0]
    (stop,) = understand(Beats(deaf_to(train, train.time_s > stop_s - 9)), flow, train.duration_s).stops
    assert stop.time_s == pytest.approx(stop_s, abs=1.0)
    assert stop.cause is Cause.STARVED


def a_train(time_s: list[float], beating: list[bool]) -> SlamTrain:
    n = len(time_s)
    none, of_one = np.full(n, np.nan), np.ones(n)
    return SlamTrain(np.array(time_s), 10 * of_one, 0.9 * of_one, none, none, of_one, np.array(beating), 60.0)


def test_a_recording_that_begins_in_a_run_begins_with_no_stroke() -> None:
    """The valve falling open just after the recording began is a knock, too."""
    time_s = [0.07, *(0.58 + 0.81 * np.arange(40)).tolist()]
    opened_s = np.array([np.nan, np.nan, *(np.array(time_s[2:]) - 0.53)])
    train = replace(a_train(time_s, [False] + [True] * 40), opened_s=opened_s)
    dwell_s = opened_s - np.concatenate([[np.nan], train.time_s[:-1]])
    by_rush_s = np.array([np.nan, 0.13, *[0.42] * 39])
    assert not judge_strokes(train, (dwell_s, by_rush_s), np.zeros(41), SETTINGS).pushed.any()


def test_beats_at_which_a_little_water_ends_may_be_strokes_and_those_at_which_none_does_are_not() -> None:
    """Six knocks between two runs of a slow pump, all taken for beats."""
    run_s = 1.8 * np.arange(12)
    time_s = [*run_s, *(run_s[-1] + np.array([1.1, 2.7, 3.5, 4.9, 6.3, 7.2])), *(run_s + 30)]
    train = a_train(time_s, [True] * 30)
    cut_off = CutOff(np.zeros(1200), 0.05, 10, np.linspace(-1, 1, 16), at_slams=0.3, anywhere=0.15)
    some, none = ([1.0] * 12 + between + [1.0] * 12 for between in ([0.24, 0.12, 0.6, 0.17, 0.3, -0.07], [0.02] * 6))
    assert not _reckoned(train, np.array(some), cut_off, 1.8).any()
    assert np.flatnonzero(_reckoned(train, np.array(none), cut_off, 1.8)).tolist() == list(range(12, 18))


def test_what_was_heard_for_sure_before_any_run_is_not_only_reckoned() -> None:
    time_s = [0.5, 1.6, 3.2, 4.0, 5.4, 6.8, *(8.0 + 1.8 * np.arange(20))]
    train = a_train(time_s, [True] * 26)
    cut_off = CutOff(np.zeros(1200), 0.05, 10, np.linspace(-1, 1, 16), at_slams=0.3, anywhere=0.15)
    share = np.array([0.02] * 6 + [1.0] * 20)
    assert np.flatnonzero(_reckoned(train, share, cut_off, 1.8)).tolist() == list(range(6))
    surely = replace(train, confidence=np.full(26, 0.995))
    assert not _reckoned(surely, share, cut_off, 1.8).any()


def test_a_lone_knock_at_the_start_is_not_the_end_of_a_run() -> None:
    train, flow, _ = Story(9).quiet(6).hand(4).runs(40).told()
    told = understand(Beats(with_knocks(train, [0.3], beating=True)), flow, train.duration_s)
    assert told.stops == ()
    assert told.timeline[0].state is State.QUIET


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("jitter", [0.015, 0.08])
def test_beats_that_drown_are_found_by_their_water_up_to_the_next_that_is_heard(seed: int, jitter: float) -> None:
    train, flow, _ = Story(seed, rush_db=8, jitter=jitter).runs(80).told()
    heard = read(deaf_to(train, (train.time_s > 40) & (train.time_s < 47)), flow, SETTINGS).train
    lost_s = train.time_s[(train.time_s > 40) & (train.time_s < 47)]
    assert np.abs(heard.time_s[:, None] - lost_s).min(axis=0) == pytest.approx(0.0, abs=0.2)
    assert len(heard) == len(train)


def test_a_short_gap_that_ends_on_the_beat_is_no_stop_though_no_water_is_heard_in_it() -> None:
    """Two beats drown in a gust that hides their water, too; nobody restarts a pump just on its beat."""
    train, flow, _ = Story(8, rush_db=12, jitter=0.004, period_s=1.2).runs(80).told()
    lost = (train.time_s > 40) & (train.time_s < 40 + 2 * 1.2)
    level_db = flow.level_db.copy()
    level_db[int(39.5 / flow.step_s) : int(42.3 / flow.step_s)] = np.quantile(level_db, 0.1, axis=0)
    told = understand(Beats(deaf_to(train, lost)), replace(flow, level_db=level_db), train.duration_s)
    assert lost.sum() == 2
    assert told.stops == ()


@pytest.mark.parametrize("cause", [Cause.OPEN_STALL, Cause.SHUT_STALL])
@pytest.mark.parametrize("seed", range(4))
def test_nothing_is_followed_past_a_stop_out_of_the_blue(cause: Cause, seed: int) -> None:
    train, flow, _ = Story(seed, rush_db=15, drift_db=1.5).runs(40).stalls(cause, 20).told()
    assert len(read(train, flow, SETTINGS).train) == len(train)


def test_a_long_silence_in_a_place_no_louder_than_before_is_a_stop() -> None:
    """Its slams were all heard; a gust would have been heard, too."""
    train, flow, _ = Story(6, rush_db=-20).runs(40).quiet(20).hand(4).runs(40).told()
    told = understand(Beats(train), flow, train.duration_s)
    assert len(told.stops) == 1
    gust = flow.level_db.copy()
    gust[int(41 / flow.step_s) : int(59 / flow.step_s)] += 12
    unpushed = Story(6, rush_db=-20).runs(40).runs(20).runs(40)
    train, flow, _ = unpushed.told()
    deaf = deaf_to(train, (train.time_s >= 40.5) & (train.time_s <= 59.5))
    loud = flow.level_db.copy()
    loud[int(41 / flow.step_s) : int(59 / flow.step_s)] += 12
    assert understand(Beats(deaf), replace(flow, level_db=loud), train.duration_s).stops == ()


def test_a_restart_by_hand_is_told_as_a_start() -> None:
    train, flow, truth = Story(7).runs(30).stalls(Cause.SHUT_STALL, 8).hand(5).runs(40).told()
    startup = understand(Beats(train), flow, train.duration_s).startup
    assert startup is not None
    assert startup.hand_strokes == pytest.approx(5, abs=1)
    assert startup.self_cycling_from_s == pytest.approx(truth.self_from_s + 1.0, abs=2.0)


def talk(train: SlamTrain, from_s: float, to_s: float, seed: int = 4) -> SlamTrain:
    """The train with what a talker says, taken for knocks: as loud as slams at times, and at others not."""
    rng = np.random.default_rng(seed)
    at_s = from_s + np.cumsum(rng.lognormal(np.log(1.1), 0.4, 80))
    at_s = at_s[at_s < to_s]
    talked = with_knocks(train, at_s.tolist())
    off_db = np.where(np.isin(talked.time_s, at_s), rng.normal(3, 7, len(talked)), 0.0)
    return replace(talked, strength_db=talked.strength_db + off_db)


def test_talk_after_a_stop_is_no_pushing_where_no_water_tells() -> None:
    train, flow, truth = Story(6, rush_db=-20).runs(40).quiet(50).told()
    running = understand(Beats(talk(train, 44.0, 88.0)), flow, train.duration_s)
    assert [stretch.state for stretch in running.timeline] == [State.SELF, State.QUIET]
    assert running.stops[0].time_s == pytest.approx(truth.stops[0][0] if truth.stops else train.time_s[-1], abs=0.1)


def test_strokes_that_lead_to_a_run_are_told_where_no_water_tells() -> None:
    train, flow, truth = Story(6, rush_db=-20).quiet(5).hand(5).runs(40).told()
    running = understand(Beats(train), flow, train.duration_s)
    assert running.startup is not None
    assert running.startup.hand_strokes == pytest.approx(truth.hand_strokes, abs=1)


@pytest.mark.parametrize("seed", [0, 8])
def test_nobody_pushes_a_ragged_ram_that_runs(seed: int) -> None:
    """A beat that comes early, or late, is the ram's own; somebody must notice first that it stopped."""
    rng = np.random.default_rng(seed)
    train, flow, _ = Story(6, period_s=0.75, rush_db=12).runs(60).told()
    ragged_s = rng.normal(0.75, 0.225, len(train) - 1).clip(0.35)
    time_s = train.time_s[0] + np.concatenate([[0.0], np.cumsum(ragged_s)])
    unheard = np.full(len(train), np.nan)
    off_beat = np.zeros(len(train), bool)
    ragged = replace(train, time_s=time_s, reopen_s=unheard, opened_s=unheard, beating=off_beat, duration_s=70.0)
    running = understand(Beats(ragged), flow, 70.0)
    assert [stretch.state for stretch in running.timeline] == [State.SELF, State.QUIET]


RAGGED_S = (6.0, 6.3, 7.2, 7.5, 8.8, 9.1, 10.4, 11.3)  # now and then sooner than a hand pushes again


def test_ragged_knocks_that_lead_to_no_run_are_no_strokes_where_no_water_is_heard() -> None:
    train, flow, truth = Story(3, rush_db=-20).runs(40).stalls(Cause.SHUT_STALL, 25).told()
    told = states(with_knocks(train, [truth.stops[0][0] + t for t in RAGGED_S], beating=True), flow)
    assert State.HAND not in told
    assert told.count(State.SELF) == 1


def test_strokes_that_lead_to_a_run_need_no_water() -> None:
    train, flow, _ = Story(3, rush_db=-20).runs(40).stalls(Cause.SHUT_STALL, 8).hand(5).runs(30).told()
    assert State.HAND in states(train, flow)


def test_strokes_in_vain_are_told_by_the_water_they_end() -> None:
    train, flow, _ = Story(6, rush_db=10).runs(40).stalls(Cause.OPEN_STALL, 40).hand(6).quiet(20).told()
    assert State.HAND in states(train, flow)

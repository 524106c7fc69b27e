"""The live Watcher: the same story as of the whole recording, soon, and whatever the blocks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stories import Story, missing
from test_understand_stories import with_knocks

from clackcount.model import Beats, Cause, Event, FlowTrack, Happening, News, SlamTrain, State, Verdict
from clackcount.running import Watcher, understand
from support.speed import in_references

COLUMNS = ("time_s", "strength_db", "confidence", "reopen_s", "opened_s", "pump", "beating")


def watch(
    train: SlamTrain,
    flow: FlowTrack,
    cuts_s: list[float],
    *,
    sure: bool = True,
    verdicts: dict[float, Verdict] | None = None,
) -> tuple[list[Event], Watcher]:
    """Feed everything in pieces that end at cuts_s.

    sure: it is surely heard when a beat does not come. verdicts: by the cut at which each comes.
    """
    watcher, events, slam, cell = Watcher(), [], 0, 0
    for now_s in cuts_s:
        slams_to = int(np.searchsorted(train.time_s, now_s, side="right"))
        cells_to = min(int(now_s / flow.step_s + 1e-9), len(flow))
        slams = SlamTrain(*(getattr(train, name)[slam:slams_to] for name in COLUMNS), duration_s=train.duration_s)
        cells = FlowTrack(flow.step_s, flow.level_db[cell:cells_to], flow.band_hz)
        due = missing(train.time_s[:slams_to], now_s) if sure else None
        events += watcher.feed(News(slams, cells, now_s, due, verdict=(verdicts or {}).get(now_s)))
        slam, cell = slams_to, cells_to
    return events, watcher


def every(seconds: float, train: SlamTrain) -> list[float]:
    return [*np.arange(seconds, train.duration_s, seconds).tolist(), train.duration_s]


def of(events: list[Event], happening: Happening) -> list[Event]:
    return [event for event in events if event.happening is happening]


def told_cause(events: list[Event]) -> Cause | None:
    """Of the only stop: told with it, or later."""
    (stop,), later = of(events, Happening.STOP), of(events, Happening.CAUSE)
    assert len(later) == (stop.cause is Cause.UNKNOWN)
    return (later or [stop])[0].cause


@pytest.mark.parametrize("cause", [Cause.OPEN_STALL, Cause.SHUT_STALL, Cause.STARVED])
@pytest.mark.parametrize("seed", range(4))
def test_the_live_story_is_the_whole_story_told_in_time(seed: int, cause: Cause) -> None:
    period_s = (0.35, 0.7, 1.1, 1.8)[seed]
    story = (
        Story(seed, period_s=period_s, rush_db=12)
        .quiet(6)
        .hand(6, spread=0.4, dwell_s=1.2)
        .runs(30, settle=0.05)
        .fades(cause)
    )
    train, flow, truth = story.stalls(cause, 12).told()
    events, _ = watch(train, flow, every(0.1, train))
    whole = understand(Beats(train), flow, train.duration_s)

    told = [(event.state, event.time_s) for event in of(events, Happening.STATE)]
    batch = [(stretch.state, stretch.start_s) for stretch in whole.timeline if stretch.start_s > 0]
    assert [state for state, _ in told] == [state for state, _ in batch]
    assert [t for _, t in told] == pytest.approx([t for _, t in batch], abs=max(0.6, period_s))

    (stop,) = of(events, Happening.STOP)
    assert stop.time_s == pytest.approx(truth.stops[0][0], abs=0.1)
    assert told_cause(events) is cause
    last_period_s = period_s * (1.35 if cause is Cause.STARVED else 1.0)
    due_s = stop.time_s + last_period_s
    slack_s = 0.5 if cause is Cause.STARVED else 0.0  # an uneven beat is waited for a little longer
    assert stop.told_s - due_s <= max(2.0, 2 * last_period_s) + slack_s  # from when the beat was missing

    runs = next(event for event in of(events, Happening.STATE) if event.state is State.SELF)
    assert runs.strokes == pytest.approx(truth.hand_strokes, abs=1)
    assert runs.told_s - runs.time_s <= 8 * period_s + 1.0  # six cycles make a run, two more to tell


def test_a_stop_is_told_once_and_a_new_start_counts_its_own_strokes() -> None:
    story = Story(3, period_s=0.8, rush_db=12).quiet(5).hand(5).runs(30).stalls(Cause.SHUT_STALL, 15).hand(7).runs(25)
    train, flow, _ = story.told()
    events, _ = watch(train, flow, every(0.25, train))
    assert len(of(events, Happening.STOP)) == 1
    runs = [event for event in of(events, Happening.STATE) if event.state is State.SELF]
    assert [event.strokes for event in runs] == pytest.approx([5, 7], abs=1)


def test_a_lone_knock_in_the_silence_is_not_told() -> None:
    train, flow, truth = Story(6, rush_db=12).runs(40).stalls(Cause.SHUT_STALL, 40).told()
    knocked = with_knocks(train, [truth.stops[0][0] + 15, truth.stops[0][0] + 30])
    events, watcher = watch(knocked, flow, every(0.5, train))
    assert len(of(events, Happening.STOP)) == 1
    assert [event.state for event in of(events, Happening.STATE)] == [State.SELF, State.QUIET]
    assert watcher.state is State.QUIET


def test_settled_is_told_once_and_not_before_it_is_true() -> None:
    story = Story(5, period_s=0.8, jitter=0.008).quiet(5).hand(4).runs(200, settle=0.3, settle_s=15)
    train, flow, truth = story.told()
    events, _ = watch(train, flow, every(0.5, train))
    (settled,) = of(events, Happening.SETTLED)
    assert settled.time_s == pytest.approx(truth.self_from_s + 15 * np.log(0.3 / 0.02), abs=15)
    assert settled.told_s >= settled.time_s


def test_nothing_is_told_of_a_recording_without_a_pump() -> None:
    train, flow, _ = Story(1).quiet(60).told()
    events, watcher = watch(train, flow, every(0.5, train))
    assert events == []
    assert watcher.state is None


DOUBT = "it may be a clock"


def test_while_it_may_be_no_ram_every_event_says_so_and_no_catch_can_begin() -> None:
    train, flow, _ = Story(5, period_s=0.8).quiet(5).runs(80).stalls(Cause.SHUT_STALL, 10).told()
    events, _ = watch(train, flow, every(1.0, train), verdicts={1.0: Verdict(0.3, DOUBT)})
    assert [event.state for event in of(events, Happening.STATE)] == [State.SELF, State.QUIET]
    assert of(events, Happening.STOP)
    assert not of(events, Happening.SETTLED)
    assert all(event.confidence <= 0.3 and event.doubt == DOUBT for event in events)


def test_a_doubt_that_comes_or_goes_is_told_at_once() -> None:
    train, flow, _ = Story(5, period_s=0.8).quiet(5).runs(90).told()
    verdicts = {1.0: Verdict(0.5, DOUBT), 30.0: Verdict(0.99), 40.0: Verdict(0.98), 60.0: Verdict(0.4, DOUBT)}
    events, _ = watch(train, flow, every(1.0, train), verdicts=verdicts)
    told = of(events, Happening.STATE)
    assert [event.doubt for event in told] == [DOUBT, None, DOUBT]
    assert len({event.time_s for event in told}) == 1
    assert [event.told_s for event in told[1:]] == pytest.approx([30.0, 60.0], abs=1.0)
    (settled,) = of(events, Happening.SETTLED)
    assert 30.0 <= settled.told_s <= 60.0


def test_no_catch_can_begin_while_it_is_not_quite_sure() -> None:
    train, flow, _ = Story(5, period_s=0.8).quiet(5).runs(90).told()
    verdicts = {1.0: Verdict(0.7), 60.0: Verdict(0.9)}
    (settled,) = of(watch(train, flow, every(1.0, train), verdicts=verdicts)[0], Happening.SETTLED)
    assert settled.told_s > 60.0


def test_what_proves_to_be_no_ram_is_taken_back_with_all_that_was_told() -> None:
    train, flow, _ = Story(5, period_s=0.8).quiet(5).hand(5).runs(60).told()
    events, watcher = watch(train, flow, every(1.0, train), verdicts={50.0: Verdict(0.0, "steps")})
    (taken_back,) = of(events, Happening.NO_RAM)
    assert (taken_back.time_s, taken_back.doubt) == (events[0].time_s, "steps")
    assert (taken_back.state, taken_back.strokes) == (State.QUIET, 5)
    before, after = train.time_s < 50, train.time_s >= 50
    assert before.sum() > 50 > after.sum() > 10  # what goes on is told as another
    assert [event.state for event in events[events.index(taken_back) + 1 :]] == [State.SELF]
    assert watcher.strokes == 0


def test_strokes_heard_better_later_are_counted_again_and_told() -> None:
    """The first look took two noises for strokes; a second look at all that is in hearing does not."""
    train, flow, truth = Story(4, period_s=0.8, rush_db=3).quiet(8).hand(6).runs(60).told()
    pushed_s = train.time_s[:6]
    noisy = with_knocks(train, [float(pushed_s[0]) - 2.5, float(pushed_s[0]) - 1.3])
    first = int(np.searchsorted(noisy.time_s, 40.0))
    watcher = Watcher()
    events = watcher.feed(News(part_of(noisy, 0, first), flow, 40.0))
    runs = of(events, Happening.STATE)[-1]
    assert (runs.state, runs.strokes) == (State.SELF, truth.hand_strokes + 2)
    known = int(np.searchsorted(train.time_s, 40.0))
    empty = FlowTrack(flow.step_s, flow.level_db[:0], flow.band_hz)
    later = watcher.feed(News(part_of(train, 0, known + 2), empty, 43.0, again_s=(0.0, 40.0)))
    (again,) = of(later, Happening.STATE)
    assert (again.state, again.strokes) == (State.SELF, truth.hand_strokes)
    assert again.time_s == pytest.approx(runs.time_s, abs=0.8)


def part_of(train: SlamTrain, first: int, last: int) -> SlamTrain:
    return SlamTrain(*(getattr(train, name)[first:last] for name in COLUMNS), duration_s=train.duration_s)


def test_pushes_that_follow_a_run_without_a_pause_are_its_own_ragged_beats() -> None:
    """Nobody pushes before it has stopped. Here it hops to another rate, and some beats fall off any."""
    train, flow, _ = Story(3, period_s=0.7, rush_db=0).runs(40).quiet(14).told()
    at_s = train.time_s[-1] + np.cumsum([1.2, 0.5, 1.1, 0.6, 1.3, 0.55, 1.2, 0.5])
    events, _ = watch(with_knocks(train, at_s.tolist()), flow, every(0.25, train), sure=False)
    assert [event.state for event in of(events, Happening.STATE)] == [State.SELF, State.QUIET]
    (stop,) = of(events, Happening.STOP)
    assert stop.told_s > at_s[-1]


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 40), cuts=st.lists(st.floats(0.01, 79), max_size=30))
def test_how_the_sound_is_cut_changes_nothing(seed: int, cuts: list[float]) -> None:
    train, flow, _ = Story(seed, period_s=0.9).rushing(5).hand(5).runs(30).stalls(Cause.OPEN_STALL, 10).told()
    one, _ = watch(train, flow, [train.duration_s], sure=False)
    other, _ = watch(train, flow, [*sorted(c for c in cuts if c < train.duration_s), train.duration_s], sure=False)
    assert one == other
    assert len(one) > 5


def test_a_long_run_costs_little_time_and_no_memory() -> None:
    train, flow, _ = Story(2, period_s=0.4).runs(200).told()
    n_references, (_, watcher) = in_references(lambda: watch(train, flow, every(1.0, train)))
    assert n_references < 0.4 * train.duration_s
    assert watcher.state is State.SELF
    assert len(train) > 480
    assert len(watcher._window.slams) < 350
    assert len(watcher._window.cells) * watcher._window.step_s < 150


def test_a_long_silence_costs_little_time_and_no_memory() -> None:
    train, flow, _ = Story(2, period_s=0.4).runs(60).stalls(Cause.SHUT_STALL, 1500).told()
    n_references, (events, watcher) = in_references(lambda: watch(train, flow, every(1.0, train)))
    assert n_references < 0.06 * train.duration_s
    assert len(of(events, Happening.STOP)) == 1
    assert len(watcher._window.cells) * watcher._window.step_s < 700
    assert len(watcher._window.slams) == len(watcher._run.time_s) == 0


def test_a_run_that_ended_before_its_pump_was_known_is_told_with_its_stop() -> None:
    """It is heard all at once, and no slam follows that could be waited for."""
    train, flow, truth = Story(5, period_s=0.9, rush_db=8).runs(30).stalls(Cause.SHUT_STALL, 12).told()
    empty, all_of_it = (FlowTrack(flow.step_s, level, flow.band_hz) for level in (flow.level_db[:0], flow.level_db))
    watcher, now_s = Watcher(), float(train.time_s[-1]) + 8.0
    assert watcher.feed(News(None, all_of_it, now_s)) == []
    events = watcher.feed(News(train, empty, now_s + 0.1, missing(train.time_s, now_s), again_s=(0.0, now_s)))
    assert [event.happening for event in events[:2]] == [Happening.STATE, Happening.STOP]
    assert events[0].state is State.SELF
    assert events[1].time_s == pytest.approx(truth.stops[0][0], abs=0.1)


def test_what_knocks_after_a_stop_that_was_told_does_not_run_on_but_was_pushed() -> None:
    """A slow ram is known to have stopped after two beats; somebody who stands by pushes it at once."""
    train, flow, _ = Story(6, period_s=2.2, rush_db=0).runs(50).quiet(14).told()
    stopped_s = float(train.time_s[-1])
    pushes_s = stopped_s + 5.6 + np.cumsum([0.0, 1.9, 1.3, 1.7])
    events, watcher = watch(with_knocks(train, pushes_s.tolist()), flow, every(0.25, train))
    (stop,) = of(events, Happening.STOP)
    assert stop.time_s == pytest.approx(stopped_s, abs=0.1)
    assert State.SELF not in [event.state for event in of(events, Happening.STATE)[1:]]
    assert watcher.strokes == len(pushes_s)


def test_a_start_is_not_moved_once_its_first_strokes_are_out_of_hearing() -> None:
    train, flow, truth = Story(4, period_s=0.8, rush_db=3).quiet(8).hand(6).runs(60).told()
    known = int(np.searchsorted(train.time_s, 40.0))
    watcher = Watcher()
    events = watcher.feed(News(part_of(train, 0, known), flow, 40.0))
    run = of(events, Happening.STATE)[-1]
    assert run.strokes == truth.hand_strokes
    late_s = float(train.time_s[8])
    fewer = with_knocks(part_of(train, 14, known + 2), [late_s + 3.1, late_s + 4.7])
    empty = FlowTrack(flow.step_s, flow.level_db[:0], flow.band_hz)
    later = watcher.feed(News(fewer, empty, 43.0, again_s=(late_s - 0.1, 40.0)))
    assert [event.time_s for event in of(later, Happening.STATE)] == pytest.approx(
        [run.time_s][: len(later)], abs=0.8
    )


def test_one_beat_after_a_pause_that_was_not_told_as_a_stop_is_no_push() -> None:
    """Some beats drowned, the next comes off their time; only several pushes in a row show that it had stopped."""
    train, flow, _ = Story(7, period_s=0.9, rush_db=0).runs(40).quiet(16).told()
    odd = with_knocks(train, [float(train.time_s[-1]) + 4.3])
    odd = replace(odd, beating=np.ones(len(odd), np.bool_))
    events, _ = watch(odd, flow, every(0.25, train), sure=False)
    assert [event.state for event in of(events, Happening.STATE)] == [State.SELF, State.QUIET]
    (stop,) = of(events, Happening.STOP)
    assert stop.time_s == pytest.approx(float(odd.time_s[-1]), abs=0.1)


def test_even_knocks_after_a_stop_wait_for_the_water_after_them_like_any_other() -> None:
    train, flow, truth = Story(6, rush_db=12).runs(40).stalls(Cause.SHUT_STALL, 40).told()
    knocks_s = truth.stops[0][0] + 15 + 1.7 * np.arange(4)
    knocked = with_knocks(train, knocks_s.tolist())
    even = replace(knocked, beating=np.ones(len(knocked), bool))
    events, watcher = watch(even, flow, every(0.25, train))
    assert State.HAND not in [event.state for event in events]
    assert watcher.state is State.QUIET

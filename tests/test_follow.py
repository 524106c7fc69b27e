"""Sound followed while it comes in: the same from any blocks, near the truth, told in time, in steady memory."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator

import numpy as np
import pytest

from clackcount import pipeline, simulate
from clackcount.beats.live import LiveTracker
from clackcount.hearing.ear import LiveEar
from clackcount.model import Cause, Event, Happening, News, Pattern, State
from clackcount.running import Watcher
from clackcount.settings import BeatsSettings, HearingSettings, LiveSettings
from support.made_sound import Samples, Sound, cut

RATE_HZ = 16000
LIVE = LiveSettings()


def made(
    acts: tuple[simulate.acts.Act, ...], duration_s: float, background: str = "room", seed: int = 3
) -> simulate.Rendered:
    rng = np.random.default_rng(seed)
    ram = simulate.random_ram(rng, rate_per_min=62, pattern=Pattern.EVEN, material="cast-iron")
    ram = dataclasses.replace(ram, reopen_db=-6.0)
    part = simulate.Part(ram, acts)
    layer = simulate.Layer(background)
    return simulate.render(
        simulate.Scenario(duration_s, (part,), (layer,), snr_db=20, rush_snr_db=12, sample_rate_hz=RATE_HZ), seed
    )


@pytest.fixture(scope="module")
def story() -> simulate.Rendered:
    """Pushed by hand, it runs and stops shut."""
    acts = (
        simulate.Quiet(3.0),
        simulate.Hand(strokes=7, mean_gap_s=1.6, gap_cv=0.3),
        simulate.Running(45.0, Cause.SHUT_STALL),
        simulate.Quiet(),
    )
    return made(acts, 80.0)


class Pieces(Sound):
    """A source whose blocks have these lengths in turn."""

    def __init__(self, samples: Samples, lengths: list[int]) -> None:
        super().__init__(samples, RATE_HZ)
        self.lengths = lengths

    def blocks(self) -> Iterator[Samples]:
        return cut(self.samples, self.lengths)


def followed(source: Sound) -> Iterator[tuple[News, float]]:
    """News, each with the seconds of sound that had been fed when it came."""
    fed_s = 0.0

    class Counted(Sound):
        def blocks(self) -> Iterator[Samples]:
            nonlocal fed_s
            for block in source.blocks():
                fed_s += len(block) / RATE_HZ
                yield block

    for news in pipeline.follow(Counted(source.samples, RATE_HZ)):
        yield news, fed_s


def watched(followed: Iterable[tuple[News, float]]) -> list[tuple[Event, float]]:
    """Events, each with the seconds of sound that had been fed when it was told."""
    watcher = Watcher()
    return [(event, fed_s) for news, fed_s in followed for event in watcher.feed(news)]


@pytest.fixture(scope="module")
def news(story: simulate.Rendered) -> list[tuple[News, float]]:
    return list(followed(Sound(story.samples, RATE_HZ, RATE_HZ // 10)))


@pytest.fixture(scope="module")
def told(news: list[tuple[News, float]]) -> list[tuple[Event, float]]:
    return watched(news)


def of(told: list[tuple[Event, float]], happening: Happening) -> list[tuple[Event, float]]:
    return [(event, fed_s) for event, fed_s in told if event.happening is happening]


def start_of(state: State, scene: simulate.Rendered) -> float:
    """Of its last stretch."""
    return next(stretch.start_s for stretch in reversed(scene.truth.timeline) if stretch.state is state)


def test_the_story_is_told_near_the_truth(story: simulate.Rendered, told: list[tuple[Event, float]]) -> None:
    truth = story.truth
    states = [(event.state, event.time_s) for event, _ in of(told, Happening.STATE)]
    runs = [event for event, _ in of(told, Happening.STATE) if event.state is State.SELF]
    assert len(runs) <= 2  # once more where its further beats show that it began elsewhere
    assert runs[-1].time_s == pytest.approx(start_of(State.SELF, story), abs=0.5)
    assert runs[-1].strokes == truth.startup.hand_strokes
    assert runs[-1].rate_per_min == pytest.approx(truth.pumps[0].rate_per_min, rel=0.01)
    (stop,) = (event for event, _ in of(told, Happening.STOP))
    assert stop.time_s == pytest.approx(truth.stops[0].time_s, abs=0.1)
    assert Cause.SHUT_STALL in {stop.cause, *(event.cause for event, _ in of(told, Happening.CAUSE))}
    assert states[-1][0] is State.QUIET
    assert states[-1][1] == pytest.approx(truth.stops[0].time_s, abs=1.0)


def test_loud_strokes_are_counted_before_any_pump_is_known(
    story: simulate.Rendered, told: list[tuple[Event, float]]
) -> None:
    """Two knocks alone are no strokes yet; from the third on each is told within two seconds."""
    true_s = story.truth.slam_s[: story.truth.startup.hand_strokes]
    knocks = [(event, fed_s) for event, fed_s in of(told, Happening.STROKE) if event.time_s < true_s[-1] + 0.1]
    assert [event.time_s for event, _ in knocks] == pytest.approx(true_s.tolist(), abs=0.03)
    assert [event.strokes for event, _ in knocks] == list(range(1, len(true_s) + 1))
    assert all(fed_s - max(event.time_s, true_s[2]) < 2.0 for event, fed_s in knocks)


def test_a_stop_is_told_within_two_cycles_or_two_seconds(
    story: simulate.Rendered, told: list[tuple[Event, float]]
) -> None:
    period_s = 60 / story.truth.pumps[0].rate_per_min
    due_s = story.truth.stops[0].time_s + period_s  # nobody can know before
    ((_, fed_s),) = of(told, Happening.STOP)
    assert 0 < fed_s - due_s <= max(2 * period_s, 2.0)


@pytest.mark.parametrize("seed", [4, 10])
def test_the_beat_is_found_again_at_once_after_a_stop(seed: int) -> None:
    acts = (
        simulate.Running(35.0, Cause.OPEN_STALL),
        simulate.Rushing(8.0),
        simulate.Hand(strokes=4, mean_gap_s=1.4, gap_cv=0.3),
        simulate.Running(),
    )
    scene = made(acts, 75.0, seed=seed)
    told = watched(followed(Sound(scene.samples, RATE_HZ, RATE_HZ // 10)))
    assert len(of(told, Happening.STOP)) == 1
    assert [event.cause for event, _ in told if event.cause is not None][-1] is Cause.OPEN_STALL
    again, fed_s = [(event, fed_s) for event, fed_s in told if event.state is State.SELF][-1]
    assert again.strokes == 4
    period_s = 60 / scene.truth.pumps[0].rate_per_min
    assert again.time_s == pytest.approx(start_of(State.SELF, scene), abs=0.5)
    # six beats make a run, and it is looked at in steps
    assert fed_s - again.time_s < 7 * period_s + LIVE.step_min_s
    strokes = [(event.time_s, fed_s) for event, fed_s in of(told, Happening.STROKE)]
    # its sound is known by then, but two knocks alone are no strokes yet, and the water after each has its say
    assert all(fed_s - max(time_s, strokes[2][0]) < 1.5 for time_s, fed_s in strokes)


@pytest.mark.parametrize("lengths", [[4000, 1, 123, 40_000], [2**20]], ids=["uneven", "whole"])
def test_how_the_sound_is_cut_changes_nothing(
    story: simulate.Rendered, told: list[tuple[Event, float]], lengths: list[int]
) -> None:
    again = watched(followed(Pieces(story.samples, lengths)))
    assert [event for event, _ in again] == [event for event, _ in told]


def test_live_and_whole_find_the_same_slams(story: simulate.Rendered, news: list[tuple[News, float]]) -> None:
    live_s = np.empty(0)
    for each, _ in news:
        if each.again_s is not None:
            live_s = live_s[(live_s < each.again_s[0]) | (live_s > each.again_s[1])]
        if each.slams is not None:
            live_s = np.sort(np.concatenate([live_s, each.slams.time_s]))
    assert np.all(np.diff(live_s) > 0)
    whole_s = pipeline.listen(Sound(story.samples, RATE_HZ)).beats.train.time_s
    running_s = whole_s[(whole_s > story.truth.startup.self_cycling_from_s) & (whole_s < 55)]
    nearest_s = np.abs(running_s[:, None] - live_s).min(axis=1)
    assert np.mean(nearest_s < 0.005) > 0.9


def test_all_that_is_said_to_be_heard_has_been_told(news: list[tuple[News, float]]) -> None:
    cells_s = last_s = 0.0
    for each, fed_s in news:
        assert last_s <= each.heard_s <= fed_s + 1e-6
        cells_s += len(each.cells) * each.cells.step_s
        assert each.heard_s - each.cells.step_s < cells_s <= each.heard_s + 1e-9
        if each.slams is not None:
            assert each.slams.time_s[-1] <= each.heard_s
        if each.due is not None:
            assert each.due.time_s[-1] <= each.due.heard_s
        last_s = each.heard_s
    assert last_s == pytest.approx(80.0, abs=0.02)


@pytest.mark.parametrize("place", ["stream", "wind", "birds"])
def test_where_there_is_no_ram_nothing_is_told(place: str) -> None:
    scene = simulate.Scenario(32.0, (), (simulate.Layer(place), simulate.Layer("room", -20)), sample_rate_hz=RATE_HZ)
    assert watched(followed(Sound(simulate.render(scene, 5).samples, RATE_HZ, 4000))) == []


def test_memory_is_that_of_one_window(story: simulate.Rendered) -> None:
    """Everything that is kept from step to step is bounded; an hour keeps what ten minutes keep."""
    ear = LiveEar(RATE_HZ, HearingSettings(), LIVE.window_max_s)
    tracker = LiveTracker(BeatsSettings(), LIVE)
    frames, known = [], []
    for block in cut(np.concatenate([story.samples, story.samples[: 40 * RATE_HZ]]), [4000]):
        ear.feed(block)
        while (passage := ear.passage(tracker.wanted())) is not None:
            heard = [(part, part.frame / 200, part.reopen_frame / 200) for part in tracker.feed(passage)]
            tracker.tell(heard, (passage.first_frame + passage.keep[1]) / passage.frames_per_s)
            ear.cells()
            frames.append(ear._memory.end_frame - ear._memory.first_frame)
            known.append(len(tracker._tracker.known) + len(tracker._candidates))
    assert max(frames) <= (LIVE.window_max_s + 2) * 200
    assert max(known) <= 2 * BeatsSettings().pumps_max
    assert tracker._awake_to_s == pytest.approx(LIVE.awake_s + tracker._told_s[-1], abs=2.0)  # it is looked for hard


def test_searches_keep_to_their_share_of_the_work() -> None:
    """Where nothing beats, sound is searched as often as the settings say and no more, but for the first minute."""
    tracker = LiveTracker(BeatsSettings(), LIVE)
    heard_s = 0.0

    def searched_s(until_s: float) -> float:
        nonlocal heard_s
        total_s = 0.0
        while heard_s < until_s:
            wanted = tracker.wanted()
            heard_s += wanted.step_s
            total_s += min(wanted.window_s, heard_s) * len(tracker._searches)
            tracker.tell([], heard_s)
        return total_s

    at_first_s = 2 * LIVE.window_max_s
    share = (searched_s(LIVE.awake_s) - at_first_s) / LIVE.awake_s
    assert 0.5 * LIVE.search_share < share <= LIVE.search_share
    later = searched_s(2 * LIVE.awake_s) / LIVE.awake_s
    assert 0.5 * LIVE.search_share_later < later <= 1.1 * LIVE.search_share_later

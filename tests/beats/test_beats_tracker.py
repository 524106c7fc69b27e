"""Pumps from passage to passage: followed briefly while they go on as they did, thoroughly where they do not.

Whether a second pump is one: phases in the cycle of the first, held to SciPy's circular statistics.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as rules
from hypothesis import strategies as st
from scipy.stats import circvar

from clackcount.beats import tracker as room
from clackcount.beats.heard import Heard
from clackcount.beats.known import Known, goes_on
from clackcount.beats.pumps import PumpHeard
from clackcount.beats.series import Series
from clackcount.beats.tracker import Tracker, locked
from clackcount.model import Passage
from clackcount.settings import BeatsSettings
from support.made_rises import noise, series_of

LENGTH = 6000  # frames of 5 ms in a passage
LOCKED = BeatsSettings().locked_max


@given(st.integers(0, 500), st.floats(0, 1), st.floats(0, 0.5))
@rules(max_examples=60)
def test_it_is_the_length_of_the_mean_phase_vector(seed: int, place: float, width: float) -> None:
    rng = np.random.default_rng(seed)
    beat = np.cumsum(rng.normal(200, 4, 60))
    phase = (place + rng.normal(0, width, 58)) % 1
    frames = np.sort(beat[:-2] + phase * np.diff(beat[:-1]))
    after = np.searchsorted(beat, frames)
    inside = (after > 0) & (after < len(beat))
    angle = 2 * np.pi * ((frames - beat[after - 1]) / (beat[np.minimum(after, 59)] - beat[after - 1]))[inside]
    once, twice = (1 - circvar(n * angle) for n in (1, 2))
    assert locked(frames, beat) == pytest.approx(max(once, twice), abs=1e-6)


@pytest.mark.parametrize("rates_per_min", [(62, 97.1), (62, 58), (60, 200), (90, 47.3)])
def test_another_pump_falls_anywhere_in_the_cycle_of_the_first(rates_per_min: tuple[float, float]) -> None:
    one, other = (np.arange(40, 12_000, 12_000 / rate) for rate in rates_per_min)
    rng = np.random.default_rng(1)
    assert locked(other + rng.normal(0, 2, len(other)), one) < LOCKED


@pytest.mark.parametrize("lag", [0.0, 0.15, 0.5, 0.97])
def test_an_echo_keeps_its_place_and_so_do_two_sounds_half_a_cycle_apart(lag: float) -> None:
    rng = np.random.default_rng(2)
    beat = np.cumsum(rng.normal(190, 5, 60))
    echo = beat[:-1] + lag * 190 + rng.normal(0, 2, 59)
    assert locked(echo, beat) > LOCKED
    assert locked(np.sort(np.concatenate([echo, echo + 95])), beat) > LOCKED


def test_too_few_moments_are_locked_to_nothing() -> None:
    beat = np.arange(0, 4000, 200.0)
    assert locked(beat[:3] + 20, beat) == 0
    assert locked(beat + 20, beat[:2]) == 0
    assert locked(beat + 1e5, beat) == 0


def passage(number: int, slams: np.ndarray, seed: int = 0) -> Passage:
    """Passage so and so many of LENGTH frames, the slams (frames of the recording) that fall into it above noise."""
    rises = noise(np.random.default_rng([seed, number]), LENGTH)
    here = slams[(slams >= number * LENGTH) & (slams < (number + 1) * LENGTH)] - number * LENGTH
    rises[here, 2:5] += 5
    level_db = np.full(rises.shape[:2], -60, dtype=np.float32)
    samples = np.zeros(0, dtype=np.float32)
    return Passage(number * LENGTH, 40, 8000, rises, level_db, samples, number * LENGTH * 40, (0, LENGTH))


def followed(slams: np.ndarray, n: int, brief_passages: int, monkeypatch: pytest.MonkeyPatch) -> tuple[list, list]:
    """For each of n passages: what was heard, and how often a cycle was looked at thoroughly."""
    looks: list[int] = []
    settle = room.settle

    def counted(*args: object, **named: object) -> object:
        looks[-1] += 1
        return settle(*args, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(room, "settle", counted)
    tracker = Tracker(BeatsSettings(brief_passages=brief_passages))
    told: list[list[Heard]] = []
    for number in range(n):
        looks.append(0)
        told.append(tracker.feed(passage(number, slams), [False] if number == 0 else []))
    monkeypatch.undo()
    return told, looks


def even_slams(n: int, period: float = 150.0) -> np.ndarray:
    return np.round(np.arange(40, n * LENGTH - 40, period)).astype(int)


def long_and_short_slams(n: int, short: int = 120, long: int = 180) -> np.ndarray:
    steps = np.tile([short, long], n * LENGTH // (short + long))
    return 40 + np.cumsum(steps)[:-1]


@pytest.mark.parametrize("slams", [even_slams(8), long_and_short_slams(8)], ids=["even", "long and short"])
def test_a_beat_that_goes_on_is_followed_briefly_and_the_same_slams_are_found(
    slams: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    briefly, looks = followed(slams, 8, 100, monkeypatch)
    thoroughly, all_looks = followed(slams, 8, 0, monkeypatch)
    assert all_looks[1:] == [1] * 7
    assert looks[1 : room.PROVEN] == [1] * (room.PROVEN - 1)
    assert sum(looks[room.PROVEN :]) <= 1
    for one, other in zip(briefly, thoroughly, strict=True):
        np.testing.assert_array_equal(one[0].frame, other[0].frame)
        np.testing.assert_array_equal(np.isfinite(one[0].reopen_frame), np.isfinite(other[0].reopen_frame))


def test_its_cycle_is_looked_at_again_after_so_many_passages(monkeypatch: pytest.MonkeyPatch) -> None:
    _, looks = followed(even_slams(10), 10, 2, monkeypatch)
    assert looks[room.PROVEN :] == [0, 0, 1, 0, 0, 1, 0]


def test_a_stop_is_looked_at_thoroughly_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    slams = even_slams(9)
    pause = (slams > 5.2 * LENGTH) & (slams < 5.6 * LENGTH)
    told, looks = followed(slams[~pause], 9, 100, monkeypatch)
    assert looks[3:7] == [0, 0, 1, 1]
    frames = np.concatenate([heard.frame for passage_ in told for heard in passage_])
    assert not np.any((frames > 5.2 * LENGTH + 150) & (frames < 5.6 * LENGTH - 150))


def test_what_goes_on_is_as_loud_as_even_and_as_full_as_before() -> None:
    rng = np.random.default_rng(8)
    frames = np.arange(100, 3900, 100)
    rises = noise(rng)
    rises[frames, 2:5] += 6
    was = series_of(rises, frames)
    missing = np.delete(frames, [7, 15, 16, 30])
    ragged = np.sort(frames + np.round(rng.normal(0, 14, len(frames))).astype(int))
    assert goes_on(was, was)
    assert not goes_on(series_of(rises, missing, 100.0), was)
    assert not goes_on(was, series_of(rises, missing, 100.0))
    assert not goes_on(series_of(rises, ragged, 100.0), was)
    assert not goes_on(series_of(rises, frames[::2]), was)
    assert not goes_on(dataclasses.replace(was, evidence=0.8 * was.evidence), was)


def ragged_slams(n: int, seed: int = 0, period: float = 150.0, spread: float = 0.16) -> np.ndarray:
    steps = period * np.random.default_rng([17, seed]).normal(1, spread, int(n * LENGTH / period) + 40)
    slams = 40 + np.cumsum(np.round(np.clip(steps, 0.5 * period, 1.6 * period)).astype(int))
    return slams[slams < n * LENGTH - 40]


def told_share(heard: list[list[Heard]], slams: np.ndarray, pump: int | None = None) -> float:
    """Share of the slams that were told, of this pump or of any."""
    frames = [part.frame for parts in heard for part in parts if pump in (None, part.pump)]
    return float(np.mean(np.isin(slams, np.round(np.concatenate(frames)))))


@pytest.mark.parametrize(
    "slams", [ragged_slams(6), long_and_short_slams(6, 100, 150)], ids=["ragged", "long and short"]
)
def test_intervals_of_any_shape_are_followed_when_the_cycle_is_looked_at_again(
    slams: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    told, looks = followed(slams, 6, 0, monkeypatch)
    assert looks[1:] == [1] * 5
    assert told_share(told, slams) > 0.97


def test_a_second_look_that_loses_the_beat_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    settle, calls = room.settle, iter(range(100))

    def astray(series: Series, *args: object, **named: object) -> PumpHeard:
        pump = settle(series, *args, **named)  # type: ignore[arg-type]
        few = dataclasses.replace(pump.series, frames=pump.series.frames[20:25], z_honest=pump.series.z_honest[20:25])
        return dataclasses.replace(pump, series=few) if next(calls) % 2 else pump

    monkeypatch.setattr(room, "settle", astray)
    tracker = Tracker(BeatsSettings(brief_passages=0))
    slams = even_slams(5)
    told = [tracker.feed(passage(number, slams), [False] if number == 0 else []) for number in range(5)]
    assert told_share(told, slams) > 0.97
    assert next(calls) == 4
    assert len(tracker.known[0].settled.series.frames) > 30


@pytest.mark.parametrize("strict", [True, False])
def test_what_is_nothing_like_the_ram_it_was_is_not_learned_for_it_live(
    strict: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    # a minute in which it stops and is pushed may be like that; a quarter of a minute in which it beats is not
    settle, calls = room.settle, iter(range(100))

    def fallen(series: Series, *args: object, **named: object) -> PumpHeard:
        odds = -1.0 if next(calls) == 2 else 9.0
        return dataclasses.replace(settle(series, *args, **named), ram_odds=odds)  # type: ignore[arg-type]

    monkeypatch.setattr(room, "settle", fallen)
    tracker = Tracker(BeatsSettings())
    slams, known = even_slams(4), []
    for number in range(4):
        tracker.feed(passage(number, slams), [False] if number == 0 else [], brief=False, strict=strict)
        tracker.known[0].best_odds = 9.0
        known.append((tracker.known[0].weights, tracker.known[0].last_from))
    assert (known[3][0] is known[2][0]) is strict
    assert (known[3][1] == known[2][1]) is strict


def two_sounds(number: int, one: np.ndarray, other: np.ndarray) -> Passage:
    """A passage as above with the slams of ``one``, and with knocks in other bands at ``other``."""
    made = passage(number, one)
    here = other[(other >= number * LENGTH) & (other < (number + 1) * LENGTH)] - number * LENGTH
    made.rises[here, 5:8] += 5
    return made


def test_a_ram_that_starts_late_is_heard_beside_what_has_knocked_since_long() -> None:
    steps = ragged_slams(9, 3, 110.0)
    slams = even_slams(9)
    slams = slams[slams > 3 * LENGTH]
    tracker = Tracker(BeatsSettings(pumps_max=1))
    told = [tracker.feed(two_sounds(number, slams, steps)) for number in range(9)]
    assert told_share(told[:3], steps[steps < 3 * LENGTH]) > 0.97  # they are followed until then
    assert told_share(told[4:], slams[slams > 4 * LENGTH]) > 0.97
    assert [known.doubtful(tracker.settings) for known in tracker.known] == [False]


def test_a_second_pump_is_not_the_first_once_more(monkeypatch: pytest.MonkeyPatch) -> None:
    slams, other = even_slams(2), np.round(np.arange(77, 2 * LENGTH - 40, 211.3)).astype(int)
    tracker = Tracker(BeatsSettings())
    monkeypatch.setattr(Tracker, "_fuller", lambda self, pump, scene: self.known[0].settled)
    first, second = tracker.feed(two_sounds(0, slams, other), [False, False])
    assert told_share([[first]], slams[slams < LENGTH]) > 0.97
    assert told_share([[second]], other[other < LENGTH]) > 0.8
    assert not np.isin(first.frame, second.frame).any()


def test_a_passage_in_which_a_pump_stops_does_not_undo_what_the_one_before_it_said() -> None:
    """Few beats say little; of many passages the likeliest is held to be so much less likely."""
    known = object.__new__(Known)
    for odds, n, best in ((3.5 - 5.0, 2, 3.5), (3.5 - 50.0, 10, 3.5), (3.0 + 4.0, 2, 4.0)):
        known.odds, known.n_passages, known.best_odds = odds, n, best
        assert known.ram_odds == max(odds / n, best - float(np.log(n)))
        assert known.doubtful(BeatsSettings()) == (n == 10)


KEPT, STEP = 5200, 4400  # frames of a passage that stand, and from one passage to the next


def overlapping(slams: np.ndarray, heard_last: np.ndarray) -> tuple[Passage, Passage]:
    """Two passages that overlap; of the slams, frames of the recording, the second hears those of heard_last."""
    first, second = noise(np.random.default_rng([3, 0]), LENGTH), noise(np.random.default_rng([3, 1]), LENGTH)
    first[slams[slams < LENGTH], 2:5] += 5
    second[heard_last - STEP, 2:5] += 5
    level_db, samples = np.full(first.shape[:2], -60, dtype=np.float32), np.zeros(0, dtype=np.int16)
    return (
        Passage(0, 40, 8000, first, level_db, samples, 0, (0, KEPT)),
        Passage(STEP, 40, 8000, second, level_db, samples, 0, (KEPT - STEP, LENGTH)),
    )


def last_frames(tracker: Tracker, one: Passage, other: Passage, searches: list[bool] | None) -> list[float]:
    """Slams of the pump of the first passage that are told of the second."""
    tracker.feed(one, [False])
    return [float(frame) for part in tracker.feed(other, searches) if part.pump == 1 for frame in part.frame]


def test_a_pump_that_stops_early_in_a_passage_is_followed_to_its_stop() -> None:
    slams = np.arange(100, 5860, 150)
    tracker = Tracker(BeatsSettings())
    told = last_frames(tracker, *overlapping(slams, slams[slams >= STEP]), [])
    assert told == slams[slams >= KEPT].tolist()
    assert tracker.known[0].n_passages == 2
    # what only sounds like it, and does not go on from there, must explain as much as ever
    later = slams[slams >= STEP] + 2075
    tracker = Tracker(BeatsSettings())
    last_frames(tracker, *overlapping(slams, later), [])
    assert tracker.known[0].n_passages == 1


def test_what_is_heard_in_the_margin_of_a_passage_stands_where_the_next_does_not_hear_it() -> None:
    slams = np.arange(100, 5500, 150)
    told = last_frames(Tracker(BeatsSettings()), *overlapping(slams, slams[:0] + STEP), None)
    assert told == slams[slams >= KEPT].tolist()


def test_what_is_heard_there_after_a_pause_does_not() -> None:
    slams = np.append(np.arange(100, 4300, 150), [5300, 5450, 5600])
    assert last_frames(Tracker(BeatsSettings()), *overlapping(slams, slams[:0] + STEP), None) == []

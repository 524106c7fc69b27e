"""Loud knocks before any pump is known: what is even is no hand's."""

from __future__ import annotations

import numpy as np
import pytest

from clackcount.beats.knocks import ENDS_T, beats_evenly, water_ends


@pytest.mark.parametrize("before_s", [[], [4.4, 6.7, 9.4]])
def test_three_intervals_that_agree_are_a_beat_whatever_follows(before_s: list[float]) -> None:
    """A start that settles: the beat is even here and now, and single knocks of it go unheard later."""
    time_s = [*before_s, 15.8, 16.8, 17.8, 18.8, 21.6, 22.5, 26.3]
    assert beats_evenly(np.array(time_s))


def test_some_knocks_of_a_beat_are_a_beat() -> None:
    assert beats_evenly(np.array([1.0, 2.0, 4.0, 5.0, 8.0]))


@pytest.mark.parametrize("seed", range(5))
def test_strokes_of_a_hand_are_none(seed: int) -> None:
    """Intervals scatter by 30 % (common practice, no source)."""
    rng = np.random.default_rng(seed)
    even = [beats_evenly(np.cumsum(1.6 * rng.lognormal(0, 0.3, 6))) for _ in range(200)]
    assert np.mean(even) < 0.25


@pytest.mark.parametrize(("rush_db", "ends"), [(6.0, True), (0.0, False), (-6.0, False)])
def test_a_stroke_shuts_water_off_and_a_hammer_or_an_opening_does_not(rush_db: float, ends: bool) -> None:
    """Water sets in 0.7 s before each knock and ends with it; -6: it is the other way round."""
    rng = np.random.default_rng(3)
    level_db = rng.normal(-60, 2, (4000, 12)).astype(np.float32)
    knocks = np.array([500, 820, 1210, 1490, 1900])
    for at in knocks:
        before, after = slice(at - 140, at), slice(at, at + 140)
        level_db[before if rush_db > 0 else after] += abs(rush_db)
        level_db[at : at + 6] += 30
    assert (water_ends(level_db, knocks, 200.0) > ENDS_T) == ends

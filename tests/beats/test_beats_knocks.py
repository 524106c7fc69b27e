"""Loud knocks before any pump is known: what is even is no hand's."""

from __future__ import annotations

import numpy as np
import pytest

from clackcount.beats.knocks import beats_evenly


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

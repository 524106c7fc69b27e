"""The rate of knocks of any make, from their times alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clackcount.beats.gaps import Gaps
from clackcount.beats.path import best_path
from clackcount.beats.regularity import Rate, longest_stretch, measure_rate
from clackcount.errors import TimesError
from clackcount.model import FloatArray, check_times
from clackcount.settings import BeatsSettings

# A knock on the beat is worth two; leaving one out costs nearly as much, or half the period would do as well.
GAIN, MISSED_COST, RESTART_COST = 2.0, 1.5, 6.0
SPREAD = 0.25  # of log interval: a clock's tick-tock may be as uneven as three to five
STEP = 1.04  # ratio of one period tried to the next, well within SPREAD
FRAMES_PER_S = 1000  # a path reckons in frames and allows for their width: knocks are placed to a millisecond
SAMPLE = 300  # knocks that the period is looked for in


def rate_of(time_s: ArrayLike) -> Rate:
    """Knocks a minute, and its 95 % interval, of times in seconds that increase, (n,), n >= 3.

    The knocks that follow from one another are chosen by the path that holds most of them at one period (tick and
    tock may differ); the rest, and what lies beyond a stop, is left out, and a gap of two or three periods is
    taken for knocks that went unheard. Nothing here tells a slam from a reopening: what knocks twice a cycle has
    twice the rate. Raises TimesError for times that are none and where fewer than three follow from one another.
    """
    times = np.asarray(time_s, dtype=np.float64)
    if times.ndim != 1 or len(times) < 3:
        raise TimesError(f"a rate needs three knocks or more, in one row; here are {times.size}")
    check_times(times - min(times[0], 0.0), np.inf)
    middle = max(0, (len(times) - SAMPLE) // 2)
    some = times[middle : middle + SAMPLE]
    settings = BeatsSettings()
    slowest_s, fastest_s = 60 / settings.slowest_per_min, 60 / settings.fastest_per_min
    tried = fastest_s * STEP ** np.arange(1 + int(np.log(slowest_s / fastest_s) / np.log(STEP)))
    period_s = max(tried, key=lambda period_s: _on_path(some, period_s)[1])
    path, _ = _on_path(times, period_s)
    first, last = longest_stretch(times[path])
    if last - first < 3:
        raise TimesError("no three knocks follow from one another at any rate that a ram could have")
    return measure_rate(times[path][first:last], np.zeros(last - first - 1, dtype=np.bool_))


def _on_path(times: FloatArray, period_s: float) -> tuple[NDArray[np.intp], float]:
    gaps = Gaps.even(period_s * FRAMES_PER_S, SPREAD, MISSED_COST)
    return best_path(times * FRAMES_PER_S, np.full(len(times), GAIN), gaps, RESTART_COST)

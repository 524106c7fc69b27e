"""The last beats of a run that fades: each softer than the one before it, and later.

A pump that starves slows down and grows softer until it stops. Its last slams stand out too little to lie on the path
of the whole run, which is held to one strength and one period; but from one to the next neither changes by much.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.known import PAUSE
from clackcount.beats.series import Series
from clackcount.beats.template import PEAK_REACH, Frames, local_maxima, middle_and_upper
from clackcount.middle import median, spread_about_0

LAST = 4  # members that show how it goes at the end
SLOWS = 0.05  # usual log of an interval over those before it
# its spread, times that of the last intervals of the run, at the limits; a change counts from one to the next only
STRAYS, STRAYS_MIN, STRAYS_MAX, STRAYS_OF = 2.0, 0.1, 0.15, 12
QUICKEST, SLOWEST = 0.8, 1.5  # an interval over those before it, at the limits
SMOOTHS = 0.5  # weight of the newest interval among those before it
UNHEARD_COST = 2.5  # for a beat in between that is not heard
SOFT_Z, SOFT_SPREAD = 2.5, 2.0  # what a fading slam scores, where all other moments score 0, give or take 1
MOST, LEAST = 5.0, -3.0  # that one moment may say, log odds
LOUDER = 1.3  # than the last members by so much, and 1: it does not fade
ENOUGH = 6.5  # log odds of all
HEARD_Z = 1.0  # the last one scores as much, or it is only reckoned
PEAKS_MIN = 12
ENDS = 1.3  # periods without a slam, and a run has ended
FOLLOWED_FRAMES = 2400  # after its end, 12 s
BEATS_MOST, WAYS = 40, 12  # followed, and at once


def faded(series: Series, sure: NDArray[np.bool_]) -> Frames:
    """The beats in which the runs of a series fade out; sure (n,): members that were heard. Frames at the knock."""
    members, n_frames = series.frames[sure], len(series.z)
    z = np.roll(series.z, series.late)
    runs = np.split(members, np.flatnonzero(np.diff(members) > PAUSE * series.period) + 1) if len(members) else []
    found = [np.zeros(0, dtype=np.intp)]
    for number, run in enumerate(runs):
        last = int(run[-1])
        end = int(runs[number + 1][0] - series.period) if number + 1 < len(runs) else n_frames
        if end - last > ENDS * series.period:
            found.append(fading(z, run, min(end, last + FOLLOWED_FRAMES)))
    return np.concatenate(found)


class _Way(NamedTuple):
    frame: int
    interval: float
    odds: float
    path: tuple[int, ...]


def fading(z: NDArray[np.float32], members: Frames, end: int) -> Frames:
    """Frames of the beats that follow on members (n,), each softer or later, before frame end; empty where none do.

    z float32 (n_frames,): how much like the slams of the pump each frame is. The likeliest way through the moments
    that stand out is found, each beat weighed by how like a slam it is and by its interval over those before it,
    against as many other moments as there are. Set by 65 made pumps that stop, 20 of them starved.
    """
    nothing = np.zeros(0, dtype=np.intp)
    if len(members) <= LAST:
        return nothing
    last = int(members[-1])
    interval = float(median(np.diff(members[-LAST - 1 :])))
    peaks = local_maxima(z[last:end], PEAK_REACH) + last
    if len(peaks) < PEAKS_MIN:
        return nothing
    # rushing water is louder than what is heard between slams
    middle, upper = middle_and_upper(z[peaks])
    height = (z - middle) / max(float(upper - middle), UPPER_MIN)
    change = np.diff(np.log(np.diff(members[-STRAYS_OF - 1 :])))
    strays = float(np.clip(STRAYS * spread_about_0(change), STRAYS_MIN, STRAYS_MAX))
    per_frame = len(peaks) / (end - last)
    least_after = last + QUICKEST * interval
    peaks = peaks[(peaks > least_after) & (height[peaks] < LOUDER * median(height[members[-LAST:]]) + 1)]
    says = np.clip(_log_odds(height[peaks]), LEAST, MOST)
    ways = [_Way(last, interval, 0.0, ())]
    best = ways[0]
    for _ in range(BEATS_MOST):
        longer: dict[int, _Way] = {}
        for way in ways:
            by_chance = np.log(strays * np.sqrt(2 * np.pi) * per_frame * way.interval)
            for unheard in (0, 1):
                apart = (peaks - way.frame) / (1 + unheard)
                for i in np.flatnonzero((apart > QUICKEST * way.interval) & (apart < SLOWEST * way.interval)):
                    off = (np.log(apart[i] / way.interval) - SLOWS) / strays
                    odds = way.odds + says[i] - 0.5 * off**2 - by_chance - unheard * UNHEARD_COST
                    frame = int(peaks[i])
                    if frame not in longer or odds > longer[frame].odds:
                        usual = (1 - SMOOTHS) * way.interval + SMOOTHS * float(apart[i])
                        longer[frame] = _Way(frame, usual, float(odds), (*way.path, frame))
        ways = sorted(longer.values(), key=lambda way: -way.odds)[:WAYS]
        best = max([best, *(way for way in ways if height[way.frame] > HEARD_Z)], key=lambda way: way.odds)
    return np.array(best.path, dtype=np.intp) if best.odds > ENOUGH else nothing


UPPER_MIN = 0.8


def _log_odds(height: NDArray[np.float32]) -> NDArray[np.float64]:
    """Of a fading slam rather than any other moment, from normal densities, float64 (n,)."""
    height = height.astype(np.float64)
    return np.asarray(0.5 * height**2 - 0.5 * ((height - SOFT_Z) / SOFT_SPREAD) ** 2 - np.log(SOFT_SPREAD))

"""From the rises of one passage to a series of slams: hypotheses, paths, templates, and the honest score."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from clackcount.beats.gaps import Gaps
from clackcount.beats.path import best_path
from clackcount.beats.template import Field, Frames, Scoring, gain, local_maxima
from clackcount.middle import median, robust_spread
from clackcount.settings import BeatsSettings


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Moments in one passage that share a sound and a period.

    frames (n,): frame numbers in the passage. period: median interval, frames. z: score of every frame under the
    template, z_honest: cross-validated score of the members. evidence: total gain of the path, honest. late: how
    many frames the members lie after the peaks of z. even: held together by one
    period, not by intervals of any shape.
    """

    frames: Frames
    period: float
    weights: NDArray[np.float32]
    z: NDArray[np.float32]
    z_honest: NDArray[np.float32]
    evidence: float
    late: int = 0
    even: bool = True

    @property
    def typical_z(self) -> float:
        """Mean honest score of the members."""
        return float(self.z_honest.mean())


def fullness(series: Series) -> float:
    """Share of the beats between the first member and the last that are members."""
    frames = series.frames
    return float(len(frames) / (1 + (frames[-1] - frames[0]) / series.period))


LAG_SPREAD = 2.0  # frames by which a sound of the cycle strays from its lag


def of_moments(
    frames: Frames, scoring: Scoring, expected: NDArray[np.floating] | float, settings: BeatsSettings
) -> Series:
    """The series of just these frames, whatever their intervals; expected: what they score, or each of them."""
    interval = np.diff(frames)
    period = float(median(interval))
    z_honest = scoring.honest(frames)
    gaps = Gaps.learned(frames, period, settings.missed_cost, settings.change_cost)
    cost = np.minimum(gaps.of(interval.astype(np.float64)), settings.restart_cost)
    evidence = float(gain(z_honest, expected, settings.gain_max).sum() - cost.sum())
    return Series(frames, period, scoring.weights, scoring.z, z_honest, evidence, even=False)


def nearby(field: Field, frames: Frames, reach: int) -> tuple[Frames, Scoring | None]:
    """Each of these moments where, within reach, what they have in common stands out most, and how it is known.

    Frame by frame, for a path of its own may go over to a sound that resembles this one. None where nothing tells
    them from the rest.
    """
    offset = np.arange(-reach, reach + 1)
    window = np.clip(frames[:, None] + offset[None, :], 0, len(field.features) - 1)
    stray = 0.5 * (offset / LAG_SPREAD) ** 2
    scoring = None
    for _ in range(2):
        scoring = Scoring.learn(field, frames) if len(frames) >= MEMBERS_MIN else None
        if scoring is None:
            break
        frames = window[np.arange(len(frames)), np.argmax(scoring.z[window] - stray, axis=1)]
    return frames, scoring


def elsewhere(frames: Frames, series: Series) -> bool:
    """Whether these moments lie where the series does not beat, and hardly between two of its beats."""
    if len(frames) == 0:
        return False
    beats = np.diff(series.frames) < 1.6 * series.period
    after = np.searchsorted(series.frames, frames)
    inside = (after > 0) & (after < len(series.frames))
    return float(np.mean(inside & beats[np.clip(after - 1, 0, len(beats) - 1)])) < BETWEEN_MAX


BETWEEN_MAX = 0.2


def walk(
    score: NDArray[np.float32], gains: Callable[[Frames], NDArray[np.float64]], gaps: Gaps, settings: BeatsSettings
) -> tuple[Frames, float]:
    """Frames of the best path through the local maxima of the score, and its total gain."""
    peaks = local_maxima(score, max(3, int(0.1 * gaps.period)))
    gain_at = gains(peaks)
    # peaks far below what any slam scores never lie on the path; leaving them out shortens its search
    worth = gain_at > -WORTHLESS
    peaks, gain_at = peaks[worth], gain_at[worth]
    path, total = best_path(peaks.astype(np.float64), gain_at, gaps, settings.restart_cost)
    return peaks[path], total


WORTHLESS = 2.0


def first_guess(
    field: Field,
    score: NDArray[np.float32],
    period: float,
    settings: BeatsSettings,
    rounds: int = 1,
    like: Series | None = None,
) -> Series | None:
    """The series that a first, unlearned score leads to; like: one whose intervals it has, where they are not even.

    A moment gains by the rarity of its score among all moments, over what is usual for one slam a period: the second
    or third highest frame in a period. Rarity, because nothing is known yet of the tails of this noise.
    """
    ordered = np.sort(score)
    usual = float(ndtri(1 - 3 / period))

    def gains(peaks: Frames) -> NDArray[np.float64]:
        rank = (np.searchsorted(ordered, score[peaks]) + 0.5) / (len(score) + 1)
        return np.asarray(2 * (ndtri(rank) - usual), dtype=np.float64)

    if like is None or like.even:
        even, gaps = True, Gaps.even(period, settings.spread_max, settings.missed_cost)
    else:
        even, gaps = False, Gaps.learned(like.frames, period, settings.missed_cost, settings.change_cost)
    frames, _total = walk(score, gains, gaps, settings)
    return refine(field, frames, period, settings, rounds, even=even)


def refine(
    field: Field, frames: Frames, period: float, settings: BeatsSettings, rounds: int, *, even: bool = True
) -> Series | None:
    """Learn the members' sound, score anew, walk again; None where fewer than five moments hold together.

    even: one period that may wander; otherwise intervals of whatever shape they are found in. Of the rounds the one
    with the most evidence is kept.
    """
    result: Series | None = None
    scoring, usual = None, (0.0, 0.0)
    for _ in range(rounds):
        if len(frames) < MEMBERS_MIN:
            break
        period, spread = measure_period(frames, period, settings)
        if scoring is None or not np.array_equal(frames, scoring.members):
            scoring = Scoring.learn(field, frames)
        elif not even or (period, spread) == usual:
            break  # another round would come to the same
        if scoring is None:
            break
        usual = period, spread
        if even:
            gaps = Gaps.even(period, spread, settings.missed_cost)
        else:
            period = float(median(np.diff(frames)))
            gaps = Gaps.learned(frames, period, settings.missed_cost, settings.change_cost)
        expected = max(1.5, float(scoring.honest(frames).mean()))
        loudness = field.loudness(scoring.weights, frames)
        worth = partial(_worth, scoring.z, expected, loudness, settings.gain_max)
        frames, total = walk(scoring.z, worth, gaps, settings)
        if len(frames) < MEMBERS_MIN:
            break
        z_honest = scoring.honest(frames)
        honest = gain(z_honest, expected, settings.gain_max, loudness[frames])
        evidence = total - float((worth(frames) - honest).sum())
        if result is None or evidence > result.evidence:
            result = Series(frames, period, scoring.weights, scoring.z, z_honest, evidence, even=even)
    return result


def _worth(
    z: NDArray[np.float32], expected: float, loudness: NDArray[np.float32], most: float, peaks: Frames
) -> NDArray[np.float64]:
    return gain(z[peaks], expected, most, loudness[peaks])


MEMBERS_MIN = 5  # fewer moments can be strung on some period by chance


def measure_period(frames: Frames, period: float, settings: BeatsSettings) -> tuple[float, float]:
    """Median and robust spread (a share, held within settings) of the intervals that are about one period."""
    interval = np.diff(frames)
    single = interval[(interval > 0.7 * period) & (interval < 1.4 * period)]
    if len(single) < 4:
        return period, settings.spread_max
    middle = float(median(single))
    spread = 1.3 * robust_spread(single) / middle
    return middle, float(np.clip(spread, settings.spread_min, settings.spread_max))

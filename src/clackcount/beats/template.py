"""What one pump's slam sounds like: a linear discriminant over band rises, learned from the slams themselves.

The score of a moment is a weighted sum of its rises (Fisher 1936, Annals of Eugenics 7): the mean rise at the slams,
less the mean over all moments, over the covariance of all moments. The covariance matters: what a talker, a brook or
a gust does to one band it does to its neighbours too, and a weighted difference of bands is deaf to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from clackcount.middle import median

Frames = NDArray[np.intp]
Features = NDArray[np.float32]  # (n_frames, n_features)


@dataclass(frozen=True, eq=False)
class Field:
    """The features of one passage, and what is usual over all its frames: measured once, and when it is needed.

    rises: float32 (n_frames, n_bands, n_spans). floor_db: float32 (n_frames, n_bands), the level of the background
    from moment to moment.
    """

    rises: NDArray[np.float32]
    floor_db: NDArray[np.float32]

    @cached_property
    def features(self) -> Features:
        """The rises of each frame in one row."""
        return self.rises.reshape(len(self.rises), -1)

    @cached_property
    def mean(self) -> NDArray[np.float32]:
        """Of each feature, float32 (n_features,)."""
        mean: NDArray[np.float32] = self.features.mean(axis=0)
        return mean

    @property
    def variance(self) -> NDArray[np.float32]:
        """Of each feature, float32 (n_features,)."""
        return self._whitening[0]

    @property
    def whiten(self) -> NDArray[np.float32]:
        """Turns features less their mean into uncorrelated ones of variance 1, float32 (n_features, n_features)."""
        return self._whitening[1]

    @cached_property
    def _whitening(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        some = self.features[::2] - self.mean
        covariance = np.asarray(some.T @ some / np.float32(len(some)), dtype=np.float32)
        # pulled a little towards independence, or what happens not to vary in this minute would decide
        return whitening(covariance, INDEPENDENCE)

    @cached_property
    def onset(self) -> Onset:
        """The rises right at each frame."""
        rise = rise_at(self.rises)
        return Onset(rise, rise.mean(axis=0), rise.std(axis=0))

    @cached_property
    def rise(self) -> NDArray[np.float32]:
        """The rises right at each frame, less their mean, in deviations, float32 (n_frames, n_bands)."""
        rise, mean, deviation = self.onset
        result: NDArray[np.float32] = (rise - mean) / (deviation + np.float32(1e-9))
        return result

    def loudness(self, weights: NDArray[np.float32], frames: Frames) -> NDArray[np.float32]:
        """How far the background stands above its median at the members, dB, float32 (n_frames,).

        Only the bands in which the template listens count.
        """
        n_bands = self.floor_db.shape[1]
        share = np.abs(weights * np.sqrt(self.variance)).reshape(n_bands, -1).sum(axis=1)
        floor = self.floor_db @ (share / max(float(share.sum()), 1e-12))
        result: NDArray[np.float32] = floor - median(floor[frames])
        return result


INDEPENDENCE = 0.3


class Onset(NamedTuple):
    """Rise right at each frame, float32 (n_frames, n_bands), and mean and deviation of each band over all frames."""

    rise: NDArray[np.float32]
    mean: NDArray[np.float32]
    deviation: NDArray[np.float32]


def whitening(
    covariance: NDArray[np.float32], independence: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Variances float32 (n,), and the matrix float32 (n, n) that turns such deviations into uncorrelated ones.

    independence: share, 0..1, by which the correlations are pulled towards none.
    """
    variance = np.diagonal(covariance) + np.float32(1e-9)
    scale = 1 / np.sqrt(variance)
    correlation = covariance * scale[:, None] * scale[None, :]
    correlation[np.diag_indices_from(correlation)] = 1
    pulled = (1 - independence) * correlation.astype(np.float64) + independence * np.eye(len(correlation))
    # of all the matrices that do it the triangular one is found in a third of the time of the principal axes
    root = np.linalg.inv(np.linalg.cholesky(pulled))
    return variance, (scale[:, None] * root.T).astype(np.float32)


def learn(field: Field, frames: Frames) -> NDArray[np.float32]:
    """Weights float32 (n_features,) that tell these frames from the rest; all 0 where none rises or falls at all.

    Each mean rise is shrunk by how little its band and the two beside it stand out of chance, or the many that say
    nothing would drown the few that do (neighbouring blocks, Cai and Silverman 2001, Sankhya B 63, 127-148, from
    memory). Before the bands are made uncorrelated: a slam is heard in some bands, not in some mixtures of all.
    """
    rise = field.features[frames].mean(axis=0) - field.mean
    chance = (rise**2 / field.variance).reshape(-1, N_SPANS).mean(axis=1) * len(frames)  # 1 in each band
    around = uniform_filter1d(chance, 3, mode="nearest")
    shrink = np.maximum(1 - 1 / (around + np.float32(1e-9)), 0)
    if not shrink.any():  # of what is no more than chance nothing may be left
        shrink += 1
    weights: NDArray[np.float32] = field.whiten @ ((rise * np.repeat(shrink, N_SPANS)) @ field.whiten)
    return weights


N_SPANS = 4


def rise_at(rises: NDArray[np.float32]) -> NDArray[np.float32]:
    """Rise right at each frame in each band, float32 (n_frames, n_bands); not that of the spans after it."""
    result: NDArray[np.float32] = 0.5 * (rises[:, :, 0] + rises[:, :, 1])
    return result


def local_maxima(score: NDArray[np.float32], reach: int) -> Frames:
    """Frames whose score is the largest within ``reach`` frames to either side."""
    n, width = len(score), 2 * reach + 1
    highest = np.full(n + 2 * reach, -np.inf, dtype=score.dtype)
    highest[reach : reach + n] = score
    span = 1  # of the frames from each one on, as many as span; two of these cover the width
    while 2 * span <= width:
        highest = np.maximum(highest[:-span], highest[span:])
        span *= 2
    return np.flatnonzero(score == np.maximum(highest[:n], highest[width - span :]))


def middle_and_upper(values: NDArray[np.float32]) -> tuple[float, float]:
    """Median, and what lies one standard deviation above it, were these values normal.

    As numpy.percentile gives them, to the last digit, at a fifth of its time.
    """
    ordered = np.sort(values)
    at = np.array([0.5, UPPER_SHARE]) * (len(values) - 1)
    below = at.astype(np.intp)
    low, high, over = ordered[below], ordered[np.minimum(below + 1, len(values) - 1)], at - below
    middle, upper = np.where(over < 0.5, low + (high - low) * over, high - (high - low) * (1 - over))
    return middle, upper


def distance(frames: Frames, marks: Frames) -> Frames:
    """Frames from each of ``frames`` to the nearest of ``marks``, which increase and are not empty: int (n,)."""
    after = np.searchsorted(marks, frames)
    to_next = np.abs(marks[np.minimum(after, len(marks) - 1)] - frames)
    to_last = np.abs(marks[np.maximum(after - 1, 0)] - frames)
    return np.asarray(np.minimum(to_next, to_last))


def standardise(score: NDArray[np.float32], members: Frames) -> NDArray[np.float32]:
    """Score measured against the peaks that are no members: 0 is their median, 1 their upper spread.

    Not against all frames: in rain, speech or a storm a score has many high peaks, and a slam must stand out
    from those.
    """
    peaks = local_maxima(score, PEAK_REACH)
    others = peaks[distance(peaks, members) > PEAK_REACH // 2]
    # where members are found in a part of the passage only, the beat may go on in the rest, at another rate perhaps
    among = others[(others > members[0]) & (others < members[-1])]
    fast = members[-1] - members[0] < FAST_FRAMES * (len(members) - 1)
    if len(among) > (AMONG_FAST_MIN if fast else AMONG_MIN):
        others = among
    middle, upper = middle_and_upper(score[others if len(others) > 10 else peaks])
    result: NDArray[np.float32] = (score - middle) / max(float(upper - middle), 1e-9)
    return result


PEAK_REACH = 8  # frames, 40 ms: about the length of a knock
UPPER_SHARE = 0.84
# a fast beat leaves few moments between a few members, and nothing but slams and reopenings elsewhere
AMONG_MIN, AMONG_FAST_MIN, FAST_FRAMES = 50, 12, 60


@dataclass(frozen=True, slots=True, eq=False)
class Scoring:
    """A template with the scores it gives, and what its two halves give.

    z float32 (n_frames,): by the template learned from all members. z_halves float32 (2, n_frames): by the templates
    learned from every second member only; members (n,): whom they were learned from.
    """

    weights: NDArray[np.float32]
    z: NDArray[np.float32]
    z_halves: tuple[NDArray[np.float32], NDArray[np.float32]]
    members: Frames

    @classmethod
    def learn(cls, field: Field, members: Frames) -> Scoring | None:
        """Learn from these frames; None in silence, where they are as all others."""
        weights = [learn(field, members), learn(field, members[::2]), learn(field, members[1::2])]
        if not np.any(weights[0]):
            return None
        # one by one: three products with a vector cost half of one with three columns
        z, even, odd = (standardise(field.features @ one, members) for one in weights)
        return cls(weights[0], z, (even, odd), members)

    def honest(self, frames: Frames) -> NDArray[np.float32]:
        """Score of each frame by a template that did not learn from it, float32 (n,).

        A template always likes the frames it was learned from.
        """
        nearest = np.clip(np.searchsorted(self.members, frames), 1, len(self.members) - 1)
        nearest -= frames - self.members[nearest - 1] < self.members[nearest] - frames
        is_member = np.abs(self.members[nearest] - frames) <= SAME_REACH
        result = self.z[frames].copy()
        for parity in (0, 1):
            mine = is_member & (nearest % 2 == parity)
            result[mine] = self.z_halves[1 - parity][frames[mine]]
        return result


SAME_REACH = 3  # frames within which two moments are the same knock


SOFT_SHARE = 0.2


def gain(
    z: NDArray[np.floating],
    typical_z: NDArray[np.floating] | float,
    most: float,
    loudness_db: NDArray[np.floating] | float = 0.0,
) -> NDArray[np.float64]:
    """Log-likelihood ratio of slam to no slam for a score z, float64, at most ``most``.

    Both are taken as normal with deviation 1, about what a slam should score and about 0, which gives
    expected (z - expected / 2). What it should score falls as the background rises (loudness_db): a slam that was due
    and not heard in a gust is no evidence against it. It is held to 6, or to a fifth of what is usual, so that a slam
    much softer than its fellows is still one, and the ratio is halved because neighbouring bands do not vote
    independently.
    """
    usual = typical_z * 10.0 ** (-np.asarray(loudness_db, dtype=np.float64) / 20)
    expected = np.minimum(usual, np.maximum(6.0, SOFT_SHARE * usual))
    ratio = expected * (np.asarray(z, dtype=np.float64) - expected / 2) / 2
    return np.minimum(ratio, most)

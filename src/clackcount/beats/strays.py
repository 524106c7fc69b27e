"""Slams that lie off the beat: hand strokes, the first and last beats, a pump that hops between two rates.

They are known by their sound alone, so they must sound very much like the slams that the beat has vouched for.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.template import PEAK_REACH, Field, Frames, distance, gain, local_maxima, standardise
from clackcount.settings import BeatsSettings

FINGERPRINT_MIN_Z = 4.0
# What comes so many periods, and frames of 5 ms, from any beat must be alike by more than this, the less the more it
# stands out. Held against 477 looks at made strokes by hand and 3551 at what else was taken for one: about one in
# thirty of those is less in each scene, and nearly half of these.
ALIKE_ALONE, PER_LOG_Z, ALONE_PERIODS, ALONE_FRAMES = 0.95, 0.1, 4.0, 600
# What is less like them, or softer, may be one where the water says so, too. Of 186 strokes that went unheard in 38
# tuning scenes 50 stand out and are alike so far, with 73 other knocks; of 130 where the water tells, 18 with 7.
PERHAPS_Z, PERHAPS_SHARE, PERHAPS_ALIKE = 5.0, 0.3, 0.65


def fingerprint(field: Field, frames: Frames) -> NDArray[np.float32]:
    """Mean of the members' features in deviations of the passage, length 1: float32 (n_features,)."""
    mean = (field.features[frames].mean(axis=0) - field.mean) / np.sqrt(field.variance)
    result: NDArray[np.float32] = mean / (np.linalg.norm(mean) + 1e-12)
    return result


def alike(field: Field, frames: Frames, print_: NDArray[np.float32]) -> NDArray[np.float32]:
    """Cosine between each moment's features and the fingerprint, float32 (n,)."""
    features = (field.features[frames] - field.mean) / np.sqrt(field.variance)
    result: NDArray[np.float32] = features @ print_ / (np.linalg.norm(features, axis=1) + 1e-12)
    return result


def find_strays(
    field: Field,
    score: NDArray[np.float32],
    print_: NDArray[np.float32],
    usual_alike: float,
    expected_z: float,
    taken: Frames,
    period: float,
    late: int,
    settings: BeatsSettings,
) -> tuple[Frames, NDArray[np.float32], Frames]:
    """Moments off the beat that sound like its slams, their scores, and moments that sound somewhat like them.

    score: float32 (n_frames,), by the template, on any scale. late: frames from where it peaks to the knock, as in
    Series. taken: frames of slams and reopenings already known; no stray lies within a fifth of a period of a slam
    (that would be its own ring) or right at a reopening. usual_alike: what the members themselves reach.
    """
    score = np.roll(score, late)
    z = standardise(score, taken) if len(taken) else standardise(score, np.zeros(1, dtype=np.intp))
    usual_z = min(expected_z, 20.0)
    clear_z = max(FINGERPRINT_MIN_Z, settings.stray_share * usual_z)
    perhaps_z = max(PERHAPS_Z, PERHAPS_SHARE * usual_z)
    peaks = local_maxima(z, PEAK_REACH)
    peaks = peaks[z[peaks] > min(clear_z, perhaps_z)]
    if len(taken) and len(peaks):
        peaks = peaks[distance(peaks, taken) > min(0.2 * period, 40)]
    if len(peaks) == 0:
        return peaks, np.zeros(0, dtype=np.float32), peaks
    least = np.full(len(peaks), settings.stray_alike * usual_alike)
    # what a talker says now and then is as like the slams as these are among themselves where he talks over them
    away = distance(peaks, taken) if len(taken) else np.full(len(peaks), np.inf)
    alone = away > max(ALONE_PERIODS * period, ALONE_FRAMES)
    least[alone] = np.maximum(least[alone], ALIKE_ALONE - PER_LOG_Z * np.log(z[peaks[alone]]))
    like = alike(field, peaks, print_)
    sure = (z[peaks] > clear_z) & (like > least)
    perhaps = ~sure & (z[peaks] > perhaps_z) & (like > PERHAPS_ALIKE * usual_alike)
    return peaks[sure], z[peaks[sure]], peaks[perhaps]


def confidence(z: NDArray[np.floating], expected_z: float, on_beat: bool) -> NDArray[np.float32]:
    """How sure a moment is a slam given its score, float32 (n,): the beat vouches for a weak one."""
    log_odds = gain(z, expected_z, 6.0) + (2.0 if on_beat else -1.0)
    return (1 / (1 + np.exp(np.minimum(-log_odds, AGAINST_MOST)))).astype(np.float32)


AGAINST_MOST = 50.0  # log odds; more would overflow

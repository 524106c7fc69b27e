"""Loud knocks alike, each by itself, heard before any pump is known: pushes of a hand, perhaps.

A ram can't be known by its beat before it beats. Until then only what anybody would hear is told: single loud knocks
of one sound, as far apart as strokes are, with nothing as loud around them, not evenly spaced as a beat is, and each
the end of the water that ran before it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.heard import strengths
from clackcount.beats.hypotheses import onsets_of
from clackcount.beats.pumps import Scene
from clackcount.beats.template import PEAK_REACH, Frames, local_maxima, middle_and_upper
from clackcount.model import FloatArray

LOOKED_BACK_S = 12.0
LOUD_SPREADS = 4.0  # above the median of all peaks, in spreads of their upper half
CLEAR_DB = 10.0  # above what is around it, in its best octave
OWN_S, ALONE_S, ALONE_SHARE = 0.03, 0.5, 0.6  # its own ring; within so long nothing else is so loud, as a share
ALIKE, FELLOWS = 0.8, 2  # cosine of the shapes of two knocks' spectra; so many others each must be like
VERY_LOUD_SPREADS, VERY_LOUD_ALIKE = 10.0, 0.55  # nothing else is so loud; a hand pushes now harder, now softer
KNOCKS_MIN = 3
APART_S = (0.5, 6.0)  # strokes of a hand (common practice, no source)
EVEN, LOOKED_AT = 0.12, 4  # the last intervals of a beat are whole numbers of a period, give or take such a share
BEFORE_S, AFTER_S = (-0.25, -0.03), (0.2, 0.45)  # the knock rings no longer, and the valve is still shut
ENDS_MIN_DB, ENDS_SCATTER_DB, ENDS_T = 0.5, 0.3, 1.5
PARTS = (1, 2, 3)  # of the shortest of them, that the period may be
ALIKE_RUN, ALIKE_SHARE = 3, 0.1  # so many intervals in a row that agree are no hand's


def loud_knocks(scene: Scene) -> FloatArray:
    """When the last such knocks were, s in the recording, float64 (n,); empty where there are too few.

    Up to where the passage is kept.
    """
    passage = scene.passage
    per_s = passage.frames_per_s
    first = max(0, passage.keep[1] - round(LOOKED_BACK_S * per_s))
    loud = onsets_of(passage.rises[first : passage.keep[1]]).sum(axis=1)
    peaks = local_maxima(loud, PEAK_REACH)
    middle, upper = middle_and_upper(loud[peaks])
    loudness = (loud[peaks] - middle) / max(float(upper - middle), 1e-9)
    time_s = peaks / per_s
    apart_s = np.abs(time_s[:, None] - time_s[None, :])
    around = np.where((apart_s > OWN_S) & (apart_s < ALONE_S), loudness[None, :], 0.0).max(axis=1)
    chosen = (loudness > LOUD_SPREADS) & (around < ALONE_SHARE * loudness)
    chosen &= strengths(passage.level_db, peaks + first) > CLEAR_DB
    knocks: Frames = peaks[chosen] + first
    very_loud = loudness[chosen] > VERY_LOUD_SPREADS
    if len(knocks) < KNOCKS_MIN:
        return np.empty(0)
    field = scene.field
    features = (field.features[knocks] - field.mean) / np.sqrt(field.variance)
    features /= np.linalg.norm(features, axis=1, keepdims=True) + 1e-12
    wanted = np.where(very_loud[:, None] & very_loud[None, :], VERY_LOUD_ALIKE, ALIKE)
    knocks = knocks[(features @ features.T > wanted).sum(axis=1) > FELLOWS]
    interval_s = np.diff(knocks) / per_s
    breaks = np.flatnonzero((interval_s < APART_S[0]) | (interval_s > APART_S[1]))
    knocks = knocks[breaks[-1] + 1 :] if len(breaks) else knocks
    if len(knocks) < KNOCKS_MIN or water_ends(passage.water_db, knocks, per_s) < ENDS_T:
        return np.empty(0)
    return (knocks + passage.first_frame) / per_s


def water_ends(water_db: NDArray[np.float32], knocks: Frames, frames_per_s: float) -> float:
    """How surely it is louder before the knocks than after them, and not by a little, as a t value.

    water_db float32 (n_frames, n_bands). A stroke lets the water run and shuts it off; steps and drips don't.
    """

    def level(from_s: float, to_s: float) -> NDArray[np.float32]:
        lags = np.arange(round(from_s * frames_per_s), round(to_s * frames_per_s))
        where = np.clip(knocks[:, None] + lags[None, :], 0, len(water_db) - 1)
        return np.asarray(np.median(water_db[where], axis=1).mean(axis=1))

    ends_db = level(*BEFORE_S) - level(*AFTER_S)
    error_db = (float(np.std(ends_db, ddof=1)) + ENDS_SCATTER_DB) / float(np.sqrt(len(knocks)))
    return (float(ends_db.mean()) - ENDS_MIN_DB) / error_db


def beats_evenly(time_s: FloatArray) -> bool:
    """Whether knocks (n,) beat rather than being pushed: so many in a row agree, or the last fit one period."""
    interval_s = np.diff(time_s)
    agree = np.abs(np.diff(np.log(interval_s))) < ALIKE_SHARE
    runs = np.convolve(agree, np.ones(ALIKE_RUN - 1), mode="valid") if len(agree) >= ALIKE_RUN - 1 else np.zeros(1)
    last_s = interval_s[-LOOKED_AT:]
    return bool(runs.max() == ALIKE_RUN - 1) or any(_whole(last_s, float(last_s.min()) / parts) for parts in PARTS)


def _whole(interval: FloatArray, period: float) -> bool:
    """Whether all intervals are whole numbers of the period: a beat, some of its knocks not loud enough."""
    n = interval / period
    return bool(np.all(np.abs(n - np.round(n)) < EVEN))

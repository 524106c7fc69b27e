"""Rises as the beats room gets them, made without any sound: noise, and knocks that stand out in some bands."""

from __future__ import annotations

import numpy as np

from clackcount.beats.series import Series
from clackcount.beats.template import Field, Scoring

N_BANDS, N_SPANS = 8, 4


def noise(rng: np.random.Generator, n_frames: int = 4000, n_bands: int = N_BANDS) -> np.ndarray:
    """float32 (n_frames, n_bands, 4), every value a draw of its own."""
    return rng.normal(0, 1, (n_frames, n_bands, N_SPANS)).astype(np.float32)


def field_of(rises: np.ndarray) -> Field:
    """Its statistics, with a background that never changes."""
    return Field(rises, np.zeros(rises.shape[:2], dtype=np.float32))


def series_of(rises: np.ndarray, frames: np.ndarray, period: float | None = None) -> Series:
    """These frames as a series; its period the median interval, unless given."""
    scoring = Scoring.learn(field_of(rises), frames)
    assert scoring is not None
    period = float(np.median(np.diff(frames))) if period is None else period
    honest = scoring.honest(frames)
    return Series(frames, period, scoring.weights, scoring.z, honest, float(4 * len(frames)))

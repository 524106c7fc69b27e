"""Impacts of recorded clips, whatever made them: ours and librosa's against the annotation."""

from __future__ import annotations

from typing import Any

import numpy as np

from benchmarks.baselines import librosa_backtracked, librosa_default
from benchmarks.clips import Clip
from benchmarks.scoring import f1, late_ms
from clackcount.beats import rate_of
from clackcount.hearing import find_impacts

WINDOW_MS = 15.0


def score_clip(clip: Clip) -> dict[str, Any]:
    """F1 of the impacts within 15 ms, or the annotation's own uncertainty; rate as heard, None where none is.

    `late_ms` is the median over the found impacts, None without any.
    """
    found_s = np.asarray(find_impacts(clip.samples, clip.sample_rate_hz).time_s)
    window_ms = max(WINDOW_MS, 1000 * clip.uncertainty_s)
    late = late_ms(clip.onsets_s, found_s)
    rate = rate_of(found_s) if len(found_s) > 2 else None
    return {
        "clip": clip.name,
        "n": len(clip.onsets_s),
        "window_ms": window_ms,
        "ours": f1(clip.onsets_s, found_s, window_ms),
        "librosa": f1(clip.onsets_s, librosa_default(clip.samples, clip.sample_rate_hz), window_ms),
        "backtracked": f1(clip.onsets_s, librosa_backtracked(clip.samples, clip.sample_rate_hz), window_ms),
        "late_ms": float(np.median(late)) if late else None,
        "rate": clip.rate_per_min,
        "heard": rate.per_min if rate else None,
    }

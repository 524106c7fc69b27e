"""A table of a long recording: rate, evenness, strength and rush in windows of equal length."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from clackcount.middle import median, robust_spread
from clackcount.model import FloatArray, FlowTrack, State, TrendRow
from clackcount.running.reading import Reading
from clackcount.running.rush import first_cell_after, last_cell_before
from clackcount.running.timeline import Spell
from clackcount.settings import RunningSettings

WINDOWS_S = (
    10.0,
    15.0,
    20.0,
    30.0,
    60.0,
    120.0,
    300.0,
    600.0,
    900.0,
    1200.0,
    1800.0,
    3600.0,
    7200.0,
    14400.0,
    43200.0,
)
BEATS_MIN = 5
ROWS_MIN = 3


def find_trend(
    reading: Reading, spells: list[Spell], flow: FlowTrack, duration_s: float, settings: RunningSettings
) -> tuple[TrendRow, ...]:
    """At most settings.trend_rows_max rows of round length; none for a recording too short to have a trend."""
    window_s = next((w for w in WINDOWS_S if duration_s / w <= settings.trend_rows_max), WINDOWS_S[-1])
    n = max(1, round(duration_s / window_s))  # what is left at the end joins the last row
    if n < ROWS_MIN:
        return ()
    slam, rush_db = _running_slams(spells), rush_above_shut_db(reading, flow)
    time_s = reading.train.time_s[slam]
    edge_s = np.arange(n + 1) * window_s
    edge_s[-1] = duration_s
    cut = np.searchsorted(time_s, edge_s)
    cut[-1] = len(time_s)
    return tuple(
        _row(reading, rush_db, slam[a:b], float(edge_s[i]), float(edge_s[i + 1]))
        for i, (a, b) in enumerate(pairwise(cut))
    )


def rush_above_shut_db(reading: Reading, flow: FlowTrack) -> FloatArray:
    """How far the whole band rises from the shut phase to just before each slam, float64 (n_slams,), NaN unknown."""
    time_s, scale = reading.train.time_s, reading.scale
    if scale is None or len(flow) == 0 or len(time_s) == 0:
        return np.full(len(time_s), np.nan)

    def whole_band_db(cell: NDArray[np.int64]) -> FloatArray:
        level_db = flow.level_db[np.clip(cell, 0, len(flow) - 1)].astype(np.float64)
        return np.asarray(10 * np.log10(np.sum(10 ** (level_db / 10), axis=1) + 1e-20))

    shut = first_cell_after(time_s, reading.step_s) + scale.shut_lag
    return whole_band_db(last_cell_before(time_s, reading.step_s)) - whole_band_db(shut)


def _running_slams(spells: list[Spell]) -> np.ndarray:
    """Indices of slams that end a cycle of a run, so that each has an interval of the ram's own."""
    parts = [np.arange(s.first + 1, s.last + 1) for s in spells if s.state is State.SELF]
    return np.concatenate(parts) if parts else np.zeros(0, np.int64)


def _row(reading: Reading, rush_db: FloatArray, slam: np.ndarray, start_s: float, end_s: float) -> TrendRow:
    if len(slam) < BEATS_MIN:
        return TrendRow(start_s, end_s, None, None, None, None, 0)
    interval_s = reading.interval_s[slam]
    spanned = np.maximum(1, np.round(interval_s / reading.strokes.period_s[slam]))
    single_s = interval_s[spanned == 1] if np.any(spanned == 1) else interval_s / spanned
    middle_s = float(median(single_s))
    rush = rush_db[slam]
    return TrendRow(
        start_s,
        end_s,
        60 / middle_s,
        robust_spread(single_s) / middle_s,
        float(median(reading.train.strength_db[slam])),
        float(np.nanmedian(rush)) if np.any(np.isfinite(rush)) else None,
        int(np.sum(spanned - 1)),
    )

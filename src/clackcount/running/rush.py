"""What the rush of water through this pump's open waste valve sounds like, learned from its own beat.

Just before a slam the water is fastest and the rush loudest; in the shut phase right after it the rush is gone.
The difference between the two, over many cycles, is the sound of the rush alone, whatever else is heard. Every cell
of the flow track is then placed on one scale: 0 as in the shut phase, 1 as just before a slam. Bands that wander by
themselves in wind, rain or automatic gain lose their vote (Fisher's linear discriminant, Annals of Eugenics 7, 1936,
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter
from scipy.special import ndtr

from clackcount.middle import median
from clackcount.model import Cells, FloatArray, FlowTrack
from clackcount.settings import RunningSettings

CELL_SD_DB = 1.5  # scatter of one cell expected before any is measured
CELL_FLOOR_DB = 0.7  # never trust a band to be quieter than this in itself
PRIOR_CYCLES = 8  # how many cycles' worth of trust the expected scatter has
FOLD_CYCLES_MAX = 4000  # enough to average over; an all-night recording has 86,000
DWELL_INDEX = 0.35  # the water is on its way
PAUSE_CYCLES, PAUSE_S = 20, 4.0  # what is compared of a run's end and of the pause after it
PAUSE_SEPARATION, PAUSE_RISE_DB = 3.0, 4.0  # a weaker change may be the weather
PAUSE_TRUST = 2.5  # and even a strong one is trusted no more than this: it was heard once
CELLS_AT_ONCE = 1 << 16  # an hour; all cells of a day as doubles would be 110 MB
SLAM_SHARE = 0.65  # of a cell must lie before a slam for its low quantile not to hear it


@dataclass(frozen=True, slots=True, eq=False)
class RushScale:
    """How to read the rush of one pump out of flow levels.

    weight: float64 (n_bands,), 1/dB; level_db @ weight rises by 1 from the shut phase to just before the slam.
    separation: distance of the two in standard deviations; below 1 the ear would not tell them apart either.
    contrast_db: float64 (n_bands,), rise of each band. shut_lag: cells from the slam to the quietest moment.
    """

    weight: FloatArray
    separation: float
    contrast_db: FloatArray
    shut_lag: int

    @property
    def sure(self) -> float:
        """Share of moments that a threshold half way between shut and rushing puts on the right side."""
        return float(ndtr(self.separation / 2))


def learn_scale(time_s: FloatArray, flow: FlowTrack, settings: RunningSettings) -> RushScale | None:
    """The scale of the pump that slams at time_s (n,); None with too few slams or no gap wide enough to look into."""
    if len(time_s) < settings.rush_cycles_min + 1 or len(flow) < 4:
        return None
    interval_s = np.diff(time_s)
    n_lags = _lags(float(median(interval_s)), flow.step_s)
    usable = np.flatnonzero(
        (interval_s[:-1] > (n_lags + 1) * flow.step_s) & (interval_s[1:] > (n_lags + 1) * flow.step_s)
    )
    slam = usable[:: len(usable) // FOLD_CYCLES_MAX + 1] + 1
    after = first_cell_after(time_s[slam], flow.step_s)
    before = last_cell_before(time_s[slam], flow.step_s)
    inside = (before >= 1) & (after + n_lags <= len(flow))
    after, before = after[inside], before[inside]
    if len(after) < settings.rush_cycles_min:
        return None
    folded = flow.level_db[after[:, None] + np.arange(n_lags)].astype(np.float64)  # (n_slams, n_lags, n_bands)
    shut_lag = int(np.argmin(np.median(folded, axis=0).mean(axis=1)))
    shut_db = folded[:, shut_lag]
    contrast_db = np.median(flow.level_db[before] - shut_db, axis=0)
    cover = _scatter(shut_db, settings)
    solved = np.linalg.solve(cover, contrast_db)
    power = float(contrast_db @ solved)
    # Medians of nothing but noise still differ a little; what they would give by chance is taken off.
    by_chance = len(contrast_db) * np.pi / len(after)
    fair = max(0.0, power - by_chance)
    if power <= 0 or contrast_db.mean() <= 0:
        return RushScale(np.zeros(len(contrast_db)), 0.0, contrast_db, shut_lag)
    return RushScale(solved / power, float(np.sqrt(fair)), contrast_db, shut_lag)


def learn_from_pause(
    time_s: FloatArray, last: int, period_s: float, flow: FlowTrack, settings: RunningSettings
) -> RushScale | None:
    """The scale from a steady sound that set in when the beat ended with slam last; None where none did.

    For a pump whose rush is too faint in its cycles: stalled open the water runs faster, and may be heard. A rise of
    all bands alike is the phone's gain coming up and does not count.
    """
    slam = np.arange(max(0, last - PAUSE_CYCLES), last + 1)
    n_lags = _lags(period_s, flow.step_s)
    after = first_cell_after(time_s[slam], flow.step_s)
    start = int((time_s[last] + min(period_s, 3.0) + 0.3) / flow.step_s) + 1
    heard = flow.level_db[start : start + round(PAUSE_S / flow.step_s)]
    after = after[(after >= 0) & (after + n_lags <= len(flow))]
    if len(after) < settings.rush_cycles_min or len(heard) < round(1.0 / flow.step_s):
        return None
    folded = flow.level_db[after[:, None] + np.arange(n_lags)].astype(np.float64)
    shut_lag = int(np.argmin(np.median(folded, axis=0).mean(axis=1)))
    shut_db = folded[:, shut_lag]
    rise_db = np.quantile(heard, 0.25, axis=0) - np.quantile(shut_db, 0.25, axis=0)
    contrast_db = rise_db - rise_db.min()
    solved = np.linalg.solve(_scatter(shut_db, settings), contrast_db)
    power = float(contrast_db @ solved)
    if power < PAUSE_SEPARATION**2 or contrast_db.max() < PAUSE_RISE_DB:
        return None
    return RushScale(solved / power, min(float(np.sqrt(power)), PAUSE_TRUST), contrast_db, shut_lag)


def rush_index(flow: FlowTrack, scale: RushScale) -> Cells:
    """Every cell on the pump's own scale, float32 (n_cells,): differences of 1 are shut against rushing."""
    index = np.empty(len(flow), dtype=np.float32)
    for first in range(0, len(flow), CELLS_AT_ONCE):
        part = slice(first, first + CELLS_AT_ONCE)
        index[part] = flow.level_db[part].astype(np.float64) @ scale.weight
    return index


def shut_index(index: Cells, time_s: FloatArray, scale: RushScale, step_s: float) -> FloatArray:
    """The index in the shut phase after each slam, smoothed over five cycles, float64 (n_slams,).

    Mirrored at the ends: the last knock alone, which may be no slam, must not say what the water was like after it.
    """
    if len(time_s) == 0:
        return np.empty(0)
    cell = np.minimum(first_cell_after(time_s, step_s) + scale.shut_lag, len(index) - 1)
    smooth: FloatArray = median_filter(index[cell].astype(np.float64), size=5, mode="mirror")
    return smooth


def rush_height(index: Cells, time_s: FloatArray, shut: FloatArray, step_s: float) -> FloatArray:
    """How far the rush has grown just before each slam, float64 (n_slams,): 1 is the usual."""
    cell = np.clip(last_cell_before(time_s, step_s), 0, len(index) - 1)
    return index[cell] - shut


def dwell_from_rush(index: Cells, time_s: FloatArray, shut: FloatArray, step_s: float) -> FloatArray:
    """From the slam before until the rush has grown to DWELL_INDEX for good; float64 (n_slams,), NaN unknown."""
    if len(time_s) < 2:
        return np.full(len(time_s), np.nan)
    last_low = np.full(len(index), -1, dtype=np.int32)
    for first in range(0, len(index), CELLS_AT_ONCE):
        at = np.arange(first, min(first + CELLS_AT_ONCE, len(index)), dtype=np.int32)
        slam_before = np.searchsorted(time_s, at * step_s, side="right") - 1
        low = (slam_before >= 0) & (index[at] - shut[slam_before] < DWELL_INDEX)
        last_low[at] = np.maximum.accumulate(np.where(low, at, last_low[first - 1] if first else -1))
    cell = np.clip(last_cell_before(time_s, step_s), 0, len(index) - 1)
    dwell_s = (last_low[cell] + 1) * step_s - np.concatenate([[np.nan], time_s[:-1]])
    return np.where(dwell_s > 0, dwell_s, np.nan)


def first_cell_after(time_s: FloatArray, step_s: float) -> NDArray[np.int64]:
    return np.ceil(time_s / step_s).astype(np.int64)


def last_cell_before(time_s: FloatArray, step_s: float) -> NDArray[np.int64]:
    """The cell whose larger part lies before the slam: a low quantile hears that part only."""
    return np.floor(time_s / step_s - SLAM_SHARE).astype(np.int64)


def _lags(period_s: float, step_s: float) -> int:
    """How many cells after a slam may be searched for its shut phase: at most 70 % of the period or a second."""
    return int(np.clip(min(0.7 * period_s, 1.0) / step_s, 1, 20))


def _scatter(shut_db: FloatArray, settings: RunningSettings) -> FloatArray:
    """Covariance (n_bands, n_bands), dB^2, of the background itself: how the shut phase differs a few cycles on."""
    n, n_bands = shut_db.shape
    apart = min(5, n // 2)
    change = shut_db[apart:] - shut_db[:-apart]
    bound = 4 * 1.4826 * np.median(np.abs(change), axis=0) + 1e-9  # a single bang is no wandering background
    change = np.clip(change, -bound, bound)
    measured = change.T @ change / (2 * len(change))
    expected = CELL_SD_DB**2 * np.eye(n_bands)
    mixed = (len(change) * measured + PRIOR_CYCLES * expected) / (len(change) + PRIOR_CYCLES)
    gain = settings.rush_gain_sd_db**2 * np.ones((n_bands, n_bands))
    return np.asarray(mixed + gain + CELL_FLOOR_DB**2 * np.eye(n_bands))

"""Knocks that cannot belong to any story of a pump are left out before it is told.

Slams found by their sound alone, off any beat, may be a hand's strokes; they may also be bubbles, birds or a door. A
slam shuts the water off, and no stroke of a hand stands out much more than the pump's own slams do. Beats that were
only reckoned on through a stop shut nothing off either. One or two knocks by themselves, without the knock of an
opening before them, are not taken for strokes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from clackcount.model import FloatArray, SlamTrain
from clackcount.running.rush import RushScale, first_cell_after, last_cell_before
from clackcount.settings import RunningSettings

STROKES_MIN = 3
BEATS_MIN = 8  # of the pump's own, to know how they sound
BEFORE_LAGS, AFTER_LAGS = (0, -1), (-1, 0, 1)  # cells compared: up to the knock, around the quietest after it
STROKE_DROP, STROKE_SPREAD = 0.8, 0.3  # of the rush at a hand's stroke, in units of that at the pump's own slams
NOISE_MIN = 0.15
ODDS_MIN = -1.0
LOUDEST, LOUDER = 0.98, 2.0  # a knock may stand out so many times further over the usual than the loudest slams
PUSH_S = 0.7  # a hand's stroke lets the water run no longer; in a slow pump that is little
NO_DROP, RECKONED_RUN, RECKONED_WINDOW = 0.4, 3, 5  # beats in a row at which the water ran on
RECKONED_NOISE_MAX = 0.4
CONTINUES = 2.2  # of the last intervals: a knock so soon after a run goes on with it


def plausible(
    train: SlamTrain, index: FloatArray, scale: RushScale | None, step_s: float, settings: RunningSettings
) -> SlamTrain:
    """The train without knocks that are no strokes; the same object where there are none.

    index: float64 (n_cells,), see rush.rush_index.
    """
    if len(train) == 0:
        return train
    drop, noise = water_cut_off(train, index, scale, step_s)
    period_s = float(np.median(np.diff(train.time_s[train.beating]))) if np.count_nonzero(train.beating) > 1 else 0.0
    stroke_drop = STROKE_DROP * min(1.0, PUSH_S / max(period_s, PUSH_S))
    reckoned = _reckoned(drop, noise, train.beating, NO_DROP * stroke_drop)
    odds = _odds(drop, noise, stroke_drop)
    if period_s > PUSH_S:  # too soon before the next to be a stroke of its own, it may be the push that made it
        odds = odds - (np.diff(train.time_s, append=np.inf) < PUSH_S)
    keep: NDArray[np.bool_] = np.where(train.beating, ~reckoned, odds >= ODDS_MIN)
    keep &= train.beating | ~_too_loud(train)
    group = np.cumsum(np.diff(train.time_s, prepend=train.time_s[0]) > settings.hand_gap_s).astype(np.intp)
    group += np.cumsum(_after_a_run(train, keep, group))
    certain = (train.beating | np.isfinite(train.opened_s)) & keep
    large = np.bincount(group, weights=keep) >= STROKES_MIN
    backed = np.bincount(group, weights=certain) > 0
    keep &= large[group] | backed[group]
    return train if keep.all() else _only(train, keep)


def water_cut_off(
    train: SlamTrain, index: FloatArray, scale: RushScale | None, step_s: float
) -> tuple[FloatArray, float]:
    """(how much of the rush ends with each knock, float64 (n,), and its scatter), 1 as at the pump's own slams.

    NaN where it cannot be told.
    """
    own = train.beating
    unknown = np.full(len(train), np.nan)
    if scale is None or scale.separation <= 0 or np.count_nonzero(own) < BEATS_MIN:
        return unknown, np.inf
    before = last_cell_before(train.time_s, step_s)[:, None] + np.array(BEFORE_LAGS)
    after = first_cell_after(train.time_s, step_s)[:, None] + np.maximum(scale.shut_lag + np.array(AFTER_LAGS), 0)
    inside = (before.min(axis=1) >= 0) & (after.max(axis=1) < len(index))
    before, after = (np.clip(cells, 0, len(index) - 1) for cells in (before, after))
    drop = np.where(inside, index[before].mean(axis=1) - index[after].mean(axis=1), np.nan)
    usual = float(np.nanmedian(drop[own]))
    if not usual > 0:
        return unknown, np.inf
    spread = 1.4826 * float(np.nanmedian(np.abs(drop[own] / usual - 1)))
    return drop / usual, max(NOISE_MIN, spread)


def _odds(drop: FloatArray, noise: float, usual: float) -> FloatArray:
    """Log odds (n,) of a stroke against a knock that has nothing to do with the water; 0 where nothing is known.

    usual: how much a stroke cuts off.
    """
    if not np.isfinite(noise):
        return np.zeros(len(drop))
    drop = np.nan_to_num(np.clip(drop, 0.0, usual), nan=usual)  # more than usual, or than nothing, says no more
    stroke = np.hypot(STROKE_SPREAD, noise)
    return np.asarray(np.log(noise / stroke) - 0.5 * ((drop - usual) / stroke) ** 2 + 0.5 * (drop / noise) ** 2)


def _reckoned(drop: FloatArray, noise: float, beating: NDArray[np.bool_], least: float) -> NDArray[np.bool_]:
    """Whether a beat is one of several in a row at which no water was cut off, bool (n,)."""
    found = np.zeros(len(drop), np.bool_)
    if noise > RECKONED_NOISE_MAX or np.count_nonzero(beating) < BEATS_MIN:
        return found
    beat = np.flatnonzero(beating)
    none_off = np.nan_to_num(drop[beat], nan=1.0) < least
    core = none_off & (median_filter(none_off.astype(np.int8), size=RECKONED_WINDOW, mode="nearest") > 0)
    runs = np.split(np.arange(len(beat)), np.flatnonzero(~none_off[1:] | ~none_off[:-1]) + 1)
    for run in runs:
        if core[run].any() and len(run) >= RECKONED_RUN:
            found[beat[run]] = True
    return found


def _too_loud(train: SlamTrain) -> NDArray[np.bool_]:
    """Whether a knock is louder than the pump's slams ever are, bool (n,)."""
    own_db = train.strength_db[train.beating]
    if len(own_db) < BEATS_MIN:
        return np.zeros(len(train), np.bool_)
    usual_db, loudest_db = np.quantile(own_db, [0.5, LOUDEST])
    return np.asarray(train.strength_db > usual_db + LOUDER * (loudest_db - usual_db))


def _after_a_run(train: SlamTrain, keep: NDArray[np.bool_], group: NDArray[np.intp]) -> NDArray[np.bool_]:
    """True at the first knock of each group after its last beat, where it comes too late to go on with it."""
    late = np.zeros(len(train), np.bool_)
    for number in np.unique(group[train.beating]):
        here = np.flatnonzero((group == number) & keep)
        beats = here[train.beating[here]]
        rest = here[here > beats[-1]] if len(beats) > 2 else here[:0]
        if len(rest) and train.time_s[rest[0]] - train.time_s[beats[-1]] > CONTINUES * np.median(
            np.diff(train.time_s[beats[-BEATS_MIN:]])
        ):
            late[rest[0]] = True
    return late


def _only(train: SlamTrain, keep: NDArray[np.bool_]) -> SlamTrain:
    return SlamTrain(
        train.time_s[keep],
        train.strength_db[keep],
        train.confidence[keep],
        train.reopen_s[keep],
        train.opened_s[keep],
        train.pump[keep],
        train.beating[keep],
        train.duration_s,
    )

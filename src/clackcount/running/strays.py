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
NOISE_MIN, NOISE_MAX = 0.15, 0.5  # the scatter of it; above, it tells nothing
OWN_SPREAD = 0.15  # the same at the pump's own slams
PUSHED_MAX = 1.5  # what little water cut off may say for a hand; much says nothing, for some let it run long
ODD = 0.01  # likelihood of any drop at all: a gust, a passing car
ODDS_MIN, BEAT_ODDS_MIN = -1.0, -2.0  # the even beat vouches for a slam
LOUDEST, LOUDER = 0.98, 2.0  # a knock may stand out so many times further over the usual than the loudest slams
PUSH_S = 0.7  # a hand's stroke lets the water run no longer; in a slow pump that is little
NO_DROP, RECKONED_RUN, RECKONED_WINDOW = 0.4, 3, 5  # beats in a row at which the water ran on
RECKONED_NOISE_MAX = 0.4
IN_STEP = 0.12  # an interval no further off the usual
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
    period_s, stroke_drop = _stroke_drop(train)
    reckoned = _reckoned(drop, noise, train.beating, NO_DROP * stroke_drop)
    stroke, other, opening = _likelihoods(drop, noise, stroke_drop)
    odds = np.log(stroke / np.maximum(other, opening))
    if period_s > PUSH_S:  # too soon before the next to be a stroke of its own, it may be the push that made it
        odds = odds - (np.diff(train.time_s, append=np.inf) < PUSH_S)
    sounds_like_one = np.where(train.beating, ~reckoned, ~_too_loud(train))
    keep = (odds >= np.where(train.beating, BEAT_ODDS_MIN, ODDS_MIN)) | _in_step(train, period_s)
    keep &= sounds_like_one
    group = np.cumsum(np.diff(train.time_s, prepend=train.time_s[0]) > settings.hand_gap_s).astype(np.intp)
    group += np.cumsum(_after_a_run(train, keep, group))
    certain = (train.beating | np.isfinite(train.opened_s)) & keep
    large = np.bincount(group, weights=keep) >= STROKES_MIN
    backed = np.bincount(group, weights=certain) > 0
    keep &= large[group] | backed[group]
    return train if keep.all() else _only(train, keep)


def by_itself_or_pushed(train: SlamTrain, index: FloatArray, scale: RushScale | None, step_s: float) -> FloatArray:
    """Log odds (n,) from the water cut off at each slam: in a slow pump a hand lets it run a shorter time."""
    drop, noise = water_cut_off(train, index, scale, step_s)
    period_s, stroke_drop = _stroke_drop(train)
    if noise[1] > NOISE_MAX or period_s <= PUSH_S:
        return np.zeros(len(train))
    own = _likelihoods(np.minimum(drop, 1.0), noise, 1.0, OWN_SPREAD)[0]
    pushed = _likelihoods(np.minimum(drop, 1.0), noise, stroke_drop, STROKE_SPREAD, most=1.0)[0]
    return np.asarray(np.clip(np.log(own / pushed), -PUSHED_MAX, 0.0))


def _in_step(train: SlamTrain, period_s: float) -> NDArray[np.bool_]:
    """Whether a beat comes a period after the one before it and a period before the next, bool (n,)."""
    near = np.abs(np.diff(train.time_s) / max(period_s, 1e-9) - 1) < IN_STEP
    return np.asarray(train.beating & np.append(True, near) & np.append(near, True))


def _stroke_drop(train: SlamTrain) -> tuple[float, float]:
    """(usual interval of the pump's own beats in s, how much of its rush a hand's stroke cuts off)."""
    own_s = np.diff(train.time_s[train.beating])
    period_s = float(np.median(own_s)) if len(own_s) else 0.0
    return period_s, STROKE_DROP * min(1.0, PUSH_S / max(period_s, PUSH_S))


def water_cut_off(
    train: SlamTrain, index: FloatArray, scale: RushScale | None, step_s: float
) -> tuple[FloatArray, tuple[float, float]]:
    """(how much of the rush ends with each knock, float64 (n,), its scatter (at the pump's own slams, anywhere)).

    In units of what ends at the pump's own slams. NaN where it cannot be told.
    """
    own = train.beating
    unknown = np.full(len(train), np.nan)
    if scale is None or scale.separation <= 0 or np.count_nonzero(own) < BEATS_MIN:
        return unknown, (np.inf, np.inf)
    before = last_cell_before(train.time_s, step_s)[:, None] + np.array(BEFORE_LAGS)
    after = first_cell_after(train.time_s, step_s)[:, None] + np.maximum(scale.shut_lag + np.array(AFTER_LAGS), 0)
    inside = (before.min(axis=1) >= 0) & (after.max(axis=1) < len(index))
    before, after = (np.clip(cells, 0, len(index) - 1) for cells in (before, after))
    drop = np.where(inside, index[before].mean(axis=1) - index[after].mean(axis=1), np.nan)
    usual = float(np.nanmedian(drop[own]))
    if not usual > 0:
        return unknown, (np.inf, np.inf)
    spread = 1.4826 * float(np.nanmedian(np.abs(drop[own] / usual - 1)))
    anywhere = np.sqrt(1 / len(BEFORE_LAGS) + 1 / len(AFTER_LAGS)) / (scale.separation * usual)
    return drop / usual, (max(NOISE_MIN, spread), max(NOISE_MIN, float(anywhere)))


def _likelihoods(
    drop: FloatArray,
    noise: tuple[float, float],
    slam_drop: float,
    spread: float = STROKE_SPREAD,
    most: float | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How likely each drop is at a slam, at a knock that has nothing to do with the water, at an opening valve.

    slam_drop, spread: how much a slam cuts off. most: a drop beyond it counts as so much. All alike where nothing is
    known.
    """
    if noise[1] > NOISE_MAX:
        return np.ones(len(drop)), np.ones(len(drop)), np.ones(len(drop))
    # more than usual is no sign against it
    drop = np.nan_to_num(np.minimum(drop, slam_drop if most is None else most), nan=slam_drop)

    def normal(middle: float, spread: float, noise: float) -> FloatArray:
        wide = np.hypot(spread, noise)
        return np.asarray(np.exp(-0.5 * ((drop - middle) / wide) ** 2) / (wide * np.sqrt(2 * np.pi)) + ODD)

    at_slams, anywhere = noise
    return (
        normal(slam_drop, spread, at_slams),
        normal(0.0, 0.0, anywhere),
        normal(-slam_drop, STROKE_SPREAD, anywhere),
    )


def _reckoned(
    drop: FloatArray, noise: tuple[float, float], beating: NDArray[np.bool_], least: float
) -> NDArray[np.bool_]:
    """Whether a beat is one of several in a row at which no water was cut off, bool (n,)."""
    found = np.zeros(len(drop), np.bool_)
    if noise[0] > RECKONED_NOISE_MAX or np.count_nonzero(beating) < BEATS_MIN:
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

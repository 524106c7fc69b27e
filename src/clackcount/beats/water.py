"""Whether water rushes before each knock and is gone after it, as at a ram.

It is heard in some bands and not in others, according to what else sounds there. So the bands in which it rises are
told from every second cycle and weighed, and how far it rises in them from the others.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.template import Frames
from clackcount.middle import median, middle_and_spread, robust_spread

BEFORE = ((-6, -2), (-9, -5), (-14, -9))  # frames that a knock does not touch
FALLING_T = -3.0
RINGS_FRAMES = 18  # 0.09 s; sooner there is no telling whether the level still falls
BAND_SPREAD_DB, BAND_T = 0.7, 1.0  # at least; bands that rise, and do not fall, by so many standard errors
GAIN_RISE_DB = 6.0  # in one cycle no phone's gain recovers by more
BROAD, OCTAVE_BANDS = 1.5, 4  # how far what rises beside the strongest octave may fall behind


def rush_contrast(water_db: NDArray[np.float32], first: Frames, last: Frames, lag: int) -> float:
    """How much louder the water is just before the next member than at the end of the gap, as a t value.

    water_db float32 (n_frames, n_bands). first, last: members that begin a cycle, and the next ones; the gap lies
    between ``first`` and ``first + lag``. Positive when the gap is the shut phase. Where the level still falls, a
    knock rings, and how loud the water is cannot be told: then the ring speaks for neither side. Nor does what only
    heralds the knock, the works of a clock before its tick: water rushes earlier, too. 0 for fewer than four cycles.
    """
    if len(first) < 4:
        return 0.0
    shut, open_ = first + lag, last
    spans = len(BEFORE) if median(last - first) - lag > RINGS_FRAMES else len(BEFORE) - 1
    shut_db, open_db = ([_level_before(water_db, frames, span) for span in BEFORE] for frames in (shut, open_))
    rise_db = np.stack(open_db[:spans]) - shut_db[0]
    t_value = _t_value(rise_db[0].mean(axis=1))
    against = t_value if t_value <= 0 and lag >= RINGS_FRAMES and not _falls(shut_db) else 0.0
    if _falls(open_db):
        return against
    everywhere, beside_strongest = (min(map(_t_value, rises)) for rises in _own_rises(rise_db))
    # water is heard in more than an octave, a bird's call is not
    rushes = min(everywhere, BROAD * beside_strongest + 1.0)
    return rushes if rushes > max(0.0, -against) else against


def _level_before(water_db: NDArray[np.float32], frames: Frames, span: tuple[int, int]) -> NDArray[np.float32]:
    """Level a few frames before each of ``frames``, float32 (n, n_bands)."""
    where = frames[:, None] + np.arange(*span)[None, :]
    return np.asarray(water_db[np.clip(where, 0, len(water_db) - 1)].mean(axis=1))


def _falls(level_db: list[NDArray[np.float32]]) -> bool:
    """Whether the level falls from the earliest of these spans to the last, each (n, n_bands), last first."""
    return _t_value((level_db[0] - level_db[-1]).mean(axis=1)) < FALLING_T


def _own_rises(rise_db: NDArray[np.float32]) -> NDArray[np.float32]:
    """What the bands that rise have beyond a rise of all: float32 (2, n_spans, n); rise_db (n_spans, n, n_bands).

    First in all of them, then in those beside the octave that rises most. A phone that turns its gain down at a knock
    and up again afterwards raises everything, water some bands more than others; a band that falls still rings, and
    tells nothing. Which bands rise, and which rise least, is told from every second cycle for the others: chance has
    none there.
    """
    n_spans, n, n_bands = rise_db.shape
    own = np.zeros((2, n_spans, n), dtype=np.float32)
    for half in (0, 1):
        learn_db, told_db = rise_db[0, 1 - half :: 2], rise_db[:, half::2]
        middle_db, spread_db = middle_and_spread(learn_db)
        spread_db = spread_db + BAND_SPREAD_DB
        t_value = middle_db / spread_db * np.sqrt(len(learn_db))
        free = np.flatnonzero(t_value > -BAND_T)
        free = free if len(free) > n_bands // 6 else np.arange(n_bands)
        least = free[np.argsort(middle_db[free])[: max(1, len(free) // 3)]]
        beyond_db = np.maximum(middle_db - max(0.0, float(np.median(middle_db[least]))), 0.0)
        weight = np.where(t_value > BAND_T, beyond_db / spread_db**2, 0.0)
        strongest = int(np.argmax(weight * middle_db))
        beside = weight.copy()
        beside[max(0, strongest - OCTAVE_BANDS // 2) : strongest + OCTAVE_BANDS // 2 + 1] = 0.0
        gain_db = np.clip(np.median(told_db[:, :, least], axis=(1, 2)), 0.0, GAIN_RISE_DB)
        for rises, weights in zip(own, (weight, beside), strict=True):
            if weights.any():
                rises[:, half::2] = told_db @ (weights / weights.sum()) - gain_db[:, None]
    return own


def _t_value(difference: NDArray[np.float32]) -> float:
    """Robust t value of the mean difference, (n,), being 0."""
    middle = float(median(difference))
    scatter = robust_spread(difference) + 0.2
    return middle / scatter * float(np.sqrt(len(difference)))

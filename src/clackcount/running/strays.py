"""Knocks that cannot belong to any story of a pump are left out before it is told.

Slams found by their sound alone, off any beat, may be a hand's strokes or a door. One or two such knocks by
themselves, without the knock of an opening before them, are not taken for strokes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clackcount.model import SlamTrain
from clackcount.settings import RunningSettings

STROKES_MIN = 3


def plausible(train: SlamTrain, settings: RunningSettings) -> SlamTrain:
    """The train without lone knocks; the same object where there are none."""
    if len(train) == 0:
        return train
    group = np.cumsum(np.diff(train.time_s, prepend=train.time_s[0]) > settings.hand_gap_s)
    certain = train.beating | np.isfinite(train.opened_s)
    large = np.bincount(group) >= STROKES_MIN
    backed = np.bincount(group, weights=certain) > 0
    keep = large[group] | backed[group]
    return train if keep.all() else _only(train, keep)


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

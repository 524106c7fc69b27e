"""How much of the rush ends with a knock: a slam shuts the water off, other knocks leave it as it was.

The rush around a moment is compared with the shape it has around the pump's own slams: growing, cut off, gone (a
matched filter). Its level there does not matter, so that rain, wind and gain which come and go slowly do not either.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clackcount.middle import median, spread_about_0
from clackcount.model import Cells, FloatArray, SlamTrain
from clackcount.running.rush import RushScale, first_cell_after

BEATS_MIN = 8  # of the pump's own, to know how they sound
BEFORE_S, AFTER_S = 0.5, 0.3  # compared; of a fast pump PART of the period on either side
PART = 0.45
SHAPES_MAX = 2000  # cycles, enough to average over
NOISE_MIN, NOISE_MAX = 0.15, 0.5  # the scatter of it; above, it tells nothing
SEPARATION_MIN = 1.0  # below, the shape is that of the noise it was learned from


@dataclass(frozen=True, slots=True, eq=False)
class CutOff:
    """The rush around a slam: shape float64 (n_lags,), of the index (n_cells,) from before cells ahead of it.

    at_slams, anywhere: scatter of the share at its own slams, and where nothing happens.
    """

    index: Cells
    step_s: float
    before: int
    shape: FloatArray
    at_slams: float
    anywhere: float

    @classmethod
    def learn(cls, train: SlamTrain, index: Cells, scale: RushScale | None, step_s: float) -> CutOff | None:
        """From the beats of one pump; None where it cannot be told."""
        own_s = train.time_s[train.beating]
        if scale is None or scale.separation < SEPARATION_MIN or len(own_s) < BEATS_MIN:
            return None
        period_s = float(median(np.diff(own_s)))
        before, after = (max(2, round(min(part_s, PART * period_s) / step_s)) for part_s in (BEFORE_S, AFTER_S))
        raw = cls(index, step_s, before, np.zeros(before + after), 0.0, 0.0)
        around = raw._around(own_s[:: len(own_s) // SHAPES_MAX + 1])
        around = around[np.isfinite(around[:, 0])]
        if len(around) < BEATS_MIN:
            return None
        shape = np.median(around, axis=0)
        shape -= shape.mean()
        learned = replace(raw, shape=shape)
        if learned._power <= 0:
            return None
        share = around @ shape / learned._power
        at_slams = spread_about_0(share - 1)
        anywhere = _scatter(around - share[:, None] * shape) / np.sqrt(learned._power)
        if max(at_slams, anywhere) > NOISE_MAX:
            return None
        return replace(learned, at_slams=max(NOISE_MIN, at_slams), anywhere=max(NOISE_MIN, anywhere))

    def share(self, time_s: FloatArray) -> FloatArray:
        """How much ends at each time (n,), 1 as at the pump's own slams; NaN at the ends of the recording."""
        return np.asarray(self._around(time_s) @ self.shape / self._power)

    @property
    def _power(self) -> float:
        return float(self.shape @ self.shape)

    def _around(self, time_s: FloatArray) -> FloatArray:
        """The index around each time less its mean, float64 (n, n_lags); NaN where a part lies outside."""
        first: NDArray[np.int64] = first_cell_after(time_s, self.step_s) - self.before
        cells = first[:, None] + np.arange(len(self.shape))
        inside = (first >= 0) & (first + len(self.shape) <= len(self.index))
        if not inside.any():
            return np.full(cells.shape, np.nan)
        around = self.index[np.clip(cells, 0, len(self.index) - 1)]
        around = around - around.mean(axis=1, keepdims=True)
        around[~inside] = np.nan
        return np.asarray(around)


def _scatter(rest: FloatArray) -> float:
    """Of what is left of the index around the slams, (n, n_lags), as it counts in a sum: neighbours may be alike."""
    variance = float(np.mean(rest**2)) + 1e-12
    alike = float(np.clip(np.mean(rest[:, 1:] * rest[:, :-1]) / variance, 0.0, 0.8))
    return float(np.sqrt(variance * (1 + alike) / (1 - alike)))

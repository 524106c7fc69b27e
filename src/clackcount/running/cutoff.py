"""How much of the rush ends with a knock: a slam shuts the water off, other knocks leave it as it was."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clackcount.model import FloatArray, FlowTrack, SlamTrain
from clackcount.running.rush import RushScale, first_cell_after, last_cell_before

BEATS_MIN = 8  # of the pump's own, to know how they sound
BEFORE_LAGS, AFTER_LAGS = (0, -1), (-1, 0, 1)  # cells compared: up to the knock, around the quietest after it
NOISE_MIN, NOISE_MAX = 0.15, 0.5  # the scatter of it; above, it tells nothing


@dataclass(frozen=True, slots=True, eq=False)
class CutOff:
    """What ends with the pump's own slams, and how much that scatters.

    index: float64 (n_cells,), see rush.rush_index; level_db (n_cells, n_bands), contrast_db (n_bands,): what it is
    made of. usual: of the index, at its own slams. shut: the index after them. at_slams, anywhere: scatter of the
    share at its slams, and where nothing happens. alike: see likeness, what nine in ten of its slams reach.
    """

    level_db: NDArray[np.floating]
    contrast_db: FloatArray
    index: FloatArray
    step_s: float
    shut_lag: int
    usual: float
    shut: float
    at_slams: float
    anywhere: float
    alike: float

    @classmethod
    def learn(cls, train: SlamTrain, index: FloatArray, scale: RushScale | None, flow: FlowTrack) -> CutOff | None:
        """From the beats of one pump; None where it cannot be told."""
        own_s = train.time_s[train.beating]
        if scale is None or scale.separation <= 0 or len(own_s) < BEATS_MIN:
            return None
        raw = cls(flow.level_db, scale.contrast_db, index, flow.step_s, scale.shut_lag, 1.0, 0.0, 0.0, 0.0, 0.0)
        drop = raw.share(own_s)
        usual = float(np.nanmedian(drop)) if np.any(np.isfinite(drop)) else 0.0
        if usual <= 0:
            return None
        anywhere = np.sqrt(1 / len(BEFORE_LAGS) + 1 / len(AFTER_LAGS)) / (scale.separation * usual)
        if anywhere > NOISE_MAX:
            return None
        at_slams = 1.4826 * float(np.nanmedian(np.abs(drop / usual - 1)))
        return replace(
            raw,
            usual=usual,
            shut=float(np.nanmedian(raw.after(own_s))),
            at_slams=max(NOISE_MIN, at_slams),
            anywhere=max(NOISE_MIN, float(anywhere)),
            alike=float(np.nanquantile(raw.likeness(own_s), 0.1)),
        )

    def share(self, time_s: FloatArray) -> FloatArray:
        """How much ends at each time (n,), 1 as at the pump's own slams; NaN at the ends of the recording."""
        return (_mean(self.index, self._before(time_s)) - self.after(time_s)) / self.usual

    def after(self, time_s: FloatArray) -> FloatArray:
        """The index in what would be the shut phase after each time (n,); NaN at the ends of the recording."""
        return _mean(self.index, self._after(time_s))

    def likeness(self, time_s: FloatArray) -> FloatArray:
        """Cosine between what ends in each band at each time (n,) and the rush of the pump; NaN as above.

        A talker and a bird fall silent in bands of their own.
        """
        ends_db = _mean(self.level_db, self._before(time_s)) - _mean(self.level_db, self._after(time_s))
        length = np.linalg.norm(ends_db, axis=1) * np.linalg.norm(self.contrast_db)
        return np.asarray(ends_db @ self.contrast_db / np.maximum(length, 1e-9))

    def _before(self, time_s: FloatArray) -> NDArray[np.int64]:
        return np.asarray(last_cell_before(time_s, self.step_s)[:, None] + np.array(BEFORE_LAGS), np.int64)

    def _after(self, time_s: FloatArray) -> NDArray[np.int64]:
        lags = np.maximum(self.shut_lag + np.array(AFTER_LAGS), 0)
        return np.asarray(first_cell_after(time_s, self.step_s)[:, None] + lags, np.int64)


def _mean(values: NDArray[np.floating], cells: NDArray[np.int64]) -> FloatArray:
    """Mean of values (n_cells, ...) over cells (n, n_lags), float64 (n, ...); NaN where one lies outside."""
    if not len(values):
        return np.full((len(cells), *values.shape[1:]), np.nan)
    inside = (cells.min(axis=1, initial=0) >= 0) & (cells.max(axis=1, initial=0) < len(values))
    mean = values[np.clip(cells, 0, len(values) - 1)].mean(axis=1, dtype=np.float64)
    mean[~inside] = np.nan
    return np.asarray(mean)

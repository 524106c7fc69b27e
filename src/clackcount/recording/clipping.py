"""How much of a recording stands at its own rail: flat tops, whether at full scale or after a level change.

A rail is the highest level that the file itself reaches. What makes it a rail, and no mere loudest moment, is the
shape: a wave that turns over by itself spends at most 2.4 x as long in the topmost hair as in the one below
(a parabola: sqrt(1) against sqrt(2) - sqrt(1)), a clipped one many times as long. So silence, a pure tone and a
single loud knock are not taken for clipping, at any level.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_HAIR = 0.004
_RUN = 3
_FLAT_RATIO, _FLAT_OFFSET = 4.0, 8
_LOWEST_RAIL = 0.02


class Rail:
    """One side (top, or bottom turned over) of one channel. Counts begin anew when the sound goes clearly higher."""

    def __init__(self, sample_step: float) -> None:
        self._step = sample_step
        self._base = self.level = _LOWEST_RAIL
        self._n_at = self._n_below = 0
        self._n_used = 0.0

    @property
    def reach(self) -> float:
        """A chunk whose peak is not above this has nothing to count."""
        return self.level - 2 * self._hair()

    def count(self, samples: NDArray[np.float32], peak: float, sign: int = 1) -> int:
        """Samples of this chunk in runs of 3 and more at the rail. samples: (n,), peak: maximum of sign * samples."""
        if peak > self._base + self._hair():
            self._base = self.level = peak
            self._n_at, self._n_below, self._n_used = 0, 0, 0.0
        self.level = max(self.level, peak)
        hair = self._hair()
        if peak <= self.reach:
            return 0
        samples = samples if sign > 0 else -samples
        near = np.flatnonzero(samples > self.level - 2 * hair)
        at = near[samples[near] > self.level - hair]
        n_runs = _in_runs(at)
        self._n_at += n_runs
        self._n_below += len(near) - len(at)
        return n_runs

    def use(self, n_samples: float) -> None:
        """Take so many of the counted samples into the share of the sound that is heard."""
        self._n_used += n_samples

    @property
    def flat(self) -> bool:
        """True where the counts so far are those of flat tops."""
        return self._n_at >= _FLAT_RATIO * self._n_below + _FLAT_OFFSET

    @property
    def n_clipped(self) -> float:
        """Clipped samples in the sound that is heard."""
        return self._n_used if self.flat else 0.0

    def _hair(self) -> float:
        return max(_HAIR * self.level, self._step)


def _in_runs(positions: NDArray[np.intp]) -> int:
    """How many of these increasing positions lie in unbroken runs of at least _RUN."""
    if len(positions) < _RUN:
        return 0
    breaks = np.flatnonzero(np.diff(positions) != 1)
    lengths = np.diff(np.concatenate(([-1], breaks, [len(positions) - 1])))
    return int(lengths[lengths >= _RUN].sum())

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
_LOSSY_HAIR, _LOSSY_OVER, _LOSSY_OVER_SHARE = 0.05, 1.02, 0.1


class Rail:
    """One side (top, or bottom turned over) of one channel. Counts begin anew when the sound goes clearly higher."""

    def __init__(self, sample_step: float, sample_ratio: float = 0.0) -> None:
        self._step, self._ratio = sample_step, max(_HAIR, sample_ratio)
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
        return max(self._ratio * self.level, self._step)


class LossyRail(Rail):
    """The rail of sound from a lossy codec: full scale.

    The codec bends flat tops by several per cent, so a narrow hair finds none. But it also lifts a good part of them
    above full scale, where no microphone's converter reaches; a loud wave that was not clipped hardly gets there.
    Only clipping at full scale can be seen so, and its share is a lower bound.
    """

    def __init__(self) -> None:
        super().__init__(0.0)
        self.level = 1.0
        self._n_over = 0

    @property
    def reach(self) -> float:
        """A chunk whose peak is not above this has nothing to count."""
        return 1.0 - _LOSSY_HAIR

    def count(self, samples: NDArray[np.float32], peak: float, sign: int = 1) -> int:
        """Samples of this chunk in runs of 3 and more at the rail. samples: (n,), peak: maximum of sign * samples."""
        if peak <= self.reach:
            return 0
        samples = samples if sign > 0 else -samples
        n_runs = _in_runs(np.flatnonzero(samples > self.reach))
        self._n_at += n_runs
        self._n_over += int(np.count_nonzero(samples > _LOSSY_OVER))
        return n_runs

    @property
    def flat(self) -> bool:
        """True where the counts so far are those of flat tops."""
        return self._n_over > max(_LOSSY_OVER_SHARE * self._n_at, _FLAT_OFFSET)


def _in_runs(positions: NDArray[np.intp]) -> int:
    """How many of these increasing positions lie in unbroken runs of at least _RUN."""
    if len(positions) < _RUN:
        return 0
    breaks = np.flatnonzero(np.diff(positions) != 1)
    lengths = np.diff(np.concatenate(([-1], breaks, [len(positions) - 1])))
    return int(lengths[lengths >= _RUN].sum())

"""How long it may be from one slam to the next: what each interval costs a path."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MISSED_MAX = 2  # beats that may be missing in one step of the path; a longer gap is a restart
FIRST, LAST, STEP = np.log(0.25), np.log(2.5 * (MISSED_MAX + 1)), 0.01  # of log(interval / period)
GRID = np.arange(FIRST, LAST, STEP)
USUAL_SPREAD = 0.06  # of a self-running ram: intervals spread no wider cost nothing at their middle
KERNEL = 0.03
FRAME_ERROR = 0.8  # frames by which an interval is wrong because its ends are frame numbers
FEW = 4


def is_single(log: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether log(interval / period) may be that of one beat, whatever the pattern, bool of the same shape."""
    return np.asarray((log > np.log(0.4)) & (log < np.log(2.2)))


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """Costs of intervals.

    period: the usual interval, frames. cost: float64 (len(GRID),), of log(interval / period), in nats.
    """

    period: float
    cost: NDArray[np.float64]

    @classmethod
    def even(cls, period: float, spread: float, missed_cost: float) -> Gaps:
        """One period, from which the logarithm of the interval strays by spread."""
        spread = float(np.hypot(spread, FRAME_ERROR / period))
        cost = np.full(len(GRID), np.inf)
        for n_periods in range(1, MISSED_MAX + 2):
            # the spread of a sum of n independent intervals, as a share of the sum, is spread / sqrt(n)
            stray = (GRID - np.log(n_periods)) ** 2 * n_periods / (2 * spread**2)
            cost = np.minimum(cost, stray + (n_periods - 1) * missed_cost)
        return cls(period, cost)

    @classmethod
    def learned(cls, frames: NDArray[np.intp], period: float, missed_cost: float, change_cost: float) -> Gaps:
        """As they were: a kernel density of the intervals between frames, whatever its shape.

        Two rates, long and short in turn, or no order at all: each has its own shape. An interval never seen
        costs change_cost, and so does the first of a kind.
        """
        interval = np.diff(frames).astype(np.float64)
        log = np.log(np.maximum(interval / period, 1e-9))
        log = log[is_single(log)]
        if len(log) < FEW:
            return cls.even(period, USUAL_SPREAD, missed_cost)
        kernel = np.hypot(KERNEL, FRAME_ERROR / period)
        density = np.exp(-0.5 * ((GRID[:, None] - log[None, :]) / kernel) ** 2).mean(axis=1) / kernel
        with np.errstate(divide="ignore"):
            single = np.maximum(-np.log(density * USUAL_SPREAD), 0.0)
        single = np.where(is_single(GRID), np.minimum(single, change_cost), single)
        cost = single
        for n_periods in range(2, MISSED_MAX + 2):
            shifted = np.interp(GRID - np.log(n_periods), GRID, single, left=np.inf)
            cost = np.minimum(cost, shifted + (n_periods - 1) * missed_cost)
        return cls(period, cost)

    def of(self, interval: NDArray[np.float64]) -> NDArray[np.float64]:
        """Cost of each interval, frames, of any shape; inf beyond reach."""
        at = np.round((np.log(np.maximum(interval / self.period, 1e-9)) - FIRST) / STEP).astype(np.int64)
        inside = (at >= 0) & (at < len(GRID))
        return np.where(inside, self.cost[np.clip(at, 0, len(GRID) - 1)], np.inf)

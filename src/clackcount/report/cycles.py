"""One row a cycle: what each slam and the one before it make together. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clackcount.model import FloatArray, Running, SlamTrain


@dataclass(frozen=True, slots=True)
class Cycle:
    """A slam and the cycle that it ends. None where something was not heard.

    interval_s and rate_per_min: from the slam before it, of the same pump, in the same stretch of the timeline; a
    pause between two runs is no cycle. open_s: how long the valve had been open at this slam. shut_s: from this
    slam to the reopening.
    """

    pump: int
    slam_s: float
    interval_s: float | None
    rate_per_min: float | None
    strength_db: float | None
    confidence: float
    reopen_s: float | None
    open_s: float | None
    shut_s: float | None
    beating: bool


def of(train: SlamTrain, running: Running | None) -> Iterator[Cycle]:
    """The cycles of all pumps, in order of slam time."""
    before = _slam_before(train.pump)
    stretch = _stretch_of(train.time_s, running)
    for index in range(len(train)):
        slam_s = float(train.time_s[index])
        previous = int(before[index])
        joined = previous >= 0 and stretch[previous] == stretch[index]
        interval_s = slam_s - float(train.time_s[previous]) if joined else None
        opened_s = _known(train.opened_s[index])
        if opened_s is None and joined:
            opened_s = _known(train.reopen_s[previous])
        reopen_s = _known(train.reopen_s[index])
        yield Cycle(
            pump=int(train.pump[index]),
            slam_s=slam_s,
            interval_s=interval_s,
            rate_per_min=None if interval_s is None else 60.0 / interval_s,
            strength_db=_known(train.strength_db[index]),
            confidence=float(train.confidence[index]),
            reopen_s=reopen_s,
            open_s=None if opened_s is None else slam_s - opened_s,
            shut_s=None if reopen_s is None else reopen_s - slam_s,
            beating=bool(train.beating[index]),
        )


def _slam_before(pump: NDArray[np.int32]) -> NDArray[np.int64]:
    """int64 (n,): index of the slam before each one, of the same pump; -1 for the first of a pump."""
    before = np.full(len(pump), -1, dtype=np.int64)
    for number in np.unique(pump):
        own = np.flatnonzero(pump == number)
        before[own[1:]] = own[:-1]
    return before


def _stretch_of(time_s: FloatArray, running: Running | None) -> NDArray[np.int64]:
    """int64 (n,): number of the stretch that each slam lies in; all 0 without a timeline."""
    if running is None or not running.timeline:
        return np.zeros(len(time_s), dtype=np.int64)
    starts_s = np.array([stretch.start_s for stretch in running.timeline])
    return np.searchsorted(starts_s, time_s, side="right") - 1


def _known(value: float | np.floating) -> float | None:
    return float(value) if math.isfinite(value) else None

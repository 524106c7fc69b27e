"""Slams, and the beat they make."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clackcount.errors import TimesError
from clackcount.model.arrays import FloatArray, locked


class Pattern(StrEnum):
    """How the intervals between slams lie."""

    EVEN = "even"
    WANDERING = "wandering"
    ALTERNATING = "alternating"
    HOPPING = "hopping"
    RAGGED = "ragged"


COLUMNS = (
    ("time_s", np.float64),
    ("strength_db", np.float32),
    ("confidence", np.float32),
    ("reopen_s", np.float64),
    ("opened_s", np.float64),
    ("pump", np.int32),
    ("beating", np.bool_),
)


@dataclass(frozen=True, slots=True, eq=False)
class SlamTrain:
    """Waste-valve closures heard in one recording, of all pumps, in order of time.

    time_s: float64 (n,), strictly increasing, in [0, duration_s].
    strength_db: float32 (n,), above the background around it.
    confidence: float32 (n,), 0..1, that this is a waste-valve slam.
    reopen_s: float64 (n,), when the valve was heard dropping open again, NaN where not heard.
    opened_s: float64 (n,), when a knock of opening was heard shortly BEFORE this slam (the reopening of the cycle
        before it, or the push of a hand stroke), NaN where not heard.
    pump: int32 (n,), 1 = the loudest ram, 2.. = others beating at their own rate.
    beating: bool (n,), True where the slam lies on the even beat of its pump, False where it stands alone
        (a hand stroke, a beat after a stop): found by its sound only.
    """

    time_s: FloatArray
    strength_db: NDArray[np.float32]
    confidence: NDArray[np.float32]
    reopen_s: FloatArray
    opened_s: FloatArray
    pump: NDArray[np.int32]
    beating: NDArray[np.bool_]
    duration_s: float

    def __post_init__(self) -> None:
        n = len(self.time_s)
        for name, dtype in COLUMNS:
            array = locked(getattr(self, name), dtype)
            if array.shape != (n,):
                raise TimesError(f"{name} has shape {array.shape}, wanted ({n},) to match time_s")
            object.__setattr__(self, name, array)
        check_times(self.time_s, self.duration_s)

    def __len__(self) -> int:
        return len(self.time_s)

    def of_pump(self, pump: int) -> SlamTrain:
        """The slams of one pump only."""
        return self.where(self.pump == pump)

    def where(self, keep: NDArray[np.bool_]) -> SlamTrain:
        """Those of the slams for which keep, bool (n,), holds."""
        columns: dict[str, Any] = {name: getattr(self, name)[keep] for name, _ in COLUMNS}
        return replace(self, **columns)

    def joined(self, other: SlamTrain) -> SlamTrain:
        """These slams and the other's, in order of time; no two may come at one moment."""
        order = np.argsort(np.concatenate([self.time_s, other.time_s]), kind="stable")
        columns: dict[str, Any] = {
            name: np.concatenate([getattr(self, name), getattr(other, name)])[order] for name, _ in COLUMNS
        }
        return replace(self, **columns)


def check_times(time_s: FloatArray, duration_s: float) -> None:
    """Raise TimesError unless time_s is finite, strictly increasing and inside [0, duration_s]."""
    if len(time_s) == 0:
        return
    if not np.all(np.isfinite(time_s)):
        raise TimesError("a slam time is not a number")
    if np.any(np.diff(time_s) <= 0):
        raise TimesError("slam times must increase", hint="sort them, and drop doubles")
    if time_s[0] < 0:
        raise TimesError(f"slam at {time_s[0]:g} s lies before the recording begins")
    if time_s[-1] > duration_s:
        raise TimesError(
            f"slam at {time_s[-1]:g} s lies after the end of the recording ({duration_s:g} s)",
            hint="are the times in samples or milliseconds?",
        )


@dataclass(frozen=True, slots=True)
class Regularity:
    """How even the beat is. cv and robust_cv (1.4826 MAD / median) are shares of the interval, not per cent."""

    cv: float
    robust_cv: float
    missed: int
    pattern: Pattern


@dataclass(frozen=True, slots=True)
class Beat:
    """Rate and regularity over the longest self-running stretch of one pump, [start_s, end_s].

    rate_ci95_per_min: (low, high). open_s / shut_s: median phases, None where the reopening is not heard.
    confidence: 0..1, that this is a ram at all. doubts: plain sentences.
    """

    pump: int
    start_s: float
    end_s: float
    n_cycles: int
    rate_per_min: float
    rate_ci95_per_min: tuple[float, float]
    regularity: Regularity
    open_s: float | None
    shut_s: float | None
    confidence: float
    doubts: tuple[str, ...] = ()

    @property
    def unheard(self) -> int:
        """Beats that count in the rate though no slam of theirs was heard."""
        return max(0, round(self.rate_per_min * (self.end_s - self.start_s) / 60) - self.n_cycles)


@dataclass(frozen=True, slots=True)
class Beats:
    """All that the beats room found: the slams and, for each pump that beats, its Beat (loudest first).

    perhaps: knocks off the beat that sound somewhat like the slams of a pump, and are none but where its water
        ends.
    """

    train: SlamTrain
    pumps: tuple[Beat, ...] = ()
    doubts: tuple[str, ...] = ()
    perhaps: SlamTrain | None = None

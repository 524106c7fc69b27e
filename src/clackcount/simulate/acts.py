"""The nouns of a story: the acts a ram can be in, and the strokes and spells of open valve they turn into."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from clackcount.model import Cause, FloatArray, State
from clackcount.simulate.cycle import DriveColumn

SLOW_TAPER_S = 0.2  # no waste valve takes as long to shut: a longer taper is the supply being shut off


class Kind(IntEnum):
    """The sounds a ram makes."""

    SLAM = 0
    SECOND = 1
    REOPEN = 2
    DELIVERY = 3
    SNIFTER = 4
    PUSH = 5
    BUBBLE = 6


@dataclass(frozen=True, slots=True)
class Quiet:
    """No beat and no water through the valve. None: to the end of the recording."""

    duration_s: float | None = None


@dataclass(frozen=True, slots=True)
class Rushing:
    """Water runs through the open valve without a beat.

    flow: in closing velocities, as far as the head can drive it; below 1 the supply is short, above 1 something holds
    the valve open. gurgling: bubbles of air a second.
    """

    duration_s: float | None = None
    flow: float = 1.0
    gurgling: float = 0.0


@dataclass(frozen=True, slots=True)
class Hand:
    """Somebody pushes the valve. strokes: all pushes; of them the attempts that failed lie before the last.

    failed_attempts: groups of pushes after which it ran a few beats and died. After the last stroke it runs by itself
    if a Running act follows.
    """

    strokes: int = 6
    failed_attempts: int = 0
    mean_gap_s: float = 1.6
    gap_cv: float = 0.3
    push_db: float = -8.0


@dataclass(frozen=True, slots=True)
class Running:
    """It runs by itself. ends: the cause when it stops after duration_s (None: it runs on, or water is shut off).

    settling: the rate settles after a start by hand. drift_per_hour: share by which the period grows in an hour.
    fading_s: for a starved end, how long before it the beat begins to suffer.
    """

    duration_s: float | None = None
    ends: Cause | None = None
    settling: bool = False
    drift_per_hour: float = 0.0
    fading_s: float = 20.0


Act = Quiet | Rushing | Hand | Running


@dataclass(slots=True)
class Events:
    """Lists that grow while the story is told; `Told` is what comes out."""

    time_s: list[FloatArray] = field(default_factory=list)
    kind: list[NDArray[np.int64]] = field(default_factory=list)
    level_db: list[FloatArray] = field(default_factory=list)
    spell: list[FloatArray] = field(default_factory=list)
    slam: list[FloatArray] = field(default_factory=list)
    state: list[tuple[State, float, float]] = field(default_factory=list)
    stop: list[tuple[float, Cause]] = field(default_factory=list)
    missed: list[FloatArray] = field(default_factory=list)

    def strike(self, kind: Kind, time_s: FloatArray | float, level_db: FloatArray | float) -> None:
        time_s = np.atleast_1d(np.asarray(time_s, np.float64))
        self.time_s.append(time_s)
        self.kind.append(np.full(len(time_s), int(kind)))
        self.level_db.append(np.broadcast_to(np.asarray(level_db, np.float64), time_s.shape).copy())

    def open(
        self, start_s: FloatArray | float, end_s: FloatArray | float, flow: FloatArray | float, taper_s: float
    ) -> None:
        """Spells of open valve: rows (start, end, flow share, taper before the end)."""
        rows = np.broadcast_arrays(np.atleast_1d(start_s), np.atleast_1d(end_s), flow, taper_s)
        self.spell.append(np.stack([np.asarray(row, np.float64) for row in rows], axis=1))

    def slams(self, time_s: FloatArray, reopen_s: FloatArray, *, pushed: bool, running: bool) -> None:
        """Note slams for the truth: rows (time, reopening or NaN, pushed, running by itself)."""
        rows = np.broadcast_arrays(np.atleast_1d(time_s), np.atleast_1d(reopen_s), float(pushed), float(running))
        self.slam.append(np.stack([np.asarray(row, np.float64) for row in rows], axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """A story in numbers, sorted by time and cut to the recording.

    Strokes: time_s, kind, level_db, each (n_strokes,). spell: (n_spells, 4) = start, end, flow share, taper before
    the end; may begin before 0. slam: (n_slams, 4) = time, reopening (NaN: none), pushed 0/1, by itself 0/1.
    missed_s: slams that end a double period. self_from_s: the first slam without a push.
    """

    time_s: FloatArray
    kind: NDArray[np.int64]
    level_db: FloatArray
    spell: FloatArray
    slam: FloatArray
    state: tuple[tuple[State, float, float], ...]
    stop: tuple[tuple[float, Cause], ...]
    missed_s: FloatArray
    hand_strokes: int
    failed_attempts: int
    self_from_s: float | None
    settled_from_s: float | None

    def flow(self, column: DriveColumn, t_s: FloatArray) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
        """(velocity, gap, whether it is shut slowly by a hand on the supply) at times t_s, each (n,).

        Velocity in the drive pipe in m/s, 0 while shut; the gap of the valve, 0..1, falls over the closing motion.
        """
        if not len(self.spell):
            return np.zeros(len(t_s)), np.zeros(len(t_s)), np.zeros(len(t_s), np.bool_)
        start_s, end_s, share, taper_s = self.spell[
            np.maximum(np.searchsorted(self.spell[:, 0], t_s, "right") - 1, 0)
        ].T
        is_open = (t_s >= start_s) & (t_s < end_s)
        gap = np.where(is_open, np.clip((end_s - t_s) / taper_s, 0, 1), 0.0)
        return np.where(is_open, share * column.velocity_m_s(t_s - start_s), 0.0), gap, taper_s > SLOW_TAPER_S

"""What the pump did: states, stops and their causes, how it started, and what changes while one listens."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class State(StrEnum):
    """What the pump is doing, in the words of someone standing beside it."""

    QUIET = "quiet"
    RUSHING = "rushing"
    HAND = "hand"
    SELF = "self"


class Cause(StrEnum):
    """Why a self-running stretch ended, as far as the sound can tell."""

    OPEN_STALL = "open-stall"
    SHUT_STALL = "shut-stall"
    STARVED = "starved"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece of the timeline in one state, half-open: start_s <= t < end_s."""

    state: State
    start_s: float
    end_s: float
    n_slams: int
    confidence: float


@dataclass(frozen=True, slots=True)
class Stop:
    """The end of a self-running stretch before the recording ends. before: what changed in the minute before it."""

    time_s: float
    cause: Cause
    confidence: float
    before: tuple[str, ...] = ()
    restarted_s: float | None = None


@dataclass(frozen=True, slots=True)
class Startup:
    """How the pump was set going. settling_time_s: fitted, with its 95 % band, None where it cannot be fitted."""

    hand_strokes: int
    failed_attempts: int
    self_cycling_from_s: float | None
    settled_from_s: float | None
    settling_time_s: float | None = None
    settling_time_ci95_s: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class TrendRow:
    """One window of a long recording. None where nothing beat in it."""

    start_s: float
    end_s: float
    rate_per_min: float | None
    robust_cv: float | None
    strength_db: float | None
    rush_db: float | None
    missed: int


@dataclass(frozen=True, slots=True)
class Running:
    """The story of a recording: what the pump did, how it started, where and why it stopped."""

    timeline: tuple[Stretch, ...]
    stops: tuple[Stop, ...] = ()
    startup: Startup | None = None
    trend: tuple[TrendRow, ...] = ()


class Happening(StrEnum):
    """What is told while listening live."""

    STATE = "state"
    STROKE = "stroke"
    SETTLED = "settled"
    STOP = "stop"
    CAUSE = "cause"
    NO_RAM = "no-ram"


@dataclass(frozen=True, slots=True)
class Event:
    """One change heard while listening live. time_s: when it happened; told_s: up to when had been heard by then.

    state: of the pump from then on (of a stop: until then). strokes: pushes of this start so far. rate_per_min: None
    where nothing beats by itself. cause: of a stop, as far as it could be heard by then. A CAUSE follows a stop whose
    cause could only be heard later. A STATE is told again where its beginning, the strokes before it or the doubt
    prove to be others. A NO_RAM takes back what was told of a pump: it is none. confidence: of what is told, and no
    more than that it is a ram at all. doubt: why it may be none; None where that is not doubted.
    """

    happening: Happening
    time_s: float
    told_s: float
    state: State
    strokes: int = 0
    rate_per_min: float | None = None
    cause: Cause | None = None
    confidence: float = 1.0
    doubt: str | None = None

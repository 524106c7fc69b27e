"""What crosses from room to room while sound comes in."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from clackcount.model.arrays import FloatArray
from clackcount.model.beats import SlamTrain
from clackcount.model.sound import FlowTrack


@dataclass(frozen=True, slots=True, eq=False)
class Due:
    """Slams that were due since the last one heard, and did not come.

    time_s: float64 (n,), when each was due. odds: float64 (n,), log odds that there was none. heard_s: up to when.
    """

    time_s: FloatArray
    odds: FloatArray
    heard_s: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """How sure it is, 0..1, that what is followed is a ram, and why that is doubted. 0: it is none, after all."""

    sure: float
    doubt: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class News:
    """What is new since the last time while sound comes in; everything up to heard_s has then been told.

    slams: of one pump, None where there are no new ones. cells: follow on the cells told before. due: None where
    nothing is overdue, or too little is known to say so. knocks_s: float64 (n,), new loud knocks alike, while no pump
    is known: pushes, perhaps. verdict: None where it is as it was. again_s: the slams from then to then, looked
    at again, take the place of those told before; None: all follow on them.
    """

    slams: SlamTrain | None
    cells: FlowTrack | None
    heard_s: float
    due: Due | None = None
    knocks_s: FloatArray = field(default_factory=lambda: np.zeros(0))
    verdict: Verdict | None = None
    again_s: tuple[float, float] | None = None

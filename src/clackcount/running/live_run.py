"""A run that is going on: its beats, its rate, and whether it has settled."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from clackcount.middle import median, robust_spread
from clackcount.model import FloatArray
from clackcount.running.startup import settled_after
from clackcount.settings import RunningSettings

RECENT_BEATS = 20
SETTLE_FROM_S, SETTLE_UNTIL_S = 30.0, 900.0


@dataclass(slots=True)
class LiveRun:
    """time_s: of its slams, as far back as it may still be settling. begins_s: as told."""

    time_s: list[float] = field(default_factory=list)
    begins_s: float = 0.0
    counted_again: bool = False  # its beginning, and the strokes before it
    settled: bool = False
    _seemed_settled: bool = False

    @property
    def last_s(self) -> float:
        return self.time_s[-1]

    def add(self, time_s: FloatArray) -> None:
        """All slams of the run that are in hearing, in place of those known since the first of them."""
        self.time_s = [t for t in self.time_s if t < time_s[0]] + time_s.tolist()
        if self.settled and len(self.time_s) > 4 * RECENT_BEATS:
            self.time_s = self.time_s[-2 * RECENT_BEATS :]

    def rate(self) -> tuple[float, float] | None:
        """(beats a minute, robust cv) over the last beats; None where there are too few."""
        single_s = self._single_s()[-RECENT_BEATS:]
        if len(single_s) == 0:
            return None
        middle_s = float(median(single_s))
        return 60 / middle_s, robust_spread(single_s) / middle_s

    def look_for_settled(self, now_s: float, settings: RunningSettings) -> float | None:
        """From when on it has been settled, once, when two looks in a row agree that it is; else None."""
        first_s = self.time_s[0]
        if self.settled or now_s - first_s < SETTLE_FROM_S:
            return None
        if now_s - first_s > SETTLE_UNTIL_S:
            settled_s: float | None = first_s + SETTLE_UNTIL_S  # what changes after so long is not the start
        else:
            settled_s, _ = settled_after(np.array(self.time_s[1:]), self._single_s(), first_s, settings)
        self.settled = settled_s is not None and self._seemed_settled
        self._seemed_settled = settled_s is not None
        return settled_s if self.settled else None

    def _single_s(self) -> FloatArray:
        interval_s = np.diff(self.time_s)
        if len(interval_s) == 0:
            return interval_s
        middle_s = median(interval_s)
        return np.asarray(interval_s / np.maximum(1, np.round(interval_s / middle_s)))

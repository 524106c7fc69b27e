"""The strokes of the start going on, counted while they come."""

from __future__ import annotations

from clackcount.model import FloatArray
from clackcount.running.reading import Reading

FORGOTTEN_S = 20.0  # knocks longer ago than this belong to an earlier try


class LiveStrokes:
    """time_s: of each stroke of this start. since_s: strokes before it belong to an earlier start."""

    def __init__(self) -> None:
        self.time_s: list[float] = []
        self.since_s = 0.0
        self._told_to_s = 0.0
        self._knocks_only = True  # no pump is known yet: loud knocks stand for strokes

    def __len__(self) -> int:
        return len(self.time_s)

    def begin(self, since_s: float) -> None:
        """Another start: strokes after since_s."""
        self.time_s, self.since_s = [], since_s

    def knock(self, time_s: float) -> None:
        """A knock that may be a stroke, before any pump is known."""
        if self.time_s and time_s - self.time_s[-1] > FORGOTTEN_S:
            self.time_s = []
        self.time_s.append(time_s)

    def count(self, reading: Reading, from_s: float) -> list[int]:
        """Count those in the window that begins at from_s anew, for judgements change as more is heard.

        Returns the numbers of those that are later than all told before. What was counted as knocks only gives way to
        them.
        """
        time_s: FloatArray = reading.train.time_s + from_s
        pushed = reading.strokes.pushed & (time_s > self.since_s)
        before = [] if self._knocks_only else [t for t in self.time_s if t < from_s]
        if self._knocks_only:
            self._told_to_s = max([self._told_to_s, *self.time_s[-1:]])
        self.time_s, self._knocks_only = before + time_s[pushed].tolist(), False
        numbers = [i for i, t in enumerate(self.time_s, start=1) if t > self._told_to_s]
        self._told_to_s = max(self._told_to_s, *(self.time_s[i - 1] for i in numbers), 0.0)
        return numbers

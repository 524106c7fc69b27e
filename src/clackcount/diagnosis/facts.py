"""What the rules look at: the nouns of one recording, and the figures that several rules need, worked out once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from clackcount.model import (
    Beat,
    Beats,
    Cause,
    FloatArray,
    FlowTrack,
    RecordingInfo,
    Running,
    SlamTrain,
    State,
    Stop,
    Stretch,
    TrendRow,
)


@dataclass(frozen=True)
class Facts:
    """Everything known of one recording."""

    beats: Beats
    running: Running
    flow: FlowTrack
    info: RecordingInfo

    @cached_property
    def beat(self) -> Beat | None:
        """The loudest pump's beat, None where none was found."""
        return self.beats.pumps[0] if self.beats.pumps else None

    @cached_property
    def sure(self) -> float:
        """How sure it is that a ram is heard at all."""
        return self.beat.confidence if self.beat else 0.5

    @cached_property
    def train(self) -> SlamTrain:
        """The slams of the loudest pump."""
        return self.beats.train.of_pump(self.beat.pump if self.beat else 1)

    @cached_property
    def runs(self) -> tuple[Stretch, ...]:
        return self.stretches(State.SELF)

    @cached_property
    def runs_at_end(self) -> bool:
        return bool(self.running.timeline) and self.running.timeline[-1].state is State.SELF

    @cached_property
    def last_stop(self) -> Stop | None:
        """The stop after which it did not run again, None if it runs or never ran."""
        return self.running.stops[-1] if self.running.stops and self.running.stops[-1].restarted_s is None else None

    @cached_property
    def windows(self) -> tuple[TrendRow, ...]:
        """Windows of the trend that lie wholly within steady running: away from starts and stops."""
        unsettled_s = self._unsettled_s()
        stop_s = [stop.time_s for stop in self.running.stops]
        return tuple(
            row
            for row in self.running.trend
            if row.rate_per_min is not None
            and (row.start_s >= unsettled_s[1] or row.end_s <= unsettled_s[0])
            and not any(row.start_s - 30 <= t <= row.end_s for t in stop_s)
            and any(run.start_s <= row.start_s and row.end_s <= run.end_s + 1e-6 for run in self.runs)
        )

    def _unsettled_s(self) -> tuple[float, float]:
        """From when it ran by itself after a start until it had settled; nothing where no start was heard."""
        startup = self.running.startup
        if startup is None or startup.self_cycling_from_s is None:
            return 0.0, 0.0
        from_s = startup.self_cycling_from_s
        return from_s, startup.settled_from_s if startup.settled_from_s is not None else from_s + 60

    @cached_property
    def rates(self) -> FloatArray:
        """Rates of the windows, float64 (n_windows,)."""
        return np.array([row.rate_per_min for row in self.windows], dtype=np.float64)

    def stretches(self, state: State) -> tuple[Stretch, ...]:
        return tuple(stretch for stretch in self.running.timeline if stretch.state is state)

    def stops(self, cause: Cause) -> tuple[Stop, ...]:
        return tuple(stop for stop in self.running.stops if stop.cause is cause)

    def unsure_s(self, below: float) -> float:
        """Seconds in which quiet and rushing could not be told apart."""
        still = (State.QUIET, State.RUSHING)
        return sum(s.end_s - s.start_s for s in self.running.timeline if s.state in still and s.confidence < below)


def clock(time_s: float) -> str:
    """mm:ss, or h:mm:ss from an hour on."""
    whole = round(time_s)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60:02d}:{rest % 60:02d}"


def times(seconds: list[float], most: int = 5) -> str:
    """A few times as text."""
    told = ", ".join(clock(t) for t in seconds[:most])
    return told + (f" and {len(seconds) - most} more" if len(seconds) > most else "")

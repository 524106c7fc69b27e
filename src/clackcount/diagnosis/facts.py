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
    Pattern,
    RecordingInfo,
    Running,
    SlamTrain,
    Startup,
    State,
    Stop,
    Stretch,
    TrendRow,
)

FADES_S = 30.0  # before a stop: what changes there belongs to the stop
STOOD_S = 10.0
SETTLES_S = 60.0  # after a start whose settling was not heard to its end, or not fitted


@dataclass(frozen=True, slots=True)
class Hops:
    """Changes between two rates. rates_per_min: at first, and the other. before_s, after_s: how long the first and
    the last one held."""

    time_s: tuple[float, ...]
    rates_per_min: tuple[float, float]
    before_s: float
    after_s: float


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
    def strength_db(self) -> float:
        """How far the loudest pump's slams stand over the background."""
        return float(np.median(self.train.strength_db))

    @cached_property
    def runs(self) -> tuple[Stretch, ...]:
        return self.stretches(State.SELF)

    @cached_property
    def runs_at_end(self) -> bool:
        return bool(self.running.timeline) and self.running.timeline[-1].state is State.SELF

    @cached_property
    def own_beat(self) -> Beat | None:
        """The beat, None where hand strokes lie within what was taken for it: their times say nothing of the pump."""
        beat = self.beat
        if beat is None or any(
            hand.start_s < beat.end_s and beat.start_s < hand.end_s - 1 for hand in self.stretches(State.HAND)
        ):
            return None
        return beat

    @cached_property
    def start(self) -> tuple[float, Startup] | None:
        """When it ran by itself after a start by hand, and that start; None where none was heard."""
        startup = self.running.startup
        if startup is None or startup.hand_strokes == 0 or startup.self_cycling_from_s is None:
            return None
        return startup.self_cycling_from_s, startup

    @cached_property
    def last_stop(self) -> Stop | None:
        """The stop after which it did not run again, None if it runs or never ran."""
        return self.running.stops[-1] if self.running.stops and self.running.stops[-1].restarted_s is None else None

    @cached_property
    def windows(self) -> tuple[tuple[TrendRow, ...], ...]:
        """Windows of the trend within steady running, run by run: away from stops and from what follows a start."""
        return tuple(rows for run in self.runs if (rows := self._windows_of(run)))

    def _windows_of(self, run: Stretch) -> tuple[TrendRow, ...]:
        from_s = self._steady_from_s(run)
        stopped = any(stop.time_s <= run.end_s + 1 and stop.time_s >= run.start_s for stop in self.running.stops)
        to_s = run.end_s - (FADES_S if stopped else 0.0) + 1e-6
        return tuple(
            row
            for row in self.running.trend
            if row.rate_per_min is not None and from_s <= row.start_s and row.end_s <= to_s
        )

    def _steady_from_s(self, run: Stretch) -> float:
        """From when a run is no longer settling: at once where it ran already when the recording began."""
        startup = self.running.startup
        if startup and startup.settled_from_s is not None and run.start_s <= startup.settled_from_s <= run.end_s:
            return startup.settled_from_s
        return run.start_s + (SETTLES_S if run.start_s > 0 else 0.0)

    @cached_property
    def intervals_s(self) -> FloatArray:
        """Intervals of the beat, float64 (n,), each with its end in beat_s."""
        return np.diff(self.beat_s)

    @cached_property
    def beat_s(self) -> FloatArray:
        """Slams of the beat, float64 (n + 1,); empty where there is none."""
        if self.beat is None:
            return np.empty(0)
        time_s = self.train.time_s
        return time_s[(time_s >= self.beat.start_s - 1e-6) & (time_s <= self.beat.end_s + 1e-6)]

    @cached_property
    def hops(self) -> Hops | None:
        """Where a beat of two rates changes from one to the other, None for any other beat."""
        if self.beat is None or self.beat.regularity.pattern is not Pattern.HOPPING or len(self.intervals_s) < 5:
            return None
        short_s, long_s = (float(np.percentile(self.intervals_s, q)) for q in (15, 85))
        padded = np.pad(self.intervals_s, 2, mode="edge")  # a single missed beat is no hop
        slow = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1) > np.sqrt(short_s * long_s)
        at = np.flatnonzero(slow[1:] != slow[:-1]) + 1
        rates = (60 / long_s, 60 / short_s)
        return Hops(
            time_s=tuple(float(t) for t in self.beat_s[at]),
            rates_per_min=rates if slow[0] else rates[::-1],
            before_s=float(self.beat_s[at[0]] - self.beat_s[0]) if len(at) else 0.0,
            after_s=float(self.beat_s[-1] - self.beat_s[at[-1]]) if len(at) else 0.0,
        )

    def background_db(self, row: TrendRow) -> float | None:
        """Level of the quieter moments of a window, the middle of all bands, dB re full scale."""
        first, last = (int(t / self.flow.step_s) for t in (row.start_s, row.end_s))
        cells = self.flow.level_db[first:last]
        return float(np.median(np.percentile(cells, 20, axis=0))) if len(cells) else None

    def stretches(self, state: State) -> tuple[Stretch, ...]:
        return tuple(stretch for stretch in self.running.timeline if stretch.state is state)

    def stops(self, cause: Cause) -> tuple[Stop, ...]:
        return tuple(stop for stop in self.running.stops if stop.cause is cause)

    def stood(self, stop: Stop) -> bool:
        """Whether it stood for a while, or had to be pushed: a ram that goes on by itself at once has only paused."""
        if stop.restarted_s is None or stop.restarted_s - stop.time_s >= STOOD_S:
            return True
        return any(stop.time_s <= hand.start_s < stop.restarted_s for hand in self.stretches(State.HAND))

    def unsure(self, below: float) -> tuple[Stretch, ...]:
        """Stretches in which quiet and rushing could not be told apart."""
        still = (State.QUIET, State.RUSHING)
        return tuple(s for s in self.running.timeline if s.state in still and s.confidence < below)


def clock(time_s: float) -> str:
    """mm:ss, or h:mm:ss from an hour on."""
    whole = round(time_s)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60:02d}:{rest % 60:02d}"


def times(seconds: list[float], most: int = 5) -> str:
    """A few times as text."""
    told = ", ".join(clock(t) for t in seconds[:most])
    return told + (f" and {len(seconds) - most} more" if len(seconds) > most else "")

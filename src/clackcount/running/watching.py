"""The same story told while it happens: fed with slams and flow cells as they come, it tells each change once.

The Watcher reads a sliding window with the functions that read a whole recording, on a clock of its own (TICK_S of
the recording's time), so that what it tells does not depend on how the sound was cut into blocks. Memory is bounded.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from clackcount.model import Cause, Event, FloatArray, FlowTrack, Happening, SlamTrain, State
from clackcount.running.cycling import CLEAR_SEPARATION, low_share, low_share_fits
from clackcount.running.gaps import LONG_S, STEADY_STEPS, STEP_S, GapFollower, steady
from clackcount.running.reading import Reading, read
from clackcount.running.rush import RushScale
from clackcount.running.startup import settled_after
from clackcount.running.stops import AFTER_S, judge_cause, look_back
from clackcount.running.strokes import OVERDUE, stop_limit
from clackcount.running.timeline import (
    GATHER_S,
    SMEAR_S,
    Spell,
    find_spells,
    last_shut_s,
)
from clackcount.settings import RunningSettings

TICK_S = 0.25
WINDOW_S, WINDOW_SLAMS = 120.0, 50  # read so far back, and further for so many slams of a slow ram
HOLD_S = 600.0  # how long the last run is kept in hearing after a stop
SETTLE_EVERY_S, SETTLE_FROM_S, SETTLE_UNTIL_S = 5.0, 30.0, 900.0
MASKED_DB, MASKED_S = 6.0, 10.0  # a gust this much above the usual may hide slams for so long
RECENT_BEATS = 20
# A loud beat that never failed of late has stopped when it fails twice; part of the two seconds goes into hearing it.
PROMPT_CYCLES, PROMPT_WAIT_S = 2.25, 1.0
PROMPT_BEATS_MIN = 8
LOUD_DB, LOUD_PERCENTILE = 10.0, 20  # fainter beats than this go unheard two in a row in a gust or a shower
RESUME_BEATS = 3  # after a stop, before it is told to run on
PUSHES_SURE = 3  # in a ram that ran until now and was not silent in between


class Watcher:
    """Tells events as sound comes in.

    state: of the pump now, None until something was heard. strokes: pushes of this start so far. rate_per_min and
    robust_cv: over the last beats, None unless it runs by itself. heard_s: up to when everything is known.
    """

    def __init__(self, settings: RunningSettings | None = None) -> None:
        self.settings = settings or RunningSettings()
        self._prompt = replace(self.settings, stop_cycles=PROMPT_CYCLES, stop_wait_s=PROMPT_WAIT_S)
        self.state: State | None = None
        self.strokes = 0
        self.rate_per_min: float | None = None
        self.robust_cv: float | None = None
        self.heard_s = 0.0
        self._ears = _Ears()
        self._tick = 0
        self._scale: RushScale | None = None
        self._last_s = 0.0  # the last slam that belongs to the story
        self._reading: Reading | None = None
        self._gap: _LiveGap | None = None
        self._stopped = False  # a stop has been told, and not yet what followed it
        self._stop_cause: Cause | None = None  # of the last stop, as told
        self._why_from_s = 0.0  # from when on it can be heard what followed
        self._sure_from_s = 0.0  # from when on water has run for a while or will not
        self._start_s = 0.0  # strokes before this belong to an earlier start
        self._stroke_s: list[float] = []
        self._run = _Run()
        self._events: list[Event] = []

    def feed(self, slams: SlamTrain | None, cells: FlowTrack | None, now_s: float) -> list[Event]:
        """Take in the slams and the flow cells that are new; returns what is to be told, in order.

        slams: one pump's, times from the start of the recording, after those fed before; None: no new ones.
        cells: follow on the cells fed before. now_s: all slams before it, and all cells that end before it, are in.
        """
        self._ears.take(slams, cells)
        self._events = []
        while (self._tick + 1) * TICK_S <= now_s:
            self._tick += 1
            self.heard_s = self._tick * TICK_S
            self._step(self.heard_s)
        return self._events

    # --- one tick

    def _step(self, now_s: float) -> None:
        if self._ears.hear_until(now_s):
            self._hear_slam(now_s)
        elif self._reading is not None:
            self._hear_silence(now_s)
        else:
            self._ears.forget(now_s - WINDOW_S, 0)
        if self.state is State.SELF:
            self._look_for_settled(now_s)

    def _hear_slam(self, now_s: float) -> None:
        self._ears.forget(now_s - WINDOW_S, WINDOW_SLAMS)
        from_s, spells = self._read(now_s)
        assert self._reading is not None
        if not spells or not spells[-1].goes_on:  # a lone knock that belongs to nothing
            self._hear_silence(now_s)
            return
        last = spells[-1]
        begins_s = from_s + last.start_s
        if last.state is State.SELF and self.state is not State.SELF and begins_s <= self._start_s:
            # it seems to run on after all, or something else knocked
            since_s = from_s + self._reading.train.time_s
            since_s = since_s[since_s > self._start_s]
            if len(since_s) < RESUME_BEATS:
                self._hear_silence(now_s)
                return
            begins_s = float(since_s[0])
        n_pushed = int(self._reading.strokes.pushed[last.first : last.last + 1].sum())
        if self.state is State.SELF and last.state is State.HAND:
            if n_pushed < PUSHES_SURE and last.first > 0 and last.start_s <= spells[-2].end_s:
                return  # one odd interval of a running ram is easily taken for a push before what follows is heard
            self._tell_stop(*self._why_stopped(spells, now_s, from_s), now_s)
        known = self._count_strokes(from_s)
        if last.state is State.SELF:
            self._follow_run(last, from_s)
            self._become(State.SELF, begins_s, now_s, self._sure(last))
        elif n_pushed:
            self._gap = None
            self._become(State.HAND, begins_s, now_s, self._sure(last))
            if self.strokes > known:
                self._tell(Happening.STROKE, self._stroke_s[-1], now_s, confidence=self._sure(last))

    def _hear_silence(self, now_s: float) -> None:
        assert self._reading is not None
        last_s = self._last_s
        if len(self._reading.train) == 0:
            return
        if self.state is State.SELF:
            loud = self._run.unfailing and self._is_loud()
            settings = self._prompt if loud else self.settings
            period_s = self._reading.strokes.period_s[-1:]
            limit_s, usual_s = (float(stop_limit(period_s, which)[0]) for which in (settings, self.settings))
            if now_s - last_s <= limit_s or self._may_run_on(now_s, limit_s, loud=loud):
                return
            from_s, spells = self._read(now_s, settings)
            stopped_s, cause, sure = self._why_stopped(spells, now_s, from_s)
            if now_s - last_s <= usual_s and cause is not Cause.STARVED:
                cause, sure = Cause.UNKNOWN, 0.5  # water takes its time to run: the state that follows says why
            self._tell_stop(stopped_s, cause, sure, now_s)
            self._why_from_s = last_s + usual_s
            self._sure_from_s = last_s + min(float(period_s[0]), AFTER_S) + 1.5 * AFTER_S + SMEAR_S
        elif now_s - last_s <= self.settings.hand_gap_s and self._gap is None and not self._stopped:
            return
        if self._stopped and now_s <= self._why_from_s:
            return
        self._follow_gap(now_s)
        if self._stop_cause is Cause.UNKNOWN and now_s > self._sure_from_s:
            self._tell_cause(now_s)

    def _read(self, now_s: float, settings: RunningSettings | None = None) -> tuple[float, list[Spell]]:
        """(start of the window, the spells in it), after reading what is in hearing anew."""
        settings = settings or self.settings
        from_s, train, flow = self._ears.window(now_s)
        was_pushed = self._ears.was_pushed(from_s + float(train.time_s[0])) if len(train) else None
        self._reading = read(train, flow, settings, scale=self._scale, was_pushed=was_pushed)
        self._scale = self._reading.scale
        if len(self._reading.train):
            self._last_s = from_s + float(self._reading.train.time_s[-1])
        return from_s, find_spells(self._reading, now_s - from_s, settings, begins_within=False)

    # --- what is told

    def _become(self, state: State, since_s: float, now_s: float, sure: float) -> None:
        if state is self.state:
            return
        self.state, self._stopped = state, False
        if state is State.SELF:
            self._gap = self._stop_cause = None
            self._start_s = np.inf
        else:
            self._run = _Run()
            self.rate_per_min = self.robust_cv = None
            self._stop_cause = self._stop_cause if state is not State.HAND else None
        self._tell(Happening.STATE, since_s, now_s, confidence=sure)

    def _tell(
        self, happening: Happening, time_s: float, now_s: float, *, cause: Cause | None = None, confidence: float
    ) -> None:
        state = self.state or State.QUIET
        self._events.append(
            Event(happening, time_s, now_s, state, self.strokes, self.rate_per_min, cause, round(confidence, 3))
        )

    def _why_stopped(self, spells: list[Spell], now_s: float, from_s: float) -> tuple[float, Cause, float]:
        """(when, why, and how sure that is) of the end of the last run."""
        assert self._reading is not None
        number = max((i for i, spell in enumerate(spells) if spell.state is State.SELF), default=None)
        if number is None:
            return self._run.last_s, Cause.UNKNOWN, 0.5
        spell = spells[number]
        following = spells[number + 1] if number + 1 < len(spells) else None
        ending = look_back(self._reading, spell, self.settings.before_s)
        cause, sure = judge_cause(self._reading, spell, following, ending, now_s - from_s, self.settings)
        return from_s + float(self._reading.train.time_s[spell.last]), cause, sure

    def _tell_cause(self, now_s: float) -> None:
        """The cause of a stop that was told before its cause could be heard."""
        from_s, spells = self._read(now_s)
        stopped_s, cause, sure = self._why_stopped(spells, now_s, from_s)
        self._stop_cause = None
        if cause is not Cause.UNKNOWN:
            self._tell(Happening.CAUSE, stopped_s, now_s, cause=cause, confidence=sure)

    def _tell_stop(self, stopped_s: float, cause: Cause, sure: float, now_s: float) -> None:
        self._start_s, self.strokes, self._stroke_s = stopped_s, 0, []
        self._tell(Happening.STOP, stopped_s, now_s, cause=cause, confidence=sure)
        self.state, self._stopped, self._stop_cause = None, True, cause  # what followed is told once it can be heard

    def _count_strokes(self, from_s: float) -> int:
        """Counts the strokes in the window anew, for judgements change as more is heard; returns the count before."""
        assert self._reading is not None
        time_s = self._reading.train.time_s + from_s
        pushed_s = time_s[self._reading.strokes.pushed & (time_s > self._start_s)]
        before = [t for t in self._stroke_s if t < from_s]
        known = self.strokes
        self._stroke_s = before + pushed_s.tolist() if np.isfinite(self._start_s) else self._stroke_s
        self.strokes = len(self._stroke_s)
        return known

    def _sure(self, spell: Spell) -> float:
        assert self._reading is not None
        return float(np.median(self._reading.train.confidence[spell.first : spell.last + 1]))

    # --- a run

    def _follow_run(self, spell: Spell, from_s: float) -> None:
        assert self._reading is not None
        self._ears.remember(from_s, self._reading)
        time_s = self._reading.train.time_s[spell.first : spell.last + 1] + from_s
        self._run.add(time_s)
        single_s = self._run.single_s()[-RECENT_BEATS:]
        if len(single_s):
            middle_s = float(np.median(single_s))
            self.rate_per_min = 60 / middle_s
            self.robust_cv = float(1.4826 * np.median(np.abs(single_s - middle_s)) / middle_s)

    def _look_for_settled(self, now_s: float) -> None:
        run = self._run
        if run.settled or self._tick % round(SETTLE_EVERY_S / TICK_S) or now_s - run.first_s < SETTLE_FROM_S:
            return
        if now_s - run.first_s > SETTLE_UNTIL_S:
            settled_s: float | None = run.first_s + SETTLE_UNTIL_S  # what changes after so long is not the start
        else:
            settled_s, _ = settled_after(np.array(run.time_s[1:]), run.single_s(), run.first_s, self.settings)
        if settled_s is not None and run.seemed_settled:
            run.settled = True
            self._tell(Happening.SETTLED, settled_s, now_s, confidence=0.9)
        run.seemed_settled = settled_s is not None

    def _is_loud(self) -> bool:
        """Whether the last slams stood so far above what was around them that the next would have been heard."""
        assert self._reading is not None
        strength_db = self._reading.train.strength_db[-RECENT_BEATS:]
        return bool(np.percentile(strength_db, LOUD_PERCENTILE) > LOUD_DB)

    def _may_run_on(self, now_s: float, limit_s: float, *, loud: bool) -> bool:
        """Whether the silence may hide a beat that goes on: under a gust, or with its rush still coming and going."""
        assert self._reading is not None
        last_s = self._last_s
        if now_s - last_s > max(3 * limit_s, MASKED_S):
            return False
        from_s, train, flow = self._ears.window(now_s)
        if self._reading.separation >= CLEAR_SEPARATION:
            if loud:
                return False
            heard = read(train, flow, self.settings, scale=self._scale)
            n = len(heard.train)
            share = low_share(heard, last_s - from_s, now_s - from_s, n)
            return n > 0 and now_s - last_s <= 3 * limit_s and low_share_fits(heard, share, n)
        level_db = flow.level_db.mean(axis=1)
        recent = level_db[-max(1, round(1 / flow.step_s)) :]
        return bool(len(level_db) and np.median(recent) > np.median(level_db) + MASKED_DB)

    # --- a gap

    def _follow_gap(self, now_s: float) -> None:
        assert self._reading is not None
        self._ears.forget(now_s - HOLD_S, 0)
        if self._gap is None:
            separation = self._scale.separation if self._scale else 0.0
            shut = float(self._reading.shut[-1]) if len(self._reading.shut) else 0.0
            shut_s = last_shut_s(self._reading, -1) if self._stopped else 0.0
            hold_s = shut_s + GATHER_S if self._stopped else 0.0
            self._gap = _LiveGap(self._last_s, GapFollower(shut, separation, hold_s), shut_s)
        if self._scale is None or self._gap.follower.separation <= 0:
            self._become(State.QUIET, self._gap.start_s, now_s, 0.5)
            return
        found = self._gap.follow(self._ears, self._scale, now_s)
        if found is not None:
            state, since_s, sure = found
            if self._gap.fresh and since_s - self._gap.start_s < self._gap.shut_s:
                since_s = self._gap.start_s
            self._gap.fresh = False
            self._become(state, since_s, now_s, sure)


@dataclass(slots=True)
class _Run:
    """Slam times of the run going on, as far back as it may still be settling."""

    time_s: list[float] = field(default_factory=list)
    settled: bool = False
    seemed_settled: bool = False

    @property
    def first_s(self) -> float:
        return self.time_s[0]

    @property
    def last_s(self) -> float:
        return self.time_s[-1]

    @property
    def unfailing(self) -> bool:
        """None of the last beats was missed, by the pump or by the listener."""
        interval_s = np.diff(self.time_s[-RECENT_BEATS:])
        return len(interval_s) >= PROMPT_BEATS_MIN and bool(np.all(interval_s < OVERDUE * np.median(interval_s)))

    def add(self, time_s: FloatArray) -> None:
        if not self.time_s:
            self.time_s = time_s.tolist()
        else:
            self.time_s += time_s[time_s > self.time_s[-1]].tolist()
        if self.settled and len(self.time_s) > 4 * RECENT_BEATS:
            self.time_s = self.time_s[-2 * RECENT_BEATS :]

    def single_s(self) -> FloatArray:
        interval_s = np.diff(self.time_s)
        if len(interval_s) == 0:
            return interval_s
        middle_s = np.median(interval_s)
        return np.asarray(interval_s / np.maximum(1, np.round(interval_s / middle_s)))


@dataclass(slots=True)
class _LiveGap:
    """A gap followed step by step, as gaps.follow_gap does with a gap that is all there."""

    start_s: float
    follower: GapFollower
    shut_s: float  # see timeline.last_shut_s
    fresh: bool = True  # nothing told of it yet
    raw: list[float] = field(
        default_factory=list
    )  # the last steps; the follower takes them in when the next are known
    n_raw: int = 0
    n_followed: int = 0
    state: State | None = None
    since: int = 0
    above: float = 0.0

    def follow(self, ears: _Ears, scale: RushScale, now_s: float) -> tuple[State, float, float] | None:
        """(state, since, how sure) once it has lasted; None as long as nothing can be said."""
        width = max(1, round(STEP_S / ears.step_s))
        first = int(np.ceil(self.start_s / ears.step_s - 1e-9))
        while (first + (self.n_raw + 1) * width) * ears.step_s <= now_s + 1e-9:
            a = first + self.n_raw * width - ears.first_cell
            self.raw.append(float(np.median(ears.cells[max(a, 0) : max(a, 0) + width] @ scale.weight)))
            self.n_raw += 1
            self._settle_steps()
        if self.state is None or (self.n_followed - self.since) * width * ears.step_s < LONG_S:
            return None
        since_s = self.start_s if self.since == 0 else self.start_s + self.since * width * ears.step_s
        return self.state, since_s, self.follower.confidence(self.state, self.above)

    def _settle_steps(self) -> None:
        half = STEADY_STEPS // 2
        while self.n_raw - self.n_followed > half:
            at = len(self.raw) - (self.n_raw - self.n_followed)
            value = float(steady(np.array(self.raw))[at])
            above = self.follower.feed(value)
            state = State.RUSHING if self.follower.rushing else State.QUIET
            if state is not self.state:
                self.state, self.since, self.above = state, self.n_followed, above
            self.above += 0.2 * (above - self.above)
            self.n_followed += 1
        self.raw = self.raw[-STEADY_STEPS:]


class _Ears:
    """What has been fed and is still in hearing: slams and cells, bounded, in the recording's own time."""

    def __init__(self) -> None:
        self.slams: list[tuple[float, float, float, float, float, bool]] = []
        self.coming: list[tuple[float, float, float, float, float, bool]] = []
        self.cells = np.empty((0, 1), np.float32)
        self.first_cell = 0
        self.step_s = 0.05
        self.band_hz: FloatArray = np.empty(0)
        self.pushed: dict[float, bool] = {}

    def take(self, slams: SlamTrain | None, cells: FlowTrack | None) -> None:
        if slams is not None and len(slams):
            columns = (
                slams.time_s,
                slams.strength_db,
                slams.confidence,
                slams.reopen_s,
                slams.opened_s,
                slams.beating,
            )
            self.coming += zip(*(column.tolist() for column in columns), strict=True)
        if cells is not None and len(cells):
            if len(self.cells) == 0:
                self.cells = np.empty((0, cells.level_db.shape[1]), np.float32)
                self.step_s, self.band_hz = cells.step_s, cells.band_hz
            self.cells = np.concatenate([self.cells, cells.level_db])

    def hear_until(self, now_s: float) -> bool:
        """Move the slams up to now_s into hearing; whether there were any."""
        n = sum(1 for slam in self.coming if slam[0] <= now_s)
        self.slams += self.coming[:n]
        self.coming = self.coming[n:]
        return n > 0

    def forget(self, before_s: float, keep_slams: int) -> None:
        if keep_slams and len(self.slams) > keep_slams:
            before_s = min(before_s, self.slams[-keep_slams][0] - 1.0)
        cell = int(max(before_s, 0.0) / self.step_s)
        if cell <= self.first_cell + round(10 / self.step_s):  # not every tick: copying costs more than keeping
            return
        self.cells = self.cells[cell - self.first_cell :].copy()
        self.first_cell = cell
        self.slams = [slam for slam in self.slams if slam[0] >= cell * self.step_s]
        oldest_s = self.slams[0][0] if self.slams else 0.0
        self.pushed = {time_s: pushed for time_s, pushed in self.pushed.items() if time_s >= oldest_s}

    def remember(self, from_s: float, reading: Reading) -> None:
        """How slams were judged, for when what lay before them is out of hearing."""
        time_s = np.round(reading.train.time_s + from_s, 4).tolist()
        self.pushed.update(zip(time_s, reading.strokes.pushed.tolist(), strict=True))

    def was_pushed(self, time_s: float) -> bool | None:
        """How the first slam of a window was judged while what lay before it was still in hearing."""
        return self.pushed.get(round(time_s, 4))

    def window(self, now_s: float) -> tuple[float, SlamTrain, FlowTrack]:
        """(start of the window, its slams, its flow up to now_s), times from the start of the window."""
        from_s = self.first_cell * self.step_s
        columns = [np.array(column) for column in zip(*self.slams, strict=True)] or [np.empty(0)] * 6
        n = len(columns[0])
        train = SlamTrain(
            time_s=columns[0] - from_s,
            strength_db=columns[1],
            confidence=columns[2],
            reopen_s=columns[3] - from_s,
            opened_s=columns[4] - from_s,
            pump=np.ones(n, np.int32),
            beating=columns[5].astype(np.bool_),
            duration_s=now_s - from_s,
        )
        n_cells = max(0, int(now_s / self.step_s + 1e-9) - self.first_cell)
        return from_s, train, FlowTrack(self.step_s, self.cells[:n_cells], self.band_hz)

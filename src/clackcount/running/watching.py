"""The same story told while it happens: fed with slams and flow cells as they come, it tells each change once.

The Watcher reads a sliding window with the functions that read a whole recording, on a clock of its own (TICK_S of
the recording's time), so that what it tells does not depend on how the sound was cut into blocks. Memory is bounded.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from clackcount.middle import median
from clackcount.model import Cause, Due, Event, Happening, News, State, Verdict
from clackcount.running.gaps import GapFollower
from clackcount.running.live_gap import LiveGap
from clackcount.running.live_run import LiveRun
from clackcount.running.live_strokes import LiveStrokes
from clackcount.running.reading import Reading, read
from clackcount.running.rush import RushScale
from clackcount.running.silence import came_again, last_known, may_be_hidden, missing_odds, stopped
from clackcount.running.stops import AFTER_S, judge_cause, look_back
from clackcount.running.strokes import stop_limit
from clackcount.running.timeline import GATHER_S, SMEAR_S, Spell, find_spells, last_shut_s
from clackcount.running.window import Window
from clackcount.settings import RunningSettings

TICK_S = 0.25
WINDOW_S, WINDOW_SLAMS = 120.0, 50  # read so far back, and further for so many slams of a slow ram
HOLD_S = 600.0  # how long the last run is kept in hearing after a stop
STOPS_KEPT = 8  # in one window there are hardly more
SETTLE_EVERY_S = 5.0
RESUME_BEATS = 3  # after a stop, before it is told to run on
WATER_AFTER_S = 0.3  # of flow after a knock, that tells whether it shut the water off
SURE_BEATS = 14  # of a run, after which it is known where it began
PUSHES_SURE = 3  # where it seems that all was pushes that was taken for a run
KNOCK_SURE = 0.5  # of a knock before any pump is known, that it is a push
CATCH_SURE = 0.8  # that it is a ram, before a catch is worth the walk to the tank
TAKEN_BACK_SURE = 0.5  # that it is no ram: it was taken for one at first


class Watcher:
    """Tells events as sound comes in.

    state: of the pump now, None until something was heard. rate_per_min and robust_cv: over the last beats, None
    unless it runs by itself. heard_s: up to when everything is known.
    """

    def __init__(self, settings: RunningSettings | None = None) -> None:
        self.settings = settings or RunningSettings()
        self.heard_s = 0.0
        self._window = Window()
        self._tick = 0
        self._events: list[Event] = []
        self._begin()

    def _begin(self) -> None:
        """No pump is known."""
        self.state: State | None = None
        self.rate_per_min: float | None = None
        self.robust_cv: float | None = None
        self._verdict = Verdict(1.0)
        self._told_from_s: float | None = None  # what was told of this pump
        self._heard_again = False
        self._heard_whole = True  # or only a part of the start
        self._due: Due | None = None
        self._scale: RushScale | None = None
        self._came_s = 0.0  # the last beat that is known to have come
        self._last_s = 0.0  # the last slam that belongs to the story
        self._reading: Reading | None = None
        self._gap: LiveGap | None = None
        self._hand_s = 0.0  # since when it is pushed
        self._stopped = False  # a stop has been told, and not yet what followed it
        self._stop_cause: Cause | None = None  # of the last stop, as told
        self._stops_s: list[tuple[float, float]] = []  # told: from when to when nothing was heard by then
        self._why_from_s = 0.0  # from when on it can be heard what followed
        self._sure_from_s = 0.0  # from when on water has run for a while or will not
        self._strokes = LiveStrokes()
        self._run = LiveRun()

    @property
    def strokes(self) -> int:
        """Pushes of this start so far."""
        return len(self._strokes)

    def feed(self, news: News) -> list[Event]:
        """Take in what is new; returns what is to be told, in order."""
        self._events = []
        if news.verdict is not None:
            self._hear_verdict(news.verdict)
        self._window.take(news.slams, news.cells, news.again_s)
        if news.again_s is not None:
            first_s = min([self._run.begins_s, *self._strokes.time_s[:1]])
            self._heard_again, self._heard_whole = True, news.again_s[0] <= first_s
        while (self._tick + 1) * TICK_S <= news.heard_s:
            self._tick += 1
            self.heard_s = self._tick * TICK_S
            if self.heard_s + TICK_S > news.heard_s:
                self._due = news.due
            self._step(self.heard_s)
        if news.again_s is not None and self._window.slams:  # it waits for no other slam: there may be none
            self._hear_slam(news.heard_s)
        for knock_s in news.knocks_s.tolist():
            self._hear_knock(knock_s)
        return self._events

    @property
    def n_missing(self) -> int:
        """Beats that are overdue just now, while it is still taken to run; not heard, or not made."""
        if self.state is not State.SELF or self._due is None:
            return 0
        return int(np.sum(self._due.time_s > self._last_s))

    # --- one tick

    def _step(self, now_s: float) -> None:
        # Unless it runs, a knock is judged by the water after it, too: even ones may be even by chance.
        hold_s = 0.0 if self.state is State.SELF or self._reading is None else WATER_AFTER_S
        if self._window.hear_until(now_s, hold_s):
            self._hear_slam(now_s)
        elif self._reading is not None:
            self._hear_silence(now_s)
        else:
            self._window.forget(now_s - WINDOW_S, 0)
        known = self.state is State.SELF and self._verdict.doubt is None and self._verdict.sure >= CATCH_SURE
        if known and self._tick % round(SETTLE_EVERY_S / TICK_S) == 0:
            settled_s = self._run.look_for_settled(now_s, self.settings)
            if settled_s is not None:
                self._tell(Happening.SETTLED, settled_s, 0.9)

    def _hear_verdict(self, verdict: Verdict) -> None:
        was, self._verdict = self._verdict, verdict
        if verdict.sure == 0:
            if self._told_from_s is not None:
                self._tell(Happening.NO_RAM, self._told_from_s, TAKEN_BACK_SURE, state=State.QUIET)
            self._window.drop_slams()
            self._begin()
        elif self.state is State.SELF and (was.doubt is None) is not (verdict.doubt is None):
            self._tell(Happening.STATE, self._run.begins_s, verdict.sure)

    def _hear_knock(self, knock_s: float) -> None:
        if self._reading is None or self.state is None:
            self._strokes.knock(knock_s)
            self._tell(Happening.STROKE, knock_s, KNOCK_SURE, state=State.HAND)

    def _hear_slam(self, now_s: float) -> None:
        self._window.forget(now_s - WINDOW_S, WINDOW_SLAMS)
        from_s, spells = self._read(now_s)
        assert self._reading is not None
        if not spells or not spells[-1].goes_on:  # a lone knock that belongs to nothing
            self._tell_past_run(spells, from_s)
            self._hear_silence(now_s)
            return
        last = spells[-1]
        begins_s = from_s + last.start_s
        if last.state is State.SELF and self.state is not State.SELF and begins_s <= self._strokes.since_s:
            # it seems to run on after all, or something else knocked
            since_s = from_s + self._reading.train.time_s
            since_s = since_s[since_s > self._strokes.since_s]
            if len(since_s) < RESUME_BEATS:
                self._hear_silence(now_s)
                return
            begins_s = float(since_s[0])
            self._stops_s = self._stops_s[:-1]
        n_pushed = int(self._reading.strokes.pushed[last.first : last.last + 1].sum())
        if self.state is State.SELF and last.state is State.HAND:
            time_s = self._reading.train.time_s + from_s
            n_since = int(np.sum(self._reading.strokes.pushed & (time_s > self._run.last_s)))
            if begins_s > self._run.begins_s and last.first > 0 and last.start_s <= spells[-2].end_s:
                return  # nobody pushes before it has stopped: an odd interval of a running ram, or of one that fails
            if n_since < PUSHES_SURE:
                return
            stopped_s, cause, stop_sure = self._why_stopped(spells, now_s, from_s)
            if stopped_s > self._strokes.since_s:
                self._tell_stop(stopped_s, cause, stop_sure)
            else:
                self.state = None  # no run at all since the last stop, but pushes
        new = self._strokes.count(self._reading, from_s) if self.state is not State.SELF else []
        sure = float(median(self._reading.train.confidence[last.first : last.last + 1]))
        if last.state is State.SELF:
            self._follow_run(last, from_s)
            self._look_again(begins_s, from_s, sure)
            self._become(State.SELF, begins_s, sure)
            self._run.counted_again |= len(self._run.time_s) >= SURE_BEATS
        elif n_pushed:
            self._gap = None
            self._become(State.HAND, max(begins_s, self._strokes.since_s), sure)
            for number in new:
                self._tell(Happening.STROKE, self._strokes.time_s[number - 1], sure, strokes=number)

    def _tell_past_run(self, spells: list[Spell], from_s: float) -> None:
        """It may have ended before the pump was known; that it has stopped is told as of any run."""
        assert self._reading is not None
        if self._told_from_s is not None or not spells or spells[-1].state is not State.SELF:
            return
        run = spells[-1]
        self._strokes.count(self._reading, from_s)
        self._follow_run(run, from_s)
        sure = float(median(self._reading.train.confidence[run.first : run.last + 1]))
        self._become(State.SELF, from_s + run.start_s, sure)

    def _hear_silence(self, now_s: float) -> None:
        assert self._reading is not None
        if len(self._reading.train) == 0:
            return
        if self.state is State.SELF:
            self._hear_missing(now_s)
        elif now_s - self._last_s <= self.settings.hand_gap_s and self._gap is None and not self._stopped:
            return
        if self.state is State.SELF or (self._stopped and now_s <= self._why_from_s):
            return
        self._follow_gap(now_s)
        if self._stop_cause is Cause.UNKNOWN and now_s > self._sure_from_s:
            self._tell_cause(now_s)

    def _hear_missing(self, now_s: float) -> None:
        """It ran until now: has it stopped?"""
        assert self._reading is not None
        period_s = self._reading.strokes.period_s[-1:]
        last_s = self._came_s = last_known(self._due, self._last_s)
        limit_s = float(stop_limit(period_s, self.settings)[0])
        silence_s = (self._due.heard_s if self._due else now_s) - last_s
        odds = missing_odds(self._due, last_s)
        verdict = stopped(silence_s, float(period_s[0]), limit_s, odds)
        if verdict is None and came_again(self._due):
            return
        if verdict is None:
            _, train, flow = self._window.at(now_s)
            verdict = not may_be_hidden(self._reading, train, flow, limit_s, odds, self.settings)
        if not verdict:
            return
        from_s, spells = self._read(now_s)
        if self._last_s > last_s and spells and spells[-1].state is State.SELF and spells[-1].goes_on:
            return  # its water tells of beats that were too soft to be heard
        stopped_s, cause, sure = self._why_stopped(spells, now_s, from_s)
        stopped_s = max(stopped_s, last_s)
        if stopped_s < self._run.begins_s:
            return  # of this run too little is left, looked at anew; the stop before it has been told
        if now_s - last_s <= limit_s and cause is not Cause.STARVED:
            cause, sure = Cause.UNKNOWN, 0.5  # water takes its time to run: the state that follows says why
        self._tell_stop(stopped_s, cause, sure)
        self._stops_s = [*self._stops_s[1 - STOPS_KEPT :], (self._last_s, now_s)]
        self._why_from_s = last_s + limit_s
        self._sure_from_s = last_s + min(float(period_s[0]), AFTER_S) + 1.5 * AFTER_S + SMEAR_S

    def _read(self, now_s: float) -> tuple[float, list[Spell]]:
        """(start of the window, the spells in it), after reading what is in hearing anew."""
        from_s, train, flow = self._window.at(now_s)
        was_pushed = self._window.was_pushed(from_s + float(train.time_s[0])) if len(train) else None
        stops_s = tuple((last_s - from_s, known_s - from_s) for last_s, known_s in self._stops_s)
        self._reading = read(train, flow, self.settings, scale=self._scale, was_pushed=was_pushed, stops_s=stops_s)
        self._scale = self._reading.scale
        if len(self._reading.train):
            self._last_s = from_s + float(self._reading.train.time_s[-1])
        return from_s, find_spells(self._reading, now_s - from_s, self.settings, begins_within=False)

    def _follow_run(self, spell: Spell, from_s: float) -> None:
        assert self._reading is not None
        self._window.remember(from_s, self._reading)
        if self._run.begins_s >= from_s:  # all of it is in hearing, and may prove to have begun later
            self._run.time_s = []
        self._run.add(self._reading.train.time_s[spell.first : spell.last + 1] + from_s)
        self.rate_per_min, self.robust_cv = self._run.rate() or (self.rate_per_min, self.robust_cv)

    def _look_again(self, begins_s: float, from_s: float, sure: float) -> None:
        """Tell a start anew if more of its beats, or all of it heard again, show that it was another."""
        assert self._reading is not None
        run = self._run
        again, self._heard_again = self._heard_again, False
        partly, self._heard_whole = again and not self._heard_whole, True
        again |= not run.counted_again and len(run.time_s) >= SURE_BEATS
        if self.state is not State.SELF or not again or run.begins_s < from_s:
            return
        known, off_s = self.strokes, begins_s - run.begins_s
        if partly and abs(off_s) > 60 / (self.rate_per_min or 60):
            return  # where it began can't be known better once its first strokes are out of hearing
        self._strokes.count(self._reading, from_s)
        run.counted_again, run.begins_s = True, begins_s
        if self.strokes != known or (known and abs(off_s) > 60 / (self.rate_per_min or 60)):
            self._tell(Happening.STATE, begins_s, sure)

    def _follow_gap(self, now_s: float) -> None:
        assert self._reading is not None
        self._window.forget(now_s - HOLD_S, 0)
        if self._gap is None:
            separation = self._scale.separation if self._scale else 0.0
            shut = float(self._reading.shut[-1]) if len(self._reading.shut) else 0.0
            shut_s = last_shut_s(self._reading, -1) if self._stopped else 0.0
            hold_s = shut_s + GATHER_S if self._stopped else 0.0
            self._gap = LiveGap(max(self._last_s, self._came_s), GapFollower(shut, separation, hold_s), shut_s)
        if self._scale is None or self._gap.follower.separation <= 0:
            self._become(State.QUIET, max(self._gap.start_s, self._pushed_to_s), 0.5)
            return
        found = self._gap.follow(self._window, self._scale, now_s)
        if found is not None:
            state, since_s, sure = found
            self._become(state, max(since_s, self._pushed_to_s), sure)

    @property
    def _pushed_to_s(self) -> float:
        """No moment before this is told of what follows pushing, though it may prove to have been none; else 0."""
        return self._hand_s if self.state is State.HAND else 0.0

    # --- what is told

    def _become(self, state: State, since_s: float, sure: float) -> None:
        if state is self.state:
            return
        self.state, self._stopped = state, False
        if state is State.SELF:
            self._gap = self._stop_cause = None
        else:
            self._run = LiveRun()
            self.rate_per_min = self.robust_cv = None
            self._stop_cause = self._stop_cause if state is not State.HAND else None
        self._run.begins_s = since_s
        self._hand_s = since_s if state is State.HAND else self._hand_s
        self._tell(Happening.STATE, since_s, sure)

    def _tell(
        self,
        what: Happening,
        time_s: float,
        sure: float,
        *,
        cause: Cause | None = None,
        state: State | None = None,
        strokes: int | None = None,
    ) -> None:
        state = state or self.state or State.QUIET
        strokes = self.strokes if strokes is None else strokes
        rate = self.rate_per_min
        sure = round(min(sure, self._verdict.sure or 1.0), 3)
        if self._told_from_s is None:
            self._told_from_s = time_s
        self._events.append(Event(what, time_s, self.heard_s, state, strokes, rate, cause, sure, self._verdict.doubt))

    def _why_stopped(self, spells: list[Spell], now_s: float, from_s: float) -> tuple[float, Cause, float]:
        """(when, why, and how sure that is) of the end of the last run."""
        assert self._reading is not None
        number = max((i for i, spell in enumerate(spells) if spell.state is State.SELF), default=None)
        if number is None:
            return self._run.last_s if self._run.time_s else self._strokes.since_s, Cause.UNKNOWN, 0.5
        end = number
        while end + 1 < len(spells) and spells[end + 1].start_s <= spells[end].end_s:
            end += 1  # what seems pushed without a pause were its own ragged beats
        last = spells[end].last
        # it ended with its last slam, however soon that is known
        spell = replace(spells[number], last=last, end_s=float(self._reading.train.time_s[last]), goes_on=False)
        following = spells[end + 1] if end + 1 < len(spells) else None
        ending = look_back(self._reading, spell, self.settings.before_s)
        cause, sure = judge_cause(self._reading, spell, following, ending, now_s - from_s, self.settings)
        return from_s + spell.end_s, cause, sure

    def _tell_cause(self, now_s: float) -> None:
        """The cause of a stop that was told before its cause could be heard."""
        from_s, spells = self._read(now_s)
        _, cause, sure = self._why_stopped(spells, now_s, from_s)
        self._stop_cause = None
        if cause is not Cause.UNKNOWN:
            self._tell(Happening.CAUSE, self._strokes.since_s, sure, cause=cause)

    def _tell_stop(self, stopped_s: float, cause: Cause, sure: float) -> None:
        self._strokes.begin(stopped_s)
        self._tell(Happening.STOP, stopped_s, sure, cause=cause)
        self.state, self._stopped, self._stop_cause = None, True, cause  # what followed is told once it can be heard

"""What a ram does over a recording: acts in a row become strokes, spells of open valve, and the truth about them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clackcount.model import Cause, FloatArray, State
from clackcount.simulate.acts import Act, Events, Hand, Kind, Quiet, Running, Rushing, Told
from clackcount.simulate.ram import Ram


class Teller:
    """Tells the acts of one ram one after the other."""

    def __init__(self, ram: Ram, duration_s: float, rng: np.random.Generator) -> None:
        self.ram, self.duration_s, self.rng = ram, duration_s, rng
        self.out = Events()
        self.now_s = 0.0
        self.open_from_s: float | None = None  # the valve stands open since then
        self.hand_strokes = self.failed = 0
        self.self_from_s: float | None = None
        self.settled_from_s: float | None = None
        self.last_slam_s: float | None = None

    def tell(self, acts: tuple[Act, ...]) -> Told:
        for i, act in enumerate(acts):
            if self.now_s >= self.duration_s:
                break
            follows = acts[i + 1] if i + 1 < len(acts) else None
            if isinstance(act, Quiet):
                self._quiet(act)
            elif isinstance(act, Rushing):
                self._rushing(act, follows)
            elif isinstance(act, Hand):
                self._hand(act, follows)
            else:
                self._running(act, follows)
        return self._told()

    # --- the acts ------------------------------------------------------------------------------------------------

    def _end(self, duration_s: float | None) -> float:
        return self.duration_s if duration_s is None else min(self.now_s + duration_s, self.duration_s)

    def _note(self, state: State, start_s: float, end_s: float) -> None:
        if end_s > start_s:
            self.out.state.append((state, start_s, min(end_s, self.duration_s)))
        self.now_s = end_s

    def _quiet(self, act: Quiet) -> None:
        self.open_from_s = self.last_slam_s = None
        self._note(State.QUIET, self.now_s, self._end(act.duration_s))

    def _rushing(self, act: Rushing, follows: Act | None) -> None:
        start_s, end_s = self.now_s, self._end(act.duration_s)
        opened_s = self.open_from_s
        if opened_s is None:  # already rushing when the recording begins, or somebody lets the valve fall open
            opened_s = start_s - 60 if start_s == 0 else start_s
            if start_s > 0:
                self._push(start_s, -8.0)
        ends_by_slam = isinstance(follows, Hand | Running) and end_s < self.duration_s
        # Without a beat after it the water is shut off slowly, by a hand on a gate valve.
        taper_s = self.ram.column.closing_s if ends_by_slam else 0.8
        last_s = end_s if end_s < self.duration_s else end_s + 60
        column = self.ram.column
        share = min(act.flow * column.closing_velocity_m_s / column.terminal_velocity_m_s, 1.0)
        self.out.open(opened_s, last_s, share, taper_s)
        if act.gurgling:
            self._gurgle(start_s, end_s, act.gurgling)
        self.open_from_s = opened_s if ends_by_slam else None
        self.last_slam_s = None
        self._note(State.RUSHING, start_s, end_s)

    def _hand(self, act: Hand, follows: Act | None) -> None:
        start_s = self.now_s
        groups = _share_out(act.strokes, act.failed_attempts + 1, self.rng)
        time_s = start_s
        for g, n_strokes in enumerate(groups):
            for _ in range(n_strokes):
                time_s = self._stroke(time_s, act)
                if time_s >= self.duration_s:
                    break
            if time_s >= self.duration_s:
                break
            if g < len(groups) - 1:  # it runs a few beats, then dies shut
                time_s = self._few_beats(time_s)
                self.failed += 1
        self.open_from_s = None
        carries_on = isinstance(follows, Running)
        end_s = time_s + (self.ram.column.shut_s if carries_on else 1.0)  # its last slam belongs to the hand
        self.last_slam_s = time_s if carries_on else None
        self._note(State.HAND, start_s, end_s)

    def _stroke(self, after_s: float, act: Hand) -> float:
        """One push and the slam it makes; returns the time of the slam."""
        column, rng = self.ram.column, self.rng
        if self.open_from_s is not None:  # the valve was standing open: the column is fast, it slams when helped
            slam_s = after_s
            self.open_from_s = None
        else:
            lead_s = float(np.clip(column.open_s * rng.uniform(0.7, 1.0), 0.1, 0.6))
            sigma = np.sqrt(np.log1p(act.gap_cv**2))
            gap_s = max(act.mean_gap_s * rng.lognormal(-(sigma**2) / 2, sigma), lead_s + 0.15)
            push_s = after_s + (gap_s - lead_s if self.out.slam else 0.0)
            slam_s = push_s + lead_s
            self._push(push_s, act.push_db)
            self.out.open(push_s, slam_s, 1.0, column.closing_s)
        level_db = np.array([rng.normal(-2, 2)])
        self._slam(np.array([slam_s]), np.array([np.nan]), level_db, pushed=True, running=False)
        self.hand_strokes += slam_s < self.duration_s
        return slam_s

    def _few_beats(self, after_s: float) -> float:
        """1 to 4 beats without a push, weaker each time; returns the time of the last."""
        column, rng = self.ram.column, self.rng
        n = int(rng.integers(1, 5))
        period_s = column.period_s * (1 + 0.08 * np.arange(1, n + 1)) * (1 + 0.03 * rng.standard_normal(n))
        slam_s = np.asarray(after_s + np.cumsum(period_s), np.float64)
        opened_s = np.concatenate([[after_s], slam_s[:-1]]) + column.shut_s
        self.out.open(opened_s, slam_s, 1.0, column.closing_s)
        self._reopen(opened_s)
        level_db = np.asarray(-2.0 * np.arange(1, n + 1), np.float64)
        self._slam(slam_s, np.append(opened_s[1:], np.nan), level_db, pushed=False, running=False)
        return float(slam_s[-1])

    def _running(self, act: Running, follows: Act | None) -> None:
        column, rng = self.ram.column, self.rng
        start_s = self.now_s
        end_s = self._end(act.duration_s)
        after_hand = self.last_slam_s is not None
        first_s = self.last_slam_s if self.last_slam_s is not None else start_s  # or: a slam ends a spell of rushing
        if start_s == 0 and self.open_from_s is None and not after_hand:
            first_s = -2 * column.period_s * (1 + rng.random())  # it has been running before the recording began
        n = int(np.ceil((end_s - first_s) / (0.4 * column.period_s))) + 2
        factor, missed, fade = self._factors(act, n, end_s - first_s)
        slam_s = first_s + np.concatenate([[0.0], np.cumsum(factor * column.period_s)])
        keep = slam_s < end_s
        slam_s, missed, fade = slam_s[keep], missed[: keep.sum() - 1], np.concatenate([[0.0], fade])[keep]
        self._cycles(slam_s, fade, skip_first=after_hand)
        self.out.missed.append(slam_s[1:][missed])
        if act.ends is Cause.STARVED:
            self._gurgle(max(end_s - 0.7 * act.fading_s, start_s), end_s, rng.uniform(2, 8))
        first_own_s = slam_s[1] if after_hand and len(slam_s) > 1 else float(slam_s[0])
        if after_hand or act.settling:
            self.self_from_s = float(first_own_s)
            settle_s = self.ram.settle_s * float(np.log(max(abs(self.ram.settle_share) / 0.02, 1.0)))
            self.settled_from_s = self.self_from_s + (settle_s if act.settling else 0.0)
        self._stop(act, follows, start_s, end_s, slam_s)

    def _factors(self, act: Running, n: int, span_s: float) -> tuple[FloatArray, NDArray[np.bool_], FloatArray]:
        """(factor of the mean period, missed, how far starved 0..1) of n beats, each (n,)."""
        rng, mean_s = self.rng, self.ram.column.period_s
        even, missed = self.ram.rhythm.factors(n, rng)
        slows, scatter = rng.uniform(0.1, 0.6), rng.uniform(0.03, 0.25)
        hurry = scatter * rng.standard_normal(n)
        factor, fade = even, np.zeros(n)
        for _ in range(3):  # what changes with time needs the times of the beats: settled after a few rounds
            at_s = np.cumsum(factor) * mean_s
            settle = self.ram.settle_share * np.exp(-at_s / self.ram.settle_s) if act.settling else 0.0
            if act.ends is Cause.STARVED:
                fade = np.clip((at_s - (span_s - act.fading_s)) / act.fading_s, 0, 1)
            factor = even * (1 + settle) * (1 + act.drift_per_hour * at_s / 3600)
            factor = factor * (1 + slows * fade) * np.clip(1 + fade * hurry, 0.5, 2)
        return factor, missed, fade

    def _stop(self, act: Running, follows: Act | None, start_s: float, end_s: float, slam_s: FloatArray) -> None:
        """How the running act hands over: it beats into the end of the recording, or its last slam ends it."""
        last_s = float(slam_s[-1])
        self.last_slam_s = self.open_from_s = None
        reopened_s = last_s + self.ram.column.shut_s
        if end_s >= self.duration_s:
            self.out.open(reopened_s, reopened_s + self.ram.column.open_s * 3, 1.0, 0.02)  # the cycle still going on
            self._reopen(np.array([reopened_s]))
            self._note(State.SELF, start_s, self.duration_s)
            return
        self._note(State.SELF, start_s, reopened_s)  # its last slam belongs to it
        self.out.stop.append((last_s, act.ends or Cause.UNKNOWN))
        if isinstance(follows, Rushing):
            self._reopen(np.array([reopened_s]))
            self.open_from_s = reopened_s

    # --- the sounds ----------------------------------------------------------------------------------------------

    def _cycles(self, slam_s: FloatArray, fade: FloatArray, *, skip_first: bool) -> None:
        """All sounds of cycles that run by themselves; slam_s[0] was made already when skip_first."""
        ram, column, rng = self.ram, self.ram.column, self.rng
        gap_s = np.diff(slam_s)
        shut_s = column.shut_s * (1 + ram.rhythm.shut_cv * rng.standard_normal(len(gap_s)))
        opened_s = slam_s[:-1] + np.clip(shut_s, 0.03, 0.75 * gap_s)
        self.out.open(opened_s, slam_s[1:], 1 - 0.4 * fade[1:], column.closing_s)
        self._reopen(opened_s)
        closing_m_s = (1 - 0.4 * fade[1:]) * column.velocity_m_s(slam_s[1:] - column.closing_s - opened_s)
        share = np.append(1.0, np.maximum(closing_m_s / column.closing_velocity_m_s, 0.05))
        level_db = ram.level_per_velocity * 20 * np.log10(share) - 12 * fade
        level_db = level_db + ram.level_sd_db * rng.standard_normal(len(slam_s))
        reopen_s = np.append(opened_s, np.nan)
        at = slice(1, None) if skip_first else slice(None)
        if skip_first and len(opened_s) and self.out.slam:
            self.out.slam[-1][-1, 1] = opened_s[0]  # the last stroke of the hand reopened by itself
        self._slam(slam_s[at], reopen_s[at], level_db[at], pushed=False, running=True)

    def _slam(
        self, slam_s: FloatArray, reopen_s: FloatArray, level_db: FloatArray, *, pushed: bool, running: bool
    ) -> None:
        ram, rng, n = self.ram, self.rng, len(slam_s)
        self.out.slams(slam_s, reopen_s, pushed=pushed, running=running)
        self.out.strike(Kind.SLAM, slam_s, level_db)
        if ram.second_valve_s is not None:
            later_s = ram.second_valve_s * np.clip(1 + 0.3 * rng.standard_normal(n), 0.3, 1.5)
            self.out.strike(Kind.SECOND, slam_s + later_s, level_db + rng.uniform(-6, 0))
        if ram.knock is not None:
            delivery_s = ram.column.delivery_s * (1 + 0.03 * rng.standard_normal(n))
            self.out.strike(Kind.DELIVERY, slam_s + delivery_s, level_db + ram.knock_db + rng.normal(0, 2, n))
        if ram.snifter is not None:
            self.out.strike(Kind.SNIFTER, slam_s + 0.004, level_db + ram.snifter_db)

    def _reopen(self, time_s: FloatArray) -> None:
        if self.ram.reopen_db is not None:
            self.out.strike(Kind.REOPEN, time_s, self.ram.reopen_db + self.rng.normal(0, 2, len(time_s)))

    def _push(self, time_s: float, level_db: float) -> None:
        self.out.strike(Kind.PUSH, time_s, level_db + self.rng.normal(0, 2))

    def _gurgle(self, start_s: float, end_s: float, per_s: float) -> None:
        """Bubbles at random times, denser towards the end."""
        n = int(self.rng.poisson(max(end_s - start_s, 0) * per_s))
        time_s = start_s + (end_s - start_s) * np.sqrt(self.rng.random(n))
        self.out.strike(Kind.BUBBLE, time_s, self.rng.uniform(-30, -10, n))

    # --- the end -------------------------------------------------------------------------------------------------

    def _told(self) -> Told:
        out, duration_s = self.out, self.duration_s
        if self.now_s < duration_s:
            self._note(State.QUIET, self.now_s, duration_s)
        time_s, kind, level_db = (
            np.concatenate([np.empty(0), *part]) for part in (out.time_s, out.kind, out.level_db)
        )
        order = np.argsort(time_s, kind="stable")
        order = order[(time_s[order] >= 0) & (time_s[order] < duration_s)]
        spell = np.concatenate([np.empty((0, 4)), *out.spell])
        spell = spell[np.argsort(spell[:, 0], kind="stable")]
        slam = np.concatenate([np.empty((0, 4)), *out.slam])
        slam = slam[(slam[:, 0] >= 0) & (slam[:, 0] < duration_s)]
        slam[slam[:, 1] >= duration_s, 1] = np.nan
        missed_s = np.concatenate([np.empty(0), *out.missed])
        return Told(
            time_s=time_s[order],
            kind=kind[order].astype(np.int64),
            level_db=level_db[order],
            spell=spell[(spell[:, 1] > 0) & (spell[:, 0] < duration_s)],
            slam=slam[np.argsort(slam[:, 0], kind="stable")],
            state=_merged(out.state),
            stop=tuple((t, cause) for t, cause in out.stop if 0 <= t < duration_s),
            missed_s=missed_s[(missed_s >= 0) & (missed_s < duration_s)],
            hand_strokes=int(self.hand_strokes),
            failed_attempts=self.failed,
            self_from_s=self.self_from_s if (self.self_from_s or 0) < duration_s else None,
            settled_from_s=self.settled_from_s if (self.settled_from_s or 0) < duration_s else None,
        )


def tell(ram: Ram, acts: tuple[Act, ...], duration_s: float, rng: np.random.Generator) -> Told:
    """The story of one ram over a recording."""
    return Teller(ram, duration_s, rng).tell(acts)


def _merged(states: list[tuple[State, float, float]]) -> tuple[tuple[State, float, float], ...]:
    """Neighbours of one state joined."""
    joined: list[tuple[State, float, float]] = []
    for state, start_s, end_s in states:
        if joined and joined[-1][0] is state:
            joined[-1] = (state, joined[-1][1], end_s)
        else:
            joined.append((state, start_s, end_s))
    return tuple(joined)


def _share_out(n: int, n_groups: int, rng: np.random.Generator) -> list[int]:
    """n strokes shared out at random over groups of at least one."""
    n_groups = min(n_groups, n)
    cuts = np.sort(rng.choice(np.arange(1, n), n_groups - 1, replace=False)) if n_groups > 1 else np.empty(0, int)
    return [int(size) for size in np.diff(np.concatenate([[0], cuts, [n]]))]

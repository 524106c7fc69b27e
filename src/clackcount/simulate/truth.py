"""The truth beside a rendered recording, in the nouns and the field names of the product's own answer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clackcount.model import FloatArray, Pattern, Startup, State, Stop, Stretch, locked
from clackcount.simulate.acts import Kind, Told


@dataclass(frozen=True, slots=True, eq=False)
class PumpTruth:
    """One ram over its longest self-running stretch. rate_per_min counts slams that sounded, missed ones not.

    open_s, shut_s: medians over the stretch. cv: of the intervals as they sounded. None where fewer than 3 slams.
    """

    pump: int
    start_s: float
    end_s: float
    n_cycles: int
    rate_per_min: float
    cv: float
    robust_cv: float
    missed: int
    pattern: Pattern
    open_s: float
    shut_s: float
    snr_db: float | None
    snr_octave_hz: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What is in the recording. All times lie on samples: time_s * sample_rate_hz is whole.

    slam_s: float64 (n,), increasing: the first sample of each slam of any pump. pump: int32 (n,), 1 = the loudest.
    reopen_s: float64 (n,), when the valve opened after it, NaN where it stayed shut or the recording ended.
    reopen_sounds: bool (n,), whether that made a sound. pushed: bool (n,), a stroke of the hand. running: bool (n,).
    other_s, other_kind: the rams' other impacts, kinds by name. timeline, stops, startup: of pump 1.
    """

    duration_s: float
    sample_rate_hz: int
    slam_s: FloatArray
    pump: NDArray[np.int32]
    reopen_s: FloatArray
    reopen_sounds: NDArray[np.bool_]
    pushed: NDArray[np.bool_]
    running: NDArray[np.bool_]
    other_s: FloatArray
    other_kind: tuple[str, ...]
    timeline: tuple[Stretch, ...]
    stops: tuple[Stop, ...]
    startup: Startup | None
    pumps: tuple[PumpTruth, ...]

    def of_pump(self, pump: int) -> FloatArray:
        """Slam times of one pump."""
        return np.asarray(self.slam_s[self.pump == pump], np.float64)

    @property
    def rate_per_min(self) -> float | None:
        """Of pump 1, None where it never ran by itself for three slams."""
        return self.pumps[0].rate_per_min if self.pumps and self.pumps[0].pump == 1 else None

    def to_dict(self) -> dict[str, Any]:
        """Plain data in the field names of the product's document, null for what is not there."""
        first = self.pumps[0] if self.rate_per_min is not None else None
        return {
            "recording": {"duration_s": self.duration_s, "sample_rate_hz": self.sample_rate_hz},
            "slams": [
                {
                    "time_s": float(t),
                    "reopen_s": float(r) if sounds and np.isfinite(r) else None,
                    "pump": int(p),
                    "pushed": bool(pushed),
                }
                for t, r, sounds, p, pushed in zip(
                    self.slam_s, self.reopen_s, self.reopen_sounds, self.pump, self.pushed, strict=True
                )
            ],
            "rate_per_min": first and first.rate_per_min,
            "regularity": first
            and {
                "cv": first.cv,
                "robust_cv": first.robust_cv,
                "missed": first.missed,
                "pattern": str(first.pattern),
            },
            "phases": first and {"open_s": first.open_s, "shut_s": first.shut_s},
            "timeline": [{"state": str(s.state), "start_s": s.start_s, "end_s": s.end_s} for s in self.timeline],
            "stops": [{"time_s": s.time_s, "cause": str(s.cause)} for s in self.stops],
            "startup": self.startup
            and {
                "hand_strokes": self.startup.hand_strokes,
                "failed_attempts": self.startup.failed_attempts,
                "self_cycling_from_s": self.startup.self_cycling_from_s,
                "settled_from_s": self.startup.settled_from_s,
            },
            "pumps": [
                {"pump": p.pump, "rate_per_min": p.rate_per_min, "snr_db": p.snr_db, "snr_octave_hz": p.snr_octave_hz}
                for p in self.pumps
            ],
        }


def snapped(told: Told, sample_rate_hz: int) -> Told:
    """The same story with all its times on samples."""

    def on_sample(time_s: FloatArray) -> FloatArray:
        return np.asarray(np.round(time_s * sample_rate_hz) / sample_rate_hz, np.float64)

    def whole(t: float) -> float:
        return float(round(t * sample_rate_hz) / sample_rate_hz)

    spell, slam = told.spell.copy(), told.slam.copy()
    spell[:, :2] = on_sample(spell[:, :2])
    slam[:, :2] = on_sample(slam[:, :2])
    return Told(
        time_s=on_sample(told.time_s),
        kind=told.kind,
        level_db=told.level_db,
        spell=spell,
        slam=slam,
        state=tuple((state, whole(start_s), whole(end_s)) for state, start_s, end_s in told.state),
        stop=tuple((whole(t), cause) for t, cause in told.stop),
        missed_s=on_sample(told.missed_s),
        hand_strokes=told.hand_strokes,
        failed_attempts=told.failed_attempts,
        self_from_s=None if told.self_from_s is None else whole(told.self_from_s),
        settled_from_s=told.settled_from_s,
    )


def truth_of(
    stories: list[Told],
    pump_ids: list[int],
    patterns: list[Pattern],
    reopen_sounds: list[bool],
    snr: list[tuple[float | None, float | None]],
    duration_s: float,
    sample_rate_hz: int,
) -> Truth:
    """The truth of all rams of a recording; stories in the order given, pump_ids by loudness."""
    slam = np.concatenate([np.empty((0, 4)), *(told.slam for told in stories)])
    counts = [len(told.slam) for told in stories]
    pump, sounds = np.repeat(pump_ids, counts), np.repeat(reopen_sounds, counts)
    order = np.argsort(slam[:, 0], kind="stable")
    other = sorted(
        (float(t), Kind(int(k)).name.lower())
        for told in stories
        for t, k in zip(told.time_s, told.kind, strict=True)
        if k != Kind.SLAM
    )
    pumps = [
        made
        for told, p, pattern, (snr_db, octave_hz) in zip(stories, pump_ids, patterns, snr, strict=True)
        if (made := _pump(told, p, pattern, snr_db, octave_hz)) is not None
    ]
    main = stories[pump_ids.index(1)] if stories else None
    return Truth(
        duration_s=duration_s,
        sample_rate_hz=sample_rate_hz,
        slam_s=locked(slam[order, 0]),
        pump=locked(pump[order], np.int32),
        reopen_s=locked(slam[order, 1]),
        reopen_sounds=locked(sounds[order], np.bool_),
        pushed=locked(slam[order, 2] > 0, np.bool_),
        running=locked(slam[order, 3] > 0, np.bool_),
        other_s=locked([t for t, _ in other]),
        other_kind=tuple(name for _, name in other),
        timeline=_timeline(main, duration_s),
        stops=_stops(main),
        startup=_startup(main),
        pumps=tuple(sorted(pumps, key=lambda made: made.pump)),
    )


def _timeline(told: Told | None, duration_s: float) -> tuple[Stretch, ...]:
    if told is None:
        return (Stretch(State.QUIET, 0.0, duration_s, 0, 1.0),)
    time_s = told.slam[:, 0]
    return tuple(
        Stretch(state, start_s, end_s, int(np.sum((time_s >= start_s) & (time_s < end_s))), 1.0)
        for state, start_s, end_s in told.state
    )


def _stops(told: Told | None) -> tuple[Stop, ...]:
    if told is None:
        return ()
    own_s = told.slam[told.slam[:, 3] > 0, 0]
    return tuple(
        Stop(t, cause, 1.0, restarted_s=float(own_s[own_s > t][0]) if np.any(own_s > t) else None)
        for t, cause in told.stop
    )


def _startup(told: Told | None) -> Startup | None:
    if told is None or (told.hand_strokes == 0 and told.self_from_s is None):
        return None
    return Startup(told.hand_strokes, told.failed_attempts, told.self_from_s, told.settled_from_s)


def _pump(told: Told, pump: int, pattern: Pattern, snr_db: float | None, octave_hz: float | None) -> PumpTruth | None:
    """Rate and rhythm over the longest stretch of running by itself, None below three slams."""
    best = np.empty((0, 4))
    for state, start_s, end_s in told.state:
        rows = told.slam[(told.slam[:, 0] >= start_s) & (told.slam[:, 0] <= end_s) & (told.slam[:, 3] > 0)]
        if state is State.SELF and len(rows) >= 3 and (len(best) == 0 or np.ptp(rows[:, 0]) > np.ptp(best[:, 0])):
            best = rows
    if len(best) < 3:
        return None
    time_s, reopen_s = best[:, 0], best[:, 1]
    gap_s = np.diff(time_s)
    middle = float(np.median(gap_s))
    return PumpTruth(
        pump=pump,
        start_s=float(time_s[0]),
        end_s=float(time_s[-1]),
        n_cycles=len(gap_s),
        rate_per_min=60 * len(gap_s) / float(time_s[-1] - time_s[0]),
        cv=float(np.std(gap_s, ddof=1) / np.mean(gap_s)) if len(gap_s) > 1 else 0.0,
        robust_cv=float(1.4826 * np.median(np.abs(gap_s - middle)) / middle),
        missed=int(np.sum((told.missed_s > time_s[0]) & (told.missed_s <= time_s[-1]))),
        pattern=pattern,
        open_s=float(np.nanmedian(time_s[1:] - reopen_s[:-1])),
        shut_s=float(np.nanmedian(reopen_s[:-1] - time_s[:-1])),
        snr_db=snr_db,
        snr_octave_hz=octave_hz,
    )

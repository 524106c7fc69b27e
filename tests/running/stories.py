"""Stories of a pump told straight in the nouns that the running room reads: slams and flow levels, no audio.

A story is a list of acts. Each act moves a small water column through time in 5 ms frames, and the frames are
turned into a FlowTrack the way the noun says (the lowest quarter of ten frames a cell). Random noise, drifting
background, gain control and wrongly heard slams can be added. Much faster than rendered sound, so properties can be
tried on hundreds of stories; it is another make than clackcount.simulate, on purpose.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from clackcount.model import Cause, Due, FlowTrack, SlamTrain, State

FRAME_S = 0.005
FRAMES_A_CELL = 10
BAND_EDGES_HZ = np.geomspace(100.0, 12000.0, 9)


@dataclass
class Truth:
    timeline: list[tuple[State, float, float]] = field(default_factory=list)
    stops: list[tuple[float, Cause]] = field(default_factory=list)
    hand_strokes: int = 0
    self_from_s: float | None = None

    def state_at(self, time_s: NDArray[np.float64]) -> list[State]:
        ends = np.array([end for _, _, end in self.timeline])
        where = np.minimum(np.searchsorted(ends, time_s, side="right"), len(ends) - 1)
        return [self.timeline[i][0] for i in where]


class Story:
    """Acts are played one after the other; ``told`` gives the nouns and the truth."""

    def __init__(
        self,
        seed: int,
        *,
        period_s: float = 1.0,
        rush_db: float = 10.0,
        jitter: float = 0.015,
        drift_db: float = 0.5,
        agc_db: float = 0.0,
        miss: float = 0.0,
        opening_heard: float = 0.8,
        shut_s: float | None = None,
    ) -> None:
        self.rng = np.random.default_rng(seed)
        self.period_s, self.rush_db, self.jitter = period_s, rush_db, jitter
        self.drift_db, self.agc_db, self.miss, self.opening_heard = drift_db, agc_db, miss, opening_heard
        self.shut_s = shut_s if shut_s is not None else min(0.2, 0.3 * period_s)
        self.velocity: list[NDArray[np.float64]] = []
        self.now_s = float(self.rng.uniform(0.0, FRAME_S))
        self.slams: list[tuple[float, float, bool]] = []  # time, opened, on the beat
        self.strength_db: dict[int, float] = {}  # of slams softer than the usual
        self.truth = Truth()

    # --- acts

    def quiet(self, seconds: float) -> Story:
        return self._act(State.QUIET, self._hold(0.0, seconds))

    def rushing(self, seconds: float, velocity: float = 1.3) -> Story:
        return self._act(State.RUSHING, self._hold(velocity, seconds))

    def hand(self, strokes: int, spread: float = 0.25, dwell_s: float = 0.8) -> Story:
        self.quiet(float(dwell_s))
        start_s = self.now_s
        for number in range(strokes):
            if number:
                self._hold(0.0, float(dwell_s * np.exp(self.rng.normal(0, spread))))
            opened_s = self.now_s
            self._accelerate(self.period_s - self.shut_s, 1 + 0.1 * self.rng.normal())
            self.slams.append((self.now_s, opened_s, False))
        self.truth.hand_strokes += strokes
        return self._act(State.HAND, start_s)

    def few_beats(self, n: int) -> Story:
        """It runs a few beats by itself, each slower than the one before, and dies; part of the spell of pushing."""
        start_s = self.now_s
        for number in range(n):
            self._hold(0.0, self.shut_s)
            opened_s = self.now_s
            self._accelerate(self.period_s * (1.08 + 0.08 * number) - self.shut_s)
            self.slams.append((self.now_s, opened_s, False))
        return self._act(State.HAND, start_s)

    def runs(
        self, seconds: float, *, settle: float = 0.0, settle_s: float = 10.0, factor: float = 1.0, ragged: float = 0.0
    ) -> Story:
        """Self-cycling. settle: the interval begins this share longer and relaxes; factor: last period over first."""
        start_s = self.now_s
        if self.truth.self_from_s is None and self.truth.hand_strokes:
            self.truth.self_from_s = start_s
        if not self.slams or self.slams[-1][0] < self.now_s - 1e-9:
            self.slams.append((self.now_s, np.nan, True))
        while self.now_s < start_s + seconds:
            age_s = self.now_s - start_s
            period_s = self.period_s * (1 + settle * np.exp(-age_s / settle_s)) * factor ** (age_s / seconds)
            period_s *= float(np.exp(self.rng.normal(0, np.hypot(self.jitter, ragged))))
            self._hold(0.0, self.shut_s)
            opened_s = self.now_s
            self._accelerate(period_s - self.shut_s, factor ** (-0.5 * age_s / seconds))
            self.slams.append((self.now_s, opened_s, True))
        return self._act(State.SELF, start_s)

    def fades(self, cause: Cause) -> Story:
        """The last 20 s of a run; only a starved ram shows what is coming."""
        if cause is not Cause.STARVED:
            return self.runs(20.0)
        first = len(self.slams)
        self.runs(20.0, factor=1.35, ragged=0.06)
        for i in range(first, len(self.slams)):
            self.strength_db[i] = -8.0 * (i - first) / max(1, len(self.slams) - 1 - first)
        return self

    def stalls(self, cause: Cause, seconds: float) -> Story:
        self.truth.stops.append((self.now_s, cause))
        if cause is Cause.SHUT_STALL:
            return self.quiet(seconds)
        start_s = self.now_s
        self._hold(0.0, self.shut_s)
        self._accelerate(self.period_s - self.shut_s, 1.0 if cause is Cause.OPEN_STALL else 0.8)
        self._hold(1.2 if cause is Cause.OPEN_STALL else 0.8, seconds - self.period_s)
        return self._act(State.RUSHING, start_s)

    # --- the water

    def _act(self, state: State, start_s: float) -> Story:
        self.truth.timeline.append((state, start_s, self.now_s))
        return self

    def _hold(self, velocity: float, seconds: float) -> float:
        start_s = self.now_s
        self._add(np.full(max(0, round(seconds / FRAME_S)), velocity))
        return start_s

    def _accelerate(self, seconds: float, top: float = 1.0) -> None:
        n = max(1, round(seconds / FRAME_S))
        self._add(top * np.tanh(1.2 * (np.arange(n) + 1) / n) / np.tanh(1.2))

    def _add(self, velocity: NDArray[np.float64]) -> None:
        self.velocity.append(velocity)
        self.now_s += len(velocity) * FRAME_S

    # --- what is heard

    def told(self) -> tuple[SlamTrain, FlowTrack, Truth]:
        duration_s = self.now_s + 0.002
        return self._train(duration_s), self._flow(), self._closed(duration_s)

    def _closed(self, duration_s: float) -> Truth:
        first = self.truth.timeline[0]
        self.truth.timeline[0] = (first[0], 0.0, first[2])
        last = self.truth.timeline[-1]
        self.truth.timeline[-1] = (last[0], last[1], duration_s)
        return self.truth

    def _train(self, duration_s: float) -> SlamTrain:
        kept = [i for i in range(len(self.slams)) if self.rng.random() >= self.miss]
        heard = [self.slams[i] for i in kept]
        time_s = np.array([slam[0] for slam in heard])
        opened_s = np.array([slam[1] for slam in heard])
        opened_s[self.rng.random(len(heard)) > self.opening_heard] = np.nan
        reopen_s = np.full(len(heard), np.nan)
        if len(heard) > 1:
            follows = opened_s[1:] - time_s[:-1] < 0.6 * self.period_s
            reopen_s[:-1][follows] = opened_s[1:][follows]
        n = len(heard)
        return SlamTrain(
            time_s=np.clip(time_s + self.rng.normal(0, 0.0005, n), 0, duration_s),
            strength_db=self.rng.normal(18, 1, n) + np.array([self.strength_db.get(i, 0.0) for i in kept]),
            confidence=np.full(n, 0.9),
            reopen_s=reopen_s,
            opened_s=opened_s,
            pump=np.ones(n),
            beating=np.array([slam[2] for slam in heard]) if n else np.zeros(0, bool),
            duration_s=duration_s,
        )

    def _flow(self) -> FlowTrack:
        velocity = np.concatenate(self.velocity)
        n = len(velocity) // FRAMES_A_CELL * FRAMES_A_CELL
        velocity = velocity[:n]
        n_bands = len(BAND_EDGES_HZ) - 1
        time_s = np.arange(n) * FRAME_S
        # the background tilts down, the rush is brighter; rush_db is its level over the background in its best band
        background_db = -50.0 - 2.0 * np.arange(n_bands)
        rush_db = background_db + self.rush_db - 1.5 * np.abs(np.arange(n_bands) - 5)
        drift = self._wander(n, 10.0) * self.drift_db
        tilt = self._wander(n, 4.0)[:, None] * self.drift_db * np.linspace(1, 0, n_bands)
        power = 10 ** ((background_db + drift[:, None] + tilt) / 10)
        power = power + 10 ** (rush_db / 10) * np.abs(velocity[:, None]) ** 3
        for slam_s, _, _ in self.slams:
            first = int(slam_s / FRAME_S)
            ring = np.arange(first, min(n, first + 40))
            power[ring] += 10 ** (-2.5) * np.exp(-(ring - first) * FRAME_S / 0.015)[:, None]
        dof = np.maximum(2, 2 * np.diff(BAND_EDGES_HZ) * 0.007)
        power *= self.rng.chisquare(dof, size=(n, n_bands)) / dof
        level_db = 10 * np.log10(power) + self.agc_db * self._gain(time_s)[:, None]
        cells = np.quantile(level_db.reshape(-1, FRAMES_A_CELL, n_bands), 0.25, axis=1)
        return FlowTrack(FRAME_S * FRAMES_A_CELL, cells.astype(np.float32), BAND_EDGES_HZ)

    def _wander(self, n: int, seconds: float) -> NDArray[np.float64]:
        knots = self.rng.normal(size=max(2, int(n * FRAME_S / seconds) + 2))
        wander: NDArray[np.float64] = np.interp(np.arange(n) * FRAME_S / seconds, np.arange(len(knots)), knots)
        return wander

    def _gain(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """0..1: a slow gain control that comes up when no slam has been heard for some seconds."""
        last = np.searchsorted(np.array([s[0] for s in self.slams]), time_s) - 1
        since_s = np.where(last >= 0, time_s - np.array([s[0] for s in self.slams] or [0.0])[last], 5.0)
        return 1 - np.exp(-np.maximum(0, since_s) / 4.0)


def missing(time_s: NDArray[np.float64], now_s: float) -> Due | None:
    """The beats due since the last slam, each surely missing."""
    if len(time_s) < 7:
        return None
    period_s = float(np.median(np.diff(time_s[-7:])))
    due_s = np.arange(time_s[-1] + period_s, now_s - 0.1 * period_s, period_s)
    return Due(due_s, np.full(len(due_s), 5.0), now_s) if len(due_s) else None

"""Passage after passage: which pumps are known, and the slams of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.pumps import SMOOTH, PumpHeard, Scene, centred, fullness, search, settle, within_rhythm
from clackcount.beats.series import Series, first_guess
from clackcount.beats.signs import roughness
from clackcount.beats.strays import alike, confidence, find_strays, fingerprint
from clackcount.beats.template import Field, Frames, learn, standardise
from clackcount.model import Passage
from clackcount.settings import BeatsSettings


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """Slams of one pump in the part of a passage that is kept.

    frame: float64 (n,), frame numbers in the recording. z, confidence, strength_db: float32 (n,).
    reopen_frame: float64 (n,), NaN where not heard. audible_z: float32 (n,), what a slam would
    have scored against the loudest background from this one to the next.
    """

    pump: int
    frame: NDArray[np.float64]
    confidence: NDArray[np.float32]
    strength_db: NDArray[np.float32]
    reopen_frame: NDArray[np.float64]
    audible_z: NDArray[np.float32]


@dataclass(slots=True)
class Known:
    """What is remembered of a pump from passage to passage.

    slam_odds: log odds that its slams are not its reopenings. rush_t, odds: sums over the n_passages. settled: as it
    was when its cycle was last looked at thoroughly, n_brief passages ago.
    """

    pump: int
    weights: NDArray[np.float32]
    print_: NDArray[np.float32]
    settled: PumpHeard
    alike: float = 0.0
    expected_z: float = 0.0
    period: float = 0.0
    evidence_per_frame: float = 0.0
    late: int = 0
    slam_odds: float = 0.0
    rush_t: float = 0.0
    odds: float = 0.0
    n_passages: int = 0
    n_brief: int = 0

    @classmethod
    def of(cls, number: int, pump: PumpHeard, scene: Scene) -> Known:
        """A pump met for the first time."""
        known = cls(number, pump.series.weights, fingerprint(scene.field, pump.series.frames), pump)
        known.remember(pump, scene)
        return known

    def remember(self, pump: PumpHeard, scene: Scene) -> None:
        """Take in what it was in another passage; its sound, where it was not much fainter than before."""
        series, field_ = pump.series, scene.field
        self.n_passages += 1
        self.period = series.period
        self.slam_odds = pump.slam_odds
        self.rush_t += pump.rush_t
        self.odds += pump.ram_odds
        if series.evidence > 0.5 * self.evidence_per_frame * scene.n_frames:
            self.weights = series.weights
            self.late = series.late
            self.print_ = fingerprint(field_, series.frames)
            self.alike = float(np.median(alike(field_, series.frames, self.print_)))
            self.expected_z = series.typical_z
            self.evidence_per_frame = series.evidence / scene.n_frames

    @property
    def ram_odds(self) -> float:
        """Mean log odds of being a ram in the passages where it was heard."""
        return self.odds / self.n_passages


@dataclass(slots=True)
class Tracker:
    """Follows the pumps of a recording; feed it the passages in order."""

    settings: BeatsSettings
    known: list[Known] = field(default_factory=list)
    scene: Scene | None = None  # the last passage, with nothing taken out
    _n_fed: int = 0
    _idle: int = 0

    def feed(
        self, passage: Passage, searches: Sequence[bool] | None = None, brief: bool | None = None
    ) -> list[Heard]:
        """The slams in the kept part of this passage, a Heard for each pump that was heard in it.

        searches: those to make in this passage, True for a quick one; None: as seems worth while. brief: whether the
        cycle of a known pump that goes on as it did is left as it was, for finding it out takes most of the work;
        None: for so many passages, then it is looked at again.
        """
        self._n_fed += 1
        scene = self.scene = Scene.of(passage)
        heard: list[Heard] = []
        missing: list[Known] = []
        for known in self.known:
            pump = self._follow(known, scene, brief)
            if pump is None:
                missing.append(known)
                continue
            heard.append(self._collect(known, pump, scene))
            if len(self.known) > 1:
                scene = scene.without(pump)
        for quick in self._searches(bool(heard)) if searches is None else searches:
            pump = search(scene, self.settings, quick=quick)
            if pump is None or (heard and self._double(pump, heard, passage)):
                break
            again = self._known_by_sound(pump.series, missing, scene)
            if again is not None:
                missing.remove(again)
                again.settled = pump
                again.remember(pump, scene)
            elif len(self.known) >= self.settings.pumps_max:
                break
            if again is None:
                self.known.append(Known.of(len(self.known) + 1, pump, scene))
            known = again or self.known[-1]
            heard.append(self._collect(known, pump, scene))
            scene = scene.without(pump)
        self._idle = 0 if heard else self._idle + 1
        return heard + [self._strays_only(known, scene) for known in missing]

    def _searches(self, heard: bool) -> list[bool]:
        """The searches to make in this passage, True for a quick one.

        A full search costs more than all the rest of the work on a minute of sound. It is made while nothing is
        known, again when what was known is gone, now and then for a second pump, and rarely in a long silence.
        """
        if heard:
            second = len(self.known) < self.settings.pumps_max
            return [False] if second and (self._n_fed in (1, 2, 4) or self._n_fed % 32 == 0) else []
        if self._idle < 2 or self._idle % 8 == 0:
            return [False] * (self.settings.pumps_max if self._n_fed <= 2 or not self.known else 1)
        return [True]

    def _follow(self, known: Known, scene: Scene, brief: bool | None) -> PumpHeard | None:
        if brief is None:
            brief = known.n_passages >= PROVEN and known.n_brief < self.settings.brief_passages
        enough = max(self.settings.evidence_min, 0.3 * known.evidence_per_frame * scene.n_frames)
        pump = self._again(known, scene) if brief else None
        if pump is not None and pump.series.evidence >= enough:
            known.n_brief += 1
        else:
            field_ = scene.field
            series = first_guess(field_, field_.features @ known.weights, known.period, self.settings, rounds=2)
            if series is None or not 0.7 < series.period / known.period < 1.4 or series.evidence < enough:
                return None
            prior = min(max(known.slam_odds, 0.0), SLAM_ODDS_MAX)
            pump = known.settled = settle(series, scene, self.settings, prior=prior)
            known.n_brief = 0
        known.remember(pump, scene)
        return pump

    def _again(self, known: Known, scene: Scene) -> PumpHeard | None:
        """A known pump by its sound and its intervals, its cycle as it was; None where it does not go on so."""
        was = known.settled.series
        field_ = scene.field
        series = first_guess(field_, field_.features @ known.weights, known.period, self.settings, like=was)
        if series is not None and not was.even:
            series = within_rhythm(series, self.settings)
        if series is None or not goes_on(series, was):
            return None
        return replace(known.settled, series=centred(series, scene.rises))

    def _known_by_sound(self, series: Series, missing: list[Known], scene: Scene) -> Known | None:
        """The pump among those not heard so far that sounds like this series, None where none does."""
        if not missing:
            return None
        print_ = fingerprint(scene.field, series.frames)
        likeness = [float(print_ @ known.print_) for known in missing]
        best = int(np.argmax(likeness))
        return missing[best] if likeness[best] > self.settings.stray_alike else None

    def _double(self, pump: PumpHeard, heard: list[Heard], passage: Passage) -> bool:
        """Whether a newly found series only repeats a known pump: its third sound, an echo, its reopenings.

        Another pump's slams fall anywhere in the first one's cycle.
        """
        if pump.series.evidence < 2 * self.settings.evidence_min:
            return True
        frames = pump.series.frames.astype(np.float64) + passage.first_frame
        return any(locked(frames, known.frame) > self.settings.locked_max for known in heard)

    def _collect(self, known: Known, pump: PumpHeard, scene: Scene) -> Heard:
        series = pump.series
        field_ = scene.field
        reopen = reopening_frames(pump, field_)
        sure = supported(series)
        reopen = reopen[sure]
        taken = np.sort(np.concatenate([series.frames[sure], reopen[np.isfinite(reopen)].astype(np.intp)]))
        strays, stray_z = find_strays(
            field_,
            series.z,
            known.print_,
            known.alike,
            series.typical_z,
            taken,
            series.period,
            series.late,
            self.settings,
        )
        members = series.frames[sure]
        between = np.searchsorted(members, strays)
        inside = (between > 0) & (between < len(members))
        gap = np.full(len(strays), np.inf)
        gap[inside] = members[between[inside]] - members[between[inside] - 1]
        # between two slams one period apart there is no third: the valve is on its way
        strays, stray_z = strays[gap > 1.6 * series.period], stray_z[gap > 1.6 * series.period]
        frames = np.concatenate([members, strays])
        confident = np.concatenate(
            [
                confidence(series.z_honest[sure], series.typical_z, on_beat=True),
                confidence(stray_z, series.typical_z, on_beat=False),
            ]
        )
        reopen = np.concatenate([reopen, np.full(len(strays), np.nan)])
        loudness = field_.loudness(series.weights, series.frames)
        return self._kept(known, frames, confident, reopen, loudness, scene.passage)

    def _strays_only(self, known: Known, scene: Scene) -> Heard:
        field_ = scene.field
        strays, z = find_strays(
            field_,
            field_.features @ known.weights,
            known.print_,
            known.alike,
            known.expected_z,
            np.zeros(0, dtype=np.intp),
            known.period,
            known.late,
            self.settings,
        )
        nothing = np.full(len(strays), np.nan)
        loudness = np.zeros(scene.n_frames, dtype=np.float32)
        return self._kept(
            known, strays, confidence(z, known.expected_z, on_beat=False), nothing, loudness, scene.passage
        )

    def _kept(
        self,
        known: Known,
        frames: Frames,
        confident: NDArray[np.float32],
        reopen: NDArray[np.float64],
        loudness: NDArray[np.float32],
        passage: Passage,
    ) -> Heard:
        order = np.argsort(frames, kind="stable")
        order = order[(frames[order] >= passage.keep[0]) & (frames[order] < passage.keep[1])]
        frames = frames[order]
        loudest = np.maximum.reduceat(loudness, frames) if len(frames) else np.zeros(0)
        return Heard(
            pump=known.pump,
            frame=frames.astype(np.float64) + passage.first_frame,
            confidence=confident[order],
            strength_db=strengths(passage.level_db, frames),
            reopen_frame=reopen[order] + passage.first_frame,
            audible_z=(known.expected_z * 10 ** (-loudest / 20)).astype(np.float32),
        )


PROVEN = 3  # passages in each of which the cycle of a new pump is looked at


def goes_on(series: Series, was: Series) -> bool:
    """Whether a pump beats on as it did: as few beats missing, as even, and each slam explaining as much."""
    each, before = series.evidence / len(series.frames), was.evidence / len(was.frames)
    rough = roughness(series.frames, series.period)
    return (
        0.85 < series.period / was.period < 1.18
        and each > FAINTER * before
        and EMPTIER < fullness(series) / fullness(was) < FULLER
        and rough < max(SMOOTH, ROUGHER * roughness(was.frames, was.period))
    )


# Than when its cycle was last looked at, and yet the same. Fuller, and that was a passage in which it stopped.
FAINTER, EMPTIER, FULLER, ROUGHER = 0.85, 0.97, 1.05, 1.25


def locked(frames: NDArray[np.float64], beat: NDArray[np.float64]) -> float:
    """How far moments keep to one or two places in the cycle of a beat: 0 anywhere, 1 always there.

    The length of the mean phase vector (any textbook of circular statistics), of phases and of doubled phases.
    """
    if len(beat) < 3:
        return 0.0
    after = np.searchsorted(beat, frames)
    inside = (after > 0) & (after < len(beat))
    if inside.sum() < 4:
        return 0.0
    first, last = beat[after[inside] - 1], beat[after[inside]]
    single = last - first < 1.5 * np.median(np.diff(beat))
    phase = 2 * np.pi * ((frames[inside] - first) / (last - first))[single]
    if len(phase) < 4:
        return 0.0
    return float(max(abs(np.exp(1j * phase).mean()), abs(np.exp(2j * phase).mean())))


def supported(series: Series) -> NDArray[np.bool_]:
    """False for members at the ends of a run that were only reckoned, not heard, bool (n,).

    Within a run a slam lost in a gust is filled in where it was due. Past the last one heard nothing says that there
    was another: water rushing through a valve that stuck open hides slams that never came.
    """
    heard = series.z_honest > SUPPORT_SHARE * min(series.typical_z, 8.0)
    breaks = np.flatnonzero(np.diff(series.frames) > 1.6 * series.period) + 1
    keep = np.ones(len(series.frames), dtype=bool)
    for run in np.split(np.arange(len(series.frames)), breaks):
        sure = run[heard[run]]
        if len(sure) == 0:
            keep[run] = False
        else:
            keep[run[0] : sure[0]] = False
            keep[sure[-1] + 1 : run[-1] + 1] = False
    return keep


SUPPORT_SHARE = 0.35
SLAM_ODDS_MAX = 3.0  # what was taken for the slam before may yet turn out to be the reopening


def reopening_frames(pump: PumpHeard, field_: Field) -> NDArray[np.float64]:
    """Frame of the reopening after each slam, NaN where none stands out: float64 (n,).

    The reopenings of all cycles together teach what one sounds like, as the slams do.
    """
    frames = pump.series.frames
    result = np.full(len(frames), np.nan)
    if pump.reopening is None:
        return result
    lag = pump.reopening.lag
    due = frames + lag
    due = due[due < len(field_.features)]
    weights = learn(field_, due) if len(due) >= 4 else np.zeros(1, dtype=np.float32)
    if not np.any(weights):
        return result
    z = standardise(field_.features @ weights, due)
    reach = max(3, int(0.12 * lag))
    for i, frame in enumerate(frames):
        first = frame + max(lag - reach, 4)
        window = z[first : frame + lag + reach + 1]
        if len(window) > reach and window[best := int(np.argmax(window))] > REOPENING_MIN_Z:
            result[i] = first + best
    return result


REOPENING_MIN_Z = 0.5


def strengths(level_db: NDArray[np.float32], frames: Frames) -> NDArray[np.float32]:
    """Level of the first 20 ms over that of the 60 ms before, in the octave where it stands out most, dB."""
    if len(frames) == 0:
        return np.zeros(0, dtype=np.float32)

    def octaves(offset: NDArray[np.intp]) -> NDArray[np.float32]:
        where = np.clip(frames[:, None] + offset[None, :], 0, len(level_db) - 1)
        power = (10 ** (level_db[where] / 10)).mean(axis=1)
        total = np.concatenate([np.zeros((len(power), 1), np.float32), np.cumsum(power, axis=1)], axis=1)
        return np.asarray(total[:, OCTAVE_BANDS:] - total[:, :-OCTAVE_BANDS] + 1e-12, dtype=np.float32)

    ratio = octaves(np.array([2])) / octaves(np.arange(-14, -2))
    return np.asarray(10 * np.log10(ratio.max(axis=1)), dtype=np.float32)


OCTAVE_BANDS = 4

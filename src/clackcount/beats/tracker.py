"""Passage after passage: which pumps are known, and the slams of each."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from clackcount.beats.pumps import FLOOR_S, PumpHeard, search, settle, without
from clackcount.beats.series import Series, first_guess
from clackcount.beats.strays import alike, confidence, find_strays, fingerprint
from clackcount.beats.template import Field, Frames
from clackcount.model import Passage
from clackcount.settings import BeatsSettings


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """Slams of one pump in the part of a passage that is kept.

    frame: float64 (n,), frame numbers in the recording. z, confidence, strength_db: float32 (n,).
    reopen_frame: float64 (n,), NaN where not heard. on_beat: bool (n,). audible_z: float32 (n,), what a slam would
    have scored against the loudest background from this one to the next.
    """

    pump: int
    frame: NDArray[np.float64]
    confidence: NDArray[np.float32]
    strength_db: NDArray[np.float32]
    reopen_frame: NDArray[np.float64]
    on_beat: NDArray[np.bool_]
    audible_z: NDArray[np.float32]


@dataclass(slots=True)
class Known:
    """What is remembered of a pump from passage to passage."""

    pump: int
    weights: NDArray[np.float32]
    print_: NDArray[np.float32]
    alike: float
    expected_z: float
    period: float
    evidence_per_frame: float
    strength_db: float
    slam_odds: float
    rush_odds: float
    n_passages: int = 1
    absent: int = 0


@dataclass(slots=True)
class Tracker:
    """Follows the pumps of a recording; feed it the passages in order."""

    settings: BeatsSettings
    known: list[Known] = field(default_factory=list)
    _n_fed: int = 0
    _idle: int = 0

    def feed(self, passage: Passage) -> list[Heard]:
        """The slams in the kept part of this passage, a Heard for each pump that was heard in it."""
        floor_db = uniform_filter1d(
            passage.level_db, int(FLOOR_S * passage.frames_per_s), axis=0, mode="nearest"
        ).astype(np.float32)
        self._n_fed += 1
        rest = passage.rises
        heard: list[Heard] = []
        found_any = False
        for known in self.known:
            pump = self._follow(known, rest, passage, floor_db)
            if pump is not None:
                found_any = True
                self._remember(known, pump, rest, floor_db, passage)
                heard.append(self._collect(known, pump, rest, floor_db, passage))
                rest = without(rest, pump)
            else:
                known.absent += 1
                heard.append(self._strays_only(known, rest, floor_db, passage))
        if self._worth_searching(found_any):
            while len(self.known) < self.settings.pumps_max:
                pump = search(rest, passage.level_db, floor_db, passage.frames_per_s, self.settings)
                if pump is None or (self.known and self._double(pump)):
                    break
                known = self._meet(pump, rest, floor_db, passage)
                heard.append(self._collect(known, pump, rest, floor_db, passage))
                rest = without(rest, pump)
                found_any = True
        self._idle = 0 if found_any else self._idle + 1
        return heard

    def _worth_searching(self, found_any: bool) -> bool:
        """A full search costs a second of work a minute: now and then for a second pump, rarer in a long silence."""
        if len(self.known) >= self.settings.pumps_max:
            return False
        if found_any:
            return self._n_fed in (1, 2, 4) or self._n_fed % 16 == 0
        return self._idle < 8 or self._idle % 3 == 0

    def _follow(
        self, known: Known, rises: NDArray[np.float32], passage: Passage, floor_db: NDArray[np.float32]
    ) -> PumpHeard | None:
        field_ = Field.of(rises, floor_db)
        series = first_guess(field_, field_.features @ known.weights, known.period, self.settings, rounds=2)
        enough = max(self.settings.evidence_min, 0.3 * known.evidence_per_frame * len(rises))
        if series is None or not 0.7 < series.period / known.period < 1.4 or series.evidence < enough:
            found = search(rises, passage.level_db, floor_db, passage.frames_per_s, self.settings, settled=False)
            if found is None or not self._same_sound(known, found.series, field_):
                return None
            series = found.series
        return settle(series, rises, passage.level_db, floor_db, passage.frames_per_s, self.settings)

    def _same_sound(self, known: Known, series: Series, field_: Field) -> bool:
        likeness = float(fingerprint(field_, series.frames) @ known.print_)
        return likeness > self.settings.stray_alike or series.evidence < self.settings.evidence_min

    def _double(self, pump: PumpHeard) -> bool:
        """Whether a newly found series only repeats a known pump at its own rate (its third sound, an echo)."""
        for known in self.known:
            ratio = pump.series.period / known.period
            for n in (0.5, 1.0, 2.0, 3.0):
                if abs(ratio / n - 1) < 0.012:
                    return True
        return pump.series.evidence < 2 * self.settings.evidence_min

    def _meet(
        self, pump: PumpHeard, rises: NDArray[np.float32], floor_db: NDArray[np.float32], passage: Passage
    ) -> Known:
        field_ = Field.of(rises, floor_db)
        series = pump.series
        print_ = fingerprint(field_, series.frames)
        known = Known(
            pump=len(self.known) + 1,
            weights=series.weights,
            print_=print_,
            alike=float(np.median(alike(field_, series.frames, print_))),
            expected_z=series.typical_z,
            period=series.period,
            evidence_per_frame=series.evidence / len(rises),
            strength_db=0.0,
            slam_odds=pump.slam_odds,
            rush_odds=pump.rush_t,
        )
        self.known.append(known)
        return known

    def _remember(
        self,
        known: Known,
        pump: PumpHeard,
        rises: NDArray[np.float32],
        floor_db: NDArray[np.float32],
        passage: Passage,
    ) -> None:
        series = pump.series
        known.n_passages += 1
        known.absent = 0
        known.period = series.period
        if series.evidence > 0.5 * known.evidence_per_frame * len(rises):
            field_ = Field.of(rises, floor_db)
            known.weights = series.weights
            known.print_ = fingerprint(field_, series.frames)
            known.alike = float(np.median(alike(field_, series.frames, known.print_)))
            known.expected_z = series.typical_z
            known.evidence_per_frame = series.evidence / len(rises)
        known.rush_odds += pump.rush_t
        known.slam_odds += pump.slam_odds

    def _collect(
        self,
        known: Known,
        pump: PumpHeard,
        rises: NDArray[np.float32],
        floor_db: NDArray[np.float32],
        passage: Passage,
    ) -> Heard:
        series = pump.series
        field_ = Field.of(rises, floor_db)
        reopen = reopening_frames(pump, rises)
        taken = np.sort(np.concatenate([series.frames, reopen[np.isfinite(reopen)].astype(np.intp)]))
        strays, stray_z = find_strays(
            field_,
            series.weights,
            known.print_,
            known.alike,
            series.typical_z,
            taken,
            series.period,
            self.settings,
        )
        between = np.searchsorted(series.frames, strays)
        inside = (between > 0) & (between < len(series.frames))
        gap = np.full(len(strays), np.inf)
        gap[inside] = series.frames[between[inside]] - series.frames[between[inside] - 1]
        # between two slams one period apart there is no third: the valve is on its way
        strays, stray_z = strays[gap > 1.6 * series.period], stray_z[gap > 1.6 * series.period]
        frames = np.concatenate([series.frames, strays])
        confident = np.concatenate(
            [
                confidence(series.z_honest, series.typical_z, on_beat=True),
                confidence(stray_z, series.typical_z, on_beat=False),
            ]
        )
        reopen = np.concatenate([reopen, np.full(len(strays), np.nan)])
        on_beat = np.concatenate([np.ones(len(series.frames), bool), np.zeros(len(strays), bool)])
        loudness = field_.loudness(series.weights, series.frames)
        return self._kept(known, frames, confident, reopen, on_beat, loudness, passage)

    def _strays_only(
        self, known: Known, rises: NDArray[np.float32], floor_db: NDArray[np.float32], passage: Passage
    ) -> Heard:
        field_ = Field.of(rises, floor_db)
        strays, z = find_strays(
            field_,
            known.weights,
            known.print_,
            known.alike,
            known.expected_z,
            np.zeros(0, dtype=np.intp),
            known.period,
            self.settings,
        )
        nothing = np.full(len(strays), np.nan)
        off_beat = np.zeros(len(strays), bool)
        loudness = np.zeros(len(rises), dtype=np.float32)
        return self._kept(
            known, strays, confidence(z, known.expected_z, on_beat=False), nothing, off_beat, loudness, passage
        )

    def _kept(
        self,
        known: Known,
        frames: Frames,
        confident: NDArray[np.float32],
        reopen: NDArray[np.float64],
        on_beat: NDArray[np.bool_],
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
            on_beat=on_beat[order],
            audible_z=(known.expected_z * 10 ** (-loudest / 20)).astype(np.float32),
        )


def reopening_frames(pump: PumpHeard, rises: NDArray[np.float32]) -> NDArray[np.float64]:
    """Frame of the reopening after each slam, NaN where none stands out: float64 (n,)."""
    result = np.full(len(pump.series.frames), np.nan)
    if pump.reopening is None:
        return result
    onset = np.maximum(0.5 * (rises[:, :, 0] + rises[:, :, 1]), 0).sum(axis=1)
    usual = np.percentile(onset, 75)
    reach = max(3, int(0.12 * pump.reopening.lag))
    for i, frame in enumerate(pump.series.frames):
        first = frame + pump.reopening.lag - reach
        window = onset[max(0, first) : first + 2 * reach + 1]
        if len(window) > reach and (best := int(np.argmax(window))) and window[best] > usual:
            result[i] = max(0, first) + best
    return result


def strengths(level_db: NDArray[np.float32], frames: Frames) -> NDArray[np.float32]:
    """Level of the first 20 ms over that of the 60 ms before, in the octave where it stands out most, dB."""
    if len(frames) == 0:
        return np.zeros(0, dtype=np.float32)
    power = 10 ** (level_db[:, :] / 10)
    width = 4  # about an octave of bands
    total = np.concatenate([np.zeros((len(power), 1), np.float32), np.cumsum(power, axis=1)], axis=1)
    octave = total[:, width:] - total[:, :-width]
    after = octave[np.clip(frames + 2, 0, len(power) - 1)]
    before = np.mean([octave[np.clip(frames - k, 0, len(power) - 1)] for k in range(3, 15)], axis=0)
    result: NDArray[np.float32] = (10 * np.log10((after + 1e-12) / (before + 1e-12))).max(axis=1)
    return result.astype(np.float32)

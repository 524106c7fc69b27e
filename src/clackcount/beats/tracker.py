"""Passage after passage: which pumps are known, and the slams of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.cycle import knock_near
from clackcount.beats.heard import Heard, collect, strays_only
from clackcount.beats.known import Known, before_pause, goes_on, pace
from clackcount.beats.pumps import PumpHeard, Scene, search, settle, shifted
from clackcount.beats.series import Series, elsewhere, first_guess, refine
from clackcount.beats.shaping import within_rhythm
from clackcount.beats.strays import fingerprint
from clackcount.beats.template import standardise
from clackcount.middle import median
from clackcount.model import Passage
from clackcount.settings import BeatsSettings


@dataclass(slots=True)
class Tracker:
    """Follows the pumps of a recording; feed it the passages in order."""

    settings: BeatsSettings
    known: list[Known] = field(default_factory=list)
    scene: Scene | None = None  # the last passage, with nothing taken out
    _n_fed: int = 0
    _n_met: int = 0
    _idle: int = 0

    def feed(
        self,
        passage: Passage,
        searches: Sequence[bool] | None = None,
        brief: bool | None = None,
        *,
        strict: bool = False,
    ) -> list[Heard]:
        """The slams in the kept part of this passage, a Heard for each pump that was heard in it.

        searches: those to make in this passage, True for a quick one; None: as seems worth while. brief: whether the
        cycle of a known pump that goes on as it did is left as it was, for finding it out takes most of the work;
        None: for so many passages, then it is looked at again. strict: what is not at all like the ram that a known
        pump was is not followed: water that rushes through an open valve knocks, too, and would be learned for it.
        """
        self._n_fed += 1
        scene = self.scene = Scene.of(passage)
        whole = searches is None  # a run that ends live has hardly been heard to fade
        heard: list[Heard] = []
        found: list[PumpHeard] = []
        missing: list[Known] = []
        rest = scene  # without what was found, for the next to be followed
        for known in self.known:
            pump = self._follow(known, rest, brief, strict=strict)
            if pump is None:
                missing.append(known)
                continue
            heard.append(collect(known, pump, rest, self.settings, fades=whole))
            found.append(pump)
            if len(self.known) > 1:
                rest = rest.without(pump, whole=False)
        beside: list[PumpHeard] = []  # what another search is spared for
        for quick in self._searches(missing) if searches is None else searches:
            beside = [pump for pump in beside if not self._double(pump, heard, passage)]
            if not beside:
                emptied = reduce(Scene.without, found, scene)
                settings = self.settings
                if not self._nothing_sure(missing):  # two rams in one recording are rare
                    settings = replace(settings, hypotheses_tried=min(BESIDE_TRIED, settings.hypotheses_tried))
                if found or searches is not None:  # live, it is searched again soon
                    settings = replace(settings, hypotheses_refined=min(FEW_REFINED, settings.hypotheses_refined))
                beside = search(emptied, settings, quick=quick)
            if not beside or (heard and self._double(beside[0], heard, passage)):
                break
            pump = beside.pop(0)
            merged = self._both_rates(pump, found, scene)
            if merged is not None:
                i, both = merged
                hopping = next(known for known in self.known if known.pump == heard[i].pump)
                hopping.correct(found[i], both, scene)
                heard[i], found[i] = collect(hopping, both, scene, self.settings, fades=whole), both
                rest = rest.without(both, whole=False)
                continue
            if found:
                fuller = self._fuller(pump, rest)
                pump = pump if self._double(fuller, heard, passage) else fuller
            again = self._known_by_sound(pump.series, missing, rest)
            if again is not None:
                missing.remove(again)
                again.settled, again.n_brief = pump, 0
                again.remember(pump, rest)
            elif self._room_for(pump, missing):
                self._n_met += 1
                again = Known.of(self._n_met, pump, rest)
                self.known.append(again)
            else:
                break
            heard.append(collect(again, pump, rest, self.settings, fades=whole))
            found.append(pump)
            rest = rest.without(pump, whole=False)
        self._idle = 0 if heard else self._idle + 1
        return heard + [self._left_of(known, rest, whole=whole) for known in missing]

    def _left_of(self, known: Known, scene: Scene, *, whole: bool) -> Heard:
        """What is heard in the kept part of a passage of a pump that does not beat in it, or stops in its beginning.

        whole: where the passage before was kept up to its margin only, what was heard in that margin stands.
        """
        was, frames = known.last.series, known.handed_over(scene)
        z_honest = was.z_honest[len(was.frames) - len(frames) :]
        n = before_pause(frames, was.period)  # what came after it had stopped may be anything
        frames, z_honest = frames[:n], z_honest[:n]
        kept_from = scene.passage.keep[0]
        if not whole or len(frames) == 0 or not frames[0] < kept_from <= frames[-1]:
            return strays_only(known, scene, self.settings)
        z = standardise(scene.field.features @ was.weights, frames - was.late)
        series = replace(was, frames=frames, z=z, z_honest=z_honest)
        return collect(known, replace(known.last, series=series), scene, self.settings, fades=True)

    def _searches(self, missing: list[Known]) -> list[bool]:
        """The searches to make in this passage, True for a quick one; missing: the known pumps not heard in it.

        A full search costs more than all the rest of the work on a minute of sound. It is made while nothing is
        known, again when what was known is gone, now and then for a second pump, and rarely in a long silence.
        """
        if not self._nothing_sure(missing):
            early = len(self.known) < self.settings.pumps_max and self._n_fed in (1, 3)
            sure = [known for known in self.known if not known.doubtful(self.settings)]
            return [False] if early or (len(sure) < self.settings.pumps_max and self._n_fed % 64 == 32) else []
        if self._idle < 2 or self._idle % 8 == 0:
            return [False] * (self.settings.pumps_max if self._n_fed <= 2 or not self.known else 1)
        return [True]

    def _nothing_sure(self, missing: list[Known]) -> bool:
        """Whether all that was heard in this passage may be steps or birds: a ram beside them is to be looked for."""
        return all(known in missing or known.doubtful(self.settings) for known in self.known)

    def _room_for(self, pump: PumpHeard, missing: list[Known]) -> bool:
        """Whether another pump can be followed; the doubtful one that is least like a ram, and less, is let go.

        Beside a ram that is sure, what is nothing like one is not: it would be looked for to the end.
        """
        if pump.ram_odds < self.settings.ram_odds_min - UNLIKE_ODDS and not self._nothing_sure(missing):
            return False
        if len(self.known) < self.settings.pumps_max:
            return True
        doubtful = [known for known in self.known if known.doubtful(self.settings) and known.ram_odds < pump.ram_odds]
        if doubtful:
            least = min(doubtful, key=lambda known: known.ram_odds)
            self.known.remove(least)
            if least in missing:
                missing.remove(least)
        return bool(doubtful)

    def _fuller(self, pump: PumpHeard, scene: Scene) -> PumpHeard:
        """A pump found beside another, followed through where that one was taken out whole."""
        was, field_ = pump.series, scene.field
        series = first_guess(field_, field_.features @ was.weights, was.period, self.settings, rounds=2, like=was)
        if series is None or len(series.frames) <= len(was.frames):
            return pump
        fuller = settle(series, scene, self.settings, prior=SLAM_ODDS_MAX)
        return fuller if fuller.ram_odds > pump.ram_odds else pump

    def _both_rates(self, pump: PumpHeard, found: list[PumpHeard], scene: Scene) -> tuple[int, PumpHeard] | None:
        """The pump of ``found``, by its place, that this one is at another rate, with its slams at both; else None.

        Two rams beat at the same time; one that hops is silent at one rate while it beats at the other.
        """
        print_ = fingerprint(scene.field, pump.series.frames)
        for i, other in enumerate(found):
            alike = float(print_ @ fingerprint(scene.field, other.series.frames))
            if alike < self.settings.stray_alike or not elsewhere(pump.series.frames, other.series):
                continue
            frames = np.union1d(pump.series.frames, other.series.frames)
            period = float(median(np.diff(frames)))
            series = refine(scene.field, frames, period, self.settings, rounds=2, even=False)
            if series is None or series.evidence < BOTH_EXPLAIN * other.series.evidence:
                continue
            both = settle(series, scene, self.settings, prior=SLAM_ODDS_MAX)
            # that it goes like a ram at one rate is no less true for its going on at another
            both = replace(both, ram_odds=max(both.ram_odds, other.ram_odds))
            if both.ram_odds > self.settings.ram_odds_min:
                return i, both
        return None

    def _follow(self, known: Known, scene: Scene, brief: bool | None, *, strict: bool) -> PumpHeard | None:
        if brief is None:
            brief = known.n_passages >= PROVEN and known.n_brief < self.settings.brief_passages
        enough = self._enough(known, scene.n_frames)
        pump = self._again(known, scene) if brief else None
        if pump is not None and pump.series.evidence >= enough:
            known.n_brief += 1
        else:
            series = self._by_sound(known, scene)
            if series is None or not 0.7 < pace(series) / known.pace < 1.4:
                return None
            if series.evidence < enough:
                series = known.until_pause(series, scene)
                if series is None or series.evidence < self._enough(known, int(series.frames[-1])):
                    return None
                # the end of a run, where it may fade, is no place to look for its cycle
                pump = self._unsettled(known, series, scene)
            else:
                prior = min(max(known.slam_odds, 0.0), SLAM_ODDS_MAX)
                pump = settle(series, scene, self.settings, prior=prior)
                if covered(pump.series) < COVERED_MIN * covered(series):
                    pump = self._unsettled(known, series, scene)
                if strict and pump.ram_odds < min(0.0, known.best_odds - FALLEN_ODDS):
                    return None
                known.settled, known.n_brief = pump, 0
        known.remember(pump, scene)
        return pump

    def _enough(self, known: Known, n_frames: int) -> float:
        """The evidence that a series must have to be a known pump that beats for so many frames."""
        return max(self.settings.evidence_min, ENOUGH * known.evidence_per_frame * n_frames)

    def _by_sound(self, known: Known, scene: Scene) -> Series | None:
        """What sounds like a known pump and beats about as fast: evenly, or at its own intervals if these are not."""
        field_, was = scene.field, known.settled.series
        score = field_.features @ known.weights
        series = first_guess(field_, score, known.period, self.settings, rounds=2)
        if not was.even:
            loose = first_guess(field_, score, known.period, self.settings, rounds=2, like=was)
            loose = None if loose is None else within_rhythm(loose, self.settings)
            if series is None or (loose is not None and loose.evidence > LOOSE_ADVANTAGE * series.evidence):
                series = loose
        if series is None:
            return None
        # learned anew it may have gone over to something else that knocks
        knocks = shifted(series, known.late, scene.n_frames).frames
        alike = float(fingerprint(field_, knocks) @ known.print_)
        return series if alike > self.settings.stray_alike else None

    def _again(self, known: Known, scene: Scene) -> PumpHeard | None:
        """A known pump by its sound and its intervals, its cycle as it was; None where it does not go on so."""
        was = known.settled.series
        field_ = scene.field
        series = first_guess(field_, field_.features @ known.weights, known.period, self.settings, like=was)
        if series is not None and not was.even:
            series = within_rhythm(series, self.settings)
        return None if series is None or not goes_on(series, was) else self._unsettled(known, series, scene)

    def _unsettled(self, known: Known, series: Series, scene: Scene) -> PumpHeard:
        """A known pump with these slams, its cycle as it was."""
        knock = knock_near(scene.passage.level_db, series.frames, known.settled.series.late)
        return replace(known.settled, series=shifted(series, knock.lag, scene.n_frames))

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


UNLIKE_ODDS = 4.0
FALLEN_ODDS = 8.0  # below the most it ever had
ENOUGH = 0.3
BESIDE_TRIED, FEW_REFINED = 8, 3
PROVEN = 3  # passages in each of which the cycle of a new pump is looked at
LOOSE_ADVANTAGE = 1.25  # what must be explained more, as free intervals take in water and steps besides
COVERED_MIN = 0.7  # a second look at the cycle that loses more of its beats than that has gone astray


BOTH_EXPLAIN = 1.1


def covered(series: Series) -> float:
    """How many frames of a passage the beats of a series fill, whatever its rate."""
    return len(series.frames) * pace(series)


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
    single = last - first < 1.5 * median(np.diff(beat))
    phase = 2 * np.pi * ((frames[inside] - first) / (last - first))[single]
    if len(phase) < 4:
        return 0.0
    return float(max(abs(np.exp(1j * phase).mean()), abs(np.exp(2j * phase).mean())))


SLAM_ODDS_MAX = 3.0  # what was taken for the slam before may yet turn out to be the reopening

"""What is remembered of a pump from passage to passage, and whether it goes on as it did."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.gaps import is_single
from clackcount.beats.pumps import PumpHeard, Scene
from clackcount.beats.series import Series, fullness
from clackcount.beats.shaping import SMOOTH
from clackcount.beats.signs import roughness
from clackcount.beats.strays import alike, fingerprint
from clackcount.beats.template import SAME_REACH, Frames, distance
from clackcount.middle import median
from clackcount.settings import BeatsSettings


@dataclass(slots=True, eq=False)
class Known:
    """What is remembered of a pump from passage to passage.

    period, pace: median and mean interval, frames. slam_odds: log odds that its slams are not its reopenings.
    rush_t, odds: sums over the n_passages. settled: as it was when its cycle was last looked at thoroughly, n_brief
    passages ago. last: as it was in the passage in which it was heard last, which began at frame last_from.
    """

    pump: int
    weights: NDArray[np.float32]
    print_: NDArray[np.float32]
    settled: PumpHeard
    last: PumpHeard
    alike: float = 0.0
    expected_z: float = 0.0
    period: float = 0.0
    pace: float = 0.0
    evidence_per_frame: float = 0.0
    late: int = 0
    slam_odds: float = 0.0
    rush_t: float = 0.0
    odds: float = 0.0
    best_odds: float = -np.inf
    n_passages: int = 0
    n_brief: int = 0
    last_from: int = 0

    @classmethod
    def of(cls, number: int, pump: PumpHeard, scene: Scene) -> Known:
        """A pump met for the first time."""
        known = cls(number, pump.series.weights, fingerprint(scene.field, pump.series.frames), pump, pump)
        known.remember(pump, scene)
        return known

    def remember(self, pump: PumpHeard, scene: Scene) -> None:
        """Take in what it was in another passage; its sound, where it was not much fainter than before."""
        series, field_ = pump.series, scene.field
        self.last, self.last_from = pump, scene.passage.first_frame
        self.n_passages += 1
        self.period, self.pace = series.period, pace(series)
        self.slam_odds = pump.slam_odds
        self.rush_t += pump.rush_t
        self.odds += pump.ram_odds
        self.best_odds = max(self.best_odds, pump.ram_odds)
        if series.evidence > 0.5 * self.evidence_per_frame * scene.n_frames:
            self.weights = series.weights
            self.late = series.late
            self.print_ = fingerprint(field_, series.frames)
            self.alike = float(median(alike(field_, series.frames, self.print_)))
            self.expected_z = series.typical_z
            self.evidence_per_frame = series.evidence / scene.n_frames

    def correct(self, was: PumpHeard, pump: PumpHeard, scene: Scene) -> None:
        """It was otherwise in the passage that was taken in last."""
        self.n_passages -= 1
        self.rush_t -= was.rush_t
        self.odds -= was.ram_odds
        self.settled = pump
        self.remember(pump, scene)

    @property
    def ram_odds(self) -> float:
        """Log odds of being a ram: the mean over the passages where it was heard, or those of the likeliest passage.

        A passage in which it stops or is pushed says little. The likeliest of n is held to be one n-th as likely.
        """
        return max(self.odds / self.n_passages, self.best_odds - float(np.log(self.n_passages)))

    def handed_over(self, scene: Scene) -> Frames:
        """What was heard of it in the passage before this one, as far as it lies in this one too, frames of this."""
        frames = self.last.series.frames + (self.last_from - scene.passage.first_frame)
        return frames[(frames >= 0) & (frames < scene.n_frames)]

    def continued_by(self, frames: Frames, scene: Scene) -> bool:
        """Whether these are the slams of this pump where this passage overlaps the one before."""
        before = self.handed_over(scene)
        if len(before) < OVERLAP_MIN or len(frames) == 0:
            return False
        return float(np.mean(distance(before, frames) <= SAME_REACH)) > OVERLAP_SHARE

    def until_pause(self, series: Series, scene: Scene) -> Series | None:
        """What goes on from the passage before, up to the first pause; None where the series does not."""
        if not self.continued_by(series.frames + self.late - series.late, scene):
            return None
        n, of = before_pause(series.frames, series.period), len(series.frames)
        return replace(
            series, frames=series.frames[:n], z_honest=series.z_honest[:n], evidence=series.evidence * n / of
        )

    def doubtful(self, settings: BeatsSettings) -> bool:
        """Whether what was heard of it so far would not be taken for a ram."""
        return self.ram_odds < settings.ram_odds_min


def before_pause(frames: Frames, period: float) -> int:
    """How many of these beats come before the first pause."""
    pauses = np.flatnonzero(np.diff(frames) > PAUSE * period)
    return int(pauses[0]) + 1 if len(pauses) else len(frames)


PAUSE = 2.5  # periods
OVERLAP_MIN, OVERLAP_SHARE = 4, 0.6


def pace(series: Series) -> float:
    """Mean interval of one beat, frames: where long and short take turns the median is now one and now the other."""
    interval = np.diff(series.frames)
    single = interval[is_single(np.log(interval / series.period))]
    return float(single.mean()) if len(single) else series.period


def goes_on(series: Series, was: Series) -> bool:
    """Whether a pump beats on as it did: as few beats missing, as even, and each slam explaining as much."""
    each, before = series.evidence / len(series.frames), was.evidence / len(was.frames)
    rough = roughness(series.frames, series.period)
    return (
        0.85 < pace(series) / pace(was) < 1.18
        and each > FAINTER * before
        and EMPTIER < fullness(series) / fullness(was) < FULLER
        and rough < max(SMOOTH, ROUGHER * roughness(was.frames, was.period))
    )


# Than when its cycle was last looked at, and yet the same. Fuller, and that was a passage in which it stopped.
FAINTER, EMPTIER, FULLER, ROUGHER = 0.85, 0.97, 1.05, 1.25

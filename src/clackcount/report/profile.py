"""How loud each moment of a beat is, over many beats laid on one another at the slam. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clackcount.model import Beat, Excerpt, FloatArray, Listening, SlamTrain

BEFORE, AFTER = 0.12, 1.12  # from so much of a beat before the slam to so much after it: one slam at either end
STEP_S = 0.02
STEPS_A_BEAT = 40  # of fast rams, whose whole beat is a sixth of a second
QUANTILES = (0.1, 0.5, 0.9)
MOST_BEATS = 120
_FEWEST_BEATS = 5
_ODD = 0.15  # a beat longer or shorter than the mean by more than this is not laid on the others
_FLOOR_QUANTILE = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """One beat opened up.

    edge_s: float64 (n + 1,), edges of the steps, from the slam on. low_db, middle_db, high_db: float64 (n,), loudness
    above the quietest part of the beat, the middle and the range of four in five beats. reopen_s, next_slam_s: from
    the slam on, one for each beat where it was heard. shut_s: median of reopen_s, None where not heard.
    """

    beat: Beat
    n_beats: int
    edge_s: FloatArray
    low_db: FloatArray
    middle_db: FloatArray
    high_db: FloatArray
    reopen_s: FloatArray
    next_slam_s: FloatArray

    @property
    def shut_s(self) -> float | None:
        """How long the valve stays shut: the median where at least half of the beats tell."""
        return float(np.median(self.reopen_s)) if 2 * len(self.reopen_s) >= self.n_beats else None


def of(listening: Listening, excerpt: Excerpt) -> Profile | None:
    """The profile of the loudest ram's beat in the excerpt; None where too few of its beats lie in it.

    Loudness is the mean square of the sample-to-sample differences, which leaves wind and handling out.
    """
    if not listening.beats.pumps:
        return None
    beat = listening.beats.pumps[0]
    period_s = 60.0 / beat.rate_per_min
    slam_s, next_s, reopen_s = _beats_in(listening.beats.train.of_pump(beat.pump), beat, excerpt, period_s)
    if len(slam_s) < _FEWEST_BEATS:
        return None
    step_s = min(STEP_S, period_s / STEPS_A_BEAT)
    n_before, n_after = int(BEFORE * period_s / step_s), int(AFTER * period_s / step_s)
    edge_s: FloatArray = np.arange(-n_before, n_after + 1, dtype=np.float64) * step_s
    levels_db = _levels_db(excerpt, slam_s, edge_s)
    low_db, middle_db, high_db = np.quantile(levels_db, QUANTILES, axis=0)
    floor_db = float(np.quantile(middle_db, _FLOOR_QUANTILE))
    return Profile(
        beat, len(slam_s), edge_s, low_db - floor_db, middle_db - floor_db, high_db - floor_db,
        (reopen_s - slam_s)[np.isfinite(reopen_s)], next_s - slam_s,
    )  # fmt: skip


def _beats_in(
    train: SlamTrain, beat: Beat, excerpt: Excerpt, period_s: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slams of whole beats inside the excerpt, the slam after each, and its reopening (NaN where not heard)."""
    slam_s, next_s, reopen_s = train.time_s[:-1], train.time_s[1:], train.reopen_s[:-1]
    start_s = max(beat.start_s - 1e-6, excerpt.start_s + (BEFORE + 0.01) * period_s)
    end_s = min(beat.end_s + 1e-6, excerpt.end_s - 0.01 * period_s)
    good = (slam_s >= start_s) & (slam_s + (AFTER + 0.02) * period_s <= excerpt.end_s) & (next_s <= end_s)
    good &= np.abs((next_s - slam_s) / period_s - 1) < _ODD
    chosen = np.flatnonzero(good)[:MOST_BEATS]
    return slam_s[chosen], next_s[chosen], reopen_s[chosen]


def _levels_db(excerpt: Excerpt, slam_s: FloatArray, edge_s: FloatArray) -> FloatArray:
    """float64 (n_beats, n_steps), level of each step of each beat, dB."""
    at = np.rint((slam_s[:, None] - excerpt.start_s + edge_s[None, :]) * excerpt.sample_rate_hz).astype(np.int64)
    at = np.clip(at, 0, len(excerpt.samples) - 1)
    first = int(at.min())
    steps = np.diff(excerpt.samples[first : int(at.max()) + 1]).astype(np.float64)
    energy = np.concatenate([[0.0], np.cumsum(steps * steps)])
    at -= first
    mean = np.diff(energy[at], axis=1) / np.maximum(np.diff(at, axis=1), 1)
    return np.asarray(10 * np.log10(np.maximum(mean, 0) + 1e-14))

"""From the rises of one passage to a series of slams: hypotheses, paths, templates, and the honest score."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from clackcount.beats.path import best_path
from clackcount.beats.rhythm import Rhythm, measure_rhythm
from clackcount.beats.template import Field, Frames, cross_score, gain, learn, local_maxima, normal_score, standardise
from clackcount.settings import BeatsSettings


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Moments in one passage that share a sound and a period.

    frames (n,): frame numbers in the passage. period: median interval, frames. z: score of every frame under the
    template, z_honest: cross-validated score of the members. evidence: total gain of the path, honest.
    """

    frames: Frames
    period: float
    spread: float
    weights: NDArray[np.float32]
    z: NDArray[np.float32]
    z_honest: NDArray[np.float32]
    evidence: float

    @property
    def typical_z(self) -> float:
        """Mean honest score of the members."""
        return float(self.z_honest.mean())


def onsets_of(rises: NDArray[np.float32]) -> NDArray[np.float32]:
    """Rectified rise right at each frame in each band, in the band's own deviations, float32 (n_frames, n_bands)."""
    onset = np.maximum(0.5 * (rises[:, :, 0] + rises[:, :, 1]), 0)
    result: NDArray[np.float32] = np.minimum(onset / (onset.std(axis=0) + np.float32(1e-9)), 6)
    return result


def find_series(rises: NDArray[np.float32], frames_per_s: float, settings: BeatsSettings) -> list[Series]:
    """All series that several period hypotheses lead to, best evidence first. May hold doubles and octaves."""
    onsets = onsets_of(rises)
    field = Field.of(rises.reshape(len(rises), -1))
    rhythm = measure_rhythm(onsets, frames_per_s)
    first_guesses = []
    for period in hypotheses(rhythm, frames_per_s, settings):
        rarity = normal_score((onsets @ rhythm.weights_at(period)).astype(np.float32))
        # one slam a period: a frame is interesting when it is among the highest two or three in a period
        usual = float(ndtri(1 - 3 / period))
        guess = refine(field, rarity - usual, period, settings, rounds=1, typical_z=None)
        if guess is not None:
            first_guesses.append(guess)
    first_guesses.sort(key=lambda series: -series.evidence)
    found: list[Series] = []
    for guess in first_guesses:
        if len(found) >= settings.hypotheses_refined:
            break
        if any(same_series(guess, other) for other in found):
            continue
        series = refine(field, guess.z, guess.period, settings, rounds=3, typical_z=guess.typical_z)
        if series is not None:
            found.append(series)
    found.sort(key=lambda series: -series.evidence)
    return found


def same_series(one: Series, other: Series) -> bool:
    """Whether two series are mostly the same moments."""
    near = np.abs(one.frames[:, None] - other.frames[None, :]).min(axis=1) <= 2
    return bool(near.mean() > 0.7 and 0.8 < one.period / other.period < 1.25)


def hypotheses(rhythm: Rhythm, frames_per_s: float, settings: BeatsSettings) -> list[float]:
    """Periods to try, frames: the strongest lags, their halves and thirds, and a grid of slow ones.

    A slow ram beats too few times in a passage for its autocorrelation to stand out, and trying it is cheap.
    """
    peaks = rhythm.periods(settings.hypotheses_tried)
    slow = np.exp(np.arange(np.log(1.0), np.log(60 / settings.slowest_per_min), 0.09)) * frames_per_s
    tried: list[float] = []
    for period in [*peaks, *peaks[:4] / 2, *peaks[:2] / 3, *slow]:
        in_range = period * settings.fastest_per_min >= 60 * frames_per_s
        if in_range and all(abs(np.log(period / other)) > 0.015 for other in tried):
            tried.append(float(period))
    return tried


def walk(
    z: NDArray[np.float32], period: float, spread: float, typical_z: float | None, settings: BeatsSettings
) -> tuple[Frames, float]:
    """Frames of the best path through the local maxima of z, and its total gain.

    typical_z None: z is a rarity less the usual one, and its double is the gain.
    """
    reach = max(3, int(0.1 * period))
    peaks = local_maxima(z, reach)
    peaks = peaks[z[peaks] > (-0.5 if typical_z is None else 0)]
    gains = 2 * z[peaks].astype(np.float64) if typical_z is None else gain(z[peaks], typical_z, settings.gain_max)
    path, total = best_path(
        peaks.astype(np.float64),
        gains,
        period,
        spread,
        settings.missed_cost,
        settings.restart_cost,
    )
    return peaks[path], total


def refine(
    field: Field,
    z: NDArray[np.float32],
    period: float,
    settings: BeatsSettings,
    rounds: int,
    typical_z: float | None,
    spread: float | None = None,
) -> Series | None:
    """Walk, learn the sound, score anew, and walk again; None where fewer than five moments hold together."""
    spread = settings.spread_max if spread is None else spread
    weights = np.zeros(field.features.shape[1], dtype=np.float32)
    for _ in range(rounds):
        frames, _total = walk(z, period, spread, typical_z, settings)
        if len(frames) < MEMBERS_MIN:
            return None
        period, spread = measure_period(frames, period, settings)
        weights = learn(field, frames)
        if not np.any(weights):
            return None
        z = standardise(field.features @ weights, frames)
        typical_z = max(1.5, float(cross_score(field, frames).mean()))
    assert typical_z is not None  # at least one round has set it
    frames, total = walk(z, period, spread, typical_z, settings)
    if len(frames) < MEMBERS_MIN:
        return None
    z_honest = cross_score(field, frames)
    optimism = gain(z[frames], typical_z, settings.gain_max) - gain(z_honest, typical_z, settings.gain_max)
    return Series(frames, period, spread, weights, z, z_honest, total - float(optimism.sum()))


MEMBERS_MIN = 5  # fewer moments can be strung on some period by chance


def measure_period(frames: Frames, period: float, settings: BeatsSettings) -> tuple[float, float]:
    """Median and robust spread (a share, held within settings) of the intervals that are about one period."""
    interval = np.diff(frames)
    single = interval[(interval > 0.7 * period) & (interval < 1.4 * period)]
    if len(single) < 4:
        return period, settings.spread_max
    middle = float(np.median(single))
    spread = 1.3 * 1.4826 * float(np.median(np.abs(single - middle))) / middle
    return middle, float(np.clip(spread, settings.spread_min, settings.spread_max))

"""From the rises of one passage to a series of slams: hypotheses, paths, templates, and the honest score."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from clackcount.beats.examples import Examples
from clackcount.beats.gaps import Gaps, is_single
from clackcount.beats.path import best_path
from clackcount.beats.rhythm import Rhythm, best_chain, measure_rhythm
from clackcount.beats.template import PEAK_REACH, Field, Frames, Scoring, distance, gain, local_maxima, rise_at
from clackcount.settings import BeatsSettings


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Moments in one passage that share a sound and a period.

    frames (n,): frame numbers in the passage. period: median interval, frames. z: score of every frame under the
    template, z_honest: cross-validated score of the members. evidence: total gain of the path, honest. late: how
    many frames the members lie after the peaks of z. even: held together by one
    period, not by intervals of any shape.
    """

    frames: Frames
    period: float
    weights: NDArray[np.float32]
    z: NDArray[np.float32]
    z_honest: NDArray[np.float32]
    evidence: float
    late: int = 0
    even: bool = True

    @property
    def typical_z(self) -> float:
        """Mean honest score of the members."""
        return float(self.z_honest.mean())


def onsets_of(rises: NDArray[np.float32]) -> NDArray[np.float32]:
    """Rectified rise right at each frame in each band, in the band's own deviations, float32 (n_frames, n_bands)."""
    onset = np.maximum(rise_at(rises), 0)
    result: NDArray[np.float32] = np.minimum(onset / (onset.std(axis=0) + np.float32(1e-9)), 6)
    return result


GROUP_BANDS, GROUP_STEP = 6, 3


def grouped(onsets: NDArray[np.float32]) -> NDArray[np.float32]:
    """Sums over overlapping groups of bands, about an octave wide, and over all: float32 (n_frames, n_groups)."""
    n_bands = onsets.shape[1]
    total = np.concatenate([np.zeros((len(onsets), 1), np.float32), np.cumsum(onsets, axis=1)], axis=1)
    first = np.arange(0, max(1, n_bands - GROUP_STEP), GROUP_STEP)
    last = np.minimum(first + GROUP_BANDS, n_bands)
    return np.concatenate([total[:, last] - total[:, first], total[:, -1:]], axis=1)


def find_series(
    rises: NDArray[np.float32],
    field: Field,
    frames_per_s: float,
    settings: BeatsSettings,
    *,
    quick: bool = False,
) -> list[Series]:
    """All series that several period hypotheses lead to, best evidence first. May hold doubles and octaves.

    quick: only the few likeliest rhythms, a tenth of the work.
    """
    onsets = onsets_of(rises)
    examples = Examples.of(rises)
    voices = np.concatenate([onsets, grouped(onsets), examples.alike], axis=1)
    # not kept twice
    examples = replace(examples, alike=voices[:, voices.shape[1] - examples.alike.shape[1] :])
    rhythm = measure_rhythm(
        voices, 60 * frames_per_s / settings.fastest_per_min, 60 * frames_per_s / settings.slowest_per_min
    )
    tried = hypotheses(rhythm, onsets.shape[1], settings, quick)
    if not tried:
        return []
    scores = voices @ np.stack([weights for _period, weights in tried], axis=1).astype(np.float32)
    first_guesses = []
    for (period, _weights), score in zip(tried, scores.T, strict=True):
        score = np.ascontiguousarray(score)
        chained = refine(field, best_chain(score, period), period, settings, rounds=1)
        walked = first_guess(field, score, period, settings)
        first_guesses += [guess for guess in (chained, walked) if guess is not None]
    first_guesses.sort(key=lambda series: -series.evidence)
    found: list[Series] = []
    for guess in first_guesses:
        if len(found) >= (1 if quick else settings.hypotheses_refined):
            break
        if any(same_series(guess, other) or is_part_of(guess, other) for other in found):
            continue
        series = refine(field, guess.frames, guess.period, settings, rounds=3)
        if series is not None and not repeats_within(series):
            found.append(series)
    most = int(FASTEST_PER_S * len(rises) / frames_per_s)
    for family in [] if quick else examples.families(settings.slams_min, most)[: settings.hypotheses_refined]:
        by_sound = sound_first(field, family, settings)
        if by_sound is not None and not any(same_series(by_sound, other) for other in found):
            found.append(by_sound)
    found.sort(key=lambda series: -series.evidence)
    return found


LAG_SPREAD = 2.0  # frames by which a sound of the cycle strays from its lag
FASTEST_PER_S = 7.0  # of any sound that comes again and again


def sound_first(field: Field, family: Frames, settings: BeatsSettings) -> Series | None:
    """A series held together by its sound: a ragged or hopping beat, or strokes by hand, if clear enough.

    family: what sounds alike to begin with; None where it does not stand out.
    """
    expected, scoring = 0.0, None
    for _ in range(2):
        scoring = Scoring.learn(field, family) if len(family) >= settings.slams_min else None
        if scoring is None:
            return None
        expected = float(np.median(scoring.honest(family)))
        candidates = local_maxima(scoring.z, PEAK_REACH)
        family = candidates[scoring.honest(candidates) > 0.5 * expected]
    if scoring is None or len(family) < settings.slams_min or expected < SOUND_MIN_Z:
        return None
    interval = np.diff(family)
    if np.mean(is_single(np.log(interval / np.median(interval)))) < SINGLE_SHARE:
        return None  # now and then, as birds call
    return of_moments(family, scoring, expected, settings)


def of_moments(
    frames: Frames, scoring: Scoring, expected: NDArray[np.floating] | float, settings: BeatsSettings
) -> Series:
    """The series of just these frames, whatever their intervals; expected: what they score, or each of them."""
    interval = np.diff(frames)
    period = float(np.median(interval))
    z_honest = scoring.honest(frames)
    gaps = Gaps.learned(frames, period, settings.missed_cost, settings.change_cost)
    cost = np.minimum(gaps.of(interval.astype(np.float64)), settings.restart_cost)
    evidence = float(gain(z_honest, expected, settings.gain_max).sum() - cost.sum())
    return Series(frames, period, scoring.weights, scoring.z, z_honest, evidence, even=False)


def nearby(field: Field, frames: Frames, reach: int, spread: float = LAG_SPREAD) -> tuple[Frames, Scoring | None]:
    """Each of these moments where, within reach, what they have in common stands out most, and how it is known.

    Frame by frame, for a path of its own may go over to a sound that resembles this one. spread: frames by which one
    strays from where it was due. None where nothing tells them from the rest.
    """
    offset = np.arange(-reach, reach + 1)
    window = np.clip(frames[:, None] + offset[None, :], 0, len(field.features) - 1)
    stray = 0.5 * (offset / spread) ** 2
    scoring = None
    for _ in range(2):
        scoring = Scoring.learn(field, frames) if len(frames) >= MEMBERS_MIN else None
        if scoring is None:
            break
        frames = window[np.arange(len(frames)), np.argmax(scoring.z[window] - stray, axis=1)]
    return frames, scoring


SINGLE_SHARE = 0.8
SOUND_MIN_Z = 6.0  # weaker sounds cannot be told apart without their rhythm


def repeats_within(series: Series) -> bool:
    """Whether the same sound comes again at even parts of the period: an engine's firing, of which this is every nth.

    Two parts are left to the evidence, which favours the shorter period by itself.
    """
    frames = series.frames[:-1][np.diff(series.frames) < 1.5 * series.period]
    if len(frames) < MEMBERS_MIN:
        return False
    usual = float(np.median(series.z[frames]))
    for parts in range(2, 9):
        if series.period / parts > SHORTEST_RAM_FRAMES and parts > 2:
            continue
        lag = np.round(np.arange(1, parts) * series.period / parts).astype(int)
        where = frames[:, None, None] + lag[None, :, None] + np.arange(-1, 2)[None, None, :]
        between = series.z[np.minimum(where, len(series.z) - 1)].max(axis=2)
        if float(np.median(between, axis=0).min()) > 0.6 * usual:
            return True
    return False


SHORTEST_RAM_FRAMES = 26  # 0.13 s


def same_series(one: Series, other: Series) -> bool:
    """Whether two series are mostly the same moments."""
    near = np.abs(one.frames[:, None] - other.frames[None, :]).min(axis=1) <= 2
    return bool(near.mean() > 0.7 and 0.8 < one.period / other.period < 1.25)


def elsewhere(frames: Frames, series: Series) -> bool:
    """Whether these moments lie where the series does not beat, and hardly between two of its beats."""
    if len(frames) == 0:
        return False
    beats = np.diff(series.frames) < 1.6 * series.period
    after = np.searchsorted(series.frames, frames)
    inside = (after > 0) & (after < len(series.frames))
    return float(np.mean(inside & beats[np.clip(after - 1, 0, len(beats) - 1)])) < BETWEEN_MAX


BETWEEN_MAX = 0.2


def is_part_of(one: Series, whole: Series) -> bool:
    """Whether a series is every second, third... moment of another."""
    return one.period > 1.5 * whole.period and bool(np.mean(distance(one.frames, whole.frames) <= 2) > 0.85)


def hypotheses(
    rhythm: Rhythm, n_bands: int, settings: BeatsSettings, quick: bool
) -> list[tuple[float, NDArray[np.float64]]]:
    """Periods to try, frames, each with the weights of the voices to try it on.

    A voice is a band (the first n_bands of them), a group of bands, or likeness to an example. The periods at which a
    voice stands out most are tried with that voice alone, and with all bands by how they stand out there.
    """
    n_voices = rhythm.strength.shape[1]
    tried: list[tuple[float, NDArray[np.float64]]] = []
    periods: list[float] = []
    for period, voice in rhythm.guesses(QUICK_TRIED if quick else settings.hypotheses_tried):
        alone = np.zeros(n_voices)
        alone[voice] = 1
        tried.append((period, alone))
        if all(abs(np.log(period / other)) > 0.1 for other in periods):
            periods.append(period)
    if quick:
        return tried
    return tried + [(period, rhythm.weights_at(period, n_bands)) for period in periods]


QUICK_TRIED = 4


def walk(
    score: NDArray[np.float32], gains: Callable[[Frames], NDArray[np.float64]], gaps: Gaps, settings: BeatsSettings
) -> tuple[Frames, float]:
    """Frames of the best path through the local maxima of the score, and its total gain."""
    peaks = local_maxima(score, max(3, int(0.1 * gaps.period)))
    gain_at = gains(peaks)
    # peaks far below what any slam scores never lie on the path; leaving them out shortens its search
    worth = gain_at > -WORTHLESS
    peaks, gain_at = peaks[worth], gain_at[worth]
    path, total = best_path(peaks.astype(np.float64), gain_at, gaps, settings.restart_cost)
    return peaks[path], total


WORTHLESS = 2.0


def first_guess(
    field: Field,
    score: NDArray[np.float32],
    period: float,
    settings: BeatsSettings,
    rounds: int = 1,
    like: Series | None = None,
) -> Series | None:
    """The series that a first, unlearned score leads to; like: one whose intervals it has, where they are not even.

    A moment gains by the rarity of its score among all moments, over what is usual for one slam a period: the second
    or third highest frame in a period. Rarity, because nothing is known yet of the tails of this noise.
    """
    ordered = np.sort(score)
    usual = float(ndtri(1 - 3 / period))

    def gains(peaks: Frames) -> NDArray[np.float64]:
        rank = (np.searchsorted(ordered, score[peaks]) + 0.5) / (len(score) + 1)
        return np.asarray(2 * (ndtri(rank) - usual), dtype=np.float64)

    if like is None or like.even:
        even, gaps = True, Gaps.even(period, settings.spread_max, settings.missed_cost)
    else:
        even, gaps = False, Gaps.learned(like.frames, period, settings.missed_cost, settings.change_cost)
    frames, _total = walk(score, gains, gaps, settings)
    return refine(field, frames, period, settings, rounds, even=even)


def refine(
    field: Field, frames: Frames, period: float, settings: BeatsSettings, rounds: int, *, even: bool = True
) -> Series | None:
    """Learn the members' sound, score anew, walk again; None where fewer than five moments hold together.

    even: one period that may wander; otherwise intervals of whatever shape they are found in. Of the rounds the one
    with the most evidence is kept.
    """
    result: Series | None = None
    scoring, usual = None, (0.0, 0.0)
    for _ in range(rounds):
        if len(frames) < MEMBERS_MIN:
            break
        period, spread = measure_period(frames, period, settings)
        if scoring is None or not np.array_equal(frames, scoring.members):
            scoring = Scoring.learn(field, frames)
        elif not even or (period, spread) == usual:
            break  # another round would come to the same
        if scoring is None:
            break
        usual = period, spread
        if even:
            gaps = Gaps.even(period, spread, settings.missed_cost)
        else:
            period = float(np.median(np.diff(frames)))
            gaps = Gaps.learned(frames, period, settings.missed_cost, settings.change_cost)
        expected = max(1.5, float(scoring.honest(frames).mean()))
        loudness = field.loudness(scoring.weights, frames)
        worth = partial(_worth, scoring.z, expected, loudness, settings.gain_max)
        frames, total = walk(scoring.z, worth, gaps, settings)
        if len(frames) < MEMBERS_MIN:
            break
        z_honest = scoring.honest(frames)
        honest = gain(z_honest, expected, settings.gain_max, loudness[frames])
        evidence = total - float((worth(frames) - honest).sum())
        if result is None or evidence > result.evidence:
            result = Series(frames, period, scoring.weights, scoring.z, z_honest, evidence, even=even)
    return result


def _worth(
    z: NDArray[np.float32], expected: float, loudness: NDArray[np.float32], most: float, peaks: Frames
) -> NDArray[np.float64]:
    return gain(z[peaks], expected, most, loudness[peaks])


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

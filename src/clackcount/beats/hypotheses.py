"""Which series a passage may hold: hypotheses from its rhythm and its sounds, each followed to a series."""

from __future__ import annotations

from dataclasses import replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.examples import Examples
from clackcount.beats.gaps import is_single
from clackcount.beats.rhythm import Rhythm, best_chain, measure_rhythm
from clackcount.beats.series import MEMBERS_MIN, Series, first_guess, of_moments, refine
from clackcount.beats.signs import at_best
from clackcount.beats.template import PEAK_REACH, Field, Frames, Scoring, distance, local_maxima, rise_at
from clackcount.middle import median
from clackcount.settings import BeatsSettings


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
    # a talker explains more than a slow ram behind him, and is less like one
    likely = sorted(first_guesses, key=lambda series: -at_best(series, frames_per_s))
    first_guesses.sort(key=lambda series: -series.evidence)
    found: list[Series] = []
    for guess in chain.from_iterable(zip(first_guesses, likely, strict=True)):
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
        expected = float(median(scoring.honest(family)))
        candidates = local_maxima(scoring.z, PEAK_REACH)
        family = candidates[scoring.honest(candidates) > 0.5 * expected]
    if scoring is None or len(family) < settings.slams_min or expected < SOUND_MIN_Z:
        return None
    interval = np.diff(family)
    if np.mean(is_single(np.log(interval / median(interval)))) < SINGLE_SHARE:
        return None  # now and then, as birds call
    return of_moments(family, scoring, expected, settings)


SINGLE_SHARE = 0.8
SOUND_MIN_Z = 6.0  # weaker sounds cannot be told apart without their rhythm


def repeats_within(series: Series) -> bool:
    """Whether the same sound comes again at even parts of the period: an engine's firing, of which this is every nth.

    Two parts are left to the evidence, which favours the shorter period by itself.
    """
    frames = series.frames[:-1][np.diff(series.frames) < 1.5 * series.period]
    if len(frames) < MEMBERS_MIN:
        return False
    usual = float(median(series.z[frames]))
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

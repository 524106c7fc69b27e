"""Likeness to single moments: what no band shows, all of them together may."""

from __future__ import annotations

import numpy as np

from clackcount.beats.examples import EXAMPLES, Examples
from clackcount.beats.hypotheses import grouped, onsets_of
from clackcount.beats.rhythm import measure_rhythm

N_FRAMES, N_BANDS, PERIOD = 9000, 36, 430.0


def faint_beat(seed: int, height: float) -> np.ndarray:
    """Gusts in all bands, noise in each, and in scattered bands a sound every 2.15 s: float32 (n, 36, 4)."""
    rng = np.random.default_rng(seed)
    gusts = rng.normal(0, 1.5, (N_FRAMES, 1, 1))
    rises = (gusts + rng.normal(0, 0.5, (N_FRAMES, N_BANDS, 4))).astype(np.float32)
    shape = np.zeros(N_BANDS, np.float32)
    shape[rng.permutation(N_BANDS)[: N_BANDS // 2]] = 1
    shape *= np.float32(height / np.linalg.norm(shape))
    frames = np.round(np.arange(100, N_FRAMES - 50, PERIOD)).astype(int)
    rises[frames] += shape[:, None]
    return rises


def best_at_the_period(voices: np.ndarray) -> bool:
    """Whether the voice and period that stand out most are at the period of the beat."""
    period, _voice = measure_rhythm(voices, 28.0, 923.0).guesses(1)[0]
    return abs(float(np.log(period / PERIOD))) < 0.05


def test_a_beat_too_faint_for_any_band_is_found_by_likeness() -> None:
    made = [faint_beat(seed, height=5.0) for seed in range(6)]
    by_bands = [np.concatenate([onsets_of(rises), grouped(onsets_of(rises))], axis=1) for rises in made]
    assert sum(best_at_the_period(Examples.of(rises).alike) for rises in made) >= 5
    assert sum(best_at_the_period(voices) for voices in by_bands) <= 2


def test_each_example_is_like_itself_and_nothing_is_less_than_unlike() -> None:
    rises = faint_beat(9, height=20.0)
    alike = Examples.of(rises).alike
    assert alike.shape == (N_FRAMES, EXAMPLES)
    assert alike.dtype == np.float32
    assert alike.min() == 0
    # the strongest moments are those of the loud beat: each is like all the others
    slams = np.round(np.arange(100, N_FRAMES - 50, PERIOD)).astype(int)
    assert np.median(alike[slams, : len(slams)]) > 5 * np.median(alike[:, : len(slams)].max(axis=1))


def test_nothing_at_all_gives_no_examples() -> None:
    assert not np.any(Examples.of(np.zeros((500, N_BANDS, 4), np.float32)).alike)

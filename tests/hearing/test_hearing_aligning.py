"""Impacts laid on each other: made ones of one course of power, at known distances from where they are looked for."""

from __future__ import annotations

import numpy as np
import pytest

from clackcount.hearing.aligning import aligned
from support.made_sound import knocks


def moved(rate: int, seed: int, noise: float, hz: float = 900.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(samples, where each of 40 impacts is looked for, in samples, how far from there it begins)."""
    rng = np.random.default_rng(seed)
    samples, true_s = knocks(0.5 + np.arange(40) * 0.25, 11.0, rate, rng, noise=noise, hz=hz)
    shift = rng.normal(0, 0.002, 40) * rate
    return samples, true_s * rate - shift, shift


def off_s(found: np.ndarray, shift: np.ndarray, rate: int) -> np.ndarray:
    """Errors, s, but for the offset that all share."""
    error = found - shift
    return np.asarray(np.abs(error - np.median(error)) / rate)


@pytest.mark.parametrize("rate", [8000, 16000, 44100, 96000])
def test_impacts_in_noise_are_laid_on_each_other(rate: int) -> None:
    samples, start, shift = moved(rate, 3, 0.05)
    assert np.percentile(off_s(aligned(samples, start, rate, np.zeros(40)), shift, rate), 90) < 0.001


def test_where_to_begin_hardly_matters() -> None:
    samples, start, shift = moved(48000, 4, 0.05)
    rng = np.random.default_rng(5)
    for begun in (np.zeros(40), shift, rng.normal(0, 0.003, 40) * 48000):
        assert np.percentile(off_s(aligned(samples, start, 48000, begun), shift, 48000), 80) < 0.0005


def test_of_noise_alone_none_is_moved_far() -> None:
    # frames err by 2 ms, and there is nothing that says more
    samples = np.random.default_rng(6).normal(0, 1000, 500_000).astype(np.int16)
    found = aligned(samples, np.arange(1, 41) * 12_000.0, 48000, np.zeros(40))
    assert np.mean(np.abs(found) / 48000 > 0.004) < 0.15


def test_louder_lays_them_the_same() -> None:
    samples, start, _shift = moved(16000, 7, 0.02)
    once = aligned(samples, start, 16000, np.zeros(40))
    np.testing.assert_allclose(aligned(samples * np.float32(0.01), start, 16000, np.zeros(40)), once, atol=0.5)

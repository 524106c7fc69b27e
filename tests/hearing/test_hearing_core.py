"""The front end against librosa's own reckoning, and impacts put where they are."""

from __future__ import annotations

import librosa
import numpy as np

from clackcount.hearing.novelty import QUIETEST, Compressor
from clackcount.hearing.placing import place
from clackcount.settings import HearingSettings


def test_compressor_is_librosas_energy_normalisation() -> None:
    settings = HearingSettings()
    energies = np.random.default_rng(1).exponential(1e-4, (800, 6)).astype(np.float32)
    ours = Compressor(200.0, settings).feed(energies)
    state = None
    t2 = (settings.floor_s * 200) ** 2
    share = (np.sqrt(1 + 4 * t2) - 1) / (2 * t2)
    state = ((1 - share) * energies.mean(axis=0))[:, None]
    theirs = librosa.pcen(
        energies.T, sr=200, hop_length=1, gain=1, bias=settings.bias, power=0.5, eps=QUIETEST, b=share, zi=state
    )
    np.testing.assert_allclose(ours, theirs.T, rtol=1e-3, atol=1e-4)


def test_an_impact_is_placed_within_half_a_millisecond() -> None:
    rate = 48000
    rng = np.random.default_rng(6)
    samples = rng.normal(0, 0.001, rate * 10)
    start = (np.arange(1, 10) * rate + rng.integers(0, 5000, 9)).astype(int)
    t = np.arange(4000) / rate
    for first in start:
        samples[first : first + 4000] += 0.2 * np.exp(-t / 0.01) * np.cos(2 * np.pi * 900 * t)
    approx = np.round(start / 240) * 240.0
    found_s = place(samples.astype(np.float32), 0, rate, approx)
    assert np.median(np.abs(found_s - start / rate)) < 0.0005

"""Impacts of any make: found, placed, described; against known knocks, closed forms, and librosa's onset detector."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from benchmarks import clips
from benchmarks.baselines import librosa_backtracked, librosa_default
from benchmarks.scoring import f1, late_ms
from clackcount.errors import RecordingError
from clackcount.hearing import find_impacts
from clackcount.simulate.level import background_energy, best_octave, slam_energy
from support.made_sound import knocks

RATE_HZ = 44100


def uneven(n: int, seed: int) -> np.ndarray:
    """Moments that follow no beat, a fifth of a second apart at least."""
    return 0.3 + np.cumsum(0.2 + np.random.default_rng(seed).exponential(0.4, n))


@pytest.mark.parametrize("rate_hz", [8000, 16000, 44100, 48000, 96000])
def test_knocks_without_a_beat_are_found_and_placed_within_a_fraction_of_a_millisecond(rate_hz: int) -> None:
    wanted_s = uneven(25, rate_hz)
    samples, true_s = knocks(wanted_s, wanted_s[-1] + 1, rate_hz, np.random.default_rng(1), noise=0.01)
    found = find_impacts(samples, rate_hz)
    assert f1(true_s, found.time_s, 5) == 1.0
    assert np.median(np.abs(late_ms(true_s, found.time_s))) < 0.5


@pytest.mark.parametrize("noise", [0.001, 0.03])
def test_a_herald_is_not_the_blow_and_noise_delays_nothing(noise: float) -> None:
    wanted_s = uneven(25, 3)
    samples, true_s = knocks(wanted_s, wanted_s[-1] + 1, RATE_HZ, np.random.default_rng(2), noise=noise)
    herald, _ = knocks(true_s - 0.012, wanted_s[-1] + 1, RATE_HZ, np.random.default_rng(3), noise=0, level=0.01)
    late = late_ms(true_s, find_impacts(samples + herald, RATE_HZ).time_s)
    assert len(late) == len(true_s)
    assert abs(np.median(late)) < 0.5


def test_one_answer_whatever_the_loudness_and_wherever_a_passage_ends() -> None:
    wanted_s = uneven(200, 5)
    assert wanted_s[-1] > 100  # passages are a minute long
    samples, true_s = knocks(wanted_s, wanted_s[-1] + 1, 8000, np.random.default_rng(4), noise=0.01)
    found, quiet = find_impacts(samples, 8000), find_impacts(samples / 16, 8000)
    assert f1(true_s, found.time_s, 5) == 1.0
    assert quiet.time_s == pytest.approx(found.time_s)
    assert quiet.strength_db == pytest.approx(found.strength_db, abs=0.01)
    assert quiet.background_db == pytest.approx(found.background_db - 20 * np.log10(16), abs=0.01)


def test_strength_background_and_spectrum_are_those_of_what_was_made() -> None:
    rng, n = np.random.default_rng(6), 10 * RATE_HZ
    noise = rng.normal(0, 0.01, n)
    true_s = np.arange(0.5, 9.5, 0.5)
    burst = 0.4 * np.sin(2 * np.pi * 3000 * np.arange(RATE_HZ // 10) / RATE_HZ)
    burst[RATE_HZ // 30 :] *= np.linspace(1, 0, len(burst) - RATE_HZ // 30)  # an end at once would click
    for t in true_s:
        start = round(t * RATE_HZ)
        noise[start : start + len(burst)] += burst
    found = find_impacts(noise.astype(np.float32), RATE_HZ)
    assert f1(true_s, found.time_s, 5) == 1.0
    # white noise of deviation s between 50 Hz and 14 kHz: s^2 times its share of the band (Parseval)
    assert np.median(found.background_db) == pytest.approx(10 * np.log10(0.01**2 * 14000 / 22050), abs=0.7)
    assert np.all(np.abs(found.band_hz[np.argmax(found.shape, axis=1)] - 3000) < 300)
    # a sine's mean square is half its square; against the noise in three bands around it, some 900 Hz wide
    assert np.median(found.strength_db) == pytest.approx(10 * np.log10(0.08 / (1e-4 * 900 / 22050)), abs=3)


@pytest.mark.parametrize("decay_s", [0.03, 0.1])
def test_an_impact_dies_away_as_it_was_made_to(decay_s: float) -> None:
    rng, n = np.random.default_rng(7), 10 * RATE_HZ
    sound = rng.normal(0, 1e-4, n)
    t = np.arange(RATE_HZ // 2) / RATE_HZ
    for at_s in np.arange(0.5, 9, 0.7):
        start = round(at_s * RATE_HZ)
        # energy falls by 10 dB in decay_s: amplitude exp(-t ln(10) / (2 decay_s))
        sound[start : start + len(t)] += 0.3 * rng.standard_normal(len(t)) * np.exp(-t * np.log(10) / (2 * decay_s))
    found = find_impacts(sound.astype(np.float32), RATE_HZ)
    assert len(found) >= 12
    assert np.nanmedian(found.decay_s) == pytest.approx(decay_s, abs=0.012)


@pytest.mark.parametrize("samples", [np.zeros(0), np.zeros(200), np.zeros(5 * RATE_HZ), np.full(RATE_HZ, 0.3)])
def test_where_nothing_strikes_nothing_is_found(samples: np.ndarray) -> None:
    found = find_impacts(samples, RATE_HZ)
    assert len(found) == 0
    assert found.shape.shape == (0, len(found.band_hz))


def test_steady_noise_holds_few_impacts() -> None:
    noise = np.random.default_rng(8).normal(0, 0.1, 60 * RATE_HZ)
    assert len(find_impacts(noise.astype(np.float32), RATE_HZ)) <= 2


def test_what_cannot_be_heard_is_said() -> None:
    with pytest.raises(RecordingError, match="one channel"):
        find_impacts(np.zeros((100, 2)), RATE_HZ)
    with pytest.raises(RecordingError, match="too few"):
        find_impacts(np.zeros(100), 2000)


def scattered(number: int, snr_db: float) -> tuple[np.ndarray, np.ndarray, float]:
    """(sound, true times, window in ms) of real knocks without a beat over a real place; SNR as in simulate.level."""
    rng = np.random.default_rng([number, 3])
    struck = clips.read(clips.DATA, "impacts")[number % 5]
    steady = [
        clip for clip in clips.read(clips.DATA, "backgrounds") if clip.name != "fireplace"
    ]  # its crackles count
    rows, lead = clips.knocks(struck, RATE_HZ), int(clips.LEAD_S * RATE_HZ)
    under = clips.shuffled(steady[number % len(steady)], 15, RATE_HZ, rng)
    _, ratio_db = best_octave(slam_energy(rows[:, lead:], RATE_HZ), background_energy(under, RATE_HZ))
    sound = under * np.float32(10 ** ((ratio_db - snr_db) / 20))
    at = np.round(uneven(22, number) * RATE_HZ).astype(int)
    at = at[at < len(sound) - rows.shape[1]]
    for start in at:
        sound[start - lead : start - lead + rows.shape[1]] += rows[int(rng.integers(len(rows)))]
    return sound, at / RATE_HZ, max(15.0, 1000 * struck.uncertainty_s)


@pytest.mark.parametrize(("snr_db", "at_least"), [(20, 0.8), (12, 0.6), (6, 0.35)])
def test_real_knocks_over_real_places_are_found_far_better_than_by_librosa(snr_db: float, at_least: float) -> None:
    ours, default, backtracked = [], [], []
    for number in range(10):
        sound, true_s, window_ms = scattered(number, snr_db)
        ours.append(f1(true_s, find_impacts(sound, RATE_HZ).time_s, window_ms))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            default.append(f1(true_s, librosa_default(sound, RATE_HZ), window_ms))
            backtracked.append(f1(true_s, librosa_backtracked(sound, RATE_HZ), window_ms))
    assert np.mean(ours) > at_least
    assert np.mean(ours) > 2 * max(np.mean(default), np.mean(backtracked))

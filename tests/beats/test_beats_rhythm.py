"""The chains: trains in noise, a period that wanders, and chance, which is worth 1 by definition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d

from clackcount.beats.rhythm import PER_CLUSTER, Rhythm, best_chain, in_order, measure_rhythm

FASTEST, SLOWEST = 200 * 60 / 430, 200 * 60 / 13  # frames of 5 ms
N_VOICES = 6


def chance(seed: int, n_frames: int = 12000) -> np.ndarray:
    """Rectified noise, float32 (n_frames, 6)."""
    return np.abs(np.random.default_rng(seed).normal(0, 1, (n_frames, N_VOICES))).astype(np.float32)


def measured(onsets: np.ndarray) -> Rhythm:
    return measure_rhythm(onsets, FASTEST, SLOWEST)


@pytest.mark.parametrize("rate_per_min", [20, 33, 62, 120, 250, 375])
def test_the_period_of_a_train_in_noise_is_among_the_guesses(rate_per_min: float) -> None:
    onsets = chance(int(rate_per_min))
    period = 60 / rate_per_min * 200
    frames = np.round(np.arange(30, 11990, period)).astype(int)
    onsets[frames, 2] += 5
    rhythm = measured(onsets)
    # periods are tried 8 % apart: half of that, learning mends it
    assert any(abs(np.log(found / period)) <= 0.05 for found, voice in rhythm.guesses(8) if voice == 2)
    weights = rhythm.weights_at(period, N_VOICES)
    assert int(np.argmax(weights)) == 2
    assert weights.sum() == pytest.approx(1)


def wandering(seed: int, period: float, swing: float, height: float) -> np.ndarray:
    """Noise, and in voice 4 a train that wanders by ``swing`` to either side and back in 25 beats."""
    onsets = chance(seed)
    frames = np.cumsum(period * np.exp(swing * np.sin(2 * np.pi * np.arange(200) / 25 + seed))).astype(int)
    onsets[frames[frames < len(onsets)], 4] += height
    return onsets


def strongest_product(onsets: np.ndarray) -> tuple[float, int]:
    """Lag and voice of the strongest autocorrelation, summed over 7 lags, for comparison."""
    free = onsets - onsets.mean(axis=0)
    power = np.abs(np.fft.rfft(free, 2 * len(free), axis=0)) ** 2
    product = np.fft.irfft(power, axis=0)
    product = uniform_filter1d(product[: int(SLOWEST)] / product[0], 7, axis=0)[int(FASTEST) :]
    lag, voice = divmod(int(product.argmax()), N_VOICES)
    return lag + int(FASTEST), voice


def test_a_chain_finds_a_wandering_period_in_the_right_voice() -> None:
    for seed in range(10):
        period, voice = measured(wandering(seed, 150, 0.04, 4)).guesses(1)[0]
        assert voice == 4
        assert abs(np.log(period / 150)) < 0.09


@pytest.mark.parametrize("period", [32.0, 150.0, 600.0])
def test_the_moments_of_the_best_chain_are_the_train(period: float) -> None:
    # rises of frames that overlap are alike
    onsets = np.abs(uniform_filter1d(np.random.default_rng(3).normal(0, 1, (12000, 6)), 4, axis=0)).astype(np.float32)
    frames = np.cumsum(period * np.exp(0.03 * np.sin(np.arange(int(11000 / period)) / 4))).astype(int)
    onsets[frames, 4] += 6
    chain = best_chain(np.ascontiguousarray(onsets[:, 4]), period)
    assert np.all(np.diff(chain) > 0)
    assert np.mean(np.isin(chain, frames)) > 0.9
    assert np.mean(np.isin(frames, chain)) > 0.9
    # another voice holds no more than chance
    assert np.mean(np.isin(best_chain(np.ascontiguousarray(onsets[:, 1]), period), frames)) < 0.3


def test_a_slow_wandering_train_that_products_do_not_hear_is_found_by_chains() -> None:
    found = {"chains": 0, "products": 0}
    for seed in range(10):
        onsets = wandering(100 + seed, 300, 0.06, 4)  # 40 a minute
        for name, (period, voice) in (
            ("chains", measured(onsets).guesses(1)[0]),
            ("products", strongest_product(onsets)),
        ):
            found[name] += voice == 4 and abs(np.log(period / 300)) < 0.11
    assert found["chains"] >= 6
    assert found["products"] <= 3


@pytest.mark.parametrize("seconds", [24, 60])
def test_chance_gives_about_one(seconds: int) -> None:
    drawn = np.stack([measured(chance(seed, 200 * seconds)).strength.mean(axis=1) for seed in range(200, 212)])
    by_period = drawn.mean(axis=0)
    assert by_period.mean() == pytest.approx(1, abs=0.1)
    assert by_period.min() > 0.7
    assert by_period.max() < 1.4


def test_only_the_order_of_the_rises_counts() -> None:
    onsets = chance(7, 6000)
    loud = onsets.copy()
    loud[3000, 1] = 50  # a dropped tool is one rare moment
    louder = np.stack([np.expm1(loud[:, voice] / (voice + 1)) for voice in range(N_VOICES)], axis=1)
    np.testing.assert_allclose(measured(louder).strength, measured(loud).strength, rtol=1e-5)
    assert np.abs(measured(loud).strength - measured(onsets).strength).max() < 1.5


def test_guesses_come_best_first_and_leave_room_for_other_periods() -> None:
    onsets = chance(5)
    onsets[np.arange(20, 12000, 101), :5] += 4
    onsets[np.arange(50, 12000, 440), 5] += 4
    rhythm = measured(onsets)
    guesses = rhythm.guesses(24)
    strength = [float(rhythm.strength[np.argmin(np.abs(rhythm.period - period)), voice]) for period, voice in guesses]
    assert strength[0] == max(strength)
    assert strength[-1] < strength[0]
    assert sum(abs(np.log(period / 101)) < 0.05 for period, _ in guesses) <= PER_CLUSTER
    assert any(voice == 5 and abs(np.log(period / 440)) < 0.05 for period, voice in guesses)
    assert len({*guesses}) == len(guesses) <= 24


def test_moments_alike_keep_their_order_in_time() -> None:
    rng = np.random.default_rng(4)
    onsets = np.minimum(np.maximum(rng.normal(0, 1, 3000), 0), 1.5).astype(np.float32)
    onsets[::7] = np.float32(-0.0)
    assert np.array_equal(in_order(onsets), np.argsort(onsets, kind="stable"))


def test_a_voice_strong_at_any_period_leaves_room_for_one_that_is_so_at_a_single_one() -> None:
    """A dog barks in spells: chains of any period are strong in its bands, if none is a beat."""
    period = np.exp(np.arange(3.5, 6.5, 0.08))
    strength = np.ones((len(period), 6), np.float32)
    strength[:, :5] = 10 + np.random.default_rng(1).random((len(period), 5))
    strength[20, 5] = 7.0
    assert (float(period[20]), 5) in Rhythm(period, strength).guesses(6)

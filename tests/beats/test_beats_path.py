"""The path against trying all paths; the honest score; the rhythm of known trains; strays by their sound."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import settings as rules
from hypothesis import strategies as st

from clackcount.beats.path import MISSED_MAX, best_path
from clackcount.beats.rhythm import measure_rhythm
from clackcount.beats.strays import alike, confidence, find_strays, fingerprint
from clackcount.beats.template import Field, Scoring, gain, local_maxima, standardise
from clackcount.settings import BeatsSettings


def step_cost(step: float, spread: float, missed_cost: float, restart_cost: float) -> float:
    """In periods: n intervals of one period each, whose logarithms scatter by spread, or a restart."""
    costs = [
        (np.log(step) - np.log(n)) ** 2 * n / (2 * spread**2) + (n - 1) * missed_cost
        for n in range(1, MISSED_MAX + 2)
    ]
    return min([*costs, restart_cost] if step > 0.5 else costs)


@given(
    st.lists(st.tuples(st.floats(0.11, 1.6), st.floats(-3, 5)), min_size=1, max_size=8),
    st.floats(0.02, 0.15),
    st.floats(0.5, 5),
    st.floats(2, 10),
    st.floats(0.3, 300),
)
@rules(max_examples=150)
def test_best_path_is_the_best_of_all_paths(
    steps: list[tuple[float, float]], spread: float, missed_cost: float, restart_cost: float, period: float
) -> None:
    time = np.cumsum([gap for gap, _ in steps])
    assume(not np.any(np.abs(np.subtract.outer(time, time) - 0.5) < 1e-6))  # on the border rounding decides
    gains = np.array([worth for _, worth in steps])

    def total(pick: tuple[int, ...]) -> float:
        costs = [step_cost(time[b] - time[a], spread, missed_cost, restart_cost) for a, b in pairwise(pick)]
        return float(gains[list(pick)].sum() - sum(costs))

    best = max(total(pick) for size in range(1, len(time) + 1) for pick in combinations(range(len(time)), size))
    path, found = best_path(time * period, gains, period, spread, missed_cost, restart_cost)
    assert found == pytest.approx(max(best, 0.0), abs=1e-7)
    if len(path):
        assert total(tuple(path)) == pytest.approx(found, abs=1e-7)
    else:
        assert gains.max() <= 0


def test_a_path_bridges_missed_beats_and_a_stop_but_not_for_little() -> None:
    time = np.concatenate([np.arange(10.0), [11, 12, 13], 20.4 + np.arange(8)])
    path, found = best_path(time, np.full(len(time), 3.0), 1.0, 0.05, 3.0, 8.0)
    assert len(path) == len(time)
    assert found == pytest.approx(3.0 * len(time) - 3.0 - 8.0)
    # two faint knocks after the stop do not pay for the restart
    path, _found = best_path(time[:15], np.full(15, 3.0), 1.0, 0.05, 3.0, 8.0)
    assert len(path) == 13


def field_of(rng: np.random.Generator, n: int = 4000, n_bands: int = 8) -> np.ndarray:
    return rng.normal(0, 1, (n, n_bands, 4)).astype(np.float32)


def test_on_pure_noise_a_template_likes_its_own_frames_and_is_not_believed() -> None:
    own, honest = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        field = Field.of(field_of(rng), np.zeros((4000, 8), dtype=np.float32))
        members = np.sort(rng.choice(np.arange(50, 3950, 20), 20, replace=False))
        scoring = Scoring.learn(field, members)
        assert scoring is not None
        usual = np.median(scoring.z)
        own.append(float(np.mean(scoring.z[members]) - usual))
        honest.append(float(np.mean(scoring.honest(members)) - np.median(np.stack(scoring.z_halves))))
    # in-sample any set of frames seems to stand out; honestly scored, one set as little as the next
    assert min(own) > 1.0
    assert abs(np.mean(honest)) < 3 * np.std(honest) / np.sqrt(len(honest))
    assert np.mean(np.array(own) > np.array(honest)) == 1.0


def test_where_there_is_a_sound_the_honest_score_says_so_too() -> None:
    rng = np.random.default_rng(1)
    rises = field_of(rng)
    members = np.arange(60, 3950, 97)
    rises[members, 2:5] += 2.5
    field = Field.of(rises, np.zeros((4000, 8), dtype=np.float32))
    scoring = Scoring.learn(field, members)
    assert scoring is not None
    assert np.mean(scoring.honest(members)) > 3
    assert np.mean(scoring.honest(members)) < np.mean(scoring.z[members])
    # frames near no member are scored by the whole template
    assert np.array_equal(scoring.honest(members + 20), scoring.z[members + 20])
    # the template listens where the sound is
    by_band = np.abs(scoring.weights.reshape(8, 4)).sum(axis=1)
    assert by_band[2:5].min() > 3 * np.delete(by_band, [2, 3, 4]).max()


def test_a_busy_band_loses_its_vote() -> None:
    rng = np.random.default_rng(2)
    rises = field_of(rng)
    members = np.arange(60, 3950, 97)
    rises[:, 6:] *= 6  # somebody talks there
    rises[members] += 2.0
    scoring = Scoring.learn(Field.of(rises, np.zeros((4000, 8), dtype=np.float32)), members)
    assert scoring is not None
    by_band = np.abs(scoring.weights.reshape(8, 4)).sum(axis=1)
    assert by_band[6:].max() < 0.1 * by_band[:6].min()


@given(st.integers(0, 1000), st.floats(0.01, 100), st.floats(-50, 50))
@rules(max_examples=30)
def test_a_standardised_score_does_not_know_its_scale(seed: int, scale: float, shift: float) -> None:
    rng = np.random.default_rng(seed)
    score = rng.normal(0, 1, 2000)
    members = np.arange(40, 2000, 200)
    z = standardise(score, members)
    np.testing.assert_allclose(standardise(score * scale + shift, members), z, rtol=1e-6, atol=1e-6)
    # of the peaks that are no members, half lie above 0 and 16 % above 1, by definition
    peaks = local_maxima(score, 8)
    others = peaks[np.abs(peaks[:, None] - members).min(axis=1) > 4]
    assert np.mean(z[others] > 0) == pytest.approx(0.5, abs=0.02)
    assert np.mean(z[others] > 1) == pytest.approx(0.16, abs=0.02)


def test_gain_is_the_log_ratio_of_two_normals_halved_and_capped() -> None:
    z = np.linspace(-3, 9, 50)
    normal = np.exp(-((z - 4.0) ** 2) / 2) / np.exp(-(z**2) / 2)
    np.testing.assert_allclose(gain(z, 4.0, 1e9), np.log(normal) / 2)
    assert gain(z, 4.0, 5.0).max() == 5.0
    # unheard in a gust 40 dB louder is no evidence either way
    assert gain(np.array([0.0]), 4.0, 8.0, 40.0)[0] == pytest.approx(0, abs=0.001)
    assert gain(np.array([0.0]), 4.0, 8.0, 0.0)[0] < -3


@pytest.mark.parametrize("rate_per_min", [20, 33, 62, 120, 250, 375])
def test_the_period_of_a_train_in_noise_is_among_the_guesses(rate_per_min: float) -> None:
    rng = np.random.default_rng(int(rate_per_min))
    onsets = np.abs(rng.normal(0, 1, (12000, 6))).astype(np.float32)
    period = 60 / rate_per_min * 200
    frames = np.round(np.arange(30, 11990, period)).astype(int)
    onsets[frames, 2] += 5
    rhythm = measure_rhythm(onsets, 200.0)
    # lags are summed over 2 % to either side and on whole frames: a guess may be off by that, learning mends it
    near = [abs(lag / period - 1) < 0.05 for lag, voice in rhythm.guesses(8) if voice == 2]
    assert any(near)
    assert int(np.argmax(rhythm.weights_at(period, 6))) == 2
    assert rhythm.weights_at(period, 6).sum() == pytest.approx(1)


def test_strays_are_known_by_their_sound_alone() -> None:
    rng = np.random.default_rng(9)
    rises = field_of(rng, 8000)
    on_beat = np.arange(400, 4000, 200)
    off_beat = np.array([4333, 4871, 5550])
    others = np.array([6100, 6420, 6777])
    for frames, bands in ((on_beat, slice(2, 5)), (off_beat, slice(2, 5)), (others, slice(5, 8))):
        rises[frames, bands] += 6
    field = Field.of(rises, np.zeros((8000, 8), dtype=np.float32))
    scoring = Scoring.learn(field, on_beat)
    assert scoring is not None
    print_ = fingerprint(field, on_beat)
    usual = float(np.median(alike(field, on_beat, print_)))
    expected = float(scoring.honest(on_beat).mean())
    found, z = find_strays(field, scoring.weights, print_, usual, expected, on_beat, 200.0, BeatsSettings())
    assert set(found) == set(off_beat)
    assert np.all(confidence(z, expected, on_beat=False) < confidence(z, expected, on_beat=True))
    assert np.median(alike(field, others, print_)) < 0.4 < usual

"""The template: against a published discriminant's other implementation, under common noise, and its honest score."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as rules
from hypothesis import strategies as st
from scipy.ndimage import maximum_filter1d
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

from clackcount.beats.template import INDEPENDENCE, Scoring, gain, learn, local_maxima, middle_and_upper, standardise
from support.made_rises import field_of, noise

MEMBERS = np.arange(60, 3950, 97)


def stands_out(score: np.ndarray, members: np.ndarray) -> float:
    """How far the members' mean lies over that of all frames, in deviations of all."""
    return float((score[members].mean() - score.mean()) / score.std())


def mixed(seed: int, n_frames: int = 4000) -> np.ndarray:
    """Noise that bands and spans share to different parts, each feature with a scale of its own."""
    rng = np.random.default_rng(seed)
    free = noise(rng, n_frames).reshape(n_frames, -1)
    common = rng.normal(0, 1, (n_frames, 3)) @ rng.normal(0, 1, (3, 32))
    return ((free + common) * rng.uniform(0.3, 3, 32)).reshape(n_frames, 8, 4).astype(np.float32)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_weights_point_where_another_library_points(seed: int) -> None:
    """Fisher 1936 (Annals of Eugenics 7, 179-188), as scikit-learn has it, as much shrunk towards independence."""
    rises = mixed(seed, 20_000)
    rng = np.random.default_rng(seed)
    members = np.sort(rng.choice(np.arange(20, 19_980), 400, replace=False))  # so many that all they say is sure
    rises[members] += (rng.normal(0, 1, (8, 4)) * rises.std(axis=0)).astype(np.float32)
    field = field_of(rises)
    is_member = np.zeros(len(rises), dtype=bool)
    is_member[members] = True
    in_deviations = field.features / np.sqrt(field.variance)
    theirs = LinearDiscriminantAnalysis(solver="lsqr", shrinkage=INDEPENDENCE).fit(in_deviations, is_member).coef_[0]
    scores = np.stack([field.features @ learn(field, members), in_deviations @ theirs])
    assert np.corrcoef(scores)[0, 1] > 0.99  # theirs takes the scatter within both groups, ours that of all frames
    assert stands_out(scores[0], members) == pytest.approx(stands_out(scores[1], members), rel=0.02)
    # feature by feature, which is no such discriminant, points elsewhere and hears less
    one_by_one = field.features @ ((field.features[members].mean(axis=0) - field.mean) / field.variance)
    assert np.corrcoef(one_by_one, scores[1])[0, 1] < 0.95
    assert stands_out(one_by_one, members) < 0.9 * stands_out(scores[1], members)


def test_whitened_features_are_uncorrelated_as_far_as_they_are_to_be() -> None:
    field = field_of(mixed(4))
    scale = np.sqrt(field.variance)
    correlation = np.corrcoef(field.features, rowvar=False)
    # the whitening is that of the correlation pulled towards none
    pulled = (1 - INDEPENDENCE) * correlation + INDEPENDENCE * np.eye(32)
    whiten = field.whiten * scale[:, None]
    np.testing.assert_allclose(whiten.T @ pulled @ whiten, np.eye(32), atol=0.1)  # it is measured on half the frames


def test_a_band_that_says_nothing_is_left_out_unless_all_say_nothing() -> None:
    """Neighbouring blocks (Cai and Silverman 2001): a band goes by itself and the two beside it."""
    few = MEMBERS[::3]
    loud, silent = [], []
    for seed in range(20):
        rises = noise(np.random.default_rng(seed))
        rises[few, 1, :2] += 3.0
        field = field_of(rises)
        in_deviations = np.abs(learn(field, few) * np.sqrt(field.variance)).reshape(8, 4).mean(axis=1)
        loud.append(in_deviations[1])
        silent.append(in_deviations[4:])
    assert np.mean(silent) < 0.1 * np.mean(loud)
    assert np.mean(np.max(silent, axis=1) < 0.05 * np.array(loud)) > 0.2  # some whole passages over
    assert np.any(learn(field_of(np.zeros((4000, 8, 4), np.float32) + noise(np.random.default_rng(0))), few))


def test_a_slam_is_heard_under_noise_that_is_common_to_neighbouring_bands() -> None:
    honest, one_by_one = [], []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        rises = 0.5 * noise(rng)
        rises += 2.5 * rng.normal(0, 1, (len(rises), 1, 1)).astype(np.float32)  # a gust raises all bands alike
        rises[MEMBERS, 3] += 1.2
        field = field_of(rises)
        scoring = Scoring.learn(field, MEMBERS)
        assert scoring is not None
        honest.append(float(scoring.honest(MEMBERS).mean()))
        halves = [(field.features[MEMBERS[first::2]].mean(axis=0) - field.mean) / field.variance for first in (0, 1)]
        for mine, weights in ((MEMBERS[1::2], halves[0]), (MEMBERS[::2], halves[1])):
            one_by_one.append(float(standardise(field.features @ weights, MEMBERS)[mine].mean()))
    assert np.mean(honest) > 3
    assert np.mean(one_by_one) < 0.5


def test_on_pure_noise_a_template_likes_its_own_frames_and_is_not_believed() -> None:
    own, honest = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        field = field_of(noise(rng))
        members = np.sort(rng.choice(np.arange(50, 3950, 20), 20, replace=False))
        scoring = Scoring.learn(field, members)
        assert scoring is not None
        usual = np.median(scoring.z)
        own.append(float(np.mean(scoring.z[members]) - usual))
        honest.append(float(np.mean(scoring.honest(members)) - np.median(np.stack(scoring.z_halves))))
    # in-sample any set of frames seems to stand out; honestly scored, one set as little as the next
    assert np.mean(own) > 1.0
    assert abs(np.mean(honest)) < 3 * np.std(honest) / np.sqrt(len(honest))
    assert np.mean(np.array(own) > np.array(honest)) == 1.0


def test_where_there_is_a_sound_the_honest_score_says_so_too() -> None:
    own, honest = [], []
    for seed in range(10):
        rises = noise(np.random.default_rng(seed))
        rises[MEMBERS, 2:5] += 2.5
        scoring = Scoring.learn(field_of(rises), MEMBERS)
        assert scoring is not None
        own.append(np.mean(scoring.z[MEMBERS]))
        honest.append(np.mean(scoring.honest(MEMBERS)))
        # frames near no member are scored by the whole template
        assert np.array_equal(scoring.honest(MEMBERS + 20), scoring.z[MEMBERS + 20])
    assert min(honest) > 3
    assert np.mean(honest) < np.mean(own)
    # the template listens where the sound is
    by_band = np.abs(scoring.weights.reshape(8, 4)).sum(axis=1)
    assert by_band[2:5].min() > 3 * np.delete(by_band, [2, 3, 4]).max()


def test_a_busy_band_loses_its_vote() -> None:
    rises = noise(np.random.default_rng(2))
    rises[:, 6:] *= 6  # somebody talks there
    rises[MEMBERS] += 2.0
    scoring = Scoring.learn(field_of(rises), MEMBERS)
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
    # of the peaks among the members that are none, half lie above 0 and 16 % above 1, by definition
    peaks = local_maxima(score, 8)
    peaks = peaks[(peaks > members[0]) & (peaks < members[-1])]
    others = peaks[np.abs(peaks[:, None] - members).min(axis=1) > 4]
    assert np.mean(z[others] > 0) == pytest.approx(0.5, abs=0.02)
    assert np.mean(z[others] > 1) == pytest.approx(0.16, abs=0.02)


def test_members_found_in_a_part_of_the_passage_are_not_held_against_their_fellows_in_the_rest() -> None:
    score = np.random.default_rng(0).normal(0, 1, 9000).astype(np.float32)
    beat = np.arange(50, 8950, 33)
    score[beat] += 12
    everywhere = standardise(score, beat)[beat].mean()
    assert standardise(score, beat[: len(beat) // 3])[beat].mean() == pytest.approx(everywhere, rel=0.1)


def test_gain_is_the_log_ratio_of_two_normals_halved_and_capped() -> None:
    z = np.linspace(-3, 9, 50)
    normal = np.exp(-((z - 4.0) ** 2) / 2) / np.exp(-(z**2) / 2)
    np.testing.assert_allclose(gain(z, 4.0, 1e9), np.log(normal) / 2)
    assert gain(z, 4.0, 5.0).max() == 5.0
    # unheard in a gust 40 dB louder is no evidence either way
    assert gain(np.array([0.0]), 4.0, 8.0, 40.0)[0] == pytest.approx(0, abs=0.001)
    assert gain(np.array([0.0]), 4.0, 8.0, 0.0)[0] < -3


@pytest.mark.parametrize("n", [1, 2, 3, 50, 701])
def test_middle_and_upper_spread_are_numpys_percentiles(n: int) -> None:
    values = np.random.default_rng(n).normal(0, 1, n).astype(np.float32)
    assert middle_and_upper(values) == tuple(np.percentile(values, [50, 84]))


@pytest.mark.parametrize("reach", [1, 3, 8, 60])
def test_local_maxima_are_scipys(reach: int) -> None:
    for n in (1, 5, 40, 3000):
        score = np.round(np.random.default_rng(n).normal(0, 1, n), 1)  # with values that come again
        highest = maximum_filter1d(score, 2 * reach + 1, mode="nearest")
        assert np.array_equal(local_maxima(score, reach), np.flatnonzero(score == highest))

"""One pump in made rises: where its knocks are, those in between, and a beat that is not one period."""

from __future__ import annotations

import numpy as np
import pytest

from clackcount.beats.pumps import all_alike, between_members, centred, loosened, part_mixture, within_rhythm
from clackcount.beats.series import refine
from clackcount.beats.template import Frames
from clackcount.settings import BeatsSettings
from support.made_rises import field_of, noise, series_of

SETTINGS = BeatsSettings()
N_FRAMES = 12_000  # a minute


def with_sound(
    rng: np.random.Generator, frames: Frames, height: float = 2.5, bands: slice = slice(2, 5)
) -> np.ndarray:
    rises = noise(rng, N_FRAMES)
    rises[frames, bands] += height
    return rises


def at_intervals(intervals: np.ndarray) -> Frames:
    frames = np.cumsum(np.concatenate([[150.0], intervals])).astype(np.intp)
    return np.asarray(frames[frames < N_FRAMES - 100])


def share_of(true: Frames, found: Frames) -> float:
    return float(np.mean(np.abs(true[:, None] - found).min(axis=1) <= 2))


@pytest.mark.parametrize("ratio", [0.35, 0.42, 0.6])
def test_the_other_half_of_an_alternating_train_is_joined(ratio: float) -> None:
    rng = np.random.default_rng(3)
    true = at_intervals(np.tile([300 * ratio, 300 * (1 - ratio)], 40))
    rises = with_sound(rng, true)
    half = series_of(rises, true[::2])
    joined = between_members(half)
    assert joined is not None
    assert share_of(true[:-2], joined) == 1.0
    assert share_of(joined, true) > 0.95


def test_slams_and_softer_knocks_of_another_sound_in_turn_are_not_one_beat() -> None:
    true = at_intervals(np.tile([110.0, 140.0], 40))
    slams, reopenings = true[::2], true[1::2]
    alike = with_sound(np.random.default_rng(4), true)
    assert all_alike(series_of(alike, true), alike, SETTINGS)
    softer = alike.copy()
    softer[reopenings, 2:5] -= 1.9
    assert not all_alike(series_of(softer, true), softer, SETTINGS)
    other = noise(np.random.default_rng(4), N_FRAMES)
    other[slams, 4:] += 3.0
    other[reopenings, :4] += 3.0
    assert not all_alike(series_of(other, true), other, SETTINGS)


@pytest.mark.parametrize("seed", range(5))
def test_nothing_is_joined_where_nothing_lies_between(seed: int) -> None:
    true = at_intervals(np.full(60, 200.0))
    rises = with_sound(np.random.default_rng(seed), true)
    # another sound, always at the same place in the cycle, is not the same sound once more
    rises[true + 60, 5:] += 2.5
    assert between_members(series_of(rises, true)) is None


def test_a_beat_that_hops_between_two_rates_is_followed_through() -> None:
    rng = np.random.default_rng(5)
    hop = np.repeat([110.0, 160.0], 10)
    true = at_intervals(np.tile(hop, 5) * np.exp(rng.normal(0, 0.01, 100)))
    rises = with_sound(rng, true)
    field = field_of(rises)
    even = refine(field, true[:30], 110.0, SETTINGS, rounds=3)
    assert even is not None
    loose = loosened(even, field, rises, SETTINGS)
    assert share_of(true, loose.frames) > 0.95
    assert share_of(loose.frames, true) > 0.95
    assert loose.evidence > 1.2 * even.evidence
    assert share_of(true, loose.frames) > share_of(true, even.frames) + 0.1


def test_an_even_beat_stays_what_it_is_when_loosened() -> None:
    rng = np.random.default_rng(6)
    true = at_intervals(120 * np.exp(rng.normal(0, 0.015, 95)))
    rises = with_sound(rng, true)
    field = field_of(rises)
    even = refine(field, true, 120.0, SETTINGS, rounds=3)
    assert even is not None
    loose = loosened(even, field, rises, SETTINGS)
    assert share_of(even.frames, loose.frames) == 1.0
    assert share_of(loose.frames, true) == 1.0


def test_what_is_off_an_even_rhythm_does_not_belong_to_it() -> None:
    rng = np.random.default_rng(7)
    even = at_intervals(np.full(40, 150.0) + rng.integers(-1, 2, 40))
    water = even[-1] + np.cumsum([105, 330, 118, 214, 90, 401])
    rises = with_sound(rng, np.concatenate([even, water]))
    series = series_of(rises, np.concatenate([even, water]), 150.0)
    kept = within_rhythm(series, SETTINGS)
    np.testing.assert_array_equal(kept.frames, even)
    assert len(kept.z_honest) == len(even)
    assert kept.evidence < series.evidence  # what was lost explained something
    # a beat that has no rhythm anywhere is left alone
    ragged = at_intervals(150 * np.exp(rng.normal(0, 0.35, 60)))
    loose = series_of(with_sound(rng, ragged), ragged)
    assert within_rhythm(loose, SETTINGS) is loose


@pytest.mark.parametrize("late", [-5, -3, 3, 5])
def test_a_series_is_centred_on_the_knock_itself(late: int) -> None:
    true = at_intervals(np.full(60, 180.0))
    rises = with_sound(np.random.default_rng(8), true, 4.0)
    rises[true - late, 6:] += 2.5  # what the template knows the knock by
    series = series_of(rises, true - late)
    found = centred(series, rises)
    # rises are taken over three frames, so one to either side is as good
    assert np.abs(found.frames - true).max() <= 1
    assert found.late == found.frames[0] - series.frames[0]
    assert abs(found.late - late) <= 1
    np.testing.assert_array_equal(found.z_honest, series.z_honest)


def test_two_sounds_in_turn_are_parted_and_one_sound_loud_and_soft_is_not() -> None:
    rng = np.random.default_rng(9)
    true = at_intervals(np.full(80, 140.0))
    two = noise(rng, N_FRAMES)
    two[true[::2], 4:] += 4.0
    two[true[1::2], :3] += 2.5
    parted = part_mixture(series_of(two, true), field_of(two), two, SETTINGS)
    np.testing.assert_allclose(parted.period, 280, rtol=0.01)
    assert share_of(parted.frames, true[::2]) == 1.0
    one = noise(rng, N_FRAMES)
    one[true[::2], 4:] += 5.0
    one[true[1::2], 4:] += 2.5
    whole = series_of(one, true)
    assert part_mixture(whole, field_of(one), one, SETTINGS) is whole

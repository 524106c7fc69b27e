"""One pump in made rises: where its knocks are, those in between, and a beat that is not one period."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from clackcount.beats.cycle import Sound
from clackcount.beats.pumps import (
    Scene,
    is_note,
    is_twin,
    other_sound,
    polished,
    rivals,
    same_rhythm,
    settle,
    shifted,
    sound_at,
)
from clackcount.beats.series import refine
from clackcount.beats.shaping import (
    all_alike,
    between_members,
    corrected_cosine,
    doubled,
    loosened,
    part_mixture,
    risen,
    unpaired,
    within_rhythm,
)
from clackcount.beats.template import Frames
from clackcount.model import Passage
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
    assert all_alike(series_of(alike, true), field_of(alike), SETTINGS)
    softer = alike.copy()
    softer[reopenings, 2:5] -= 1.9
    assert not all_alike(series_of(softer, true), field_of(softer), SETTINGS)
    other = noise(np.random.default_rng(4), N_FRAMES)
    other[slams, 4:] += 3.0
    other[reopenings, :4] += 3.0
    assert not all_alike(series_of(other, true), field_of(other), SETTINGS)


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
    loose = loosened(even, field, SETTINGS)
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
    loose = loosened(even, field, SETTINGS)
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


@pytest.mark.parametrize("lag", [-30, -11, 11, 40])
def test_a_series_moves_to_another_sound_of_its_cycles_and_not_to_a_like_one_elsewhere(lag: int) -> None:
    rng = np.random.default_rng(8)
    true = at_intervals(np.full(55, 180.0))
    rises = with_sound(rng, true, 4.0)
    strays = lag + rng.integers(-1, 2, len(true))
    rises[true + strays, 6:] += 4.0
    rises[true + 90, 6:] += 4.0  # the same sound at another place of the cycle
    series = series_of(rises, true)
    moved = other_sound(series, lag, field_of(rises), SETTINGS)
    # rises are taken over three frames, so one to either side is as good
    assert np.mean(np.abs(moved.frames - true - strays) <= 1) > 0.95
    assert len(moved.frames) == len(moved.z_honest)


def test_two_members_that_come_to_lie_at_one_sound_are_one() -> None:
    true = at_intervals(np.full(55, 180.0))
    rises = with_sound(np.random.default_rng(8), true, 4.0)
    rises[true + 20, 6:] += 4.0
    twice = np.sort(np.concatenate([true, [true[10] + 3, true[30] + 4]]))
    moved = other_sound(series_of(rises, twice, 180.0), 20, field_of(rises), SETTINGS)
    assert np.all(np.diff(moved.frames) > 20)
    assert len(moved.frames) == len(moved.z_honest)
    assert share_of(true + 20, moved.frames) == 1.0


def test_a_shifted_series_leaves_out_what_falls_off_the_passage() -> None:
    true = at_intervals(np.full(55, 180.0))
    series = series_of(with_sound(np.random.default_rng(8), true, 4.0), true)
    gone = int(true[0]) + 1
    moved = shifted(series, -gone, N_FRAMES)
    np.testing.assert_array_equal(moved.frames, series.frames[1:] - gone)
    assert (moved.late, len(moved.z_honest)) == (series.late - gone, len(moved.frames))


def test_two_sounds_in_turn_are_parted_and_one_sound_loud_and_soft_is_not() -> None:
    rng = np.random.default_rng(9)
    true = at_intervals(np.full(80, 140.0))
    two = noise(rng, N_FRAMES)
    two[true[::2], 4:] += 4.0
    two[true[1::2], :3] += 2.5
    parted = part_mixture(series_of(two, true), field_of(two), SETTINGS)
    np.testing.assert_allclose(parted.period, 280, rtol=0.01)
    assert share_of(parted.frames, true[::2]) == 1.0
    one = noise(rng, N_FRAMES)
    one[true[::2], 4:] += 5.0
    one[true[1::2], 4:] += 2.5
    whole = series_of(one, true)
    assert part_mixture(whole, field_of(one), SETTINGS) is whole


def test_two_sounds_of_one_valve_are_parted_where_each_is_more_like_itself() -> None:
    rng = np.random.default_rng(8)
    slams = at_intervals(np.full(50, 220.0))
    both = np.sort(np.concatenate([slams, slams + 110]))
    rises = noise(rng, N_FRAMES)
    rises[slams, 1:5] += 9.0
    rises[slams + 110, 2:7] += 7.0
    assert part_mixture(series_of(rises, both), field_of(rises), SETTINGS).period == pytest.approx(220, abs=2)
    # strong and weak in turn, with the spectrum of one sound, it is one beat
    rises = noise(rng, N_FRAMES)
    rises[slams, 1:5] += 9.0
    rises[slams + 110, 1:5] += 6.0
    assert part_mixture(series_of(rises, both), field_of(rises), SETTINGS).period == pytest.approx(110, abs=2)


def test_two_sounds_of_the_same_cycles_have_the_same_rhythm() -> None:
    rng = np.random.default_rng(9)
    frames = at_intervals(150 * np.exp(rng.normal(0, 0.05, 60)))
    rises = with_sound(rng, frames)
    one = series_of(rises, frames)
    for lag in (-40, 20, 70):
        assert same_rhythm(one, series_of(rises, frames + lag))
    assert not same_rhythm(one, one)  # the same sound
    assert not same_rhythm(one, series_of(rises, at_intervals(150 * np.exp(rng.normal(0, 0.05, 60)))))
    assert not same_rhythm(one, series_of(rises, frames[::2] + 20))


def test_the_sound_at_a_lag_is_the_likeliest_near_it_else_the_nearest() -> None:
    sounds = [Sound(-50, 10.0, 1.0), Sound(-3, 10.0, 1.0), Sound(4, 10.0, 1.0), Sound(60, 10.0, 1.0)]
    odds = [5.0, -1.0, 1.0, 2.0]
    assert sound_at(0, sounds, odds) == 2
    assert sound_at(55, sounds, odds) == 3
    assert sound_at(-30, sounds, odds) == 0


def test_short_and_long_in_turn_beyond_one_valves_beat_are_slams_and_reopenings() -> None:
    rng = np.random.default_rng(10)
    both = at_intervals(np.tile([60.0, 135.0], 28))
    rises = with_sound(rng, both)
    field = field_of(rises)
    parted = unpaired(series_of(rises, both, 97.0), field, SETTINGS)
    assert parted.period == pytest.approx(195, abs=2)
    assert np.all(np.isin(parted.frames, both))
    # 6 to 25 per cent longer and shorter in turn is one valve
    taking_turns = at_intervals(np.tile([80.0, 120.0], 28))
    one = series_of(with_sound(rng, taking_turns), taking_turns, 100.0)
    assert unpaired(one, field, SETTINGS) is one


def in_turns(weak: float, bands: slice, seed: int = 6) -> tuple[Frames, np.ndarray]:
    """Slams after long and short in turn; in these bands those after the short intervals rise so far."""
    true = at_intervals(np.tile([110.0, 140.0], 40))
    rises = with_sound(np.random.default_rng(seed), true[::2], height=3.0)
    rises[true[1::2], bands] += weak
    return true, rises


def test_weak_slams_between_strong_ones_are_slams_if_they_sound_as_those_do() -> None:
    true, rises = in_turns(weak=0.9, bands=slice(2, 5))
    whole = doubled(series_of(rises, true[::2]), field_of(rises), SETTINGS)
    assert whole is not None
    assert share_of(true, whole.frames) > 0.97
    assert share_of(whole.frames, true) > 0.97


@pytest.mark.parametrize(("weak", "bands"), [(0.0, slice(2, 5)), (0.9, slice(5, 8)), (2.5, slice(3, 8))])
def test_nothing_is_put_between_slams_where_there_is_nothing_or_another_sound(weak: float, bands: slice) -> None:
    true, rises = in_turns(weak, bands)
    assert doubled(series_of(rises, true[::2]), field_of(rises), SETTINGS) is None


def test_every_fifth_slam_is_not_doubled_to_two_in_five() -> None:
    true = at_intervals(np.full(150, 70.0))
    rises = with_sound(np.random.default_rng(8), true)
    assert doubled(series_of(rises, true[::5]), field_of(rises), SETTINGS) is None
    assert doubled(series_of(rises, true[::2]), field_of(rises), SETTINGS) is not None


def test_noise_does_not_lower_a_corrected_cosine() -> None:
    """Two samples whose means lie 60 degrees apart (their cosine is a half) amid noise as large as they are; with the
    noise in, the cosine is far lower."""
    rng = np.random.default_rng(2)
    one, other = np.zeros(40), np.zeros(40)
    one[0], other[0], other[1] = 1.0, 0.5, np.sqrt(0.75)
    noisy = [mean + 0.7 * rng.standard_normal((60, 40)) for mean in (one, other)]
    found, certain = corrected_cosine(noisy[0], noisy[1])
    plain = [sample.mean(axis=0) for sample in noisy]
    assert found == pytest.approx(0.5, abs=0.12)
    assert plain[0] @ plain[1] / np.linalg.norm(plain[0]) / np.linalg.norm(plain[1]) < 0.42
    assert certain > 3
    assert corrected_cosine(noisy[0], rng.standard_normal((60, 40)))[1] < 3


def test_a_high_sound_in_few_bands_may_be_a_note_a_low_or_broad_one_not() -> None:
    bands = np.arange(36.0)
    assert is_note(np.exp(-0.5 * ((bands - 24) / 0.8) ** 2))
    assert not is_note(np.exp(-0.5 * ((bands - 4) / 0.8) ** 2))
    assert not is_note(np.exp(-0.5 * ((bands - 24) / 4.0) ** 2))


def test_what_may_be_the_slam_instead_is_the_likelier_and_what_sounds_before_it() -> None:
    sounds = [Sound(lag, 10.0, 1.0) for lag in (-60, -4, 0, 30, 55)]
    odds = [-3.0, 0.5, 1.0, 2.0, -1.0]
    assert rivals(sounds, odds, own=2) == [3, 0]  # the likelier first; -4 is its own sound, 55 neither
    assert rivals(sounds[2:], [1.0, -2.0, -1.0], own=0) == []


@pytest.mark.parametrize(
    ("period", "lag", "bands", "twin"),
    [
        (120, 56, slice(2, 5), True),
        (120, 56, slice(4, 8), False),
        (120, 30, slice(2, 5), False),
        (60, 29, slice(2, 5), False),
        (300, 60, slice(2, 5), False),
    ],
    ids=["tick and tick", "a thud in other bands", "too soon", "a fast beat", "long before half a period"],
)
def test_a_knock_of_the_same_kind_half_a_beat_later_is_a_twin(
    period: int, lag: int, bands: slice, twin: bool
) -> None:
    frames = np.arange(100, N_FRAMES - 200, period)
    rises = with_sound(np.random.default_rng(4), frames)
    rises[frames + lag, bands] += 2.0
    assert is_twin(series_of(rises, frames), lag, field_of(rises), 200.0) is twin


def test_where_hardly_any_rise_is_left_the_moments_move_to_where_they_rise() -> None:
    frames = np.arange(100, N_FRAMES - 200, 110)
    rises = with_sound(np.random.default_rng(5), frames)
    rises[frames + 1, 2:5] += 1.5  # a knock rises for more than a frame
    field = field_of(rises)
    np.testing.assert_array_equal(risen(frames + 4, field), frames)
    np.testing.assert_array_equal(risen(frames + 1, field), frames + 1)  # here it rises well enough
    silent = np.arange(150, N_FRAMES - 200, 110)
    np.testing.assert_array_equal(risen(silent, field), silent)


def test_a_pump_is_walked_again_though_its_sound_moved_to_lies_behind_the_end() -> None:
    frames = np.arange(N_FRAMES - 3 - 79 * 149, N_FRAMES, 149)
    rises = with_sound(np.random.default_rng(21), frames)
    level_db = np.full(rises.shape[:2], -60, dtype=np.float32)
    scene = Scene.of(Passage(0, 40, 8000, rises, level_db, np.zeros(0, dtype=np.float32), 0, (0, N_FRAMES)))
    pump = settle(series_of(rises, frames), scene, SETTINGS)
    doubted = replace(pump, ram_odds=-9.0)
    moved = replace(doubted, series=replace(doubted.series, late=-4))
    assert frames[-1] + 4 >= N_FRAMES
    again = polished(moved, scene, SETTINGS)
    assert share_of(frames[:-1], again.series.frames) == 1.0

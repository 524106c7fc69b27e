"""Is it a ram? Evenness, number and water count; whatever else is the same, the sign alone moves the odds."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as rules
from hypothesis import strategies as st

from clackcount.beats.series import Series
from clackcount.beats.signs import (
    AGAINST_COST,
    CROWD_COST,
    NARROW_BANDS,
    NARROW_COST,
    RUSHES,
    STEPS_COST,
    STEPS_ROUGH,
    goes_raggedly,
    ram_odds,
    roughness,
    scatter,
)
from clackcount.settings import BeatsSettings

FRAMES_PER_S = 200.0
NO_WEIGHTS = np.zeros(1, dtype=np.float32)


def series_at(intervals: np.ndarray, gain: float = 4.0, others: int = 0) -> Series:
    """Moments at these intervals, frames, each of which explains as much; others: as many that sound the same."""
    frames = np.round(np.cumsum(np.concatenate([[100.0], intervals]))).astype(np.intp)
    z = np.zeros(int(frames[-1]) + 200, dtype=np.float32)
    z[np.random.default_rng(1).integers(0, len(z), others)] = 5
    z[frames] = 5
    return Series(
        frames=frames,
        period=float(np.median(np.diff(frames))),
        weights=NO_WEIGHTS,
        z=z,
        z_honest=np.full(len(frames), 5.0, dtype=np.float32),
        evidence=gain * len(frames),
    )


def odds(series: Series, *, reopens: bool = False, rush_t: float = 0.0, n_bands: float = 20.0) -> float:
    return ram_odds(series, FRAMES_PER_S, reopens=reopens, rush_t=rush_t, n_bands=n_bands)


def clearly(intervals: np.ndarray, z: float = 15.0) -> Series:
    """The same in a sound that stands out so many spreads."""
    series = series_at(intervals)
    return dataclasses.replace(series, z_honest=np.full(len(series.frames), z, dtype=np.float32))


def test_a_beat_picked_out_of_a_crowd_of_alike_sounds_counts_less() -> None:
    """Barks, drips and birds' calls offer something near any beat; an even beat needs no such witness."""
    rough, even = jittered(0.09, 5, 13), jittered(0.005, 5)  # too few to be a ragged ram
    lost = odds(series_at(rough)) - odds(series_at(rough, others=300))
    assert 0.5 * CROWD_COST < lost <= CROWD_COST
    assert odds(series_at(even, others=300)) == odds(series_at(even))


def test_a_ragged_beat_among_alike_sounds_is_not_believed() -> None:
    ragged = jittered(0.14, 3, 60)
    assert goes_raggedly(series_at(ragged, gain=6.0), FRAMES_PER_S)
    assert not goes_raggedly(series_at(ragged, gain=6.0, others=300), FRAMES_PER_S)


def jittered(share: float, seed: int, n: int = 45, period: float = 110.0) -> np.ndarray:
    return np.asarray(period * np.exp(np.random.default_rng(seed).normal(0, share, n)))


@pytest.mark.parametrize("jitter", [0.03, 0.04, 0.06, 0.08])
def test_an_even_beat_is_likelier_a_ram_than_steps(jitter: float) -> None:
    """Steps over rough ground stray by 3 to 8 % from one to the next: common practice, no source.

    On a level floor healthy adults' strides stray by 1.3 % (Hausdorff, Zemany, Peng & Goldberger 1999, J. Appl.
    Physiol. 86, 1040-1047), as little as a ram's beats (1.1 to 1.6 %, Cornell AguaClara 2019): evenness does not tell
    those from a ram.
    """
    for seed in range(10):
        even = odds(series_at(jittered(0.012, seed)))
        steps = odds(series_at(jittered(jitter, seed)))
        assert even > steps
        assert even > BeatsSettings().ram_odds_min
    usual = np.median([odds(series_at(jittered(jitter, seed))) for seed in range(30)])
    assert even > usual + (0.5 if jitter < 0.04 else 2.0)


def test_the_roughness_is_that_of_neighbours_and_without_the_error_of_frames() -> None:
    for share in (0.02, 0.05, 0.1):
        found = [roughness(series_at(jittered(share, seed, 400)).frames, 110.0) for seed in range(5)]
        # the lesser of two estimates, each from a median, and a little too much taken off for the frames
        assert np.mean(found) == pytest.approx(share, rel=0.15)
    # a slow wander leaves neighbours alike, and so does long and short in turn those next but one
    wander = 110 * np.exp(0.1 * np.sin(np.arange(100) / 8))
    assert roughness(series_at(wander).frames, 110.0) < 0.02
    assert roughness(series_at(np.tile([90.0, 140.0], 30)).frames, 110.0) < 0.01


@given(st.floats(15, 430))
@rules(max_examples=60)
def test_frame_numbers_alone_make_no_pump_look_like_steps(rate_per_min: float) -> None:
    period = 60 * FRAMES_PER_S / rate_per_min
    assert roughness(series_at(np.full(100, period)).frames, period) < STEPS_ROUGH


def test_a_missed_beat_makes_nothing_rough_but_costs_a_little() -> None:
    whole = jittered(0.01, 3)
    gappy = np.concatenate([whole[:10], [220.0], whole[10:20], [220.0], whole[20:]])
    assert roughness(series_at(gappy).frames, 110.0) == pytest.approx(
        roughness(series_at(whole).frames, 110.0), abs=0.01
    )
    assert odds(series_at(gappy)) < odds(series_at(whole))
    # rows of three even knocks with anything between them are not even
    threes = np.concatenate([[110.0, 110.0, *gaps] for gaps in np.random.default_rng(2).uniform(250, 900, (20, 3))])
    frames = series_at(threes).frames
    assert roughness(frames, 110.0) < 0.05 < 0.2 < scatter(frames, 110.0, FRAMES_PER_S)
    # a stop does not count as beats missed: no more is lost than the slams of the pause would have added
    stopped = np.concatenate([whole[:20], [4000.0], whole[20:]])
    assert odds(series_at(stopped)) == pytest.approx(odds(series_at(whole)), abs=0.5)


def test_water_louder_before_the_knock_speaks_for_a_ram_and_louder_after_it_against() -> None:
    series = series_at(jittered(0.012, 1))
    t_values = np.array([10.0, 0.0, -3.0, -6.0, -9.0, -12.0, -30.0])
    found = np.array([odds(series, rush_t=t) for t in t_values])
    assert np.all(np.diff(found) <= 0)
    assert found[1] == found[2]  # what chance gives is no sign
    assert found[0] - found[1] == pytest.approx(RUSHES)
    assert found[2] - found[5] == pytest.approx(AGAINST_COST)
    assert found[5] == found[6]


def test_a_ragged_beat_that_reopens_is_not_held_against_it_as_against_steps() -> None:
    ragged = series_at(jittered(0.1, 2))
    assert odds(ragged, reopens=True) - odds(ragged) == pytest.approx(STEPS_COST)
    even = series_at(np.full(45, 110.0))
    assert odds(even, reopens=True) == odds(even)


@given(st.integers(6, 200), st.floats(30, 800), st.floats(0, 0.15), st.integers(0, 99), st.floats(-2, 8))
@rules(max_examples=60)
def test_more_of_the_same_is_surer(n: int, period: float, share: float, seed: int, gain: float) -> None:
    intervals = np.maximum(np.round(jittered(share, seed, n, period)), 12)
    series = series_at(intervals, gain)
    assert np.isfinite(odds(series))
    clearer = dataclasses.replace(series, evidence=series.evidence + 0.5 * len(series.frames))
    assert odds(clearer) >= odds(series)
    twice = series_at(np.concatenate([intervals, intervals[::-1]]), gain)  # the same neighbours, but for one pair
    alike = dataclasses.replace(twice, period=series.period)
    if roughness(alike.frames, alike.period) <= roughness(series.frames, series.period):
        assert odds(alike) >= odds(series) - 1e-9


def test_a_thud_in_two_bands_counts_against_steps_and_not_against_an_even_beat() -> None:
    steps, even = series_at(jittered(0.06, 3)), series_at(jittered(0.012, 3))
    assert odds(steps) - odds(steps, n_bands=NARROW_BANDS - 1) == pytest.approx(NARROW_COST)
    assert odds(even) == odds(even, n_bands=NARROW_BANDS - 1)


@pytest.mark.parametrize("share", [0.08, 0.10, 0.12])
def test_a_ragged_beat_is_believed_while_it_is_long_and_whole(share: float) -> None:
    limit = BeatsSettings().ram_odds_min
    for seed in range(5):
        intervals = jittered(share, seed, 60, period=260.0)
        assert goes_raggedly(series_at(intervals, gain=6.0), FRAMES_PER_S)
        assert odds(series_at(intervals, gain=6.0)) > limit
        assert not goes_raggedly(series_at(intervals[:12], gain=6.0), FRAMES_PER_S)
        assert odds(series_at(intervals, gain=6.0), rush_t=-13.0) < limit


def test_a_ragged_beat_is_believed_where_it_stops_before_the_end() -> None:
    """Some moments after the stop sound as it did; they are no part of its run, and not the most of it."""
    intervals = jittered(0.12, 2, 60, period=260.0)
    strays = np.array([3000.0, 900.0, 2500.0, 1400.0])
    assert goes_raggedly(series_at(np.append(intervals, strays), gain=6.0), FRAMES_PER_S)
    assert not goes_raggedly(series_at(np.append(intervals, np.tile(strays, 4)), gain=6.0), FRAMES_PER_S)


def test_what_strays_no_more_than_steps_at_the_pace_of_a_walk_is_no_ragged_ram() -> None:
    """Steps differ by 3 to 10 % from one to the next (from memory)."""
    assert not goes_raggedly(series_at(jittered(0.07, 3, 60, period=110.0), gain=6.0), FRAMES_PER_S)
    assert goes_raggedly(series_at(jittered(0.07, 3, 60, period=260.0), gain=6.0), FRAMES_PER_S)


def test_water_before_the_knock_speaks_for_a_ragged_beat() -> None:
    """Some 18 % of scatter: too much without water, not with it."""
    series = series_at(jittered(0.18, 4, 60), gain=5.0, others=14)
    assert not goes_raggedly(series, FRAMES_PER_S)
    assert goes_raggedly(series, FRAMES_PER_S, rush_t=8.0)


def test_barks_talk_and_hammering_come_in_spells_and_are_no_ragged_ram() -> None:
    """Bouts of knocks with pauses between them: common practice, no source."""
    rng = np.random.default_rng(7)
    for pause in (2.5, 4.0, 8.0):
        intervals = jittered(0.12, 8, 60)
        intervals[rng.choice(60, 5, replace=False)] *= pause
        assert not goes_raggedly(series_at(intervals, gain=6.0), FRAMES_PER_S)
    loose = np.maximum(rng.exponential(110, 60), 20)  # drips, each for itself
    assert not goes_raggedly(series_at(loose, gain=6.0), FRAMES_PER_S)

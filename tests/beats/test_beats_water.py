"""Whether water rushes before each knock."""

from __future__ import annotations

import numpy as np
import pytest

from clackcount.beats.water import rush_contrast


def water(rise_db: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Levels of 40 cycles of 200 frames in 36 bands, (8200, 36) dB, and the frames of the knocks.

    Background scatters by 3 dB. From 40 frames after a knock to the next one the level is up by rise_db, (36,).
    """
    rng = np.random.default_rng(seed)
    level_db = rng.normal(-60, 3, (8200, 36)).astype(np.float32)
    knocks = np.arange(100, 8100, 200)
    for knock in knocks:
        level_db[knock + 40 : knock + 200] += rise_db.astype(np.float32)
        level_db[knock : knock + 4] += 20
    return level_db, knocks


def test_water_is_told_from_a_gain_that_recovers() -> None:
    """A phone turns its gain down at a knock and up again after it, in all bands: common practice, no source."""
    colour = np.zeros(36)
    colour[10:24] = 4.0
    level_db, knocks = water(colour, 1)
    assert rush_contrast(level_db, knocks[:-1], knocks[1:], 40) > 4
    for seed in range(5):
        level_db, knocks = water(np.full(36, 2.0), seed)
        assert rush_contrast(level_db, knocks[:-1], knocks[1:], 40) < 3


def test_the_works_of_a_clock_before_its_tick_are_no_rush_of_water() -> None:
    """Of five recorded clocks three sound within the 15 to 50 ms before the tick (tests/data)."""
    level_db, knocks = water(np.zeros(36), 2)
    for knock in knocks:
        level_db[knock - 7 : knock, 12:30] += 12
    assert rush_contrast(level_db, knocks[:-1], knocks[1:], 40) < 1


def test_water_that_is_heard_in_some_bands_only_is_told() -> None:
    """Beside a waterfall or an engine the rush of a ram is heard in an octave and a half, and in no band far."""
    for seed in range(5):
        colour = np.zeros(36)
        colour[22:30] = 2.5
        level_db, knocks = water(colour, seed)
        assert rush_contrast(level_db, knocks[:-1], knocks[1:], 40) > 3
        level_db, knocks = water(np.zeros(36), seed)
        assert abs(rush_contrast(level_db, knocks[:-1], knocks[1:], 40)) < 2.5


def test_a_call_of_one_octave_before_each_knock_is_no_rush_of_water() -> None:
    for seed in range(5):
        call = np.zeros(36)
        call[20:23] = 15.0
        level_db, knocks = water(call, seed)
        assert rush_contrast(level_db, knocks[:-1], knocks[1:], 40) < 2.5


def test_a_gain_that_recovers_is_told_beside_bands_that_ring() -> None:
    """The bands that a hammer's ring fills go on falling, while the gain it turned down comes back in the rest."""
    for seed in range(5):
        level_db, knocks = water(np.full(36, 3.5), seed)
        for knock in knocks:
            level_db[knock : knock + 180, 14:22] += np.linspace(40, 0, 180, dtype=np.float32)[:, None]
        assert rush_contrast(level_db, knocks[:-1], knocks[1:], 40) < 4


def test_water_sooner_after_a_knock_than_it_rings_out_is_told() -> None:
    """The shut phase of a fast ram is over while the slam still rings: what it is held against is its last moment."""
    colour = np.zeros(36)
    colour[16:36] = 4.0
    level_db, knocks = water(colour, 3)
    for knock in knocks:
        level_db[knock : knock + 40, :20] += np.linspace(25, 0, 40, dtype=np.float32)[:, None]
    assert rush_contrast(level_db, knocks[:-1], knocks[1:], 14) > 2.5


@pytest.mark.parametrize("n", [0, 1, 3])
def test_of_a_few_cycles_nothing_is_told(n: int) -> None:
    level_db, knocks = water(np.full(36, 6.0), 4)
    assert rush_contrast(level_db, knocks[:n], knocks[1 : n + 1], 40) == 0

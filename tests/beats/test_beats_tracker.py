"""Whether a second pump is one: phases in the cycle of the first, held to SciPy's circular statistics."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as rules
from hypothesis import strategies as st
from scipy.stats import circvar

from clackcount.beats.tracker import locked
from clackcount.settings import BeatsSettings

LOCKED = BeatsSettings().locked_max


@given(st.integers(0, 500), st.floats(0, 1), st.floats(0, 0.5))
@rules(max_examples=60)
def test_it_is_the_length_of_the_mean_phase_vector(seed: int, place: float, width: float) -> None:
    rng = np.random.default_rng(seed)
    beat = np.cumsum(rng.normal(200, 4, 60))
    phase = (place + rng.normal(0, width, 58)) % 1
    frames = np.sort(beat[:-2] + phase * np.diff(beat[:-1]))
    after = np.searchsorted(beat, frames)
    inside = (after > 0) & (after < len(beat))
    angle = 2 * np.pi * ((frames - beat[after - 1]) / (beat[np.minimum(after, 59)] - beat[after - 1]))[inside]
    once, twice = (1 - circvar(n * angle) for n in (1, 2))
    assert locked(frames, beat) == pytest.approx(max(once, twice), abs=1e-6)


@pytest.mark.parametrize("rates_per_min", [(62, 97.1), (62, 58), (60, 200), (90, 47.3)])
def test_another_pump_falls_anywhere_in_the_cycle_of_the_first(rates_per_min: tuple[float, float]) -> None:
    one, other = (np.arange(40, 12_000, 12_000 / rate) for rate in rates_per_min)
    rng = np.random.default_rng(1)
    assert locked(other + rng.normal(0, 2, len(other)), one) < LOCKED


@pytest.mark.parametrize("lag", [0.0, 0.15, 0.5, 0.97])
def test_an_echo_keeps_its_place_and_so_do_two_sounds_half_a_cycle_apart(lag: float) -> None:
    rng = np.random.default_rng(2)
    beat = np.cumsum(rng.normal(190, 5, 60))
    echo = beat[:-1] + lag * 190 + rng.normal(0, 2, 59)
    assert locked(echo, beat) > LOCKED
    assert locked(np.sort(np.concatenate([echo, echo + 95])), beat) > LOCKED


def test_too_few_moments_are_locked_to_nothing() -> None:
    beat = np.arange(0, 4000, 200.0)
    assert locked(beat[:3] + 20, beat) == 0
    assert locked(beat + 20, beat[:2]) == 0
    assert locked(beat + 1e5, beat) == 0

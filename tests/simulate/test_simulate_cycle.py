"""The hydraulics of a beat against closed forms, against scipy's integrator and against published beat rates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp

from clackcount.errors import QuantityError
from clackcount.model import Pattern
from clackcount.simulate.cycle import GRAVITY_M_S2, DriveColumn, Rhythm
from clackcount.simulate.ram import random_column, random_ram, random_rhythm

WORKED = DriveColumn(
    length_m=12, bore_m=0.0525, drive_head_m=2, loss_coefficient=11, closing_velocity_m_s=1.0, delivery_head_m=20,
    closing_s=0.02, recoil_s=0.03, wave_speed_m_s=1386,
)  # fmt: skip


def test_worked_case_of_a_twelve_metre_drive_pipe() -> None:
    """Numbers worked out by hand from the momentum equation (no published case was found); 3 figures printed."""
    assert_allclose(WORKED.terminal_velocity_m_s, 1.888, atol=5e-4)
    assert_allclose(WORKED.time_constant_s, 1.155, atol=5e-4)
    assert_allclose(WORKED.acceleration_s, 0.681, atol=1e-3)
    assert_allclose(WORKED.delivery_s, 0.068, atol=5e-4)
    assert_allclose(WORKED.wasted_per_beat_l, 0.777, atol=1e-3)
    assert_allclose(WORKED.delivered_per_beat_l, 0.0736, atol=5e-5)
    assert_allclose(WORKED.rate_per_min, 75, atol=0.5)  # with 0.05 s for closing and recoil
    assert_allclose(1000 / WORKED.pipe_ring_hz, 35, atol=0.5)  # 4 L / a in ms, steel


columns = st.builds(
    lambda seed, rate: random_column(np.random.default_rng(seed), rate),
    st.integers(0, 2**32 - 1),
    st.floats(15, 400),
)


@settings(max_examples=25, deadline=None)
@given(columns)
def test_velocity_is_what_an_integrator_finds(column: DriveColumn) -> None:
    """L dv/dt = g H - K v^2 / 2 by Runge-Kutta (scipy.integrate.solve_ivp), from rest up to the closing velocity."""

    def push(_: float, v: np.ndarray) -> np.ndarray:
        return (GRAVITY_M_S2 * column.drive_head_m - column.loss_coefficient * v**2 / 2) / column.length_m

    t_s = np.linspace(0, column.acceleration_s, 20)
    run = solve_ivp(push, (0, t_s[-1]), [0.0], t_eval=t_s, rtol=1e-9, atol=1e-12)
    assert_allclose(column.velocity_m_s(t_s), run.y[0], rtol=1e-6, atol=1e-9)
    assert_allclose(run.y[0][-1], column.closing_velocity_m_s, rtol=1e-6)


@settings(max_examples=25, deadline=None)
@given(columns)
def test_wasted_water_is_the_integral_of_the_flow(column: DriveColumn) -> None:
    t_s = np.linspace(0, column.acceleration_s, 20001)
    litres = 1000 * np.pi * column.bore_m**2 / 4 * np.trapezoid(column.velocity_m_s(t_s), t_s)
    assert_allclose(column.wasted_per_beat_l, litres, rtol=1e-6)


@given(columns)
def test_delivery_spends_the_momentum_and_the_lift_never_exceeds_the_energy(column: DriveColumn) -> None:
    lift_m = column.delivery_head_m - column.drive_head_m
    slowing_m_s2 = GRAVITY_M_S2 * lift_m / column.length_m
    assert_allclose(column.closing_velocity_m_s - slowing_m_s2 * column.delivery_s, 0, atol=1e-9)
    mass_kg_per_m2 = 1000 * column.length_m
    energy_j = mass_kg_per_m2 * column.closing_velocity_m_s**2 / 2 * np.pi * column.bore_m**2 / 4
    assert_allclose(1000 * GRAVITY_M_S2 * lift_m * column.delivered_per_beat_l / 1000, energy_j, rtol=1e-9)
    # Energy bound: delivered * lift / (wasted * head) = s^2 / -ln(1 - s^2), below 1 for any share s of the top speed.
    share = column.closing_velocity_m_s / column.terminal_velocity_m_s
    ratio = column.delivered_per_beat_l * lift_m / (column.wasted_per_beat_l * column.drive_head_m)
    assert_allclose(ratio, share**2 / -np.log1p(-(share**2)), rtol=1e-9)
    assert ratio < 1


@given(columns)
def test_a_drawn_column_beats_within_the_ranges_asked_for(column: DriveColumn) -> None:
    assert 14.9 < column.rate_per_min < 401
    assert 0.0599 <= column.shut_s <= 0.3501
    assert 0.0099 <= column.closing_s <= 0.0501
    assert column.open_s > column.closing_s
    assert_allclose(column.period_s, column.open_s + column.shut_s)


def test_more_head_is_faster_and_a_longer_pipe_or_a_heavier_valve_slower() -> None:
    """Direction published by Siwinda, Bunda College, Malawi, 2011 (more weight, slower); the rest from L, H."""
    rate = WORKED.rate_per_min
    assert replace(WORKED, drive_head_m=3).rate_per_min > rate
    assert replace(WORKED, length_m=18).rate_per_min < rate
    assert replace(WORKED, closing_velocity_m_s=1.3).rate_per_min < rate


@pytest.mark.parametrize("rate", [40, 60, 107, 120, 170, 260, 375])
def test_every_published_beat_rate_can_be_drawn(rate: float) -> None:
    """40-120 (NIT Karnataka virtual lab), about 60 (USDA), 107 (Siwinda 2011), 170-375 (AguaClara 2019 logs)."""
    for seed in range(20):
        assert_allclose(random_column(np.random.default_rng(seed), rate).rate_per_min, rate, rtol=1e-9)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"length_m": 0.0}, "length_m is 0"),
        ({"delivery_head_m": 1.5}, "not above the drive head"),
        ({"closing_velocity_m_s": 1.9}, "never reaches 1.9 m/s"),
    ],
)
def test_impossible_columns_are_refused(change: dict[str, float], match: str) -> None:
    with pytest.raises(QuantityError, match=match):
        replace(WORKED, **change)


@pytest.mark.parametrize("pattern", list(Pattern))
def test_a_rhythm_drawn_for_a_pattern_shows_it(pattern: Pattern) -> None:
    for seed in range(10):
        rng = np.random.default_rng(seed)
        rhythm = random_rhythm(rng, pattern)
        assert rhythm.pattern is pattern
        factor, missed = rhythm.factors(4000, rng)
        gap = factor[~missed]
        cv, turn = np.std(gap) / np.mean(gap), np.corrcoef(gap[:-1], gap[1:])[0, 1]
        match pattern:
            case Pattern.EVEN:
                assert cv < 0.03
            case Pattern.WANDERING:
                assert cv > 0.02
                assert turn > 0.5
            case Pattern.ALTERNATING:
                assert turn < -0.8
            case Pattern.HOPPING:
                short, long = np.quantile(gap, [0.15, 0.85])
                assert_allclose(long / short, rhythm.hop_ratio, rtol=0.1)
                assert np.mean((gap > 1.15 * short) & (gap < long / 1.15)) < 0.35
            case Pattern.RAGGED:
                assert cv > 0.09


@given(seed=st.integers(0, 2**32 - 1), n=st.integers(0, 300))
def test_factors_are_positive_and_a_missed_beat_doubles_its_period(seed: int, n: int) -> None:
    rhythm = Rhythm(white_cv=0.0, missed_share=0.2)
    factor, missed = rhythm.factors(n, np.random.default_rng(seed))
    assert factor.shape == missed.shape == (n,)
    assert_allclose(factor, np.where(missed, 2, 1))


def test_wandering_returns_to_the_mean_and_keeps_its_spread() -> None:
    factor, _ = Rhythm(white_cv=0, wander_cv=0.05, wander_beats=30).factors(200_000, np.random.default_rng(5))
    assert_allclose(np.mean(factor), 1, atol=0.005)
    assert_allclose(np.std(factor), 0.05, rtol=0.1)
    assert_allclose(np.corrcoef(factor[:-30], factor[30:])[0, 1], np.exp(-1), atol=0.05)


def test_rams_are_drawn_over_the_whole_range_of_rates() -> None:
    rates = [random_ram(np.random.default_rng(seed)).column.rate_per_min for seed in range(300)]
    shares = np.histogram(np.log(rates), np.log([15, 45, 135, 400]))[0] / 300
    assert_allclose(shares, 1 / 3, atol=0.1)

"""The water column in the drive pipe through one beat: it speeds up, is shut off, and pumps.

Rigid column, constant total loss coefficient K, waste valve open to the air until it snaps, start from rest:
    L dv/dt = g H - K v²/2,    v∞ = sqrt(2 g H / K),    τ = L v∞ / (g H),    v(t) = v∞ tanh(t / τ).
All arguments are numerics (see ``maths``), in the SI unit their name ends with. K counts everything from the source
to the open air: friction f L/D, entrance, fittings, waste valve and the exit's 1.
"""

from __future__ import annotations

import math

import numpy as np

from clackcount.hydraulics.maths import Numeric, arctanh, log, log_cosh, nominal, numeric, positive, sqrt, tanh
from clackcount.units import STANDARD_GRAVITY_M_S2 as G
from clackcount.units import WATER_DENSITY_KG_M3


def pipe_area_m2(bore_m: Numeric) -> Numeric:
    """Cross-section π D²/4."""
    return math.pi / 4 * positive("bore_m", bore_m) ** 2


def terminal_velocity_m_s(supply_head_m: Numeric, loss_coefficient: Numeric) -> Numeric:
    """Speed v∞ = sqrt(2 g H / K) the column would settle at if the waste valve stayed open."""
    return sqrt(2 * G * positive("supply_head_m", supply_head_m) / positive("loss_coefficient", loss_coefficient))


def loss_coefficient_from_open_flow(supply_head_m: Numeric, open_flow_m3_s: Numeric, bore_m: Numeric) -> Numeric:
    """K = 2 g H / v², from the steady flow with the waste valve held open (the bucket test of the drive side)."""
    velocity = positive("open_flow_m3_s", open_flow_m3_s) / pipe_area_m2(bore_m)
    return 2 * G * positive("supply_head_m", supply_head_m) / velocity**2


def column_time_constant_s(length_m: Numeric, supply_head_m: Numeric, loss_coefficient: Numeric) -> Numeric:
    """τ = L v∞ / (g H), the time scale of speeding up."""
    terminal = terminal_velocity_m_s(supply_head_m, loss_coefficient)
    return positive("length_m", length_m) * terminal / (G * numeric(supply_head_m))


def column_velocity_m_s(
    time_s: Numeric, length_m: Numeric, supply_head_m: Numeric, loss_coefficient: Numeric
) -> Numeric:
    """v(t) = v∞ tanh(t/τ), time_s after the valve opened on water at rest."""
    time_constant = column_time_constant_s(length_m, supply_head_m, loss_coefficient)
    terminal = terminal_velocity_m_s(supply_head_m, loss_coefficient)
    return terminal * tanh(positive("time_s", time_s, or_zero=True) / time_constant)


def closing_time_s(
    closing_velocity_m_s: Numeric, length_m: Numeric, supply_head_m: Numeric, loss_coefficient: Numeric
) -> Numeric:
    """t_c = τ atanh(v_c/v∞), from rest to the speed that shuts the valve; infinite where v_c is never reached."""
    terminal = terminal_velocity_m_s(supply_head_m, loss_coefficient)
    ratio = positive("closing_velocity_m_s", closing_velocity_m_s, or_zero=True) / terminal
    return column_time_constant_s(length_m, supply_head_m, loss_coefficient) * arctanh(ratio)


def wasted_volume_m3(
    closing_velocity_m_s: Numeric,
    length_m: Numeric,
    bore_m: Numeric,
    supply_head_m: Numeric,
    loss_coefficient: Numeric,
) -> Numeric:
    """V_w = -(A L / K) ln(1 - (v_c/v∞)²), water out of the waste valve in one beat; infinite where never reached.

    The closing motion itself adds a little. For light friction V_w ≈ A L v_c² / (2 g H).
    """
    terminal = terminal_velocity_m_s(supply_head_m, loss_coefficient)
    left = 1 - (positive("closing_velocity_m_s", closing_velocity_m_s, or_zero=True) / terminal) ** 2
    scale = pipe_area_m2(bore_m) * positive("length_m", length_m) / loss_coefficient
    if isinstance(left, (float, int)) or (isinstance(left, np.ndarray) and left.dtype != object):
        reached = np.asarray(left) > 0
        return (-scale * np.where(reached, np.log(np.where(reached, left, 1.0)), -np.inf))[()]
    return -scale * log(left)


def wasted_volume_from_open_time_m3(
    open_time_s: Numeric, length_m: Numeric, bore_m: Numeric, supply_head_m: Numeric, loss_coefficient: Numeric
) -> Numeric:
    """V_w = A v∞ τ ln cosh(t/τ), water wasted in one beat whose valve stood open for open_time_s, from rest."""
    terminal = terminal_velocity_m_s(supply_head_m, loss_coefficient)
    time_constant = column_time_constant_s(length_m, supply_head_m, loss_coefficient)
    share = log_cosh(positive("open_time_s", open_time_s, or_zero=True) / time_constant)
    return pipe_area_m2(bore_m) * terminal * time_constant * share


def delivery_time_s(
    closing_velocity_m_s: Numeric, length_m: Numeric, supply_head_m: Numeric, delivery_head_m: Numeric
) -> Numeric:
    """t_d = L v_c / (g (h - H)), how long the column pumps before it stands still; friction left out.

    Raises: QuantityError where delivery_head_m (above the ram) is not above supply_head_m.
    """
    lift = positive("delivery_head_m - supply_head_m", numeric(delivery_head_m) - numeric(supply_head_m))
    return positive("length_m", length_m) * numeric(closing_velocity_m_s) / (G * lift)


def delivered_volume_m3(
    closing_velocity_m_s: Numeric,
    length_m: Numeric,
    bore_m: Numeric,
    supply_head_m: Numeric,
    delivery_head_m: Numeric,
) -> Numeric:
    """V_d = A L v_c² / (2 g (h - H)), the most one beat can deliver: rigid column, no friction, no leak."""
    time = delivery_time_s(closing_velocity_m_s, length_m, supply_head_m, delivery_head_m)
    return pipe_area_m2(bore_m) * numeric(closing_velocity_m_s) * time / 2


def delivered_volume_elastic_m3(
    closing_velocity_m_s: Numeric,
    length_m: Numeric,
    bore_m: Numeric,
    supply_head_m: Numeric,
    delivery_head_m: Numeric,
    wave_speed_m_s: Numeric,
) -> Numeric:
    """The most one beat can deliver when the column stops in steps: A (2L/a) Δ N (μ - N), N = floor((μ + 1)/2).

    The speed drops by Δ = g (h - H)/a at closure and by 2Δ at each return of the wave; μ = v_c/Δ. Never above the
    rigid value, equal to it for large μ, and zero for μ <= 1: then the hammer does not reach the delivery head.
    Source: sum over the steps of the elastic column (frictionless, delivery pressure constant).
    """
    lift = positive("delivery_head_m - supply_head_m", numeric(delivery_head_m) - numeric(supply_head_m))
    step = G * lift / positive("wave_speed_m_s", wave_speed_m_s)
    mu = numeric(closing_velocity_m_s) / step
    n_steps = np.floor((nominal(mu) + 1) / 2)
    return pipe_area_m2(bore_m) * 2 * numeric(length_m) / wave_speed_m_s * step * n_steps * (mu - n_steps)


def rankine_bound(closing_velocity_m_s: Numeric, supply_head_m: Numeric, loss_coefficient: Numeric) -> Numeric:
    """Rankine efficiency if only speeding up cost energy: λ² / -ln(1 - λ²), λ = v_c/v∞ < 1. Falls as λ grows."""
    terminal = terminal_velocity_m_s(supply_head_m, loss_coefficient)
    squared = (positive("closing_velocity_m_s", closing_velocity_m_s) / terminal) ** 2
    positive("1 - (closing velocity / terminal velocity)", 1 - squared)
    return squared / -log(1 - squared)


def kinetic_energy_j(
    velocity_m_s: Numeric, length_m: Numeric, bore_m: Numeric, density_kg_m3: Numeric = WATER_DENSITY_KG_M3
) -> Numeric:
    """Energy ρ A L v²/2 of the moving column."""
    return density_kg_m3 * pipe_area_m2(bore_m) * numeric(length_m) * numeric(velocity_m_s) ** 2 / 2

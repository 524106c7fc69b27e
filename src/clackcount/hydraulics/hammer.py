"""Water hammer: how fast the pressure wave runs, how high it rises, how high the ram could lift.

All arguments are numerics (see ``maths``), in the SI unit their name ends with.
"""

from __future__ import annotations

from clackcount.errors import QuantityError
from clackcount.hydraulics.maths import Numeric, numeric, positive, sqrt
from clackcount.units import STANDARD_GRAVITY_M_S2 as G
from clackcount.units import WATER_DENSITY_KG_M3

WATER_BULK_MODULUS_PA = 2.19e9  # at 20 °C
ATMOSPHERE_PA = 101_325.0


def restraint_factor(restraint: str, poisson_ratio: Numeric) -> Numeric:
    """Korteweg's c: "joints" (expansion joints) 1, "anchored" throughout 1 - ν², "upstream" (one end) 1 - ν/2.

    Source: E.B. Wylie & V.L. Streeter, Fluid Transients, thin-walled pipe (from memory).
    """
    factors = {"joints": 1 + 0 * poisson_ratio, "anchored": 1 - poisson_ratio**2, "upstream": 1 - poisson_ratio / 2}
    if restraint not in factors:
        raise QuantityError(f"restraint “{restraint}” is not known", hint=f"one of {', '.join(factors)}")
    return factors[restraint]


def wave_speed_m_s(
    bore_m: Numeric | None = None,
    wall_m: Numeric | None = None,
    pipe_modulus_pa: Numeric | None = None,
    *,
    restraint: Numeric = 1.0,
    bulk_modulus_pa: Numeric = WATER_BULK_MODULUS_PA,
    density_kg_m3: Numeric = WATER_DENSITY_KG_M3,
    air_fraction: Numeric = 0.0,
    absolute_pressure_pa: Numeric = ATMOSPHERE_PA,
    polytropic_exponent: Numeric = 1.0,
) -> Numeric:
    """Speed a of a pressure wave in water, in a pipe that gives a little, with a little free air in it.

    1/(ρ a²) = (1 - x)/K_w + x/(n p) + c D/(E e). Without bore, wall and modulus the pipe is taken as rigid.
    restraint: Korteweg's c (see restraint_factor). air_fraction: x, share of the volume, at absolute_pressure_pa.
    polytropic_exponent: 1 for slow (isothermal) to 1.4 for fast (adiabatic) squeezing of the bubbles.
    Valid for thin walls (D/e > 40 at best); plastics creep, so theirs is rough (± 20 % and more).
    Raises: QuantityError for a value that is not positive, an air_fraction outside 0..1, or half a pipe.
    Source: D.J. Korteweg 1878 for the pipe, A.B. Wood for the air, as joined in Wylie & Streeter, Fluid Transients.
    """
    positive("air_fraction", air_fraction, or_zero=True)
    positive("1 - air_fraction", 1 - numeric(air_fraction))
    water = (1 - numeric(air_fraction)) / positive("bulk_modulus_pa", bulk_modulus_pa)
    air = numeric(air_fraction) / (polytropic_exponent * positive("absolute_pressure_pa", absolute_pressure_pa))
    give = water + air
    pipe = (bore_m, wall_m, pipe_modulus_pa)
    if all(part is not None for part in pipe):
        wall = positive("wall_m", wall_m) * positive("pipe_modulus_pa", pipe_modulus_pa)
        give = give + numeric(restraint) * positive("bore_m", bore_m) / wall
    elif any(part is not None for part in pipe):
        raise QuantityError(
            "a pipe that gives needs its bore, its wall and its modulus; leave all out for a rigid one"
        )
    return sqrt(1 / (positive("density_kg_m3", density_kg_m3) * give))


def joukowsky_pressure_pa(
    wave_speed_m_s: Numeric, velocity_change_m_s: Numeric, density_kg_m3: Numeric = WATER_DENSITY_KG_M3
) -> Numeric:
    """Pressure rise ρ a Δv when the column is stopped faster than the wave returns (2L/a).

    Source: N. Joukowsky 1898.
    """
    return numeric(density_kg_m3) * positive("wave_speed_m_s", wave_speed_m_s) * numeric(velocity_change_m_s)


def joukowsky_head_m(wave_speed_m_s: Numeric, velocity_change_m_s: Numeric, gravity_m_s2: Numeric = G) -> Numeric:
    """The same rise as a head, a Δv / g."""
    return positive("wave_speed_m_s", wave_speed_m_s) * numeric(velocity_change_m_s) / gravity_m_s2


def reflection_time_s(length_m: Numeric, wave_speed_m_s: Numeric) -> Numeric:
    """Time 2 L/a for the wave to run up the drive pipe and back."""
    return 2 * numeric(length_m) / positive("wave_speed_m_s", wave_speed_m_s)


def highest_delivery_head_m(
    supply_head_m: Numeric, wave_speed_m_s: Numeric, closing_velocity_m_s: Numeric
) -> Numeric:
    """Head above the ram, H + a v_c/g, at which delivery ends. Lower in practice: the valve shuts gradually."""
    return numeric(supply_head_m) + joukowsky_head_m(wave_speed_m_s, closing_velocity_m_s)


def static_pressure_pa(head_m: Numeric, density_kg_m3: Numeric = WATER_DENSITY_KG_M3) -> Numeric:
    """Pressure ρ g h of a standing column, over the atmosphere."""
    return density_kg_m3 * G * numeric(head_m)


def head_from_pressure_m(pressure_pa: Numeric, density_kg_m3: Numeric = WATER_DENSITY_KG_M3) -> Numeric:
    """Standing column that makes pressure_pa over the atmosphere."""
    return numeric(pressure_pa) / (density_kg_m3 * G)

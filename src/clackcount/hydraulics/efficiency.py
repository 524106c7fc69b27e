"""Water and energy in and out of a ram: efficiencies, yields, power, and the trade's old expectations.

All arguments are numerics (see ``maths``), in the SI unit their name ends with; heads are measured from the ram.
"""

from __future__ import annotations

import numpy as np

from clackcount.errors import QuantityError
from clackcount.hydraulics.maths import Numeric, nominal, numeric, positive, sqrt
from clackcount.units import STANDARD_GRAVITY_M_S2, WATER_DENSITY_KG_M3

SECONDS_PER_DAY = 86_400.0
SECONDS_PER_MINUTE = 60.0

# Building Trades Pocketbook (early 20th c.), "The Hydraulic Ram": lift over fall -> efficiency. Whether the lift is
# counted from the ram or from the source is not stated; it is taken as counted from the ram, as everywhere here.
TABLE_HEAD_RATIO = np.array([4.0, 8.0, 12.0, 14.0, 16.0, 20.0, 22.0, 24.0, 26.0])
TABLE_EFFICIENCY = np.array([0.72, 0.52, 0.37, 0.31, 0.25, 0.14, 0.09, 0.04, 0.0])

# USAID Water for the World, technical note RWS.4.D.5: what to reckon with when nothing is known.
EFFICIENCY_FACTORY_MADE = 0.66
EFFICIENCY_HOME_BUILT = 0.33


def efficiency_daubuisson(
    supply_flow_m3_s: Numeric, supply_head_m: Numeric, delivery_flow_m3_s: Numeric, delivery_head_m: Numeric
) -> Numeric:
    """D'Aubuisson's efficiency q h / (Q H), 0..1: energy delivered over energy of all water that enters.

    delivery_head_m: above the ram. Any unit of flow will do so long as both flows share it.
    Raises: QuantityError for a supply or a head that is not positive.
    Source: J.F. d'Aubuisson's definition, as in every hydraulics textbook.
    """
    supply = positive("supply_flow_m3_s", supply_flow_m3_s) * positive("supply_head_m", supply_head_m)
    delivered = positive("delivery_flow_m3_s", delivery_flow_m3_s, or_zero=True)
    return delivered * positive("delivery_head_m", delivery_head_m) / supply


def efficiency_rankine(
    supply_flow_m3_s: Numeric, supply_head_m: Numeric, delivery_flow_m3_s: Numeric, delivery_head_m: Numeric
) -> Numeric:
    """Rankine's efficiency q (h - H) / ((Q - q) H), 0..1: net lift over the energy of the water wasted.

    delivery_head_m: above the ram. Never above D'Aubuisson's while that is at most 1.
    Raises: QuantityError where the delivered flow is not below the supply, or a supply or head is not positive.
    Source: W.J.M. Rankine's definition, as in every hydraulics textbook.
    """
    supply, head = positive("supply_flow_m3_s", supply_flow_m3_s), positive("supply_head_m", supply_head_m)
    delivered = positive("delivery_flow_m3_s", delivery_flow_m3_s, or_zero=True)
    if not np.all(nominal(supply) > nominal(delivered)):
        raise QuantityError("delivery_flow_m3_s must be below supply_flow_m3_s", hint="are the two flows exchanged?")
    return delivered * (positive("delivery_head_m", delivery_head_m) - head) / ((supply - delivered) * head)


def delivered_fraction(efficiency: Numeric, supply_head_m: Numeric, delivery_head_m: Numeric) -> Numeric:
    """Share of the supply that is delivered, q/Q = η H / h, for an efficiency by D'Aubuisson."""
    head = positive("supply_head_m", supply_head_m)
    return positive("efficiency", efficiency, or_zero=True) * head / positive("delivery_head_m", delivery_head_m)


def efficiency_from_fraction(fraction_delivered: Numeric, head_ratio: Numeric) -> Numeric:
    """D'Aubuisson's efficiency from the delivered share q/Q and the head ratio h/H."""
    return positive("fraction_delivered", fraction_delivered, or_zero=True) * positive("head_ratio", head_ratio)


def efficiency_from_daily_yield(
    daily_yield_m3: Numeric, supply_flow_m3_s: Numeric, supply_head_m: Numeric, delivery_head_m: Numeric
) -> Numeric:
    """D'Aubuisson's efficiency behind a yield a day (a row of a yield table, say)."""
    return efficiency_daubuisson(
        supply_flow_m3_s, supply_head_m, flow_from_daily_volume_m3_s(daily_yield_m3), delivery_head_m
    )


def delivery_flow_m3_s(
    efficiency: Numeric, supply_flow_m3_s: Numeric, supply_head_m: Numeric, delivery_head_m: Numeric
) -> Numeric:
    """Delivered flow q = η Q H / h, for an efficiency by D'Aubuisson."""
    supply = positive("supply_flow_m3_s", supply_flow_m3_s, or_zero=True)
    return supply * delivered_fraction(efficiency, supply_head_m, delivery_head_m)


def daily_yield_m3(flow_m3_s: Numeric) -> Numeric:
    """Volume a day of 86,400 s brings at flow_m3_s. Holds only if the ram runs all day without a stop."""
    return numeric(flow_m3_s) * SECONDS_PER_DAY


def flow_from_daily_volume_m3_s(daily_volume_m3: Numeric) -> Numeric:
    """The steady flow that makes daily_volume_m3 in a day of 86,400 s."""
    return numeric(daily_volume_m3) / SECONDS_PER_DAY


def supply_needed_m3_s(daily_demand_m3: Numeric, delivered_fraction_of_supply: Numeric) -> Numeric:
    """Supply a ram needs to deliver daily_demand_m3, when it delivers the given share of what it drinks."""
    return flow_from_daily_volume_m3_s(daily_demand_m3) / positive("delivered_fraction", delivered_fraction_of_supply)


def supply_needed_from_table_m3_s(daily_demand_m3: Numeric, daily_yield_per_supply_s: Numeric) -> Numeric:
    """Supply needed for daily_demand_m3, from a table that gives the yield a day for each unit of supply flow.

    daily_yield_per_supply_s: (m³/day) / (m³/s). "117 L a day for each L/min" is 0.117 / (0.001 / 60) = 7020.
    """
    return numeric(daily_demand_m3) / positive("daily_yield_per_supply_s", daily_yield_per_supply_s)


def flow_from_catch_m3_s(volume_m3: Numeric, time_s: Numeric) -> Numeric:
    """Mean flow of a measured catch."""
    return numeric(volume_m3) / positive("time_s", time_s)


def volume_per_beat_m3(flow_m3_s: Numeric, rate_per_s: Numeric) -> Numeric:
    """Water a beat moves: flow over beats a second."""
    return numeric(flow_m3_s) / positive("rate_per_s", rate_per_s)


def beats_per_min(rate_per_s: Numeric) -> Numeric:
    """Beats a minute from beats a second."""
    return numeric(rate_per_s) * SECONDS_PER_MINUTE


def hydraulic_power_w(flow_m3_s: Numeric, head_m: Numeric, density_kg_m3: Numeric = WATER_DENSITY_KG_M3) -> Numeric:
    """Power ρ g Q H of a flow that falls, or is lifted, through head_m."""
    return density_kg_m3 * STANDARD_GRAVITY_M_S2 * numeric(flow_m3_s) * numeric(head_m)


def efficiency_from_table(head_ratio: Numeric) -> Numeric:
    """Efficiency the old trade table expects at head_ratio = h/H: float64, shape of head_ratio.

    Interpolated between rows; held at the end values outside 4..26.
    Source: Building Trades Pocketbook (early 20th c.), "The Hydraulic Ram".
    """
    return np.interp(positive("head_ratio", head_ratio), TABLE_HEAD_RATIO, TABLE_EFFICIENCY)


def efficiency_empirical(head_ratio: Numeric) -> Numeric:
    """Smooth form of the old trade table, 1.18 - 0.233 sqrt(h/H), kept within 0..0.85.

    Within 0.006 of the table from 4 to 22; below 4 it has nothing to rest on. Takes uncertain numbers.
    Source: least squares on the Building Trades Pocketbook's rows; Eytelwein's formula has the same shape.
    """
    return _within(1.18 - 0.233 * sqrt(positive("head_ratio", head_ratio)), 0.85)


def efficiency_eytelwein(head_ratio: Numeric) -> Numeric:
    """Eytelwein's old formula, 1.12 - 0.2 sqrt(h/H), kept within 0..1, with h above the ram (from memory)."""
    return _within(1.12 - 0.2 * sqrt(positive("head_ratio", head_ratio)), 1.0)


def delivered_fraction_rule_of_seventh(head_ratio: Numeric) -> Numeric:
    """Share of the supply by the trade's rule: one seventh at five times the fall, and in proportion.

    That is a constant efficiency of 5/7; too hopeful above a head ratio of about 6, where the table falls away.
    Source: R.M. Starbuck, Questions and Answers on Sanitary Plumbing; Building Trades Pocketbook.
    """
    return (5.0 / 7.0) / positive("head_ratio", head_ratio)


def _within(value: Numeric, top: float) -> Numeric:
    """value, cut to 0..top; a cut uncertain number keeps its uncertainty."""
    if isinstance(value, np.ndarray) and value.dtype != object:
        return np.clip(value, 0.0, top)
    if isinstance(value, np.ndarray):
        return np.array([_within(v, top) for v in value.flat], dtype=object).reshape(value.shape)
    excess = max(nominal(value) - top, 0.0) + min(nominal(value), 0.0)
    return value - excess

"""One beat of a site's ram in uncertain numbers: from when the valve shuts follows everything else.

Three ways in: the closing share θ = t_c/τ assumed or drawn from weight and stroke; a closing velocity kept from an
earlier measurement; or a beat rate (heard or asked for), which is turned into θ.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from clackcount.errors import QuantityError
from clackcount.hydraulics.assumed import ASSUMED
from clackcount.hydraulics.column import (
    column_time_constant_s,
    delivered_volume_elastic_m3,
    delivery_time_s,
    pipe_area_m2,
    terminal_velocity_m_s,
)
from clackcount.hydraulics.figures import Uncertain, assumed, u_of, uncertain, value_of
from clackcount.hydraulics.maths import arctanh, exp, log, log_cosh, sqrt, tanh
from clackcount.hydraulics.numbers import SiteNumbers
from clackcount.hydraulics.pipes import gap_area_m2
from clackcount.units import STANDARD_GRAVITY_M_S2 as G
from clackcount.units import WATER_DENSITY_KG_M3

STEEL_BUOYANCY = 0.87  # weight left to a steel valve under water
NEARLY_TERMINAL = 0.97  # a valve that needs more of v∞ than this may as well stay open
IDLE_SHARE = 0.3  # recoil, fall and closing motion never take more of a beat than this
# Tuning measured, reckoned from weight and stroke of the valve, taken to be an ordinary one (judgement, no source).
MEASURED_SURE, VALVE_SURE, ORDINARY_SURE = 0.99, 0.9, 0.7


@dataclass(frozen=True, slots=True, eq=False)
class Cycle:
    """One beat: uncertain numbers, SI. from_: what it was worked out from. stays_open: it may not shut at all.

    sure_max: how sure anything can be that is concluded from it. The spread of what is assumed is a guess itself, and
    a wrong guess lies further out than any number of its standard uncertainties tells.
    """

    from_: str
    closing_velocity_m_s: Uncertain
    open_time_s: Uncertain
    shut_time_s: Uncertain
    rate_per_s: Uncertain
    wasted_m3: Uncertain
    delivered_m3: Uncertain
    delivered_bound_m3: Uncertain
    stays_open: bool = False
    sure_max: float = MEASURED_SURE

    @property
    def drive_flow_m3_s(self) -> Uncertain:
        """All water that enters the drive pipe."""
        return self.rate_per_s * (self.wasted_m3 + self.delivered_m3)

    @property
    def delivery_flow_m3_s(self) -> Uncertain:
        """Water that goes up."""
        return self.rate_per_s * self.delivered_m3


def cycle_of(site: SiteNumbers, rate_per_s: Uncertain | None = None) -> Cycle:
    """The beat of a site as far as its numbers tell, at rate_per_s if given.

    Raises: QuantityError for a rate that no closing velocity below the terminal one can give.
    """
    time_constant = column_time_constant_s(site.length_m, site.supply_head_m, site.loss_coefficient)
    terminal = terminal_velocity_m_s(site.supply_head_m, site.loss_coefficient)
    idle, yielded = assumed("idle_time_s"), assumed("delivery_yield")
    stays_open, sure_max = False, MEASURED_SURE
    if rate_per_s is not None:
        idle = idle * min(1.0, IDLE_SHARE / value_of(rate_per_s) / value_of(idle))
        share, from_ = _share_at_rate(site, rate_per_s, idle, time_constant, yielded * terminal), "the rate"
    elif site.closing_velocity_m_s is not None:
        ratio = site.closing_velocity_m_s / terminal
        stays_open = value_of(ratio) > NEARLY_TERMINAL
        share, from_ = arctanh(_at_most(ratio, NEARLY_TERMINAL)), "the closing velocity kept in the site file"
    else:
        by_valve = site.stroke_m is not None and site.weight_kg is not None
        sure_max = VALVE_SURE if by_valve else ORDINARY_SURE
        velocity, from_ = _velocity_by_valve(site, terminal * tanh(assumed("closing_share")))
        ratio = velocity / terminal
        stays_open = value_of(ratio) > NEARLY_TERMINAL
        share = arctanh(_at_most(ratio, NEARLY_TERMINAL))
    cycle = _cycle(site, share, time_constant, terminal, idle, yielded, from_)
    return replace(cycle, stays_open=stays_open, sure_max=sure_max)


def _cycle(
    site: SiteNumbers,
    share: Uncertain,
    time_constant: Uncertain,
    terminal: Uncertain,
    idle: Uncertain,
    yielded: Uncertain,
    from_: str,
) -> Cycle:
    velocity = terminal * tanh(share)
    wasted = site.area_m2 * terminal * time_constant * log_cosh(share)
    bound = delivered_bound_m3(site, velocity)
    pumping = delivery_time_s(velocity, site.length_m, site.supply_head_m, site.delivery_head_m) * yielded
    open_time = share * time_constant
    period = open_time + pumping + idle
    return Cycle(from_, velocity, open_time, pumping + idle, 1 / period, wasted, bound * yielded, bound)


def delivered_bound_m3(site: SiteNumbers, closing_velocity_m_s: Uncertain) -> Uncertain:
    """The most a beat can deliver at a closing velocity: steps of the elastic column."""
    return delivered_volume_elastic_m3(
        closing_velocity_m_s,
        site.length_m,
        site.bore_m,
        site.supply_head_m,
        site.delivery_head_m,
        site.wave_speed_m_s,
    )


def _share_at_rate(
    site: SiteNumbers, rate_per_s: Uncertain, idle_s: Uncertain, time_constant: Uncertain, pumped: Uncertain
) -> Uncertain:
    """θ for which opening and pumping together take busy_s: θ τ + L p tanh θ / (g (h - H)) = busy, p = yield · v∞."""
    busy_s = 1 / rate_per_s - idle_s
    pumping = site.length_m * pumped / (G * (site.delivery_head_m - site.supply_head_m))
    open_over_busy, pumping_over_busy = time_constant / busy_s, pumping / busy_s
    share = _root(value_of(open_over_busy), value_of(pumping_over_busy))
    if share > 6:
        raise QuantityError(
            f"at {60 * value_of(rate_per_s):.3g} beats a minute the valve would stand open for {share:.0f} time "
            "constants of the drive column",
            hint="the column is at its top speed long before: is the rate per minute?",
        )
    # Implicit derivative: p θ + q tanh θ = 1, so dθ = -(θ dp + tanh θ dq) / (p + q sech² θ).
    steep = open_over_busy + pumping_over_busy * (1 - float(tanh(share)) ** 2)
    left = open_over_busy * share + pumping_over_busy * float(tanh(share)) - 1
    return share - left / value_of(steep)


def _root(open_over_busy: float, pumping_over_busy: float) -> float:
    """θ > 0 with open_over_busy θ + pumping_over_busy tanh θ = 1, by bisection (the left side only grows)."""
    low, high = 0.0, 1.0 / open_over_busy
    for _ in range(60):
        middle = (low + high) / 2
        if open_over_busy * middle + pumping_over_busy * float(tanh(middle)) < 1:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _velocity_by_valve(site: SiteNumbers, ordinary: Uncertain) -> tuple[Uncertain, str]:
    """Closing velocity: the ordinary one, drawn towards what weight and stroke say where both are known.

    The valve goes up when C ρ v_gap²/2 A_disc reaches its weight under water. Both guesses are rough, so they are
    weighed by their uncertainty (in logarithms).
    """
    if site.stroke_m is None or site.weight_kg is None:
        return ordinary, "ordinary tuning (no weight or stroke in the site file)"
    from math import cos

    force = site.weight_kg * G * STEEL_BUOYANCY * max(cos(site.tilt_rad), 0.05)
    disc = pipe_area_m2(site.seat_bore_m) * assumed("disc_over_seat")
    in_gap = sqrt(2 * force / (assumed("valve_drag") * WATER_DENSITY_KG_M3 * disc))
    by_valve = in_gap * gap_area_m2(site.stroke_m, site.seat_bore_m) / site.area_m2
    log_valve, log_ordinary = log(by_valve), log(ordinary)
    weight = u_of(log_ordinary) ** 2 / (u_of(log_ordinary) ** 2 + u_of(log_valve) ** 2)
    return exp(weight * log_valve + (1 - weight) * log_ordinary), "weight and stroke of the waste valve"


def _at_most(ratio: Uncertain, top: float) -> Uncertain:
    """ratio, cut at top with the uncertainty it has left there."""
    if value_of(ratio) <= top:
        return ratio
    return uncertain(top, min(u_of(ratio), (1 - top) / 2))


def open_time_from_period_s(site: SiteNumbers, period_s: Uncertain) -> Uncertain:
    """How long the valve stood open, guessed from the beat alone: the rest goes into pumping and idling."""
    lift = site.delivery_head_m - site.supply_head_m
    pumping_over_open = site.supply_head_m / lift * ASSUMED["delivery_yield"].value
    return period_s * assumed("open_share") / (1 + pumping_over_open)

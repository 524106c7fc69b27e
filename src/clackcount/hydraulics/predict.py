"""What a site should do before anybody has listened to it: by the cycle model and by the old table, side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from clackcount.errors import QuantityError
from clackcount.hydraulics.cycle import Cycle, cycle_of
from clackcount.hydraulics.efficiency import (
    EFFICIENCY_FACTORY_MADE,
    EFFICIENCY_HOME_BUILT,
    TABLE_HEAD_RATIO,
    beats_per_min,
    daily_yield_m3,
    efficiency_empirical,
)
from clackcount.hydraulics.figures import Uncertain, as_json, assumed, measured, u_of, uncertain, value_of
from clackcount.hydraulics.hammer import highest_delivery_head_m, joukowsky_pressure_pa, static_pressure_pa
from clackcount.hydraulics.maths import log
from clackcount.hydraulics.measurement import CAUTION_DAY, CAUTION_PRESSURE, rating_cautions
from clackcount.hydraulics.numbers import SiteNumbers, numbers_of
from clackcount.hydraulics.pipes import gap_area_m2
from clackcount.hydraulics.site import Site
from clackcount.units import Quantity

# Filling: the head grows from the source's level to the tank's, so the flow starts higher than it ends. The time lies
# between half of and all of what the final flow would need.
FILL_SHARE = (0.75, 0.15)
STATED_RATE_U = 0.01
# Rules for the drive pipe's length. 3 to 7 times the fall in one handbook, 5 to 10 (usually 7) in USDA Bulletin 57;
# 150 to 1000 bores in another. Young (1996-98) finds no firm basis for any of them, so they are only mentioned.
USUAL_LENGTH_OVER_FALL = (3.0, 10.0)
USUAL_LENGTH_OVER_BORE = (150.0, 1000.0)
RATE_RANGE_PER_MIN = (5.0, 1000.0)


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """What one way of reckoning expects. Uncertain numbers, SI; rate_per_min None where it says nothing of it."""

    way: str
    drive_flow_m3_s: Uncertain
    delivery_flow_m3_s: Uncertain
    efficiency_daubuisson: Uncertain
    delivered_per_day_m3: Uncertain
    rate_per_min: Uncertain | None = None

    def to_dict(self) -> dict[str, Any]:
        """For a JSON document."""
        return {
            "way": self.way,
            "rate_per_min": None if self.rate_per_min is None else as_json(self.rate_per_min),
            "drive_flow_m3_s": as_json(self.drive_flow_m3_s),
            "delivery_flow_m3_s": as_json(self.delivery_flow_m3_s),
            "efficiency_daubuisson": as_json(self.efficiency_daubuisson),
            "delivered_per_day_m3": as_json(self.delivered_per_day_m3),
        }


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """What a site should do. best_delivery_flow_m3_s: with all of the supply, by the old table; None without a supply
    flow in the site file. fill_time_s, fill_strokes: to fill the delivery pipe; None where that is not described."""

    site: SiteNumbers
    cycle: Cycle
    by_cycle: Expected
    by_table: Expected
    best_delivery_flow_m3_s: Uncertain | None
    fill_time_s: Uncertain | None
    fill_strokes: Uncertain | None
    highest_delivery_head_m: Uncertain
    hammer_rise_pa: Uncertain
    peak_pressure_pa: Uncertain
    notes: tuple[str, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """For a JSON document."""
        single = (
            "best_delivery_flow_m3_s", "fill_time_s", "fill_strokes", "highest_delivery_head_m", "hammer_rise_pa",
            "peak_pressure_pa",
        )  # fmt: skip
        values = {name: getattr(self, name) for name in single}
        return {
            "by_cycle": self.by_cycle.to_dict(),
            "by_table": self.by_table.to_dict(),
            "closing_velocity_m_s": as_json(self.cycle.closing_velocity_m_s),
            "open_s": as_json(self.cycle.open_time_s),
            "shut_s": as_json(self.cycle.shut_time_s),
            **{name: None if value is None else as_json(value) for name, value in values.items()},
            "notes": list(self.notes),
            "assumptions": list(self.assumptions),
            "cautions": list(self.cautions),
        }


def predict(site: Site, *, rate: Quantity | None = None, stroke: Quantity | None = None) -> Prediction:
    """What the site should do, at a given beat rate (1/s) or valve stroke (m) if asked.

    A stroke other than the one in the site file changes the valve's loss, and the closing velocity in proportion to
    the area the water has at the valve (same weight); a rate overrules both.
    Raises: QuantityError for a rate outside 5 to 1,000 a minute, or one that the drive column can't have.
    """
    if rate is not None and not RATE_RANGE_PER_MIN[0] <= 60 * rate.value <= RATE_RANGE_PER_MIN[1]:
        raise QuantityError(
            f"rate: “{rate.given}” is {60 * rate.value:.4g} beats a minute, must lie between 5 and 1,000",
            hint='write for example "62 per min"',
        )
    numbers = numbers_of(site, stroke)
    notes: list[str] = []
    asked = uncertain(rate.value, rate.or_u(STATED_RATE_U * rate.value), "rate asked for") if rate else None
    cycle = cycle_of(numbers, asked)
    if stroke is not None and asked is None:
        cycle = _restroked(site, numbers, cycle, notes)
    by_cycle = _by_cycle(numbers, cycle)
    by_table = _by_table(numbers, by_cycle.drive_flow_m3_s, notes)
    best = None
    if numbers.supply_flow_m3_s is not None:
        best = by_table.efficiency_daubuisson * numbers.supply_flow_m3_s * _fall(numbers)
    _notes(notes, numbers, cycle, by_cycle, by_table)
    fill = numbers.delivery_pipe_m3
    brings = value_of(by_cycle.delivery_flow_m3_s) > 0
    fill_time = None if fill is None or not brings else fill / by_cycle.delivery_flow_m3_s * uncertain(*FILL_SHARE)
    worst_rise = joukowsky_pressure_pa(numbers.wave_speed_airless_m_s, cycle.closing_velocity_m_s)
    peak = static_pressure_pa(numbers.supply_head_m) + worst_rise
    return Prediction(
        numbers,
        cycle,
        by_cycle,
        by_table,
        best,
        fill_time,
        None if fill_time is None else fill_time * cycle.rate_per_s,
        highest_delivery_head_m(numbers.supply_head_m, numbers.wave_speed_m_s, cycle.closing_velocity_m_s),
        joukowsky_pressure_pa(numbers.wave_speed_m_s, cycle.closing_velocity_m_s),
        peak,
        tuple(notes),
        numbers.assumptions,
        (CAUTION_DAY, CAUTION_PRESSURE, *rating_cautions(numbers, peak)),
    )


def _restroked(site: Site, numbers: SiteNumbers, cycle: Cycle, notes: list[str]) -> Cycle:
    """The cycle at another stroke, where the site file has no closing velocity that was already scaled to it."""
    before, at = site.waste_valve.stroke, site.calibration.at_stroke
    if numbers.closing_velocity_m_s is not None and at is not None:
        return cycle
    if before is None or numbers.stroke_m is None:
        notes.append("The site file has no valve stroke to compare with: the stroke asked for only sets the losses.")
        return cycle
    if numbers.weight_kg is not None and numbers.closing_velocity_m_s is None:
        return cycle  # the force balance already used the new stroke
    old = measured(before, "stroke_reading")
    scale = gap_area_m2(numbers.stroke_m, numbers.seat_bore_m) / gap_area_m2(old, numbers.seat_bore_m)
    start = (
        cycle_of(numbers_of(site)).closing_velocity_m_s
        if numbers.closing_velocity_m_s is None
        else (numbers.closing_velocity_m_s)
    )
    return cycle_of(replace(numbers, closing_velocity_m_s=start * scale))


def _fall(numbers: SiteNumbers) -> Uncertain:
    return numbers.supply_head_m / numbers.delivery_head_m


def _by_cycle(numbers: SiteNumbers, cycle: Cycle) -> Expected:
    drive, delivered = cycle.drive_flow_m3_s, cycle.delivery_flow_m3_s
    return Expected(
        f"cycle model, from {cycle.from_}",
        drive,
        delivered,
        cycle.delivered_m3 / ((cycle.wasted_m3 + cycle.delivered_m3) * _fall(numbers)),
        daily_yield_m3(delivered),
        beats_per_min(cycle.rate_per_s),
    )


def _by_table(numbers: SiteNumbers, drive_flow: Uncertain, notes: list[str]) -> Expected:
    """The old table knows efficiency only: the drive flow is the supply's if that is known, else the model's."""
    ratio = numbers.delivery_head_m / numbers.supply_head_m
    low, high = float(TABLE_HEAD_RATIO[0]), float(TABLE_HEAD_RATIO[-1])
    if not low <= value_of(ratio) <= high:
        notes.append(f"Head ratio {value_of(ratio):.1f} lies outside the old table ({low:g} to {high:g}).")
    efficiency = efficiency_empirical(ratio) * assumed("table_efficiency")
    delivered = efficiency * drive_flow * _fall(numbers)
    way = "old efficiency table, at the drive flow of the cycle model"
    return Expected(way, drive_flow, delivered, efficiency, daily_yield_m3(delivered))


def _notes(notes: list[str], numbers: SiteNumbers, cycle: Cycle, by_cycle: Expected, by_table: Expected) -> None:
    if value_of(by_table.efficiency_daubuisson) <= 0:
        notes.append("By the old table a lift this high brings nothing at all.")
    elif value_of(by_cycle.efficiency_daubuisson) > 0:
        apart = log(by_cycle.efficiency_daubuisson / by_table.efficiency_daubuisson)
        direction = "more" if value_of(apart) > 0 else "less"
        if abs(value_of(apart)) > 2 * u_of(apart):
            notes.append(
                f"The two ways disagree beyond their bands: the cycle model expects {direction} than the table."
            )
        elif abs(value_of(apart)) > 0.25:
            notes.append(f"The cycle model expects {direction} than the table; their bands overlap.")
        else:
            notes.append("The two ways agree within their bands.")
    notes.append(
        f"For a ram nobody has measured, reckon with {100 * EFFICIENCY_FACTORY_MADE:.0f} % if factory-made and "
        f"{100 * EFFICIENCY_HOME_BUILT:.0f} % if home-built (USAID note RWS.4.D.5)."
    )
    for what, other, (low, high) in (
        ("falls", numbers.supply_head_m, USUAL_LENGTH_OVER_FALL),
        ("bores", numbers.bore_m, USUAL_LENGTH_OVER_BORE),
    ):
        times = value_of(numbers.length_m / other)
        if not low <= times <= high:
            notes.append(f"The drive pipe is {times:.3g} {what} long; {low:.0f} to {high:.0f} is the rule of thumb.")
    if cycle.stays_open:
        notes.append("The valve may stay open: it takes nearly the top speed of the column, or more, to shut it.")
    supply = numbers.supply_flow_m3_s
    if supply is not None and value_of(by_cycle.drive_flow_m3_s) > value_of(supply):
        notes.append("At this tuning the ram drinks more than the supply gives: shorten the stroke or lighten it.")
    reach = highest_delivery_head_m(numbers.supply_head_m, numbers.wave_speed_m_s, cycle.closing_velocity_m_s)
    if value_of(reach) < value_of(numbers.delivery_head_m):
        notes.append("The hammer does not reach the delivery head: nothing would arrive at the tank.")

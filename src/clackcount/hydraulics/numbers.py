"""The site as uncertain numbers, each made once, so that everything computed from them stays correlated."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

from clackcount.hydraulics.assumed import ASSUMED
from clackcount.hydraulics.column import loss_coefficient_from_open_flow, pipe_area_m2, terminal_velocity_m_s
from clackcount.hydraulics.figures import Uncertain, as_json, assumed, measured, uncertain, value_of
from clackcount.hydraulics.hammer import ATMOSPHERE_PA, restraint_factor, static_pressure_pa, wave_speed_m_s
from clackcount.hydraulics.pipes import (
    FITTING_LOSS,
    entrance_loss,
    friction_factor,
    gap_area_m2,
    material,
    pipe_friction_head_m,
    pipe_size,
    reynolds_number,
    valve_loss,
)
from clackcount.hydraulics.site import Pipe, Site
from clackcount.units import Quantity

MIN_HEAD_U_M = 0.02
MIN_LENGTH_U_M = 0.02
DEFAULT_WALL_SHARE = 0.12  # wall over bore, where nobody measured the wall


@dataclass(frozen=True, slots=True, eq=False)
class SiteNumbers:
    """A site in uncertain numbers (or plain ones where exact), SI. None where the site file is silent.

    delivery_head_m is above the ram whichever way it was asked. loss_from: where loss_coefficient comes from,
    "calibration", "open-valve catch" or "estimate". assumptions: plain sentences.
    """

    supply_head_m: Uncertain
    delivery_head_m: Uncertain
    length_m: Uncertain
    bore_m: Uncertain
    area_m2: Uncertain
    loss_coefficient: Uncertain
    loss_from: str
    wave_speed_m_s: Uncertain
    wave_speed_airless_m_s: Uncertain
    stroke_m: Uncertain | None
    seat_bore_m: Uncertain
    weight_kg: Uncertain | None
    tilt_rad: float
    closing_velocity_m_s: Uncertain | None
    lost_start: Uncertain
    supply_flow_m3_s: Uncertain | None
    rating_pa: float | None
    vessel_rating_pa: float | None
    vessel_volume_m3: Uncertain | None
    delivery_pipe_m3: Uncertain | None
    assumptions: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """For a JSON document: each number as value, standard_uncertainty, low95, high95; null where not given."""
        out: dict[str, Any] = {}
        for each in fields(self):
            value = getattr(self, each.name)
            plain = value is None or isinstance(value, str | tuple)
            out[each.name] = value if plain else as_json(value)
        return out


def numbers_of(site: Site, stroke: Quantity | None = None) -> SiteNumbers:
    """The numbers of a site; stroke takes the place of the one in the site file ("what if it were ...?")."""
    assumptions = list(_reading_notes(site))
    head = measured(site.drive_head, "head_reading", least_u=MIN_HEAD_U_M, name="drive head")
    if site.delivery_head_above_source is not None:
        lift = measured(site.delivery_head_above_source, "head_reading", least_u=MIN_HEAD_U_M, name="net lift")
        delivery_head = lift + head
    else:
        delivery_head = measured(_given(site.delivery_head_above_ram), "head_reading", least_u=MIN_HEAD_U_M)
    pipe = site.drive_pipe
    length = measured(pipe.length, "length_reading", least_u=MIN_LENGTH_U_M, name="drive pipe length")
    bore, wall = _width(pipe, assumptions)
    valve, vessel = site.waste_valve, site.air_vessel
    stroke_now = stroke or valve.stroke
    stroke_m = measured(stroke_now, "stroke_reading", name="valve stroke") if stroke_now else None
    seat = measured(valve.seat_bore, "bore_reading") if valve.seat_bore else bore * assumed("seat_bore")
    loss, loss_from = _loss(site, head, length, bore, stroke_m, seat, assumptions)
    closing = site.calibration.closing_velocity
    closing_velocity = measured(closing, "kept_reading", name="closing velocity") if closing else None
    if closing_velocity is not None and stroke_m is not None and site.calibration.at_stroke is not None:
        old = measured(site.calibration.at_stroke, "stroke_reading")
        if stroke is not None:
            closing_velocity = closing_velocity * gap_area_m2(stroke_m, seat) / gap_area_m2(old, seat)
    kept = site.calibration.lost_start
    lost_start = measured(kept, "kept_reading", name="lost start") if kept else assumed("lost_start")
    wave, airless = _wave_speeds(site, head, bore, wall)
    return SiteNumbers(
        head,
        delivery_head,
        length,
        bore,
        pipe_area_m2(bore),
        loss,
        loss_from,
        wave,
        airless,
        stroke_m,
        seat,
        measured(valve.weight, "weight_reading") if valve.weight else None,
        valve.tilt.value if valve.tilt else 0.0,
        closing_velocity,
        lost_start,
        measured(site.supply.flow, "flow_reading", name="supply flow") if site.supply.flow else None,
        pipe.pressure_rating.value if pipe.pressure_rating else None,
        vessel.pressure_rating.value if vessel and vessel.pressure_rating else None,
        measured(vessel.volume, "volume_reading") if vessel else None,
        _delivery_pipe_m3(site),
        tuple(dict.fromkeys(assumptions)),
    )


def delivery_friction_m(site: Site, flow_m3_s: Uncertain) -> Uncertain | None:
    """Head lost to friction in the delivery pipe at a steady flow; None where that pipe is not described."""
    if site.delivery_pipe is None:
        return None
    bore, _ = _width(site.delivery_pipe, [])
    made_of = material(site.delivery_pipe.material)
    velocity = value_of(flow_m3_s / pipe_area_m2(bore))
    factor = friction_factor(
        max(reynolds_number(velocity, value_of(bore)), 1.0), made_of.roughness_m / value_of(bore)
    )
    length = measured(site.delivery_pipe.length, "length_reading", least_u=MIN_LENGTH_U_M)
    return pipe_friction_head_m(flow_m3_s, length, bore, factor * assumed("friction"))


def _delivery_pipe_m3(site: Site) -> Uncertain | None:
    """Water the delivery pipe holds; None where it is not described."""
    if site.delivery_pipe is None:
        return None
    bore, _ = _width(site.delivery_pipe, [])
    length = measured(site.delivery_pipe.length, "length_reading", least_u=MIN_LENGTH_U_M)
    return pipe_area_m2(bore) * length


def _loss(
    site: Site,
    head: Uncertain,
    length: Uncertain,
    bore: Uncertain,
    stroke: Uncertain | None,
    seat: Uncertain,
    assumptions: list[str],
) -> tuple[Uncertain, str]:
    """Total loss coefficient of the drive side and where it comes from; the best source there is."""
    kept = site.calibration
    if kept.loss_coefficient is not None:
        loss = measured(kept.loss_coefficient, "kept_reading", name="loss coefficient")
        if stroke is not None and kept.at_stroke is not None and value_of(stroke) != kept.at_stroke.value:
            change = valve_loss(stroke, seat, bore) - valve_loss(kept.at_stroke.value, seat, bore)
            loss = loss + change * assumed("valve_loss_known_stroke") if value_of(loss + change) > 1 else loss
        return loss, "calibration"
    if site.supply.open_valve_flow is not None:
        flow = measured(site.supply.open_valve_flow, "flow_reading")
        return loss_coefficient_from_open_flow(head, flow, bore), "open-valve catch"
    if stroke is None:
        valve = assumed("valve_loss")
        assumptions.append(f"waste valve: loss coefficient 4 (2 to 8) assumed; {ASSUMED['valve_loss'].why}")
    else:
        valve = valve_loss(stroke, seat, bore) * assumed("valve_loss_known_stroke")
    pipe = site.drive_pipe
    fittings = entrance_loss() + (
        pipe.elbows_90 * FITTING_LOSS["elbow_90"]
        + pipe.elbows_45 * FITTING_LOSS["elbow_45"]
        + pipe.open_valves * FITTING_LOSS["open_valve"]
        + pipe.strainer * FITTING_LOSS["strainer"]
    )
    still = fittings * assumed("fittings") + valve + 1.0  # 1: the speed that leaves with the water
    return still + _pipe_friction(site, head, length, bore, value_of(still)) * assumed("friction"), "estimate"


def _pipe_friction(site: Site, head: Uncertain, length: Uncertain, bore: Uncertain, still: float) -> Uncertain:
    """f L/D at a speed typical of a beat. A few rounds settle it: f hardly changes with speed."""
    relative_roughness = material(site.drive_pipe.material).roughness_m / value_of(bore)
    loss = still + 0.03 * value_of(length) / value_of(bore)
    factor = 0.03
    for _ in range(4):
        typical = 0.5 * terminal_velocity_m_s(value_of(head), loss)
        factor = float(friction_factor(reynolds_number(typical, value_of(bore)), relative_roughness))
        loss = still + factor * value_of(length) / value_of(bore)
    return factor * length / bore


def _wave_speeds(site: Site, head: Uncertain, bore: Uncertain, wall: Uncertain) -> tuple[Uncertain, Uncertain]:
    """Wave speed with a little air, and without any (the worst case for pressure)."""
    pipe = site.drive_pipe
    made_of = material(pipe.material)
    modulus = uncertain(made_of.modulus_pa, made_of.modulus_u * made_of.modulus_pa, "pipe modulus")
    air = measured(pipe.air_fraction, "air_reading") if pipe.air_fraction is not None else assumed("air_fraction")
    c = restraint_factor(pipe.restraint, made_of.poisson_ratio)
    pressure = ATMOSPHERE_PA + static_pressure_pa(head)
    with_air = wave_speed_m_s(bore, wall, modulus, restraint=c, air_fraction=air, absolute_pressure_pa=pressure)
    return with_air, wave_speed_m_s(bore, wall, modulus, restraint=c)


def _width(pipe: Pipe, assumptions: list[str]) -> tuple[Uncertain, Uncertain]:
    """Bore and wall as uncertain numbers."""
    if pipe.size is not None:
        bore_m, wall_m = pipe_size(pipe.size)
        bore, wall = Quantity(bore_m, None, "m"), Quantity(wall_m, None, "m")
        assumptions.append(f"“{pipe.size}” read as bore {bore_m * 1e3:.1f} mm, wall {wall_m * 1e3:.1f} mm")
    else:
        bore = _given(pipe.bore)
        if pipe.wall is None:
            assumptions.append(f"no wall given: {100 * DEFAULT_WALL_SHARE:.0f} % of the bore assumed")
        wall = pipe.wall or Quantity(DEFAULT_WALL_SHARE * bore.value, 0.3 * DEFAULT_WALL_SHARE * bore.value, "m")
    return measured(bore, "bore_reading", name="bore"), measured(wall, "wall_reading", name="wall")


def _reading_notes(site: Site) -> list[str]:
    """What was assumed about readings that carry no ±."""
    readings = (
        ("drive_head", "head_reading", MIN_HEAD_U_M),
        ("delivery_head_above_ram", "head_reading", MIN_HEAD_U_M),
        ("delivery_head_above_source", "head_reading", MIN_HEAD_U_M),
        ("drive_pipe.length", "length_reading", MIN_LENGTH_U_M),
    )
    given = site.quantities()
    notes = []
    for field, reading, least in readings:
        if field in given and given[field].u is None:
            u = max(ASSUMED[reading].u * given[field].value, least)
            notes.append(f"{field} “{given[field].given}” has no ±: ± {2 * u:.2g} m assumed ({ASSUMED[reading].why})")
    return notes + [note for quantity in given.values() for note in quantity.notes]


def _given(quantity: Quantity | None) -> Quantity:
    if quantity is None:  # held by the checks of Site
        raise AssertionError("a checked site has this value")
    return quantity

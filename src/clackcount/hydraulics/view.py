"""Measurements, predictions and sites as labelled lines, rounded to what is known, in metric and the site's units."""

from __future__ import annotations

import math
from collections.abc import Iterable

from clackcount.hydraulics.cycle import Cycle
from clackcount.hydraulics.efficiency import efficiency_from_table
from clackcount.hydraulics.figures import Uncertain, value_of, written
from clackcount.hydraulics.measurement import Measurement
from clackcount.hydraulics.numbers import numbers_of
from clackcount.hydraulics.predict import Prediction
from clackcount.hydraulics.site import Site

WIDTH = 36
_GALLON = {"US": ("US gal", 231 * 0.0254**3), "imperial": ("imp gal", 4.54609e-3)}
_FOOT, _PSI, _POUND, _DEGREES = 0.3048, 6894.757293168, 0.45359237, 180 / math.pi

# attribute, label, kind
_MEASURED = (
    ("rate_per_min", "beat", "rate"),
    ("delivered_per_stroke_m3", "delivered per beat", "small volume"),
    ("wasted_per_stroke_m3", "wasted per beat", "small volume"),
    ("delivery_flow_m3_s", "delivered now", "flow"),
    ("delivered_per_hour_m3", "delivered per hour", "volume"),
    ("delivered_per_day_m3", "delivered per day without a stop", "volume"),
    ("waste_flow_m3_s", "waste flow, caught", "flow"),
    ("modelled_waste_flow_m3_s", "waste flow, by the model", "flow"),
    ("waste_ratio", "waste, caught over model", "ratio"),
    ("drive_flow_m3_s", "drive flow", "flow"),
    ("delivered_fraction", "share of the drive flow delivered", "percent"),
    ("efficiency_daubuisson", "efficiency by D'Aubuisson", "percent"),
    ("efficiency_rankine", "efficiency by Rankine", "percent"),
    ("power_in_w", "power of the falling water", "power"),
    ("power_out_w", "power of the lifted water", "power"),
    ("energy_in_per_stroke_j", "energy in per beat", "energy"),
    ("energy_out_per_stroke_j", "energy out per beat", "energy"),
    ("column_energy_j", "energy of the moving column", "energy"),
    ("delivery_friction_m", "friction in the delivery pipe", "head"),
    ("closing_velocity_m_s", "speed when the valve shuts", "velocity"),
    ("terminal_velocity_m_s", "top speed of the column", "velocity"),
    ("loss_coefficient", "loss coefficient of the drive side", "ratio"),
    ("lost_start", "share of the open time lost", "percent"),
    ("wave_speed_m_s", "wave speed, with a little air", "velocity"),
    ("reflection_time_s", "wave there and back", "short time"),
    ("hammer_rise_pa", "hammer, rise at most", "pressure"),
    ("peak_pressure_pa", "peak pressure at most, no air", "pressure"),
    ("standing_pressure_pa", "standing pressure, delivery", "pressure"),
    ("highest_delivery_head_m", "highest delivery head in reach", "head"),
)
_EXPECTED = (
    ("rate_per_min", "beat", "rate"),
    ("drive_flow_m3_s", "drive flow", "flow"),
    ("delivery_flow_m3_s", "delivered", "flow"),
    ("delivered_per_day_m3", "delivered per day without a stop", "volume"),
    ("efficiency_daubuisson", "efficiency by D'Aubuisson", "percent"),
)
_PREDICTED = (
    ("best_delivery_flow_m3_s", "at best with all of the supply", "flow"),
    ("fill_time_s", "time to fill the delivery pipe", "long time"),
    ("fill_strokes", "beats to fill it", "ratio"),
    ("highest_delivery_head_m", "highest delivery head in reach", "head"),
    ("hammer_rise_pa", "hammer, rise at most", "pressure"),
    ("peak_pressure_pa", "peak pressure at most, no air", "pressure"),
)


def measured_rows(result: Measurement, measures: str = "US") -> list[tuple[str, str]]:
    """Label and value with its ± of every known result. measures: whose units stand beside the metric ones."""
    rows = [
        (label, _value(getattr(result, name), kind, measures))
        for name, label, kind in _MEASURED
        if getattr(result, name) is not None
    ]
    return [*rows, ("drive flow is from", result.drive_flow_from)] if result.drive_flow_from else rows


def as_lines(result: Measurement | Prediction, measures: str = "US") -> list[str]:
    """The result as plain lines for a terminal. measures: whose units stand beside the metric ones."""
    return _measurement(result, measures) if isinstance(result, Measurement) else _prediction(result, measures)


def site_lines(site: Site) -> list[str]:
    """What was read from a site file, so that its writer can see whether it was understood."""
    numbers, measures = numbers_of(site), site.measures
    ratio = numbers.delivery_head_m / numbers.supply_head_m
    rows = [
        _row("drive head", numbers.supply_head_m, "head", measures),
        _row("delivery head, above the ram", numbers.delivery_head_m, "head", measures),
        _row("delivery head, above the source", numbers.delivery_head_m - numbers.supply_head_m, "head", measures),
        _row("lift over fall", ratio, "ratio", measures),
        f"{'efficiency by the old table':<{WIDTH}}{100 * efficiency_from_table(value_of(ratio)):.0f} %",
        _row("drive pipe", numbers.length_m, "head", measures),
        _row("drive pipe over fall", numbers.length_m / numbers.supply_head_m, "ratio", measures),
        _row("bore", numbers.bore_m, "small length", measures),
        _row(f"loss coefficient, {numbers.loss_from}", numbers.loss_coefficient, "ratio", measures),
        _row("wave speed, with a little air", numbers.wave_speed_m_s, "velocity", measures),
    ]
    rows += [
        _row(label, value, kind, measures)
        for label, value, kind in (
            ("pressure rating of the drive pipe", numbers.rating_pa, "pressure"),
            ("delivery pipe holds", numbers.delivery_pipe_m3, "volume"),
            ("waste valve stroke", numbers.stroke_m, "small length"),
            ("waste valve weight", numbers.weight_kg, "mass"),
            ("waste valve tilt", numbers.tilt_rad or None, "angle"),
            ("air vessel", numbers.vessel_volume_m3, "volume"),
            ("pressure rating of the air vessel", numbers.vessel_rating_pa, "pressure"),
            ("supply", numbers.supply_flow_m3_s, "flow"),
            ("kept: speed when the valve shuts", numbers.closing_velocity_m_s, "velocity"),
        )
        if value is not None
    ]
    return [*rows, *_said("assumed", numbers.assumptions)]


def _measurement(result: Measurement, measures: str) -> list[str]:
    return [
        *(f"{label:<{WIDTH}}{value}" for label, value in measured_rows(result, measures)),
        *_said("note", result.notes),
        *_said("assumed", result.assumptions),
        *_said("caution", result.cautions),
    ]


def _prediction(result: Prediction, measures: str) -> list[str]:
    rows: list[str] = []
    for expected in (result.by_cycle, result.by_table):
        rows.append(f"By the {expected.way}")
        for name, label, kind in _EXPECTED:
            value = getattr(expected, name)
            if value is not None:
                rows.append("  " + _row(label, value, kind, measures, WIDTH - 2))
    rows.append("For both")
    rows.extend("  " + line for line in _beat(result.cycle))
    for name, label, kind in _PREDICTED:
        if getattr(result, name) is not None:
            rows.append("  " + _row(label, getattr(result, name), kind, measures, WIDTH - 2))
    return [
        *rows,
        *_said("note", result.notes),
        *_said("assumed", result.assumptions),
        *_said("caution", result.cautions),
    ]


def _beat(cycle: Cycle) -> list[str]:
    width = WIDTH - 2
    return [
        f"{'valve open':<{width}}{written(cycle.open_time_s, 's')}",
        f"{'valve shut':<{width}}{written(cycle.shut_time_s, 's')}",
        f"{'speed when the valve shuts':<{width}}{written(cycle.closing_velocity_m_s, 'm/s')}",
    ]


def _row(label: str, value: Uncertain, kind: str, measures: str, width: int = WIDTH) -> str:
    return f"{label:<{width}}{_value(value, kind, measures)}"


def _value(value: Uncertain, kind: str, measures: str) -> str:
    return "  =  ".join(written(value, unit, scale) for unit, scale in _units(kind, measures))


def _units(kind: str, measures: str) -> Iterable[tuple[str, float]]:
    """Metric unit and scale first, then the customary one where the site is measured in it."""
    metric = {
        "rate": ("per min", 1.0), "small volume": ("mL", 1e6), "volume": ("L", 1e3), "flow": ("L/min", 6e4),
        "ratio": ("", 1.0), "percent": ("%", 100.0), "power": ("W", 1.0), "energy": ("J", 1.0), "head": ("m", 1.0),
        "small length": ("mm", 1e3), "velocity": ("m/s", 1.0), "short time": ("ms", 1e3),
        "long time": ("min", 1 / 60), "pressure": ("bar", 1e-5), "mass": ("g", 1e3), "angle": ("deg", _DEGREES),
    }[kind]  # fmt: skip
    yield metric
    if measures not in _GALLON:
        return
    gallon, gallon_m3 = _GALLON[measures]
    customary = {
        "small volume": (f"{gallon.split()[0]} fl oz", (128 if measures == "US" else 160) / gallon_m3),
        "volume": (gallon, 1 / gallon_m3), "flow": (f"{gallon}/min", 60 / gallon_m3), "head": ("ft", 1 / _FOOT),
        "small length": ("in", 12 / _FOOT), "velocity": ("ft/s", 1 / _FOOT), "pressure": ("psi", 1 / _PSI),
        "mass": ("oz", 16 / _POUND),
    }  # fmt: skip
    if kind in customary:
        yield customary[kind]


def _said(kind: str, sentences: Iterable[str]) -> list[str]:
    return [f"{kind}: {sentence}" for sentence in sentences]

"""Pipes: nominal sizes, materials, friction and fittings. The tables and correlations are those of fluids."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from clackcount.errors import QuantityError
from clackcount.hydraulics.column import pipe_area_m2
from clackcount.hydraulics.maths import Numeric, numeric, positive, sqrt
from clackcount.units import STANDARD_GRAVITY_M_S2 as G

WATER_KINEMATIC_VISCOSITY_M2_S = 1.14e-6  # at 15 °C; a stream is colder, a tank in the sun warmer
SEAT_DISCHARGE = 0.65  # of the water through the gap of a lifted valve; 0.6..0.7 for a sharp edge


@dataclass(frozen=True, slots=True)
class Material:
    """What a pipe is made of. modulus_u: relative standard uncertainty of the modulus."""

    modulus_pa: float
    modulus_u: float
    poisson_ratio: float
    roughness_m: float


# Moduli and Poisson ratios from memory of E.B. Wylie & V.L. Streeter, Fluid Transients (plastics: short-term, rough);
# roughness as in fluids' table where it has the material.
MATERIALS = {
    "steel": Material(207e9, 0.03, 0.30, 4.6e-5),
    "galvanised steel": Material(207e9, 0.03, 0.30, 1.52e-4),
    "cast iron": Material(105e9, 0.15, 0.25, 2.59e-4),
    "ductile iron": Material(172e9, 0.05, 0.28, 2.59e-4),
    "copper": Material(117e9, 0.05, 0.34, 1.5e-6),
    "brass": Material(100e9, 0.08, 0.34, 1.5e-6),
    "aluminium": Material(70e9, 0.03, 0.33, 1.5e-6),
    "pvc": Material(2.8e9, 0.12, 0.42, 1.5e-6),
    "abs": Material(2.2e9, 0.15, 0.38, 1.5e-6),
    "polyethylene": Material(0.9e9, 0.25, 0.46, 1.5e-6),
}
_ALSO_CALLED = {
    "iron": "steel", "black iron": "steel", "black steel": "steel", "carbon steel": "steel",
    "stainless": "steel", "stainless steel": "steel",
    "galvanized": "galvanised steel", "galvanised": "galvanised steel", "galvanized steel": "galvanised steel",
    "galvanized iron": "galvanised steel", "galvanised iron": "galvanised steel", "gi": "galvanised steel",
    "aluminum": "aluminium", "upvc": "pvc", "cpvc": "pvc",
    "pe": "polyethylene", "hdpe": "polyethylene", "mdpe": "polyethylene", "pe80": "polyethylene",
    "pe100": "polyethylene", "poly": "polyethylene", "poly pipe": "polyethylene",
}  # fmt: skip

# Loss coefficients of fittings that fluids does not size from the bore alone (screwed, small bore; handbook values).
FITTING_LOSS = {"elbow_90": 0.9, "elbow_45": 0.4, "open_valve": 0.15, "strainer": 1.0, "tee_run": 0.4}

_DN = {15: 0.5, 20: 0.75, 25: 1.0, 32: 1.25, 40: 1.5, 50: 2.0, 65: 2.5, 80: 3.0, 100: 4.0, 125: 5.0, 150: 6.0}


def material(name: str) -> Material:
    """The material called name (any case, usual other names too).

    Raises: QuantityError for a name that is not known, listing those that are.
    """
    key = " ".join(name.lower().split())
    key = _ALSO_CALLED.get(key, key)
    if key not in MATERIALS:
        raise QuantityError(f"material “{name}” is not known", hint=f"one of {', '.join(MATERIALS)}")
    return MATERIALS[key]


def pipe_size(text: str) -> tuple[float, float]:
    """Bore and wall in metres of a nominal size: "1/2 in sch 40", "DN 25 sch 80", "50 mm SDR 11".

    Sizes in inches and DN come from the pipe tables in fluids (ASME B36.10 and others: name any schedule it knows).
    With SDR the number before it is the outside diameter.
    Raises: QuantityError for text that is no such size, or a size that the schedule has not.
    """
    from clackcount.units import parse_quantity

    tidy = text.lower().replace("schedule", "sch").replace("″", '"').replace('"', " in ")
    for sign, plain in (("½", " 1/2"), ("¼", " 1/4"), ("¾", " 3/4"), ("⅜", " 3/8"), ("⅛", " 1/8")):
        tidy = tidy.replace(sign, plain)
    tidy = " ".join(tidy.replace("-", " ").split())
    by_ratio = re.fullmatch(r"(.+?)\s*sdr\s*([\d.]+)", tidy)
    if by_ratio:
        outside = parse_quantity(by_ratio[1], "length", field="size", example="50 mm SDR 11").value
        ratio = float(by_ratio[2])
        return outside * (1 - 2 / ratio), outside / ratio
    sized = re.fullmatch(r"(?:dn\s*(\d+)|([\d/. ]+?)\s*(?:in|inch|inches|nps))\.?\s*(?:sch\.?\s*)?([a-z0-9]+)", tidy)
    if not sized:
        raise QuantityError(f"size: “{text}” is not a nominal pipe size", hint='write for example "1/2 in sch 40"')
    try:
        nominal_in = _DN[int(sized[1])] if sized[1] else float(sum(Fraction(part) for part in sized[2].split()))
        return _scheduled(nominal_in, sized[3].upper())
    except (KeyError, ValueError, ZeroDivisionError) as err:
        raise QuantityError(
            f"size: the pipe tables have no “{text}”", hint="give bore and wall instead, measured with a rule"
        ) from err


def _scheduled(nominal_in: Any, schedule: str) -> tuple[float, float]:
    from fluids.piping import nearest_pipe

    found, bore_m, _, wall_m = nearest_pipe(NPS=nominal_in, schedule=schedule)
    if found != nominal_in:
        raise ValueError(f"no {nominal_in} in schedule {schedule}")
    return float(bore_m), float(wall_m)


def reynolds_number(
    velocity_m_s: Numeric, bore_m: Numeric, kinematic_viscosity_m2_s: Numeric = WATER_KINEMATIC_VISCOSITY_M2_S
) -> Numeric:
    """v D / ν."""
    return numeric(velocity_m_s) * numeric(bore_m) / kinematic_viscosity_m2_s


def friction_factor(reynolds: Any, relative_roughness: Any = 0.0, method: str = "Clamond") -> Any:
    """Darcy friction factor, float64, broadcast shape of the two arguments.

    method: any that fluids knows: "Clamond" (exact Colebrook), "Swamee_Jain_1976", "Haaland", ...; laminar flow
    (64/Re) is used below Re 2040 whatever the method.
    """
    from fluids.friction import friction_factor as one

    return np.vectorize(lambda re, ed: one(Re=re, eD=ed, Method=method), otypes=[float])(
        numeric(reynolds), numeric(relative_roughness)
    )[()]


def pipe_friction_head_m(flow_m3_s: Numeric, length_m: Numeric, bore_m: Numeric, darcy_factor: Numeric) -> Numeric:
    """Head lost to friction, f (L/D) v²/2g (Darcy-Weisbach). A Fanning factor is a quarter of Darcy's f."""
    velocity = numeric(flow_m3_s) / pipe_area_m2(bore_m)
    return numeric(darcy_factor) * numeric(length_m) / bore_m * velocity**2 / (2 * G)


def entrance_loss() -> float:
    """Loss coefficient of a pipe's sharp-edged mouth (fluids, Rennels)."""
    from fluids.fittings import entrance_sharp

    return float(entrance_sharp())


def gap_area_m2(valve_stroke_m: Numeric, seat_bore_m: Numeric) -> Numeric:
    """Area the water has at a lifted waste valve: the gap π d s and the seat, one after the other.

    1/A² = 1/A_gap² + 1/A_seat²: a long stroke stops mattering once the gap is as large as the seat.
    """
    gap = np.pi * positive("seat_bore_m", seat_bore_m) * positive("valve_stroke_m", valve_stroke_m)
    return 1 / sqrt(1 / gap**2 + 1 / pipe_area_m2(seat_bore_m) ** 2)


def valve_loss(valve_stroke_m: Numeric, seat_bore_m: Numeric, bore_m: Numeric) -> Numeric:
    """Loss coefficient of a lifted waste valve, referred to the drive pipe's speed: (A / (C A_gap))², C = 0.65."""
    return (pipe_area_m2(bore_m) / (SEAT_DISCHARGE * gap_area_m2(valve_stroke_m, seat_bore_m))) ** 2

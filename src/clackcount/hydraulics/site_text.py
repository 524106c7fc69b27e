"""The site file as text: the commented template, and small edits that leave the person's own lines alone."""

from __future__ import annotations

import re

from clackcount.errors import SiteError
from clackcount.hydraulics.figures import Uncertain, rounded, u_of, value_of
from clackcount.hydraulics.measurement import Measurement
from clackcount.hydraulics.site import Site
from clackcount.units import RECTANGULAR

TEMPLATE = """\
# Site file of a hydraulic ram. Text after # is for you; the program does not read it.
# Write values as you read them: "5.5 ft", "1 1/2 in", "5 ft 6 in", "1,5 m", "20 psi", "3 gal/min".
# How sure you are may follow: "5.5 ± 0.1 ft", "5.5 +- 0.1 ft", "5.4 to 5.6 ft", "about 5 ft" (the outermost you
# think possible). Without it a usual reading error is assumed, and said.

name = "Fern Hollow spring"
measures = "US"               # what a bare gallon, quart, pint or cup is: "US", "imperial" or "metric" (cup only)

drive_head = "6 ft"           # water level at the source, minus the ram
# The tank: give ONE of these two.
delivery_head_above_ram = "40 ft"         # water level (or pipe mouth) at the tank, minus the ram
# delivery_head_above_source = "34 ft"    # the same, minus the water level at the source

[drive_pipe]
length = "24 ft"
size = "3/4 in sch 40"        # nominal size and schedule; "DN 20 sch 40" and "50 mm SDR 11" work too
# bore = "21 mm"              # or measured, instead of size: inside width ...
# wall = "2.9 mm"             # ... and thickness
material = "galvanised steel" # steel, galvanised steel, cast iron, ductile iron, copper, brass, pvc, polyethylene
elbows_90 = 1
elbows_45 = 0
open_valves = 1               # gate or ball valves, fully open
strainer = true
# restraint = "anchored"      # or "upstream" (held at the source end only), "joints" (sliding joints)
# pressure_rating = "150 psi" # as printed on the pipe: then the hammer is held against it
# air_fraction = "0.00001"    # free air in the drive water, share of the volume

# [delivery_pipe]             # for friction, and for the time it takes to fill
# length = "200 ft"
# size = "1/2 in sch 40"

[waste_valve]                 # all may be left out; each makes the forecast narrower
# stroke = "8 mm"             # how far it opens
# weight = "250 g"            # of valve and everything that hangs on it
# tilt = "0 deg"              # from upright
# seat_bore = "20 mm"

# [air_vessel]
# volume = "2 L"

[supply]
# flow = "4 gal/min"          # what the source gives
# open_valve_flow = "5 gal/min"   # what runs out with the waste valve held open by a stick: fixes the losses
"""

_TABLE = re.compile(r"^\s*\[calibration\]\s*(#.*)?$")
_ANY_TABLE = re.compile(r"^\s*\[")


def template() -> str:
    """A commented site file that reads back as it stands, of an invented spring."""
    return TEMPLATE


def with_calibration(
    text: str,
    *,
    loss_coefficient: Uncertain | None = None,
    closing_velocity_m_s: Uncertain | None = None,
    lost_start: Uncertain | None = None,
    note: str = "",
) -> str:
    """The site file with values learnt from a measurement in its part [calibration], everything else untouched.

    Values already kept are replaced; other lines and all comments stay as they are. The stroke at which the values
    hold is kept with them if the site file has one.
    Raises: SiteError if the file, before or after, can't be read.
    """
    site = Site.read(text)
    lines: dict[str, str] = {}
    if loss_coefficient is not None:
        lines["loss_coefficient"] = _kept(loss_coefficient, "")
    if closing_velocity_m_s is not None:
        lines["closing_velocity"] = _kept(closing_velocity_m_s, " m/s")
    if lost_start is not None:  # a little below nothing is noise
        lines["lost_start"] = _kept(lost_start - min(value_of(lost_start), 0.0), "")
    if not lines:
        raise SiteError("nothing was learnt that could be kept in the site file")
    if site.waste_valve.stroke is not None:
        lines["at_stroke"] = site.waste_valve.stroke.given
    if note:
        lines["note"] = re.sub(r'["\\\x00-\x1f]', " ", note)
    edited = _edited(text, lines)
    Site.read(edited)
    return edited


def with_measurement(text: str, measurement: Measurement, note: str = "") -> str:
    """The site file with what a measurement taught: loss coefficient and lost share of the open time if a waste catch
    fixed them, and the closing velocity if there was a beat.

    Raises: SiteError where the measurement has nothing to teach.
    """
    return with_calibration(
        text,
        loss_coefficient=measurement.loss_coefficient if measurement.calibrated else None,
        closing_velocity_m_s=measurement.closing_velocity_m_s,
        lost_start=measurement.lost_start if measurement.calibrated else None,
        note=note,
    )


def _edited(text: str, values: dict[str, str]) -> str:
    """text with each key of [calibration] set; the table is added at the end where it is missing."""
    old = text.splitlines()
    at = next((i for i, line in enumerate(old) if _TABLE.match(line)), None)
    if at is None:
        new = [f'{key} = "{value}"' for key, value in values.items()]
        return "\n".join([*old, "", "[calibration]                 # learnt by measuring", *new]) + "\n"
    end = next((i for i in range(at + 1, len(old)) if _ANY_TABLE.match(old[i])), len(old))
    inside = old[at + 1 : end]
    for key, value in values.items():
        place = next((i for i, line in enumerate(inside) if re.match(rf"\s*{key}\s*=", line)), None)
        if place is None:
            inside.insert(0, f'{key} = "{value}"')
        else:
            inside[place] = f'{key} = "{value}"'
    return "\n".join(old[: at + 1] + inside + old[end:]) + "\n"


def _kept(x: Uncertain, unit: str) -> str:
    """x as the site file reads it: ± are outermost values there, so that u comes back as it was."""
    half = u_of(x) / RECTANGULAR
    if half <= 0:
        return f"{value_of(x):.4g}{unit}"
    return f"{rounded(value_of(x), half).replace(',', '')} ± {rounded(half, half).replace(',', '')}{unit}"

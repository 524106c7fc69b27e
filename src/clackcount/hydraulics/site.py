"""The site file: what a tape measure and a rule say about a ram, as TOML, checked field by field.

Reading and writing the file itself is the caller's; here text goes in and a Site comes out, and the other way round.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, PlainValidator, ValidationError, ValidationInfo, model_validator

from clackcount.errors import ClackcountError, QuantityError, SiteError
from clackcount.hydraulics.pipes import material, pipe_size
from clackcount.units import RECTANGULAR, Quantity, parse_quantity

_POSITIVE = ("head", "length", "volume", "mass", "flow", "pressure")  # their ± must not reach down to zero


def _reads(kind: str, low: float, high: float, example: str) -> PlainValidator:
    """For a field that takes text such as example and holds a Quantity between low and high (SI)."""

    def read(given: object, info: ValidationInfo) -> Quantity:
        measures = (info.context or {}).get("measures", "US")
        if not isinstance(given, (str, Quantity, int, float)) or isinstance(given, bool):
            raise QuantityError(f"wants text, got {given!r}", hint=f'write for example "{example}"')
        text = given if isinstance(given, Quantity) else str(given)
        found = parse_quantity(text, kind, field="", measures=measures, example=example)
        if kind in _POSITIVE and found.u is not None and found.u >= RECTANGULAR * found.value:
            raise QuantityError(f"“{given}” could be nothing or less", hint=f'write for example "{example}"')
        if not low <= found.value <= high:
            rule = f"must lie between {low:g} and {high:g} {found.unit}".rstrip()
            raise QuantityError(
                f"“{given}” is {found.value:.4g} {found.unit}, {rule}",
                hint=f'is the unit right? for example "{example}"',
            )
        return found

    return PlainValidator(read)


def _known_material(given: object) -> str:
    material(str(given))
    return str(given)


def _known_size(given: object) -> str:
    pipe_size(str(given))
    return str(given)


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Pipe(_Part):
    """A pipe: how long, how wide, of what. size is a nominal one ("1/2 in sch 40") and stands for bore and wall."""

    length: Annotated[Quantity, _reads("length", 0.1, 5000, "20 ft")]
    size: Annotated[str, PlainValidator(_known_size)] | None = None
    bore: Annotated[Quantity, _reads("length", 0.002, 1.0, "15.8 mm")] | None = None
    wall: Annotated[Quantity, _reads("length", 0.0002, 0.1, "2.8 mm")] | None = None
    material: Annotated[str, PlainValidator(_known_material)] = "steel"
    pressure_rating: Annotated[Quantity, _reads("pressure", 1e4, 1e8, "150 psi")] | None = None

    @model_validator(mode="after")
    def _one_width(self) -> Pipe:
        if (self.size is None) == (self.bore is None):
            what = "neither is given" if self.size is None else "both are given"
            raise QuantityError(
                f"wants either size or bore, and {what}", hint='write for example size = "1/2 in sch 40"'
            )
        if self.size is not None and self.wall is not None:
            raise QuantityError(
                "size already says how thick the wall is", hint="leave out wall, or give bore and wall"
            )
        return self


class DrivePipe(Pipe):
    """The drive pipe, with what stands in the water's way. restraint: how it is held against stretching."""

    restraint: Literal["anchored", "upstream", "joints"] = "anchored"
    elbows_90: int = 0
    elbows_45: int = 0
    open_valves: int = 0
    strainer: bool = False
    air_fraction: Annotated[Quantity, _reads("number", 0, 0.1, "0.00001")] | None = None


class WasteValve(_Part):
    """The waste valve: stroke (how far it opens), weight, tilt from upright, bore of its seat."""

    stroke: Annotated[Quantity, _reads("length", 0.0003, 0.3, "8 mm")] | None = None
    weight: Annotated[Quantity, _reads("mass", 0.001, 500, "250 g")] | None = None
    tilt: Annotated[Quantity, _reads("angle", 0, math.pi / 2, "10 deg")] | None = None
    seat_bore: Annotated[Quantity, _reads("length", 0.003, 1.0, "16 mm")] | None = None


class AirVessel(_Part):
    """The air vessel."""

    volume: Annotated[Quantity, _reads("volume", 1e-5, 10, "2 L")]
    pressure_rating: Annotated[Quantity, _reads("pressure", 1e4, 1e8, "150 psi")] | None = None


class Supply(_Part):
    """What the source gives, and what runs through the waste valve held open (that fixes the losses)."""

    flow: Annotated[Quantity, _reads("flow", 1e-7, 10, "3 gal/min")] | None = None
    open_valve_flow: Annotated[Quantity, _reads("flow", 1e-7, 10, "4 gal/min")] | None = None


class Calibration(_Part):
    """What earlier measurements taught: kept by the program, may be edited."""

    loss_coefficient: Annotated[Quantity, _reads("number", 0.05, 1e5, "14 ± 3")] | None = None
    closing_velocity: Annotated[Quantity, _reads("velocity", 0.01, 20, "0.8 ± 0.1 m/s")] | None = None
    lost_start: Annotated[Quantity, _reads("number", 0, 0.6, "0.07 ± 0.05")] | None = None
    at_stroke: Annotated[Quantity, _reads("length", 0.0003, 0.3, "8 mm")] | None = None
    note: str = ""


class Site(_Part):
    """A ram where it stands. Heads are differences of water levels; exactly one delivery head is given.

    Every value is text as people write it ("5.5 ± 0.1 ft"), or a units.Quantity. measures says which gallon, quart,
    pint, cup and fluid ounce a bare one is.

    Raises: SiteError naming the field, what was given and an example.
    """

    name: str = ""
    measures: Literal["US", "imperial", "metric"] = "US"
    drive_head: Annotated[Quantity, _reads("head", 0.05, 200, "5.5 ft")]
    delivery_head_above_ram: Annotated[Quantity, _reads("head", 0.05, 2000, "32 ft")] | None = None
    delivery_head_above_source: Annotated[Quantity, _reads("head", 0.05, 2000, "26.5 ft")] | None = None
    drive_pipe: DrivePipe
    delivery_pipe: Pipe | None = None
    waste_valve: WasteValve = WasteValve()
    air_vessel: AirVessel | None = None
    supply: Supply = Supply()
    calibration: Calibration = Calibration()

    def __init__(self, **data: Any) -> None:
        try:
            self.__pydantic_validator__.validate_python(data, self_instance=self, context=_context(data))
        except ValidationError as err:
            raise _site_error(err) from err

    @model_validator(mode="after")
    def _heads(self) -> Site:
        if (self.delivery_head_above_ram is None) == (self.delivery_head_above_source is None):
            what = "neither is" if self.delivery_head_above_ram is None else "both are"
            raise QuantityError(
                f"delivery_head_above_ram or delivery_head_above_source: one must be given, and {what}",
                hint=TWO_HEADS,
            )
        above = self.delivery_head_above_ram
        if above is not None and above.value <= self.drive_head.value:
            raise QuantityError(
                f"delivery_head_above_ram: {above.value:.3g} m is not above the drive_head of "
                f"{self.drive_head.value:.3g} m, so the water would run there by itself",
                hint="was it measured from the source? then write delivery_head_above_source",
            )
        return self

    @classmethod
    def read(cls, text: str, name: str = "site file") -> Site:
        """The Site that TOML text describes. name: what errors call the text."""
        try:
            data = tomllib.loads(text.removeprefix("\ufeff"))
        except tomllib.TOMLDecodeError as err:
            raise SiteError(
                f"{name}: not readable as TOML: {err}", hint='each line is field = "value", with straight quotes'
            ) from err
        try:
            return cls(**data)
        except SiteError as err:
            raise SiteError(f"{name}: {err}", hint=err.hint) from err

    def quantities(self) -> dict[str, Quantity]:
        """Every quantity that is given, by its dotted field name."""
        found: dict[str, Quantity] = {}

        def walk(part: BaseModel, before: str) -> None:
            for field in type(part).model_fields:
                value = getattr(part, field)
                if isinstance(value, BaseModel):
                    walk(value, f"{before}{field}.")
                elif isinstance(value, Quantity):
                    found[before + field] = value

        walk(self, "")
        return found


def _context(data: dict[str, Any]) -> dict[str, Any]:
    """The measures have to be known before the values are read."""
    return {"measures": data.get("measures", "US")}


TWO_HEADS = "delivery_head_above_ram = tank minus ram; delivery_head_above_source = tank minus source level"
_EXAMPLES = {"drive_head": '"5.5 ft"', "drive_pipe": "a part [drive_pipe]", "length": '"20 ft"', "volume": '"2 L"'}


def _site_error(err: ValidationError) -> SiteError:
    """One line for the first thing wrong, with the field's full name, what was given and an example."""
    # A misspelt field also leaves the real one missing: say the misspelling first.
    first = min(err.errors(), key=lambda found: found["type"] != "extra_forbidden")
    field = ".".join(str(part) for part in first["loc"] if not str(part).startswith(("function-", "literal")))
    more = f" (and {err.error_count() - 1} more)" if err.error_count() > 1 else ""
    cause = (first.get("ctx") or {}).get("error")
    if isinstance(cause, ClackcountError):
        message, hint = str(cause).removeprefix(": "), cause.hint
    elif first["type"] == "missing":
        message = "is missing"
        hint = f"write for example {field.rpartition('.')[2]} = {_EXAMPLES.get(field.rpartition('.')[2], '...')}"
    elif first["type"] == "extra_forbidden":
        message, hint = "is not a field of the site file", _closest(field)
    else:
        message, hint = f"{first['msg']}, got {first['input']!r}", "“clackcount site new” writes a file to copy from"
    return SiteError(f"{field + ': ' if field else ''}{message}{more}", hint=hint)


def _closest(field: str) -> str:
    if field.startswith("delivery_head"):
        return f"above the ram, or above the source? {TWO_HEADS}"
    parts = (Site, DrivePipe, Pipe, WasteValve, AirVessel, Supply, Calibration)
    known = sorted({name for part in parts for name in part.model_fields})
    near = difflib.get_close_matches(field.rpartition(".")[2], known, n=1)
    return f"did you mean {near[0]}?" if near else f"fields are {', '.join(known)}"

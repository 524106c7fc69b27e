"""What the logbook keeps: frozen records with the text as typed beside its SI value, and their plain-dict form.

A record is what somebody did, read or heard; a ``Result`` is what one version of the program made of it, and can be
made anew. ``to_dict`` and ``from_dict`` are exact inverses: export and import rest on them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Literal

from clackcount.errors import LogbookError, QuantityError
from clackcount.units import RECTANGULAR, Quantity, parse_quantity

# What can be changed at the ram: the kind of quantity of each, None for free text ("two turns in").
SETTINGS: dict[str, str | None] = {
    "stroke": "length",  # of the waste valve
    "weight": "mass",  # on the waste valve
    "tilt": "angle",  # of the waste valve, from upright
    "spring": None,
    "valves": "number",  # waste valves stacked side by side
    "snifter": None,
}
# What was so that day and was not chosen.
CONDITIONS: dict[str, str | None] = {"head": "head", "supply": "flow", "fill": None, "weather": None}
EVENTS = ("restart", "repair", "note")
EXAMPLES = {
    "stroke": "12 mm",
    "weight": "80 g",
    "tilt": "10 deg",
    "valves": "2",
    "head": "5.4 ft",
    "supply": "3 gal/min",
}


def storable(text: str) -> str:
    """text without what some databases cannot hold: NUL, and halves of letters (from odd file names)."""
    return text.encode("utf-8", "replace").decode("utf-8").replace("\x00", "")


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting or condition. value, u: SI (None for free text, u also where no error was stated), in unit."""

    name: str
    given: str
    value: float | None = None
    u: float | None = None
    unit: str = ""

    @classmethod
    def read(cls, text: str, known: Mapping[str, str | None], measures: str = "US") -> Setting:
        """The setting that "name=value" stands for.

        Raises: QuantityError for no "=", a name not in known, or a value that is no such quantity.
        """
        name, equals, given = text.partition("=")
        name, given = name.strip().lower(), given.strip()
        if not equals or not given:
            raise QuantityError(f"“{text}” is not name=value", hint="write for example stroke=12mm")
        if name not in known:
            raise QuantityError(f"“{name}” is not known here", hint=f"known are {', '.join(known)}")
        kind = known[name]
        if kind is None:
            return cls(name, storable(given))
        found = parse_quantity(given, kind, field=name, measures=measures, example=EXAMPLES.get(name, ""))
        if found.value <= 0 and name != "tilt":
            raise QuantityError(f"{name}: “{given}” is not more than nothing", hint=f"write {name}={EXAMPLES[name]}")
        return cls(name, storable(given), found.value, found.u, found.unit)


@dataclass(frozen=True, slots=True)
class Caught:
    """One catch. given: as typed. volume_m3 ± volume_u_m3 and time_s ± time_u_s: standard uncertainties of reading.

    vessel: what it was read off; vessel_u: relative error all catches read off it share. start_s, end_s: where in the
    recording; n_slams: beats counted there; all None where not said.
    """

    given: str
    side: Literal["delivery", "waste"]
    volume_m3: float
    volume_u_m3: float
    time_s: float
    time_u_s: float
    vessel: str = ""
    vessel_u: float = 0.0
    start_s: float | None = None
    end_s: float | None = None
    n_slams: int | None = None
    measures: str = "US"

    @property
    def flow_m3_s(self) -> float:
        """Volume over time."""
        return self.volume_m3 / self.time_s

    @property
    def relative_u(self) -> float:
        """Standard uncertainty of the flow from reading alone, relative, without the vessel's own error."""
        return math.hypot(self.volume_u_m3 / self.volume_m3, self.time_u_s / self.time_s)


@dataclass(frozen=True, slots=True)
class Recording:
    """The recording behind a trial: where it lay, its digest, and the document of what was heard in it.

    heard: the listening document, its slams reduced to the times of pump 1 in "slam_times_s".
    """

    path: str
    sha256: str
    n_bytes: int
    heard: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Figure:
    """A result with its standard uncertainty, SI (rates a minute); u None where it is not known."""

    value: float
    u: float | None = None


@dataclass(frozen=True, slots=True)
class Result:
    """What one version of the program made of a trial. figures: by the names of FIGURES. more: the whole document."""

    version: str
    at: str
    figures: dict[str, Figure]
    more: dict[str, Any] = field(default_factory=dict)


FIGURES = (
    "rate_per_min",
    "robust_cv",
    "delivery_flow_m3_s",
    "waste_flow_m3_s",
    "delivered_per_stroke_m3",
    "efficiency",
)


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial at one site. number: as people say it, 0 until stored. uid: the same in every logbook it comes to.

    at: when, UTC, ISO 8601 with "Z". site_text: the site file as it was that day, "" where there was none.
    removed_at: when it was struck out; it stays as a tombstone and its number is not given again.
    """

    uid: str
    site: str
    at: str
    number: int = 0
    note: str = ""
    site_text: str = ""
    settings: tuple[Setting, ...] = ()
    conditions: tuple[Setting, ...] = ()
    catches: tuple[Caught, ...] = ()
    recording: Recording | None = None
    result: Result | None = None
    removed_at: str | None = None

    def setting(self, name: str) -> Setting | None:
        """The setting or condition of that name."""
        return next((each for each in (*self.settings, *self.conditions) if each.name == name), None)

    def figure(self, name: str) -> Figure | None:
        """A result by name, None where it was not measured."""
        return self.result.figures.get(name) if self.result else None

    def of_side(self, side: str) -> tuple[Caught, ...]:
        """The catches of one side."""
        return tuple(each for each in self.catches if each.side == side)

    def same(self, other: Trial) -> bool:
        """Whether both are records of one thing; apart from number, tombstone and what can be made anew."""
        return self._bare() == other._bare()

    def _bare(self) -> Trial:
        recording = replace(self.recording, heard={}) if self.recording else None
        return replace(self, number=0, removed_at=None, result=None, recording=recording)

    def to_dict(self) -> dict[str, Any]:
        """Plain values, ready for JSON."""
        plain = asdict(self)
        return plain | {name: list(plain[name]) for name in ("settings", "conditions", "catches")}

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> Trial:
        """The trial that to_dict wrote down. Raises: LogbookError where it does not fit."""
        try:
            recording, result = plain["recording"], plain["result"]
            return cls(
                **{name: plain[name] for name in ("uid", "site", "at", "number", "note", "site_text", "removed_at")},
                settings=tuple(Setting(**each) for each in plain["settings"]),
                conditions=tuple(Setting(**each) for each in plain["conditions"]),
                catches=tuple(Caught(**each) for each in plain["catches"]),
                recording=Recording(**recording) if recording else None,
                result=_result(result) if result else None,
            )
        except (KeyError, TypeError) as err:
            raise LogbookError(f"a trial that cannot be read: {err}", hint="was it written by clackcount?") from err


def _result(plain: Mapping[str, Any]) -> Result:
    figures = {name: Figure(**each) for name, each in plain["figures"].items()}
    return Result(plain["version"], plain["at"], figures, plain["more"])


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at a site: a restart, a repair, or a note."""

    uid: str
    site: str
    at: str
    kind: str
    text: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain values, ready for JSON."""
        return asdict(self)

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> Event:
        """The event that to_dict wrote down. Raises: LogbookError where it does not fit."""
        try:
            return cls(**plain)
        except TypeError as err:
            raise LogbookError(f"an event that cannot be read: {err}", hint="was it written by clackcount?") from err


def as_quantity(setting: Setting) -> Quantity | None:
    """The setting as a Quantity; None for free text."""
    if setting.value is None:
        return None
    return Quantity(setting.value, setting.u, setting.unit, setting.given)


def ends_of(quantity: Quantity) -> tuple[float, float]:
    """The ends of a quantity given as a range ("3 mm to 20 mm"); of a single one, from nothing up to it."""
    if quantity.u is None:
        return 0.0, quantity.value
    half = quantity.u / RECTANGULAR
    return quantity.value - half, quantity.value + half

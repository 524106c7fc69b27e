"""Quantities as people write them ("1 1/2 in", "5 ft 6 in", "5.5 ± 0.1 ft", "1,5 m", "3 gal/min") in SI units.

Pint does the units; it is loaded on first use, with a short list of definitions instead of its full one, so that
a quantity costs milliseconds. The definitions are held against pint's full list by a test.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Any

from clackcount.errors import QuantityError

STANDARD_GRAVITY_M_S2 = 9.80665
WATER_DENSITY_KG_M3 = 998.2  # 20 °C; 999.7 at 10 °C, a difference far below any bucket's

# A stated "±" or a range gives the outermost values thought possible, with nothing said about the shape between
# them: a rectangular distribution, half-width a, standard deviation a/√3 (JCGM 100:2008, GUM, 4.3.7).
RECTANGULAR = 1.0 / math.sqrt(3.0)
ABOUT = 0.10  # "about 5 ft" is read as ± 10 %


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in SI units with what is known about its error.

    value: in unit. u: standard uncertainty in unit, None where nothing was said. unit: the SI unit's symbol.
    given: the text it came from. notes: what was assumed in reading it, plain sentences.
    """

    value: float
    u: float | None
    unit: str
    given: str = ""
    notes: tuple[str, ...] = ()

    def or_u(self, u: float) -> float:
        """The stated standard uncertainty, or u where none was stated."""
        return u if self.u is None else self.u


@dataclass(frozen=True, slots=True)
class _Kind:
    name: str
    si: str
    symbol: str
    example: str
    bare: str | None = None  # the unit meant when none is written, where no doubt is possible
    also: str | None = None  # another dimension accepted, turned over by `factor`
    factor: float = 1.0
    turned: str = ""


_KINDS = {
    kind.name: kind
    for kind in (
        _Kind("length", "metre", "m", "5.5 ft"),
        _Kind(
            "head", "metre", "m", "5.5 ft", also="pascal", factor=1 / (WATER_DENSITY_KG_M3 * STANDARD_GRAVITY_M_S2),
            turned="pressure turned into metres of water",
        ),
        _Kind(
            "volume", "metre ** 3", "m³", "1.5 cup", also="kilogram", factor=1 / WATER_DENSITY_KG_M3,
            turned="weight turned into volume of water",
        ),
        _Kind("flow", "metre ** 3 / second", "m³/s", "3 gal/min"),
        _Kind("time", "second", "s", "60 s"),
        _Kind("pressure", "pascal", "Pa", "150 psi"),
        _Kind("mass", "kilogram", "kg", "500 g"),
        _Kind("angle", "radian", "rad", "10 deg"),
        _Kind("velocity", "metre / second", "m/s", "1 m/s"),
        _Kind("rate", "1 / second", "1/s", "62 per min", bare="1 / minute"),
        _Kind("number", "radian", "", "12", bare="radian"),
    )
}  # fmt: skip

# Pint's own syntax: name = value = symbol = other spellings ("_" for no symbol); it adds the plural s itself.
_DEFINITIONS = """
metre = [length] = m = meter
second = [time] = s = sec
kilogram = [mass] = kg = kilo
radian = [] = rad
count = [] = _ = stroke = beat = slam = cycle
degree = 0.017453292519943295 * radian = deg
percent = 0.01
millimetre = 0.001 * metre = mm = millimeter
centimetre = 0.01 * metre = cm = centimeter
kilometre = 1000 * metre = km = kilometer
inch = 0.0254 * metre = in = inches
foot = 12 * inch = ft = feet
yard = 3 * foot = yd
cu_m = metre ** 3
cu_cm = centimetre ** 3 = _ = cc = ccm
cu_ft = foot ** 3
cu_in = inch ** 3
millisecond = 0.001 * second = ms
hertz = count / second = hz
minute = 60 * second = min
hour = 60 * minute = h = hr
day = 24 * hour = d
gram = 0.001 * kilogram = g
pound = 0.45359237 * kilogram = lb
ounce = 0.0625 * pound = oz
litre = 0.001 * metre ** 3 = l = liter
millilitre = 0.001 * litre = ml = milliliter
centilitre = 0.01 * litre = cl = centiliter
decilitre = 0.1 * litre = dl = deciliter
lpm = litre / minute
lps = litre / second
us_gallon = 231 * inch ** 3 = us_gal
us_quart = 0.25 * us_gallon = us_qt
us_pint = 0.125 * us_gallon = us_pt
us_cup = 0.0625 * us_gallon
us_floz = us_gallon / 128
us_gpm = us_gallon / minute
us_gph = us_gallon / hour
us_gpd = us_gallon / day
imperial_gallon = 4.54609 * litre = imperial_gal
imperial_quart = 0.25 * imperial_gallon = imperial_qt
imperial_pint = 0.125 * imperial_gallon = imperial_pt
imperial_cup = 0.0625 * imperial_gallon
imperial_floz = imperial_gallon / 160
imperial_gpm = imperial_gallon / minute
imperial_gph = imperial_gallon / hour
imperial_gpd = imperial_gallon / day
metric_cup = 250 * millilitre
newton = kilogram * metre / second ** 2 = n
pascal = newton / metre ** 2 = pa
hectopascal = 100 * pascal = hpa
kilopascal = 1e3 * pascal = kpa
megapascal = 1e6 * pascal = mpa
gigapascal = 1e9 * pascal = gpa
bar = 1e5 * pascal
millibar = 100 * pascal = mbar
atmosphere = 101325 * pascal = atm
psi = pound * 9.80665 * metre / second ** 2 / inch ** 2 = _ = psig
m_water = 9806.65 * pascal
ft_water = 0.3048 * m_water
in_water = ft_water / 12
"""

# These mean different amounts in different countries; each is settled by the measures in force, and that is said.
_DOUBTFUL = re.compile(
    r"(?<![a-z_])(gal|gallon|qt|quart|pt|pint|cup|floz|gpm|gph|gpd)(s?)(?![a-z_])",
)
_SPOKEN = {
    "gal": "gallon", "gallon": "gallon", "qt": "quart", "quart": "quart", "pt": "pint", "pint": "pint", "cup": "cup",
    "floz": "fluid ounce", "gpm": "gallon", "gph": "gallon", "gpd": "gallon",
}  # fmt: skip

MEASURES = ("US", "imperial", "metric")

_NUMBER = r"(?:\d+[ -]\d+/\d+|\d+/\d+|(?:\d[\d.,]*|[.,]\d+)(?:e[+-]?\d+)?)"
_UNIT = r"(?:[a-z][a-z_. ]*(?:(?:/| per ) *[a-z_.]+)*|(?:/|per ) *[a-z_.]+)"
_PIECE = re.compile(rf"\s*({_NUMBER})\s*({_UNIT})?\s*")
_RANGE = re.compile(rf"(.*?[\d.a-z])\s*(?:\bto\b|-)\s*({_NUMBER}.*)")
_FRACTIONS = {
    c: f" {n}/{d}"
    for c, n, d in (
        ("½", 1, 2), ("⅓", 1, 3), ("⅔", 2, 3), ("¼", 1, 4), ("¾", 3, 4), ("⅕", 1, 5), ("⅖", 2, 5), ("⅗", 3, 5),
        ("⅘", 4, 5), ("⅙", 1, 6), ("⅚", 5, 6), ("⅛", 1, 8), ("⅜", 3, 8), ("⅝", 5, 8), ("⅞", 7, 8),
    )
}  # fmt: skip


def parse_quantity(
    text: str | Quantity, kind: str, *, field: str = "value", measures: str = "US", example: str = ""
) -> Quantity:
    """The quantity that text stands for, in SI units.

    text: a number with its unit; mixed fractions, decimal commas, several units ("5 ft 6 in"), "± 0.1 ft", "± 2 %",
        ranges ("5.4 to 5.6 ft") and "about 5 ft" are understood. A Quantity is passed through.
    kind: length, head (a pressure is turned into metres of water), volume (a mass of water is turned into its
        volume), flow, time, pressure, mass, angle, velocity, rate (per minute when no unit is written) or number.
    field: the name used in an error. measures: "US", "imperial" or "metric", for a bare gallon, quart, pint, cup or
        fluid ounce ("metric" only decides the cup; a bare gallon is then taken as US). The choice is said in .notes.

    Raises:
        QuantityError: no number, no unit, a unit of the wrong kind, or a number that can be read in two ways.
    """
    wanted = _KINDS[kind]
    if isinstance(text, Quantity):
        if text.unit != wanted.symbol:
            raise QuantityError(f"{field}: got a value in {text.unit or 'no unit'}, wanted {wanted.symbol}")
        return text
    reader = _Reader(str(text), field, wanted, measures, example or wanted.example)
    return reader.read()


@dataclass(slots=True)
class _Reader:
    """One reading of one text; keeps what an error message needs."""

    given: str
    field: str
    kind: _Kind
    measures: str
    example: str
    notes: tuple[str, ...] = ()

    def read(self) -> Quantity:
        text = _tidy(self.given)
        if not text:
            raise self.error("is empty")
        about = re.match(r"(?:about|approx\.?|approximately|roughly|circa|ca\.?|~|≈)\s*", text)
        if about:
            text = text[about.end() :]
        if text.startswith("-"):
            raise self.error("is negative")
        value, half = self.sides(text)
        if about and not half:
            half = ABOUT * value
            self.notes += (f"“about” read as ± {100 * ABOUT:.0f} %",)
        u = half * RECTANGULAR if half is not None else None
        return Quantity(value, u, self.kind.symbol, self.given.strip(), self.notes)

    def sides(self, text: str) -> tuple[float, float | None]:
        """Value and half-width (None where nothing was said), both in SI."""
        if "±" in text:
            left, _, right = text.partition("±")
            share = re.fullmatch(r"(.*?)percent\s*(.*)", right.strip())
            if share:  # "5.5 ft ± 2 %" or "5.5 ± 2 % ft"
                value = self.amount(left if _last_unit(left) else f"{left.strip()} {share[2]}")
                return value, value * _number(share[1], self) / 100
            left_unit, right_unit = _last_unit(left), _last_unit(right)
            value = self.amount(left if left_unit or not right_unit else f"{left.strip()} {right_unit}")
            return value, self.amount(right if right_unit or not left_unit else f"{right.strip()} {left_unit}")
        ends = _RANGE.fullmatch(text)
        if ends and not _PIECE.fullmatch(text):  # "1-1/2 in" and "1e-4" are one number each
            low_text, high_text = ends[1], ends[2]
            if not _last_unit(low_text) and _last_unit(high_text):
                low_text = f"{low_text.strip()} {_last_unit(high_text)}"
            low, high = self.amount(low_text), self.amount(high_text)
            if low > high:
                raise self.error("is a range that runs downwards")
            return (low + high) / 2, (high - low) / 2
        return self.amount(text), None

    def amount(self, text: str) -> float:
        """The sum of the pieces of one side ("5 ft 6 in"), in SI."""
        total, at = 0.0, 0
        previous = math.inf
        while at < len(text):
            piece = _PIECE.match(text, at)
            if piece is None or piece.end() == at:
                raise self.error("is not a number with a unit")
            number, unit = _number(piece[1], self), (piece[2] or "").strip()
            scale = self.scale(unit)
            if at and (not unit or scale >= previous):
                raise self.error("is not one amount")
            total, previous, at = total + number * scale, scale, piece.end()
        if not math.isfinite(total):
            raise self.error("is not a finite amount")
        return total

    def scale(self, unit: str) -> float:
        """What one of unit is in SI; raises where it is not of the wanted kind."""
        if not unit and self.kind.bare is None:
            raise self.error("has no unit")
        registry = _registry()
        # Pint would read "percent l" or "stroke l" as a product, and be wrong without a word.
        if not re.fullmatch(r"(?:/ *|per +)?[a-z_.]+(?: *(?:/|per(?![a-z])) *[a-z_.]+)*", unit or "ft"):
            raise self.error(f"has a unit that is not known: “{unit}”")
        expression = self.settled(unit) if unit else self.kind.bare
        try:
            one = registry.Quantity(1.0, registry.parse_units(expression))
        except Exception as err:  # pint raises its own, its parser's and Python's kinds for text that is no unit
            raise self.error(f"has a unit that is not known: “{unit}”") from err
        wanted = registry.parse_units(self.kind.si)
        if one.is_compatible_with(wanted):
            return float(one.to(wanted).magnitude)
        if self.kind.also and one.is_compatible_with(registry.parse_units(self.kind.also)):
            self.note(f"{self.kind.turned} at {WATER_DENSITY_KG_M3:g} kg/m³")
            return float(one.to(registry.parse_units(self.kind.also)).magnitude) * self.kind.factor
        raise self.error(f"is not a {self.kind.name} (unit “{unit}”)")

    def settled(self, unit: str) -> str:
        """unit as pint is to read it, with the doubtful measures settled and noted."""

        def settle(found: re.Match[str]) -> str:
            if self.measures == "metric" and found[1] == "cup":
                return "metric_cup"
            ours, other = ("imperial", "US") if self.measures == "imperial" else ("US", "imperial")
            thing = _SPOKEN[found[1]]
            name = f"{ours.lower()}_{thing.replace('fluid ounce', 'floz')}"
            litres = float(_registry().Quantity(1.0, name).to("litre").magnitude)
            self.note(f"{thing} taken as the {ours} one ({litres:.3g} L); write “{other} {thing}” if not")
            return f"{ours.lower()}_{found[1]}"

        text = _DOUBTFUL.sub(settle, unit)
        text = re.sub(r"\bper\b", "/", text.replace(".", ""))
        return f"1 {text}" if text.startswith("/") else text

    def note(self, sentence: str) -> None:
        if sentence not in self.notes:
            self.notes += (sentence,)

    def error(self, what: str) -> QuantityError:
        return QuantityError(
            f"{self.field}: “{self.given.strip()}” {what}", hint=f'write for example "{self.example}"'
        )


@cache
def _registry() -> Any:
    """Pint with our own short list of units: the full list takes 0.15 s to read."""
    import pint

    registry: Any = pint.UnitRegistry(None)
    registry.load_definitions(_DEFINITIONS.strip().splitlines())
    return registry


# Spellings of more than one word, or with a sign or a digit in them, in the order they are put right.
_SPELLINGS = tuple(
    (re.compile(pattern), plain)
    for pattern, plain in (
        (r"\b(?:cubic|cu\.?) ?(?:met(?:re|er)s?|m)\b|(?<![a-z])m3\b", "cu_m"),
        (r"\b(?:cubic|cu\.?) ?(?:feet|foot|ft)\b|(?<![a-z])ft3\b", "cu_ft"),
        (r"\b(?:cubic|cu\.?) ?(?:inch(?:es)?|in)\b|(?<![a-z])in3\b", "cu_in"),
        (r"(?<![a-z])cm3\b", "cu_cm"),
        (r"(?<![a-z])(?:m|met(?:re|er)s?)[ _]*(?:of water|water|h2o)\b", "m_water"),
        (r"(?<![a-z])(?:ft|feet|foot)[ _]*(?:of water|water|h2o)\b", "ft_water"),
        (r"(?<![a-z])(?:in|inch(?:es)?)[ _]*(?:of water|water|h2o)\b", "in_water"),
        (r"\b(gal|gallon|quart|pint|cup)(s?)_(us|imp|imperial|metric)\b", r"\3_\1\2"),
        (r"\b(?:imp|imperial|uk|british)(?:\.? |\.|-|_)", "imperial_"),
        (r"\b(?:us|u\.s\.?|american)(?: |-|_)", "us_"),
        (r"\bmetric[ -]", "metric_"),
        (r"(?<![a-z])(?:fl\.?|fluid) ?(?:oz|ounces?)\b\.?", "floz"),
        (r"\blbf?/(?:sq\.? ?in|in2)\b", "psi"),
        (r"''|\"", " inch "),
        (r"'", " foot "),
        (r"°", " degree "),
        (r"%", " percent "),
        (r"(?<=[\d.]) +1/(?=[a-z])", " /"),  # "1.79 1/s"
    )
)


def _tidy(text: str) -> str:
    """Lower case, one spelling of each sign, and no digit left inside a unit."""
    text = text.strip().replace("×10", "e")
    for sign, fraction in _FRACTIONS.items():
        text = text.replace(sign, fraction)
    for signs, plain in (("⁄∕", "/"), ("‐‑‒–—−", "-"), ("′’‘", "'"), ("″”“", '"'), ("\u00a0\u2009\u202f\t", " ")):
        for sign in signs:
            text = text.replace(sign, plain)
    text = text.lower().replace("+/-", "±").replace("+-", "±").replace("plus or minus", "±")
    text = text.replace("(", " ").replace(")", " ").replace("³", "3").replace("^", "").replace("**", "")
    for pattern, plain in _SPELLINGS:
        text = pattern.sub(plain, text)
    return re.sub(r"\s+", " ", text).strip()


def _number(text: str, reader: _Reader) -> float:
    """The number in text: decimal point or comma, fraction, mixed fraction."""
    text = text.strip()
    mixed = re.fullmatch(r"(?:(\d+)[ -])?(\d+)/(\d+)", text)
    if mixed:
        if int(mixed[3]) == 0:
            raise reader.error("divides by zero")
        return int(mixed[1] or 0) + int(mixed[2]) / int(mixed[3])
    if "," in text:
        if re.fullmatch(r"[1-9]\d{0,2},\d{3}", text):
            plain = text.replace(",", "")
            raise reader.error(f"can be read as {text.replace(',', '.')} or as {plain}")
        if re.fullmatch(r"[1-9]\d{0,2}(,\d{3})+(\.\d+)?", text):
            text = text.replace(",", "")
        else:
            text = text.replace(".", "").replace(",", ".") if "." in text else text.replace(",", ".")
    try:
        return float(text)
    except ValueError:
        raise reader.error("is not a number with a unit") from None


def _last_unit(text: str) -> str:
    found = re.search(rf"{_NUMBER}\s*({_UNIT})\s*$", text)
    return found[1].strip() if found else ""


def clock(time_s: float) -> str:
    """A moment or a length as mm:ss, or h:mm:ss from an hour on."""
    minutes, seconds = divmod(round(time_s), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes:02d}:{seconds:02d}"

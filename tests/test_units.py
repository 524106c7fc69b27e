"""Quantities as people write them."""

from __future__ import annotations

import math
import subprocess
import sys

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from clackcount import units
from clackcount.errors import QuantityError
from clackcount.units import Quantity, parse_quantity

FT, IN, GAL, CUP = 0.3048, 0.0254, 3.785411784e-3, 0.2365882365e-3


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("1.5 cup", "volume", 1.5 * CUP),
        ("8 cups", "volume", 8 * CUP),
        ("1/2 in", "length", IN / 2),
        ("1 1/2 in", "length", 1.5 * IN),
        ("1-1/2 in", "length", 1.5 * IN),
        ("1½ in", "length", 1.5 * IN),
        ("½″", "length", IN / 2),
        ("3⁄4 in", "length", 0.75 * IN),
        ("32 feet", "length", 32 * FT),
        ("5 ft 6 in", "length", 5.5 * FT),
        ("5'6\"", "length", 5.5 * FT),
        ("5′ 6½″", "length", 5 * FT + 6.5 * IN),
        ("1,5 m", "length", 1.5),
        ("0,500 m", "length", 0.5),
        ("1.234,5 mm", "length", 1.2345),
        ("1,234.5 mm", "length", 1.2345),
        (" 32FT ", "length", 32 * FT),
        ("1e-3 km", "length", 1.0),
        ("3 gal/min", "flow", 3 * GAL / 60),
        ("3 gpm", "flow", 3 * GAL / 60),
        ("3 US gallons per minute", "flow", 3 * GAL / 60),
        ("3 imp gal/min", "flow", 3 * 4.54609e-3 / 60),
        ("3 UK gallons per minute", "flow", 3 * 4.54609e-3 / 60),
        ("0.5 L/s", "flow", 5e-4),
        ("0,5 m³/h", "flow", 0.5 / 3600),
        ("2 m3/day", "flow", 2 / 86400),
        ("20 psi", "pressure", 20 * 6894.757293168),
        ("1.4 bar", "pressure", 1.4e5),
        ("1.2 MPa", "pressure", 1.2e6),
        ("23 ft of water", "pressure", 23 * FT * 9806.65),
        ("20 psi", "head", 20 * 6894.757293168 / (998.2 * 9.80665)),
        ("23 ft", "head", 23 * FT),
        ("1 metric cup", "volume", 250e-6),
        ("12 fl. oz", "volume", 12 * GAL / 128),
        ("350 g", "volume", 0.35 / 998.2),
        ("2 cubic feet", "volume", 2 * FT**3),
        ("1 min 30 s", "time", 90.0),
        ("1 1/2 minutes", "time", 90.0),
        ("250 g", "mass", 0.25),
        ("1 lb 4 oz", "mass", 1.25 * 0.45359237),
        ("10°", "angle", math.radians(10)),
        ("62", "rate", 62 / 60),
        ("62 beats per minute", "rate", 62 / 60),
        ("1.79 1/s", "rate", 1.79),
        ("1.79 per s", "rate", 1.79),
        ("12", "number", 12.0),
        ("5 %", "number", 0.05),
    ],
)
def test_text_is_read_as_written(text: str, kind: str, value: float) -> None:
    found = parse_quantity(text, kind)
    assert found.value == pytest.approx(value, rel=1e-9)
    assert found.u is None
    assert found.given == text.strip()


@pytest.mark.parametrize(
    ("text", "value", "half"),
    [
        ("5.5 ± 0.1 ft", 5.5, 0.1),
        ("5.5 +- 0.1 ft", 5.5, 0.1),
        ("5.5 +/- 0.1 ft", 5.5, 0.1),
        ("(5.5 ± 0.1) ft", 5.5, 0.1),
        ("5.5 ft ± 0.1", 5.5, 0.1),
        ("5.5 ft ± 1 in", 5.5, 1 / 12),
        ("5 ft 6 in ± 1 in", 5.5, 1 / 12),
        ("5.5 ft ± 2 %", 5.5, 0.11),
        ("5.5 ± 2 % ft", 5.5, 0.11),
        ("5.5 ft ± 2 percent", 5.5, 0.11),
        ("5.4 to 5.6 ft", 5.5, 0.1),
        ("5.4-5.6 ft", 5.5, 0.1),
        ("5.4 – 5.6 ft", 5.5, 0.1),
        ("5.4 ft to 5.6 ft", 5.5, 0.1),
        ("5 ft 5 in to 5 ft 7 in", 5.5, 1 / 12),
        ("5 1/2-6 ft", 5.75, 0.25),
        ("1/2-3/4 ft", 0.625, 0.125),
        ("about 5 ft", 5.0, 0.5),
        ("~5 ft", 5.0, 0.5),
    ],
)
def test_what_people_say_of_their_error_is_kept(text: str, value: float, half: float) -> None:
    """GUM 4.3.7: limits with nothing said about the shape between them make u = a/√3."""
    found = parse_quantity(text, "length")
    assert found.value == pytest.approx(value * FT)
    assert found.u == pytest.approx(half * FT / math.sqrt(3))


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("5.5", "length", "no unit"),
        ("", "length", "empty"),
        ("banana", "length", "not a number"),
        ("5 psi", "length", "not a length"),
        ("5 ft", "volume", "not a volume"),
        ("1,500 ft", "length", "1.500 or as 1500"),
        ("-3 ft", "length", "negative"),
        ("5 in 6 ft", "length", "not one amount"),
        ("6 to 5 ft", "length", "downwards"),
        ("5 furlongs", "length", "furlongs"),
        ("5 ft banana", "length", "banana"),
        ("5 % ft", "length", "percent ft"),
        ("5 stroke ft", "length", "not known"),
        ("5 ± 2 %", "length", "no unit"),
        ("5..5 ft", "length", "not a number"),
        ("1/0 in", "length", "zero"),
        ("nan ft", "length", "not a number"),
        ("1e999 ft", "length", "finite"),
        ("5 ± ft", "length", "no unit"),
        ("__import__('os')", "length", "not a number"),
        ("5 ft**9999999", "length", "drive_head"),
    ],
)
def test_an_error_names_field_value_and_example(text: str, kind: str, says: str) -> None:
    with pytest.raises(QuantityError, match=says) as caught:
        parse_quantity(text, kind, field="drive_head")
    assert str(caught.value).startswith("drive_head: ")
    assert f"“{text.strip()}”" in str(caught.value)
    assert caught.value.hint.startswith("write for example")


@pytest.mark.parametrize(
    ("text", "measures", "litres", "said"),
    [
        ("1 gal", "US", 3.785411784, "US one"),
        ("1 gal", "imperial", 4.54609, "imperial one"),
        ("1 cup", "US", 0.2365882365, "US one"),
        ("1 cup", "imperial", 0.284130625, "imperial one"),
        ("1 cup", "metric", 0.25, None),
        ("1 pint", "imperial", 0.56826125, "imperial one"),
        ("1 imp gal", "US", 4.54609, None),
        ("1 US gal", "imperial", 3.785411784, None),
        ("1 litre", "imperial", 1.0, None),
    ],
)
def test_the_gallon_and_the_cup_meant_are_named(text: str, measures: str, litres: float, said: str | None) -> None:
    found = parse_quantity(text, "volume", measures=measures)
    assert found.value * 1e3 == pytest.approx(litres)
    assert (said in found.notes[0]) if said else found.notes == ()


def test_every_unit_is_the_one_in_pints_full_list() -> None:
    """Outside check: pint's own registry (CODATA and NIST values) knows all units of our short list but a few."""
    full, ours = pint.UnitRegistry(), units._registry()
    theirs = {
        "us_gallon": "gallon", "us_quart": "quart", "us_pint": "pint", "us_cup": "cup", "us_floz": "fluid_ounce",
        "imperial_floz": "imperial_fluid_ounce", "us_gpm": "gallon/minute", "us_gph": "gallon/hour",
        "us_gpd": "gallon/day", "imperial_gpm": "imperial_gallon/minute", "imperial_gph": "imperial_gallon/hour",
        "imperial_gpd": "imperial_gallon/day", "lpm": "litre/minute", "lps": "litre/second", "cu_m": "metre**3",
        "cu_cm": "centimetre**3", "cu_ft": "foot**3", "cu_in": "inch**3", "metric_cup": "250*millilitre",
    }  # fmt: skip
    no_such = ("count", "m_water", "ft_water", "in_water")  # pint's water is at another temperature
    checked = 0
    for line in units._DEFINITIONS.strip().splitlines():
        name = line.split(" =")[0]
        if name in no_such:
            continue
        wanted = full.parse_expression(theirs.get(name, name)).to_base_units()  # kilogram, metre, second
        assert ours.Quantity(1.0, name).to_base_units().magnitude == pytest.approx(wanted.magnitude, rel=1e-12), name
        checked += 1
    assert checked > 45


@given(st.floats(0.01, 9999), st.sampled_from(["ft", "m", "in", "cm", "mm", "yd"]))
def test_what_is_written_comes_back(value: float, unit: str) -> None:
    once = parse_quantity(f"{value} {unit}", "length")
    again = parse_quantity(f"{once.value} m", "length")
    assert again.value == pytest.approx(once.value, rel=1e-12)
    with_comma = f"{value:.6f} {unit}".replace(".", ",")
    assert parse_quantity(with_comma, "length").value == pytest.approx(once.value, rel=1e-4)


@given(st.text(max_size=12))
def test_any_text_is_read_or_refused_in_words(text: str) -> None:
    try:
        found = parse_quantity(text, "length")
    except QuantityError as err:
        assert str(err).startswith("value: ")  # noqa: PT017
    else:
        assert found.value >= 0
        assert math.isfinite(found.value)


def test_a_quantity_passes_through_if_it_is_of_the_kind() -> None:
    length = Quantity(2.0, 0.1, "m")
    assert parse_quantity(length, "length") is length
    with pytest.raises(QuantityError, match="wanted m³"):
        parse_quantity(length, "volume")


def test_import_does_not_load_pint() -> None:
    code = "import sys, clackcount.units; sys.exit('pint' in sys.modules or 'numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0

"""docs/hydraulics.md says what the code does."""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import pytest

from clackcount.hydraulics import Measurement, column, efficiency, hammer, pipes
from clackcount.hydraulics.assumed import ASSUMED

PAGE = (Path(__file__).parents[2] / "docs" / "hydraulics.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("module", [efficiency, column, hammer, pipes], ids=lambda module: module.__name__)
def test_every_public_function_is_in_the_table_with_its_arguments(module) -> None:  # type: ignore[no-untyped-def]
    short = module.__name__.rpartition(".")[2]
    functions = [
        (name, f) for name, f in inspect.getmembers(module, inspect.isfunction)
        if f.__module__ == module.__name__ and not name.startswith("_")
    ]  # fmt: skip
    assert functions
    for name, function in functions:
        listed = re.search(rf"`{short}\.{name}\((.*?)\)`", PAGE)
        assert listed, f"{short}.{name} is not in docs/hydraulics.md"
        assert inspect.getdoc(function)
        given = [argument.strip().rstrip("=") for argument in listed[1].split(",")]
        known = inspect.signature(function).parameters
        assert all(argument in known or argument.startswith(("...", '"')) or argument == "" for argument in given), (
            name
        )


def test_the_table_of_assumptions_is_the_one_in_force() -> None:
    for name, row in ASSUMED.items():
        u = f"{row.u:.0%}" if row.relative else f"{row.u:g}"
        value = "" if row.value == 0 else f"{row.value:g}"
        assert f"| `{name}` | {value} | {u} | {row.why} |" in PAGE
    assert PAGE.count("\n| `") == len(ASSUMED)


def test_the_example_runs_as_printed() -> None:
    example = re.search(r"```python\n(.*?)```", PAGE, re.DOTALL)
    assert example
    names: dict[str, object] = {}
    exec(example[1], names)
    found = names["found"]
    assert isinstance(found, Measurement)
    assert 0 < found.efficiency_daubuisson.nominal_value < 1

"""Every threshold with its default, its range and the reason for it.

A setting is a field made by ``knob``; the range is checked when a settings object is made, so that inner code
never meets a value that cannot work. A result carries the settings that made it (``as_dict``).
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

from clackcount.errors import SettingError


def knob(default: float | int, low: float, high: float, why: str) -> Any:
    """A field with a default, an inclusive range and the reason for the default."""
    return field(default=default, metadata={"low": low, "high": high, "why": why})


class Checked:
    """Checks each knob against its range on construction."""

    __slots__ = ()

    def __post_init__(self) -> None:
        for knob_field in fields(self):  # type: ignore[arg-type]
            value = getattr(self, knob_field.name)
            low, high = knob_field.metadata["low"], knob_field.metadata["high"]
            if not low <= value <= high:
                raise SettingError(f"{knob_field.name} is {value:g}; it must lie between {low:g} and {high:g}")


def as_dict(settings: Checked) -> dict[str, float | int | str]:
    """The settings by name, as plain numbers."""
    return {knob_field.name: getattr(settings, knob_field.name) for knob_field in fields(settings)}  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class RunningSettings(Checked):
    """Thresholds of the running room: what the pump was doing."""

    self_cycles_min: int = knob(6, 3, 50, "beats in a row without a push before it is called running by itself")

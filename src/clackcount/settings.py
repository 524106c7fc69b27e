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
    stop_cycles: float = knob(3.0, 1.8, 20.0, "periods without a slam after which it has stopped: two beats are overdue")
    stop_wait_s: float = knob(2.0, 0.5, 30.0, "at least so long past the beat that was due, or a gust fakes a stop of a fast ram")
    hand_gap_s: float = knob(6.0, 2.0, 60.0, "a pause between hand strokes longer than this ends the spell of pushing")
    rush_cycles_min: int = knob(4, 2, 50, "slams needed before the rush can be told from the shut phase")
    rush_gain_sd_db: float = knob(2.0, 0.3, 10.0, "how far a phone's automatic gain is expected to move the whole level")
    rush_sure: float = knob(0.75, 0.5, 0.99, "confidence from which rushing or quiet is told as a fact")
    settled_share: float = knob(0.02, 0.002, 0.2, "settled when the interval is within this share of its final value")
    trend_rows_max: int = knob(48, 8, 500, "windows in the table of a long recording")
    before_s: float = knob(60.0, 10.0, 600.0, "how far back from a stop the change of the beat is described")

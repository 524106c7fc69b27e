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
class HearingSettings(Checked):
    """Thresholds of the hearing room: from samples to impacts."""

    hop_s: float = knob(
        0.005, 0.002, 0.01, "a frame every 5 ms: half the tolerance asked of a slam's place, before refinement"
    )
    n_bands: int = knob(
        36, 12, 64, "mel bands, about a third of an octave above 1 kHz; fewer lose the slam's best octave in a brook"
    )
    lowest_hz: float = knob(
        50.0, 20.0, 300.0, "where the mel scale begins; up to 100 Hz it gives way to single lines"
    )
    highest_hz: float = knob(14000.0, 3000.0, 20000.0, "above it phone encoders keep nothing")
    floor_s: float = knob(
        0.4, 0.1, 3.0, "time constant of the noise floor; 0.35 to 0.5 s served best in rain, surf and storm"
    )
    passage_s: float = knob(
        60.0, 20.0, 300.0, "long enough for a dozen cycles of the slowest ram, short enough to follow it"
    )
    margin_s: float = knob(8.0, 2.0, 50.0, "surrounding at either end of a passage, two cycles of the slowest ram")
    bias: float = knob(
        1.0, 0.1, 10.0, "added to energy over floor before the root, so that dips in the noise do not count"
    )


@dataclass(frozen=True, slots=True)
class BeatsSettings(Checked):
    """Thresholds of the beats room: from impacts to slams."""

    slowest_per_min: float = knob(
        13.0, 5.0, 60.0, "published rams go down to 20 a minute; a little below 15 for the jitter"
    )
    fastest_per_min: float = knob(430.0, 100.0, 600.0, "published rams go up to 375 a minute")
    hypotheses_tried: int = knob(24, 2, 60, "pairs of period and voice, those whose chains of moments stand out most")
    hypotheses_refined: int = knob(8, 1, 20, "first guesses worth the full iteration")
    spread_max: float = knob(0.06, 0.02, 0.2, "a self-running ram strays from its period by a few per cent")
    spread_min: float = knob(
        0.012, 0.002, 0.05, "frames are 5 ms: a closer spread would be a spread of frame numbers"
    )
    missed_cost: float = knob(3.0, 0.5, 20.0, "a missed beat must be paid by one clearly heard slam")
    restart_cost: float = knob(8.0, 2.0, 50.0, "a break in the rhythm must be paid by two clearly heard slams")
    change_cost: float = knob(
        4.0, 1.0, 20.0, "an interval unlike all others must be paid by half a clearly heard slam"
    )
    evidence_min: float = knob(
        25.0, 5.0, 200.0, "chance alone rarely strings more together in a minute of brook or rain"
    )
    likeness_min: float = knob(0.75, 0.0, 1.0, "below it every second sound is another sound, not a weaker slam")
    companion_strength_min: float = knob(6.0, 2.0, 20.0, "standard errors; some hundred lags are tried")
    stray_share: float = knob(0.5, 0.1, 1.0, "a slam off the beat must score at least so much of what those on it do")
    stray_alike: float = knob(
        0.75, 0.3, 1.0, "and its spectrum must be as like theirs as theirs are among themselves, nearly"
    )
    slams_min: int = knob(7, 4, 50, "slams in an even run before a rate is stated: six intervals that agree")
    span_min_s: float = knob(6.0, 1.0, 60.0, "a bird's phrase is even for three seconds; a ram goes on")
    ram_odds_min: float = knob(
        2.1,
        -10.0,
        20.0,
        "log odds; 95 in 100 made rams that were found lie above, 8 in 100 places without one",
    )
    pumps_max: int = knob(2, 1, 4, "rams told apart in one recording")
    brief_passages: int = knob(
        7, 0, 100, "five minutes: delivery head and valve change slowly, and a change of the beat is seen at once"
    )
    locked_max: float = knob(
        0.6, 0.1, 1.0, "a second pump slams anywhere in the cycle of the first, its echoes do not"
    )
    gain_max: float = knob(8.0, 3.0, 30.0, "one dropped tool must not outweigh the rhythm of many slams")


@dataclass(frozen=True, slots=True)
class LiveSettings(Checked):
    """How sound is followed while it comes in: how often, how far back, and how hard a pump is looked for."""

    step_cycles: float = knob(
        0.6, 0.1, 2.0, "nearly two looks a cycle: news are due within two cycles or two seconds"
    )
    step_min_s: float = knob(0.5, 0.1, 2.0, "more often costs more than it tells")
    step_max_s: float = knob(1.0, 0.2, 5.0, "half of the two seconds in which a change is to be told")
    settle_every: int = knob(4, 1, 60, "steps between thorough looks at the cycle, which cost twice a brief one")
    window_cycles: float = knob(16.0, 8.0, 60.0, "beats enough to know a slam by its sound and by its time")
    window_min_s: float = knob(14.0, 6.0, 60.0, "noise enough to know what is not a slam")
    window_max_s: float = knob(60.0, 20.0, 120.0, "a dozen cycles of the slowest ram")
    faint_z: float = knob(5.0, 1.0, 20.0, "below it a slam needs twice as many fellows to be told from the noise")
    search_share: float = knob(
        6.0, 0.5, 60.0, "seconds of sound searched in a second, while nothing is known: most of the cost"
    )
    search_share_later: float = knob(2.2, 0.1, 60.0, "the same, when nothing has been heard of any pump for long")
    awake_s: float = knob(600.0, 60.0, 86400.0, "so long after the start, and after the last slam or push")
    sure_at_once: float = knob(0.95, 0.1, 1.0, "so surely a ram, it is told as soon as it is judged")
    proving_s: float = knob(10.0, 0.0, 60.0, "less surely a ram, it must be judged one again and again for so long")


@dataclass(frozen=True, slots=True)
class RunningSettings(Checked):
    """Thresholds of the running room: what the pump was doing."""

    self_cycles_min: int = knob(6, 3, 50, "beats in a row without a push before it is called running by itself")
    stop_cycles: float = knob(
        3.0, 1.8, 20.0, "periods without a slam after which it has stopped: two beats are overdue"
    )
    stop_wait_s: float = knob(
        2.0, 0.5, 30.0, "at least so long past the beat that was due, or a gust fakes a stop of a fast ram"
    )
    hand_gap_s: float = knob(
        6.0, 2.0, 60.0, "a pause between hand strokes longer than this ends the spell of pushing"
    )
    rush_cycles_min: int = knob(4, 2, 50, "slams needed before the rush can be told from the shut phase")
    rush_gain_sd_db: float = knob(
        3.0, 0.3, 20.0, "how far a phone's automatic gain is expected to move the whole level"
    )
    rush_sure: float = knob(0.75, 0.5, 0.99, "confidence from which rushing or quiet is told as a fact")
    settled_share: float = knob(0.02, 0.002, 0.2, "settled when the interval is within this share of its final value")
    trend_rows_max: int = knob(48, 8, 500, "windows in the table of a long recording")
    before_s: float = knob(60.0, 10.0, 600.0, "how far back from a stop the change of the beat is described")

"""A catch: so much water in so much time, read off a cup or a bucket and a watch.

Several catches of one side are pooled. Their scatter speaks too: the assumed reading error counts as eight earlier
catches (an uncertainty known to a quarter, JCGM 100:2008 G.4.2), so two repeats bend it a little and ten a lot.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clackcount.errors import QuantityError
from clackcount.hydraulics.assumed import ASSUMED
from clackcount.hydraulics.figures import (
    COVERAGE,
    Uncertain,
    assumed,
    significant,
    u_of,
    uncertain,
    value_of,
)
from clackcount.hydraulics.maths import log
from clackcount.units import RECTANGULAR, Quantity, parse_quantity

Side = Literal["delivery", "waste"]
PRIOR_CATCHES = 8.0

_EXAMPLE = '"1.5 cup in 60 s", or "1.5 cup from 0:12 to 1:12" with times in the recording'
_LITRE = 1e-3


@dataclass(frozen=True, slots=True)
class Catch:
    """Water caught on one side of the ram. start_s, end_s: where in the recording, None where not said.

    volume: m³. time: s. given: the text it came from.
    """

    volume: Quantity
    time: Quantity
    side: Side = "delivery"
    start_s: float | None = None
    end_s: float | None = None
    given: str = ""

    @classmethod
    def read(cls, text: str, side: Side = "delivery", *, measures: str = "US") -> Catch:
        """The catch that text stands for: "1.5 cup in 60 s", or "1.5 cup from 0:12 to 1:12" in the recording.

        Raises: QuantityError naming the part that can't be read; also for an empty catch or no time.
        """
        field = "catch" if side == "delivery" else "waste catch"
        parts = re.fullmatch(r"(?P<volume>.+?)\s+(?:in|over)\s+(?P<time>.+)", text.strip())
        window = re.fullmatch(r"(?P<volume>.+?)\s+from\s+(?P<start>.+?)\s+(?:to|until)\s+(?P<end>.+)", text.strip())
        if window:
            start_s, end_s = (_clock(window[end], f"{field} {end}") for end in ("start", "end"))
            if end_s <= start_s:
                raise QuantityError(f"{field}: “{text}” ends before it starts", hint=f"write for example {_EXAMPLE}")
            time = Quantity(end_s - start_s, math.sqrt(2) * ASSUMED["clock_in_recording"].u, "s", text)
            volume = parse_quantity(window["volume"], "volume", field=f"{field} volume", measures=measures)
            return _filled(cls(volume, time, side, start_s, end_s, given=text), field, text)
        if not parts:
            raise QuantityError(f"{field}: “{text}” is not an amount in a time", hint=f"write for example {_EXAMPLE}")
        volume = parse_quantity(parts["volume"], "volume", field=f"{field} volume", measures=measures)
        return _filled(cls(volume, _time(parts["time"], f"{field} time"), side, given=text), field, text)

    @property
    def vessel(self) -> str:
        """What the water was read off, as far as the unit tells: cup, bucket, jug, scales, ..."""
        return _vessel(self.volume)[0]

    def volume_u_m3(self) -> float:
        """Standard uncertainty of reading the volume: stated, or half a mark of the vessel."""
        return self.volume.or_u(_vessel(self.volume)[1] / 2 * RECTANGULAR)

    def time_u_s(self) -> float:
        """Standard uncertainty of the time: stated, or a watch worked by hand."""
        return self.time.or_u(ASSUMED["watch"].u)

    def assumptions(self) -> tuple[str, ...]:
        """What was assumed in reading this catch, in plain sentences."""
        said = list(self.volume.notes)
        if self.volume.u is None:
            name, mark_m3 = _vessel(self.volume)
            half = significant(100 * mark_m3 / 2 / self.volume.value, 1)
            said.append(f"reading the {name} assumed good to ± {half} % (half a mark), the {name} itself to ± 4 %")
        if self.time.u is None:
            said.append(f"watch assumed good to ± {2 * ASSUMED['watch'].u:g} s")
        return tuple(said)


@dataclass(frozen=True, slots=True, eq=False)
class SingleCatch:
    """One catch by itself, with all its errors: reading, vessel, watch. given: as typed. start_s, end_s: where in the
    recording; n_slams: counted there; None where that is not known."""

    given: str
    side: Side
    volume_m3: Uncertain
    time_s: Uncertain
    flow_m3_s: Uncertain
    start_s: float | None
    end_s: float | None
    n_slams: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Pooled:
    """What the catches of one side say together. per_stroke_m3 is None where no strokes were heard."""

    flow_m3_s: Uncertain
    per_stroke_m3: Uncertain | None
    n_catches: int
    n_counted: int
    scatter: float | None  # standard deviation of the catches about their mean, relative; None for one catch


@dataclass(frozen=True, slots=True)
class Comparison:
    """Flow of the second set of catches over that of the first, and how sure it is that it is lower."""

    ratio: float
    low95: float
    high95: float
    probability_lower: float

    def sentence(self) -> str:
        """The comparison in words."""
        percent = 100 * (1 - self.ratio)
        change = f"{abs(percent):.0f} % {'less' if percent > 0 else 'more'}"
        sure = max(self.probability_lower, 1 - self.probability_lower)
        chance = "over 99.9 %" if sure > 0.999 else f"{100 * sure:.0f} %"
        if sure < 0.975:
            return f"{change}, but reading errors alone could make that ({chance} sure of the direction)"
        return (
            f"{change} (ratio {self.low95:.2f} to {self.high95:.2f}, 95 %); {chance} sure that it is no reading error"
        )


def pool_catches(
    catches: Sequence[Catch],
    rate_per_s: Uncertain | None = None,
    n_slams: Sequence[int | None] = (),
    vessels: dict[str, Uncertain] | None = None,
) -> Pooled:
    """Flow and water per stroke of catches of one side, weighted by how well each was read.

    rate_per_s: beats a second, for catches whose strokes were not counted. n_slams: for each catch the slams heard in
    its window, or None. vessels: the vessels' own errors by name, filled as they turn up: pass the same dict for
    catches read off the same vessels, and their common error stays common.
    Raises: QuantityError without a catch.
    """
    if not catches:
        raise QuantityError("no catch given", hint=f"write for example {_EXAMPLE}")
    vessels = {} if vessels is None else vessels
    stretch, scatter = _stretch(catches)
    counts = list(n_slams) + [None] * (len(catches) - len(n_slams))
    flow_sum: Uncertain = 0.0
    stroke_sum: Uncertain = 0.0
    weights = 0.0
    for catch, count in zip(catches, counts, strict=True):
        own = uncertain(catch.volume.value, catch.volume_u_m3() * stretch)
        scale = vessels.setdefault(catch.vessel, assumed("vessel")) if catch.volume.u is None else 1.0
        time_s = uncertain(catch.time.value, catch.time_u_s() * stretch)
        weight = _relative_u(catch) ** -2
        weights += weight
        flow_sum = flow_sum + weight * own * scale / time_s
        if count:
            stroke_sum = stroke_sum + weight * own * scale / uncertain(count, ASSUMED["count"].u)
        elif rate_per_s is not None:
            stroke_sum = stroke_sum + weight * own * scale / (time_s * rate_per_s)
    heard = rate_per_s is not None or all(counts)
    return Pooled(
        flow_sum / weights,
        stroke_sum / weights if heard else None,
        len(catches),
        sum(1 for count in counts if count),
        scatter,
    )


def single(catch: Catch, n_slams: int | None) -> SingleCatch:
    """The catch before it is pooled with its repeats."""
    volume = uncertain(catch.volume.value, catch.volume_u_m3())
    volume_m3 = volume * assumed("vessel") if catch.volume.u is None else volume
    time_s = uncertain(catch.time.value, catch.time_u_s())
    return SingleCatch(
        catch.given, catch.side, volume_m3, time_s, volume_m3 / time_s, catch.start_s, catch.end_s, n_slams
    )


def strokes_within(
    slam_time_s: Sequence[float] | NDArray[np.float64], start_s: float | None, end_s: float | None, duration_s: float
) -> int | None:
    """Slams counted from start_s up to end_s; None where that is not known or the recording ends before it.

    slam_time_s: float (n,), ascending, times in the recording. duration_s: length of the recording.
    """
    if start_s is None or end_s is None or end_s > duration_s:
        return None
    first, last = np.searchsorted(slam_time_s, [start_s, end_s])
    return int(last - first)


def compare_catches(first: Sequence[Catch], second: Sequence[Catch]) -> Comparison:
    """How the flow of second compares with that of first; errors of a vessel used for both cancel."""
    vessels: dict[str, Uncertain] = {}
    ratio = pool_catches(second, vessels=vessels).flow_m3_s / pool_catches(first, vessels=vessels).flow_m3_s
    log_ratio = log(ratio)
    z = value_of(log_ratio) / u_of(log_ratio) if u_of(log_ratio) else math.copysign(math.inf, value_of(log_ratio))
    low, high = (math.exp(value_of(log_ratio) + sign * COVERAGE * u_of(log_ratio)) for sign in (-1, 1))
    return Comparison(value_of(ratio), low, high, 0.5 * math.erfc(z / math.sqrt(2)))


def _relative_u(catch: Catch) -> float:
    return max(math.hypot(catch.volume_u_m3() / catch.volume.value, catch.time_u_s() / catch.time.value), 1e-6)


def _stretch(catches: Sequence[Catch]) -> tuple[float, float | None]:
    """Factor on the reading errors from the scatter of the catches, and that scatter itself (relative)."""
    n = len(catches)
    if n < 2:
        return 1.0, None
    flows = [catch.volume.value / catch.time.value for catch in catches]
    weights = [_relative_u(catch) ** -2 for catch in catches]
    mean = sum(w * f for w, f in zip(weights, flows, strict=True)) / sum(weights)
    chi_squared = sum(w * (f / mean - 1) ** 2 for w, f in zip(weights, flows, strict=True))
    scatter = math.sqrt(sum((f / mean - 1) ** 2 for f in flows) / (n - 1))
    return math.sqrt((PRIOR_CATCHES + chi_squared) / (PRIOR_CATCHES + n - 1)), scatter


def _vessel(volume: Quantity) -> tuple[str, float]:
    """Name and distance of the marks (m³) of the vessel that the unit of volume suggests."""
    text, value = volume.given.lower(), volume.value
    cup_m3, gallon_m3, ounce_m3 = 0.24 * _LITRE, 3.8 * _LITRE, 0.03 * _LITRE
    if any("weight" in note for note in volume.notes):
        return "scales", max(0.005 * _LITRE, 0.01 * value)
    if "cup" in text:
        return "cup", cup_m3 / 4
    if "gal" in text:
        return "bucket", gallon_m3 / 4
    if re.search(r"\b(qt|quart)s?\b", text):
        return "quart measure", gallon_m3 / 16
    if re.search(r"\b(pt|pint)s?\b", text):
        return "pint measure", gallon_m3 / 32
    if re.search(r"oz|ounce", text):
        return "jug", ounce_m3
    steps = ((0.1, 0.01), (0.5, 0.025), (3.0, 0.05), (math.inf, 0.5))
    mark_m3 = next(mark for up_to, mark in steps if value <= up_to * _LITRE) * _LITRE
    return ("bucket" if value > 3 * _LITRE else "jug"), mark_m3


def _time(text: str, field: str) -> Quantity:
    """A length of time: "60 s", "1.5 min", "a minute", or "1:30" as a watch shows it."""
    if ":" in text:
        return Quantity(_clock(text, field), None, "s", text)
    return parse_quantity(re.sub(r"^(an?|one)\s+", "1 ", text.strip(), flags=re.I), "time", field=field)


def _clock(text: str, field: str) -> float:
    """Seconds from "12", "12 s" or "1:02.5" (minutes and seconds; hours before them where there are three parts)."""
    if re.fullmatch(r"((\d+:)?\d+:)?\d+([.,]\d+)?", text.strip()):
        seconds = 0.0
        for part in text.strip().replace(",", ".").split(":"):
            seconds = 60 * seconds + float(part)
        return seconds
    return parse_quantity(text, "time", field=field, example="12 s").value


def _filled(catch: Catch, field: str, text: str) -> Catch:
    if catch.volume.value <= 0 or catch.time.value <= 0:
        raise QuantityError(f"{field}: “{text}” has no water or no time in it", hint=f"write for example {_EXAMPLE}")
    return catch

"""Rules about what changes in the course of one long recording (fault rows 14 to 16, 19, 20)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from clackcount.diagnosis.facts import Facts, clock
from clackcount.diagnosis.rule import Rule, Sign, source
from clackcount.model import Basis, FloatArray, Severity, TrendRow
from clackcount.model.cautions import AIR_VESSEL, ANCHOR, EVERYWHERE, FINGERS, PRESSURE

WINDOWS_MIN = 6
DRIFT_SHARE = 0.04  # of the rate, over the whole of the steady running
DRIFT_SPAN_S = (
    600.0  # a beat wanders to and fro by as much in a minute or two, and 1 in 6 such look like a drift then
)
DRIFT_FIT = 0.7  # share of the scatter that the drift must explain
JUMP_SHARE = 0.08
JUMP_SHARP, JUMP_OVER = 0.3, 0.4  # of the step: how far the rate may differ next to it, and on the whole of a side
JUMP_WINDOWS = 5  # on either side at least: a beat that wanders holds its rate over three of them now and then
JUMP_LASTS_S = 30.0  # a rate that has not held for so long may hop back
LEVEL_DB = 4.0  # slams softer or louder by this much, in one set-up
MASKED = 0.4  # share of that by which background or rush must change for them to be the likelier reason
LISTEN_S = 10.0


@dataclass(frozen=True, slots=True)
class _Drift:
    """A straight line through the windows from start_s to end_s. fit: share of the variance it explains."""

    start_s: float
    end_s: float
    first: float
    last: float
    fit: float

    @property
    def listen_at_s(self) -> tuple[float, float]:
        return self.start_s, max(self.start_s, self.end_s - LISTEN_S)


def _drift(windows: Sequence[TrendRow], values: Sequence[float | None]) -> _Drift | None:
    """Of the values measured in these windows; None for fewer than WINDOWS_MIN."""
    known = [(row, value) for row, value in zip(windows, values, strict=True) if value is not None]
    if len(known) < WINDOWS_MIN:
        return None
    at_s = np.array([(row.start_s + row.end_s) / 2 for row, _ in known])
    value = np.array([value for _, value in known], dtype=np.float64)
    slope, first = np.polyfit(at_s - at_s[0], value, 1)
    line = first + slope * (at_s - at_s[0])
    whole = float(np.var(value))
    fit = 1 - float(np.var(value - line)) / whole if whole > 0 else 0.0
    return _Drift(known[0][0].start_s, known[-1][0].end_s, float(first), float(line[-1]), fit)


# --- the rate ----------------------------------------------------------------------------------------------------


def _rate_drift(facts: Facts) -> _Drift | None:
    """A steady drift by more than DRIFT_SHARE, over all runs together or else in one of them, the longest first."""
    if _rate_jump(facts) is not None:
        return None
    together = tuple(row for run in facts.windows for row in run)
    for windows in (together, *sorted(facts.windows, key=len, reverse=True)):
        drift = _drift(windows, [row.rate_per_min for row in windows])
        if (
            drift is not None
            and drift.end_s - drift.start_s >= DRIFT_SPAN_S
            and drift.fit >= DRIFT_FIT
            and drift.first > 0
            and abs(drift.last / drift.first - 1) >= DRIFT_SHARE
        ):
            return drift
    return None


def _slowing(facts: Facts) -> Sign | None:
    drift = _rate_drift(facts)
    return _drift_sign(drift) if drift and drift.last < drift.first else None


def _quickening(facts: Facts) -> Sign | None:
    drift = _rate_drift(facts)
    if drift is None or drift.last < drift.first:
        return None
    sign = _drift_sign(drift)
    if facts.start is None:
        return sign
    words = f"{sign.evidence} After the start that is heard the delivery line may be filling, and then it does."
    return replace(sign, evidence=words, severity=Severity.INFO)


def _drift_sign(drift: _Drift) -> Sign:
    return Sign(
        f"From {drift.first:.1f} to {drift.last:.1f} beats a minute ({100 * (drift.last / drift.first - 1):+.0f} %) "
        f"between {clock(drift.start_s)} and {clock(drift.end_s)}.",
        min(0.95, drift.fit),
        drift.listen_at_s,
    )


def _rate_jump(facts: Facts) -> Sign | None:
    """The rate stepped to another level, once, and stayed there."""
    if facts.hops is not None:
        if len(facts.hops.time_s) != 1 or min(facts.hops.before_s, facts.hops.after_s) < JUMP_LASTS_S:
            return None
        return _jump_sign(*facts.hops.rates_per_min, facts.hops.time_s[0])
    steps = [step for windows in facts.windows if (step := _step(windows)) is not None]
    return _jump_sign(*max(steps, key=lambda step: abs(np.log(step[1] / step[0])))) if steps else None


def _jump_sign(before: float, after: float, when_s: float) -> Sign:
    words = f"From {before:.1f} to {after:.1f} beats a minute at {clock(when_s)}."
    return Sign(words, 0.8, (max(0.0, when_s - LISTEN_S),))


def _step(windows: Sequence[TrendRow]) -> tuple[float, float, float] | None:
    """(rate before, rate after, when) of a step in one run that is sharp, and larger than the rate wanders else."""
    rates = np.array([row.rate_per_min for row in windows], dtype=np.float64)
    best, found = JUMP_SHARE, None
    for straddles, at in product(
        (0, 1), range(JUMP_WINDOWS, len(rates) - JUMP_WINDOWS + 1)
    ):  # it may lie within a window
        before, after = rates[:at], rates[at + straddles :]
        if len(after) < JUMP_WINDOWS:
            continue
        step = abs(float(np.median(after[:3])) - float(np.median(before[-3:])))
        lasting = abs(float(np.median(after)) - float(np.median(before)))
        sharp = max(np.ptp(before[-3:]), np.ptp(after[:3])) < JUMP_SHARP * step
        stays = max(_range(before), _range(after)) < JUMP_OVER * lasting
        share = min(step, lasting) / float(np.median(before))
        if sharp and stays and share > best:
            best, found = share, (float(np.median(before)), float(np.median(after)), windows[at].start_s)
    return found


def _range(values: FloatArray) -> float:
    """How far apart the lowest and the highest tenth of values (n,) are."""
    low, high = np.percentile(values, [10, 90])
    return float(high - low)


# --- how loud ----------------------------------------------------------------------------------------------------


def _level_sign(facts: Facts, way: int) -> Sign | None:
    """The slams' strength rose (way 1) or fell (way -1) steadily by more than LEVEL_DB in one run.

    Not where the noise around the pump tells it as well, nor within a few minutes, in which talk and weather change.
    """
    for windows in sorted(facts.windows, key=len, reverse=True):
        drift = _drift(windows, [row.strength_db for row in windows])
        if drift is None or drift.fit < DRIFT_FIT or drift.end_s - drift.start_s < DRIFT_SPAN_S:
            continue
        change_db = way * (drift.last - drift.first)
        if change_db < LEVEL_DB or _masked(facts, windows, way, MASKED * change_db):
            continue
        words = (
            f"The slams stand {change_db:.0f} dB {'more' if way > 0 else 'less'} over the background at "
            f"{clock(drift.end_s)} than at {clock(drift.start_s)}."
        )
        return Sign(words, min(0.6, drift.fit - 0.1), drift.listen_at_s)
    return None


def _masked(facts: Facts, windows: Sequence[TrendRow], way: int, least_db: float) -> bool:
    """Whether rain, wind, water or the phone's place explain the change: background or rush changed as much."""
    noise = _drift(windows, [facts.background_db(row) for row in windows])
    rush = _drift(windows, [row.rush_db for row in windows])
    return (noise is not None and -way * (noise.last - noise.first) > least_db) or (
        rush is not None and way * (rush.last - rush.first) > least_db
    )


def _softer(facts: Facts) -> Sign | None:
    return _level_sign(facts, -1)


def _louder(facts: Facts) -> Sign | None:
    return _level_sign(facts, 1)


RULES = (
    Rule(
        code="rate-jump",
        severity=Severity.ACT,
        title="The rate jumped",
        means=(
            "A step from one rate to another that stays: something was changed, came loose or gave way. Seldom a "
            "pump has two ways to run at one setting."
        ),
        next="Stop and look: weight, nut and spring of the valve, then the drive pipe and the delivery line.",
        basis=Basis.COMMON_PRACTICE,
        source=source("lore"),
        looks=_rate_jump,
        causes=("somebody changed a setting or a tap", "part broken or weight lost", "delivery line burst or opened"),
        checks=(
            "source level: did the supply change?",
            "valve: weight, nut, spring, rubber",
            "delivery valve: opened or shut?",
            "delivery pipe: burst?",
        ),
        question="Did anybody change a setting or a tap then?",
        cautions=EVERYWHERE,
    ),
    Rule(
        code="slowing",
        severity=Severity.WATCH,
        title="The beat is slowing down",
        means=(
            "With nothing changed at the valve, a slower beat mostly means less head or more friction in the "
            "drive line."
        ),
        next="Look at the level over the intake and clear the strainer.",
        basis=Basis.COMMON_PRACTICE,
        source=source("lore", "malawi"),
        looks=_slowing,
        causes=("source level falling", "strainer fouling", "valve rubber swelling, scale", "weight or stroke grown"),
        checks=("source level", "strainer", "valve: rubber, scale, stroke"),
        question="Has the level at the source fallen?",
        cautions=EVERYWHERE,
        yields_to=("starved", "rate-jump"),
    ),
    Rule(
        code="quickening",
        severity=Severity.WATCH,
        title="The beat is quickening",
        means=(
            "With nothing changed on purpose, a quicker beat means a shorter stroke, a lighter valve, or more head."
        ),
        next="Mark the nut on the valve stem and look whether it turns; note the level at the source.",
        basis=Basis.COMMON_PRACTICE,
        source=source("lore", "malawi"),
        looks=_quickening,
        causes=(
            "nut or weight working loose, stroke shortening",
            "source rising",
            "delivery line filling after a start",
        ),
        checks=("source level", "valve: nut, weight, stroke", "delivery pipe: was it filling?"),
        question="Has the level at the source risen, or was the delivery line filling?",
        cautions=EVERYWHERE,
        yields_to=("rate-jump",),
    ),
    Rule(
        code="softer-slams",
        severity=Severity.WATCH,
        title="The slams grow softer",
        means=(
            "Air takes the hammer out of the water: one part of bubbles in ten thousand halves the speed of its "
            "wave. A worn seat or a valve that no longer shuts tight dulls the slam as well."
        ),
        next="Look whether the intake is well under water and for bubbles at the waste valve; bleed the drive pipe.",
        basis=Basis.PUBLISHED,
        source=source("pearsall", "article"),
        looks=_softer,
        causes=(
            "air in the drive pipe",
            "worn seat rubber, or dirt on the seat: the valve shuts but dribbles",
            "the phone moved, or something came before it",
        ),
        checks=(
            "source level: is the intake well under water?",
            "air: bleed the drive pipe, feel its joints",
            "valve: rubber, dirt, dribbling while it is shut",
        ),
        question="Did the phone stay where it was? Do the slams sound dull, does the valve dribble while it is shut?",
        cautions=EVERYWHERE,
        yields_to=("starved",),
    ),
    Rule(
        code="louder-slams",
        severity=Severity.WATCH,
        title="The slams grow louder",
        means=(
            "Harder, metallic blows with jumping pipes can mean that the air vessel has filled with water: the "
            "snifter is blocked, or the bladder leaks."
        ),
        next=(
            "Feel the delivery pipe: strong pulses there speak for a vessel without air. Then drain it and "
            "refill with air."
        ),
        basis=Basis.PUBLISHED,
        source=source("clemson"),
        looks=_louder,
        causes=(
            "air vessel without air: snifter blocked, bladder leaking",
            "the phone moved, or something before it was taken away",
        ),
        checks=("air vessel: tap it, feel the pulses at the outlet; is its snifter clear?",),
        question="Did the phone stay where it was? Do the pipes jump, and does the delivery come in pulses?",
        cautions=(FINGERS, PRESSURE, AIR_VESSEL, ANCHOR),
    ),
)

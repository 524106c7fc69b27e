"""Rules about what changes in the course of one long recording (fault rows 14 to 16, 19, 20)."""

from __future__ import annotations

import numpy as np

from clackcount.diagnosis.cautions import AIR_VESSEL, AT_THE_INTAKE, AT_THE_VALVE, EVERYWHERE, PRESSURE
from clackcount.diagnosis.facts import Facts, clock
from clackcount.diagnosis.rule import Rule, Sign, source
from clackcount.model import Basis, FloatArray, Pattern, Severity

WINDOWS_MIN = 6
DRIFT_SHARE = 0.04  # of the rate, over the whole of the steady running
DRIFT_SPAN_S = (
    600.0  # a beat wanders to and fro by as much in a minute or two, and 1 in 6 such look like a drift then
)
DRIFT_FIT = 0.7  # share of the scatter that the drift must explain
JUMP_SHARE = 0.08
LEVEL_DB = 4.0  # slams softer or louder by this much, in one set-up


def _rate_drift(facts: Facts) -> tuple[float, float, float] | None:
    """(rate at the start, at the end, confidence) of a steady drift by more than DRIFT_SHARE, else None."""
    if len(facts.windows) < WINDOWS_MIN or _jump_at(facts) is not None:
        return None
    if facts.windows[-1].end_s - facts.windows[0].start_s < DRIFT_SPAN_S:
        return None
    slope, intercept, fit = _line(facts.rates)
    first, last = intercept, intercept + slope * (len(facts.rates) - 1)
    if first <= 0 or abs(last / first - 1) < DRIFT_SHARE or fit < DRIFT_FIT:
        return None
    return first, last, min(0.95, fit)


def _slowing(facts: Facts) -> Sign | None:
    drift = _rate_drift(facts)
    return _drift_sign(facts, drift) if drift and drift[1] < drift[0] else None


def _quickening(facts: Facts) -> Sign | None:
    drift = _rate_drift(facts)
    return _drift_sign(facts, drift) if drift and drift[1] > drift[0] else None


def _drift_sign(facts: Facts, drift: tuple[float, float, float]) -> Sign:
    start_s, end_s = facts.windows[0].start_s, facts.windows[-1].end_s
    return Sign(
        f"From {drift[0]:.1f} to {drift[1]:.1f} beats a minute ({100 * (drift[1] / drift[0] - 1):+.0f} %) between "
        f"{clock(start_s)} and {clock(end_s)}.",
        drift[2],
        (start_s, end_s),
    )


def _jump_at(facts: Facts) -> int | None:
    """The window at which the rate stepped to another level and stayed there."""
    rates = facts.rates
    if len(rates) < WINDOWS_MIN or (facts.beat and facts.beat.regularity.pattern is Pattern.HOPPING):
        return None
    best, at = 0.0, None
    for i in range(3, len(rates) - 2):
        before, after = rates[i - 3 : i], rates[i : i + 3]
        step = abs(float(np.median(after) / np.median(before)) - 1)
        spread = max(float(np.ptp(before) / np.median(before)), float(np.ptp(after) / np.median(after)))
        if step > JUMP_SHARE and spread < 0.3 * step and step > best:
            best, at = step, i
    return at


def _rate_jump(facts: Facts) -> Sign | None:
    at = _jump_at(facts)
    if at is None:
        return None
    before, after = (float(np.median(part)) for part in (facts.rates[:at], facts.rates[at:]))
    when_s = facts.windows[at].start_s
    return Sign(f"From {before:.1f} to {after:.1f} beats a minute at {clock(when_s)}.", 0.8, (max(0.0, when_s - 10),))


def _level_drift_db(facts: Facts) -> tuple[float, float] | None:
    """(change of the slams' strength over the recording in dB, confidence) where it is steady, else None."""
    level_db = np.array([row.strength_db for row in facts.windows if row.strength_db is not None], dtype=np.float64)
    if len(level_db) < WINDOWS_MIN:
        return None
    slope, _, fit = _line(level_db)
    change_db = slope * (len(level_db) - 1)
    if abs(change_db) < LEVEL_DB or fit < DRIFT_FIT:
        return None
    return float(change_db), min(0.7, fit)


def _softer(facts: Facts) -> Sign | None:
    drift = _level_drift_db(facts)
    if drift is None or drift[0] > 0:
        return None
    words = f"The slams stand {-drift[0]:.0f} dB less over the background than at the start."
    return Sign(words, drift[1] - 0.1, severity=_of_level(facts))


def _louder(facts: Facts) -> Sign | None:
    drift = _level_drift_db(facts)
    if drift is None or drift[0] < 0:
        return None
    words = f"The slams stand {drift[0]:.0f} dB more over the background than at the start."
    return Sign(words, drift[1] - 0.2, severity=_of_level(facts))


def _of_level(facts: Facts) -> Severity | None:
    """Within a few minutes it is mostly the talk or the weather that changes, not the pump."""
    return Severity.INFO if facts.windows[-1].end_s - facts.windows[0].start_s < DRIFT_SPAN_S else None


def _line(values: FloatArray) -> tuple[float, float, float]:
    """(slope per step, intercept, share of the variance explained) of a straight line through values (n,)."""
    at = np.arange(len(values), dtype=np.float64)
    slope, intercept = np.polyfit(at, values, 1)
    left = float(np.var(values - slope * at - intercept))
    whole = float(np.var(values))
    return float(slope), float(intercept), 1 - left / whole if whole > 0 else 0.0


RULES = (
    Rule(
        code="rate-jump",
        severity=Severity.ACT,
        title="The rate jumped",
        means="A step from one rate to another that stays: something gave way, came loose or was changed.",
        next="Stop and look: weight, nut and spring of the valve, then the drive pipe and the delivery line.",
        basis=Basis.COMMON_PRACTICE,
        source=source("lore"),
        looks=_rate_jump,
        causes=("somebody changed the setting", "part broken or weight lost", "delivery line burst or opened"),
        checks=("valve: weight, nut, spring, rubber", "delivery valve", "delivery pipe: burst?"),
        question="Did anybody change a setting or a tap then?",
        cautions=AT_THE_VALVE,
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
        checks=("source level", "strainer", "valve: rubber, stroke"),
        question="Has the level at the source fallen?",
        cautions=AT_THE_INTAKE,
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
        checks=("source level", "valve: nut, weight, stroke"),
        question="Has the level at the source risen, or was the delivery line filling?",
        cautions=AT_THE_VALVE,
        yields_to=("rate-jump",),
    ),
    Rule(
        code="softer-slams",
        severity=Severity.WATCH,
        title="The slams grow softer",
        means=(
            "A dull slam can come from air in the drive pipe, a worn seat or a leaking valve; or the background rose."
        ),
        next="Look for bubbles at the waste valve; bleed the drive pipe.",
        basis=Basis.PUBLISHED,
        source=source("pearsall", "article"),
        looks=_softer,
        causes=(
            "the phone moved, or other noise rose",
            "air in the drive pipe",
            "worn seat rubber",
            "waste valve leaks",
        ),
        checks=("source level over the intake", "air: bleed", "valve: rubber, leak while shut"),
        question="Did the phone stay where it was, and did rain or wind come up?",
        cautions=EVERYWHERE,
        yields_to=("starved",),
    ),
    Rule(
        code="louder-slams",
        severity=Severity.WATCH,
        title="The slams grow louder",
        means=(
            "Harder blows with jumping pipes can mean that the air vessel has filled with water; or the "
            "background fell."
        ),
        next=(
            "Feel the delivery pipe: strong pulses there speak for a vessel without air. Then drain it and "
            "refill with air."
        ),
        basis=Basis.PUBLISHED,
        source=source("clemson"),
        looks=_louder,
        causes=("the phone moved, or other noise fell", "air vessel without air: snifter blocked, bladder leaking"),
        checks=("air vessel: tap it, feel the pulses at the outlet", "snifter: clear?"),
        question="Do the pipes jump at each slam, and does the delivery come in pulses?",
        cautions=(PRESSURE, AIR_VESSEL),
    ),
)

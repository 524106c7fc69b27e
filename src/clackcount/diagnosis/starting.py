"""Rules about the start (commissioning facts, fault row 9)."""

from __future__ import annotations

from clackcount.diagnosis.facts import Facts, clock
from clackcount.diagnosis.rule import Rule, Sign, source
from clackcount.model import Basis, Severity
from clackcount.model.cautions import EVERYWHERE, FINGERS, PRESSURE

MANY_STROKES = 25  # 10 to 20 in the first minutes are not abnormal (handbook lore)


def _many_strokes(facts: Facts) -> Sign | None:
    if facts.start is None or facts.start[1].hand_strokes < MANY_STROKES:
        return None
    own_s, start = facts.start
    attempts = f" in {start.failed_attempts + 1} attempts" if start.failed_attempts else ""
    return Sign(f"{start.hand_strokes} pushes{attempts} before it ran by itself at {clock(own_s)}.", 0.8, (own_s,))


def _settling(facts: Facts) -> Sign | None:
    if facts.start is None or facts.start[1].settled_from_s is not None:
        return None
    own_s = facts.start[0]
    words = f"It runs by itself from {clock(own_s)}; the rate had not settled when the run or the recording ended."
    return Sign(words, 0.9, (own_s,))


def _first_fill(facts: Facts) -> Sign | None:
    if facts.start is None:
        return None
    own_s, start = facts.start
    settled = "" if start.settled_from_s is None else f"; its rate is steady from {clock(start.settled_from_s)}"
    return Sign(f"Pushed by hand, it runs by itself from {clock(own_s)}{settled}.", 0.9, (own_s,))


RULES = (
    Rule(
        code="many-strokes",
        severity=Severity.WATCH,
        title="Took many pushes to start",
        means="Three or four pushes often do; ten or twenty while air leaves the pipes are not unusual.",
        next=(
            "Next time let water run through the open valve until no bubbles come, and shut or throttle the delivery "
            "first."
        ),
        basis=Basis.PUBLISHED,
        source=source("article", "clemson", "lore"),
        looks=_many_strokes,
        causes=("air in the drive pipe", "delivery open on an empty line", "valve too light, or stem not free"),
        checks=(
            "source level: is the intake well under water?",
            "air: bleed longer",
            "valve: travel and dirt",
            "delivery valve: shut or throttled at the start",
        ),
        question="Was the drive pipe full, and the delivery shut or throttled, when you began?",
        cautions=EVERYWHERE,
    ),
    Rule(
        code="still-settling",
        severity=Severity.INFO,
        title="The rate was still settling",
        means="After a start the beat changes for a while; a catch taken then measures the start, not the pump.",
        next="Wait with a timed catch until the rate holds; record a few minutes more.",
        basis=Basis.COMMON_PRACTICE,
        source="",
        looks=_settling,
        cautions=(FINGERS,),
    ),
    Rule(
        code="first-fill",
        severity=Severity.INFO,
        title="A start is heard: is the delivery line full?",
        means=(
            "While an empty delivery line fills, the back pressure grows and the beat changes for minutes to hours "
            "(some quarter of an hour for a long hose on a half-inch ram). Until then a catch measures the filling."
        ),
        next=(
            "Wait until water has come out steadily at the tank for some minutes; only then trust rate and catch, "
            "and record again."
        ),
        basis=Basis.COMMON_PRACTICE,
        source=source("clemson", "article"),
        looks=_first_fill,
        question="Was the delivery line full before this start?",
        cautions=(FINGERS, PRESSURE),
    ),
)

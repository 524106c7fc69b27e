"""Rules about the start (commissioning facts, fault row 9)."""

from __future__ import annotations

from clackcount.diagnosis.cautions import AIR_VESSEL, AT_THE_VALVE, FINGERS
from clackcount.diagnosis.facts import Facts, clock
from clackcount.diagnosis.rule import Rule, Sign, source
from clackcount.model import Basis, Severity

MANY_STROKES = 25  # 10 to 20 in the first minutes are not abnormal (handbook lore)


def _many_strokes(facts: Facts) -> Sign | None:
    startup = facts.running.startup
    if startup is None or startup.self_cycling_from_s is None or startup.hand_strokes < MANY_STROKES:
        return None
    attempts = f", {startup.failed_attempts} failed attempts" if startup.failed_attempts else ""
    return Sign(
        f"{startup.hand_strokes} hand strokes{attempts} before it ran by itself at "
        f"{clock(startup.self_cycling_from_s)}.",
        0.8,
        (startup.self_cycling_from_s,),
    )


def _settling(facts: Facts) -> Sign | None:
    startup = facts.running.startup
    if startup is None or startup.self_cycling_from_s is None or startup.settled_from_s is not None:
        return None
    return Sign(
        f"It runs by itself from {clock(startup.self_cycling_from_s)}; the rate had not settled when the run or the "
        "recording ended.",
        0.7,
        (startup.self_cycling_from_s,),
    )


def _first_fill(facts: Facts) -> Sign | None:
    startup = facts.running.startup
    if startup is None or startup.self_cycling_from_s is None:
        return None
    settled = ""
    if startup.settled_from_s is not None:
        settled = f" and its rate is steady from {clock(startup.settled_from_s)}"
    return Sign(f"A start is heard: it runs by itself from {clock(startup.self_cycling_from_s)}{settled}.", 0.6)


RULES = (
    Rule(
        code="many-strokes",
        severity=Severity.WATCH,
        title="Took many hand strokes to start",
        means="Three or four pushes often do; ten or twenty while air leaves the pipes are not unusual.",
        next="Next time let water run through the open valve until no bubbles come, and throttle the delivery first.",
        basis=Basis.PUBLISHED,
        source=source("article", "clemson", "lore"),
        looks=_many_strokes,
        causes=("air in the drive pipe", "delivery open on an empty line", "valve too light, or stem not free"),
        checks=("air: bleed longer", "valve: travel and dirt", "delivery valve: shut at the start"),
        cautions=AT_THE_VALVE,
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
        title="Just started: is the delivery line full?",
        means=(
            "While an empty delivery line fills, the back pressure grows and the beat changes for minutes to hours "
            "(about a quarter of an hour for a long hose on a half-inch ram). Do not trust rate and catch yet."
        ),
        next="Wait until water has come out at the tank steadily for some minutes, then catch and record again.",
        basis=Basis.COMMON_PRACTICE,
        source=source("clemson", "article"),
        looks=_first_fill,
        question="Was the delivery line full before this start?",
        cautions=(FINGERS, AIR_VESSEL),
        yields_to=("will-not-run",),
    ),
)

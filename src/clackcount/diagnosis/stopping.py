"""Rules about a pump that stopped, and one that stands still all along (fault rows 1 to 9)."""

from __future__ import annotations

from collections.abc import Callable

from clackcount.diagnosis.facts import Facts, clock, times
from clackcount.diagnosis.rule import Rule, Sign, source
from clackcount.model import Basis, Cause, Severity, State, Stop
from clackcount.model.cautions import BESIDE_IT, EVERYWHERE

AGAIN = 2  # stops in one recording that are no accident any more
FAINT = 0.6  # rushing or quiet heard with less than this is not told as heard


def _stopped(cause: Cause, told: str) -> Callable[[Facts], Sign | None]:
    def looks(facts: Facts) -> Sign | None:
        stops = facts.stops(cause)
        if not stops:
            return None
        again = sum(facts.stood(stop) for stop in stops) >= AGAIN
        severity = Severity.ACT if again or facts.last_stop in stops else Severity.WATCH
        return Sign(
            _evidence(stops, told), max(s.confidence for s in stops), tuple(s.time_s for s in stops), severity
        )

    return looks


def _evidence(stops: tuple[Stop, ...], told: str) -> str:
    words = f"Stopped at {times([stop.time_s for stop in stops])}; {told}."
    last = next((stop for stop in reversed(stops) if stop.before), None)
    if last is not None:
        words += f" Before {'it' if len(stops) == 1 else clock(last.time_s)}: {', '.join(last.before)}."
    restarts = [stop.restarted_s for stop in stops if stop.restarted_s is not None]
    return words + (f" Ran again from {times(restarts)}." if restarts else "")


def _again(facts: Facts) -> Sign | None:
    stops = [stop for stop in facts.running.stops if facts.stood(stop)]
    if len(stops) < AGAIN:
        return None
    runs_s = [run.end_s - run.start_s for run in facts.runs if run.end_s < facts.info.duration_s]
    evidence = f"{len(stops)} stops in {clock(facts.info.duration_s)}, at {times([s.time_s for s in stops])}"
    if runs_s:
        evidence += f"; the longest run before a stop was {clock(max(runs_s))}"
    return Sign(evidence + ".", min(0.95, max(s.confidence for s in stops) + 0.1), tuple(s.time_s for s in stops))


def _will_not_run(facts: Facts) -> Sign | None:
    startup = facts.running.startup
    if startup is None or startup.self_cycling_from_s is not None or startup.hand_strokes < 3 or facts.runs:
        return None
    evidence = f"{startup.hand_strokes} pushes, and it never ran by itself"
    if startup.failed_attempts > 1:
        evidence += f" ({startup.failed_attempts} attempts)"
    hand = facts.stretches(State.HAND)
    return Sign(evidence + ".", 0.8, tuple(stretch.start_s for stretch in hand[:3]))


def _silent(facts: Facts) -> Sign | None:
    if facts.beats.pumps or facts.runs or facts.stretches(State.HAND):
        return None
    return Sign(f"No slam of a waste valve in {clock(facts.info.duration_s)} of sound.", 0.5)


def _unclear(facts: Facts) -> Sign | None:
    unsure_s = sum(stretch.end_s - stretch.start_s for stretch in facts.unsure(FAINT))
    if unsure_s < 3 or not (facts.runs or facts.stretches(State.HAND)):
        return None
    where_s = tuple(stretch.start_s for stretch in facts.unsure(FAINT))
    words = f"For {unsure_s:.0f} s without a beat the sound does not tell whether water ran through the waste valve."
    return Sign(words, 0.9, where_s[:5])


RULES = (
    Rule(
        code="stopped-open",
        severity=Severity.ACT,
        title="Stopped with the waste valve open, water running through it",
        means="The slams end but the rush of water goes on: the flow no longer gets fast enough to shut the valve.",
        next=(
            "Look at the water level over the intake and clear the strainer; then look for dirt that holds the "
            "valve open."
        ),
        basis=Basis.PUBLISHED,
        source=source("article", "lore"),
        looks=_stopped(Cause.OPEN_STALL, "water kept rushing after the last slam"),
        causes=(
            "a leaf, twig or grit holds the waste valve open",
            "too little supply: low source, strainer or drive pipe partly blocked",
            "air drawn in at the intake, or a drive pipe that is not full",
            "valve too heavy, spring too strong or valve stroke too long for this flow",
        ),
        checks=(
            "source level: is the intake well under water?",
            "strainer: clear it",
            "air: hold the valve shut until no bubbles rise at the source",
            "valve: free of dirt, stem free; then less weight, spring or stroke",
        ),
        question="How high does the water stand over the intake?",
        cautions=EVERYWHERE,
    ),
    Rule(
        code="stopped-shut",
        severity=Severity.ACT,
        title="Stopped with the waste valve shut",
        means="The slams end and the rush ends with them: the recoil no longer lets the valve fall open.",
        next=(
            "See that the supply is still on, then push the valve open with a stick. If it slams and stays shut "
            "again, throttle the delivery valve and retry."
        ),
        basis=Basis.PUBLISHED,
        source=source("clemson", "field", "cornell", "lore"),
        looks=_stopped(Cause.SHUT_STALL, "no water was heard after the last slam"),
        causes=(
            "too little back pressure: delivery line empty, leaking, or opened too fast",
            "waste valve stuck (grit, bent stem, swollen rubber), or its weight too small to fall against the head",
            "delivery valve leaks or hangs open and holds the waste valve shut",
            "the supply was shut or ran dry all at once: then the waste valve hangs open and no water runs",
        ),
        checks=(
            "source level: is there water, and is the supply still on?",
            "valve: push it with a stick; does it move freely, does it dribble while shut (dirt on its seat)?",
            "delivery valve: shut the stop valve at the ram; does the pressure in the body drop?",
            "delivery pipe: full, and no leak?",
        ),
        question="Was the delivery opened, or the supply shut, just before?",
        cautions=EVERYWHERE,
    ),
    Rule(
        code="starved",
        severity=Severity.ACT,
        title="Ran out of water",
        means="The beat grew slower, uneven or soft over the last half minute and then ended: the supply gave out.",
        next="Go to the source: water level over the intake, strainer, air at the intake or in the drive pipe.",
        basis=Basis.PUBLISHED,
        source=source("article", "cornell", "clemson"),
        looks=_stopped(Cause.STARVED, "the beat faded away"),
        causes=(
            "source too low for what the pump uses",
            "strainer or drive pipe partly blocked",
            "intake draws air",
            "valve stroke too long or weight too high: the pump takes more than the source gives",
        ),
        checks=(
            "source level over some hours, also at night",
            "strainer",
            "air: gurgling at the intake, bubbles at the waste valve",
            "valve: a shorter stroke or less weight uses less water",
        ),
        question="Does the water at the intake drop while the pump runs?",
        cautions=EVERYWHERE,
    ),
    Rule(
        code="stopped",
        severity=Severity.ACT,
        title="Stopped; the sound does not tell why",
        means="The slams end, and the rush cannot be told from the background.",
        next="Go and look: is the waste valve open or shut, and does water run out of it?",
        basis=Basis.INFERENCE,
        source="",
        looks=_stopped(Cause.UNKNOWN, "what followed could not be heard clearly"),
        causes=("valve held open, or too little supply", "valve stuck shut, or too little back pressure"),
        checks=(
            "valve open and water running: source level, strainer, air, dirt under the valve",
            "valve shut: push it with a stick, then delivery valve and delivery pipe",
        ),
        question="Is the waste valve open or shut, and does water run out of it?",
        cautions=EVERYWHERE,
    ),
    Rule(
        code="stops-again",
        severity=Severity.ACT,
        title="Stops again and again",
        means="Now and then a restart is normal; several stops in one recording are not.",
        next="Steady the supply first: level over the intake, strainer, air. Then back pressure, then tuning.",
        basis=Basis.PUBLISHED,
        source=source("cornell", "clemson", "article"),
        looks=_again,
        causes=(
            "supply unsteady or too small",
            "air in the drive pipe",
            "too little back pressure (under about 7 m of water)",
            "valve stroke or weight wrong, worn or dirty valve",
        ),
        checks=(
            "source level: watch it through a run",
            "strainer",
            "air: bleed with the valve held shut",
            "valve travel, dirt and wear",
            "delivery valve: throttle it and see whether it then runs on",
        ),
        question="Did somebody stop it on purpose? Does the source run lower at night?",
        cautions=EVERYWHERE,
    ),
    Rule(
        code="will-not-run",
        severity=Severity.ACT,
        title="Pushed by hand, but does not run by itself",
        means="The valve slams when it is pushed, but the recoil does not open it again.",
        next=(
            "Shut or throttle the delivery valve, bleed the drive pipe, and push on: ten or twenty pushes are "
            "not unusual."
        ),
        basis=Basis.PUBLISHED,
        source=source("article", "clemson", "field"),
        looks=_will_not_run,
        causes=(
            "too little back pressure: delivery open while its line is empty",
            "air in the drive pipe",
            "weight or spring too light to open against the static head, or stroke too short",
            "supply too small to shut the valve briskly",
        ),
        checks=(
            "source level",
            "strainer",
            "air: let water run through the open valve until no bubbles come",
            "valve: weight, stroke, free stem",
            "delivery valve: shut it, start, then open slowly",
        ),
        question="Was the delivery valve shut or throttled while you pushed?",
        cautions=EVERYWHERE,
    ),
    Rule(
        code="silent",
        severity=Severity.INFO,
        title="No ram heard",
        means=(
            "No beat of a waste valve was found. That may be the pump, or the place and the direction of the phone. "
            "Pushes by hand are not known for what they are where it never runs by itself."
        ),
        next=(
            "If the pump stands still: see whether its waste valve is open or shut. If it was pushed and did not run "
            "on: see clackcount explain will-not-run. If it runs: record nearer to it."
        ),
        basis=Basis.INFERENCE,
        source="",
        looks=_silent,
        causes=("the pump stands, or was only pushed", "too far away, or too much other noise"),
        checks=(
            "valve open and water running: source level, strainer, air, dirt under the valve",
            "valve open, no water: source dry, supply shut or intake blocked; walk the line",
            "valve shut: push it with a stick, then delivery valve and back pressure",
        ),
        question="Does the pump run? If not: is the waste valve open or shut, and does water run out of it?",
        cautions=EVERYWHERE,
    ),
    Rule(
        code="flow-unclear",
        severity=Severity.INFO,
        title="Rushing and quiet could not be told apart",
        means="The rush of this pump does not stand out of the background, so the states without a beat are guesses.",
        next=(
            "Record within a metre or two of the waste valve, away from other falling water, with some beats "
            "before a stop."
        ),
        basis=Basis.INFERENCE,
        source="",
        looks=_unclear,
        question="While it did not beat: did water run out of the waste valve?",
        cautions=BESIDE_IT,
    ),
)

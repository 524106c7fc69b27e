"""A recording's result as labelled, rounded words, made once for every renderer. Pure; no layout, no colour."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePath

from clackcount import document
from clackcount.errors import one_line
from clackcount.model import (
    Beat,
    Cause,
    Finding,
    Listening,
    Pattern,
    RecordingInfo,
    Severity,
    Startup,
    State,
    Stop,
    Stretch,
)
from clackcount.report.trend import TrendLine, over_time
from clackcount.report.words import UNSURE, count, doubtful, how_sure, per_cent, plus_minus
from clackcount.units import clock

STORY_LINES = 14  # more than a person reads beside a creek; the rest is in --json


@dataclass(frozen=True, slots=True)
class Fact:
    """A labelled value."""

    label: str
    value: str


@dataclass(frozen=True, slots=True)
class Event:
    """A moment of the story. at: mm:ss, or "" for a remark between moments. time_s: the same moment as a number.

    minor: what goes first where the story is too long: a spell of pushing, water or quiet.
    """

    at: str
    text: str
    time_s: float | None = None
    minor: bool = False


@dataclass(frozen=True, slots=True)
class Advice:
    """A finding in words. times: where to listen, as mm:ss."""

    code: str
    severity: Severity
    title: str
    evidence: str
    next: str
    question: str
    how_sure: str
    basis: str
    times: tuple[str, ...]
    cautions: tuple[str, ...]
    listen_at_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class View:
    """Everything a renderer prints. name: of the recording; about: length and kind; headline: the answer.

    first: the first finding that sends somebody to the pump; where none does, the first that says what to do next.
    calm: a ram runs, and nothing that was heard calls for a walk to it.
    """

    name: str
    about: str
    headline: str
    facts: tuple[Fact, ...]
    story: tuple[Event, ...]
    trend: tuple[TrendLine, ...]
    first: Advice | None
    others: tuple[Advice, ...]
    doubts: tuple[str, ...]
    calm: bool = False


def of(listening: Listening) -> View:
    """The view of one recording."""
    advice = [_advice(finding) for finding in listening.findings]
    urgent = [index for index, item in enumerate(advice) if item.severity is not Severity.INFO]
    to_do = next(iter(urgent or (index for index, item in enumerate(advice) if item.next)), None)
    first = None if to_do is None else advice.pop(to_do)
    answer = headline(listening)
    return View(
        name=_name(listening.recording.path),
        about=_about(listening.recording),
        headline=answer,
        facts=tuple(_facts(listening)),
        story=_shortened(_story(listening)),
        trend=tuple(over_time(listening)),
        first=first,
        others=tuple(item for item in advice if item.title not in answer),
        doubts=document.doubts(listening),
        calm=_runs_well(listening) and (first is None or first.severity is Severity.INFO),
    )


def _name(path: str) -> str:
    """The recording's name, fit to be printed."""
    return one_line("standard input" if path == "-" else PurePath(path).name or path)


def _runs_well(listening: Listening) -> bool:
    """A ram that is surely one runs, to the end of the recording."""
    pumps = listening.beats.pumps
    return bool(pumps) and pumps[0].confidence >= UNSURE and _how_it_ends(listening)[0] == "runs"


# --- words for nouns ---------------------------------------------------------------------------------------------

_PATTERNS = {
    Pattern.EVEN: "even",
    Pattern.WANDERING: "wanders slowly",
    Pattern.ALTERNATING: "long and short beats by turns",
    Pattern.HOPPING: "hops between two rates",
    Pattern.RAGGED: "ragged",
}

_STATES = {
    State.QUIET: "quiet: no beat, no rush of water",
    State.RUSHING: "water rushes through the open waste valve, no beat",
    State.HAND: "pushed by hand",
    State.SELF: "runs by itself",
}

_IN_DOUBT = {
    State.QUIET: "no beat; whether water rushes cannot be told here",
    State.RUSHING: "no beat; perhaps water rushes through the open waste valve",
}

_CAUSES = {
    Cause.OPEN_STALL: "stops: the waste valve stays open and water keeps rushing",
    Cause.SHUT_STALL: "stops: the waste valve stays shut and the rush ends",
    Cause.STARVED: "stops: starved, the supply gave out",
    Cause.UNKNOWN: "stops; the sound does not tell why",
}


# --- the head --------------------------------------------------------------------------------------------------


def headline(listening: Listening) -> str:
    """The answer in one sentence; no rate where no ram is heard."""
    pumps = listening.beats.pumps
    if not pumps:
        n_slams = len(listening.beats.train)
        if n_slams == 0:
            return "No ram heard in this recording."
        return f"No ram heard running by itself: {count(n_slams, 'single slam')}, no steady beat."
    rate = _rate(pumps[0])
    if pumps[0].confidence < UNSURE:
        return f"Something knocks {rate} times a minute. It may not be a ram."
    n_sure = sum(beat.confidence >= UNSURE for beat in pumps)
    also = f"; {count(n_sure, 'ram')} are heard" if n_sure > 1 else ""
    also += "; perhaps another beats beside it" if n_sure < len(pumps) else ""
    verb, end = _how_it_ends(listening)
    return f"The ram {verb} at {rate} beats a minute{end}{also}."


_STOPPED = {
    Cause.OPEN_STALL: " with the waste valve open",
    Cause.SHUT_STALL: " with the waste valve shut",
    Cause.STARVED: ", starved",
    Cause.UNKNOWN: "",
}


def _how_it_ends(listening: Listening) -> tuple[str, str]:
    """ "runs" while it runs to the end, "ran" where the recording outlives the running; and what is said of stops."""
    timeline = listening.running.timeline if listening.running else ()
    stops = listening.running.stops if listening.running else ()
    ran = bool(timeline) and timeline[-1].state is not State.SELF
    if not stops:
        return "ran" if ran else "runs", ""
    times = "" if len(stops) == 1 else f" {len(stops)} times"
    if not ran:
        return "runs", f"; it stopped{times or ' once'} and runs again"
    last = max(stops, key=lambda stop: stop.time_s)
    how = _STOPPED[last.cause] if last.confidence >= UNSURE else ""
    return "ran", f" and stopped{times}{', the last time' if times else ''} at {clock(last.time_s)}{how}"


def rate(listening: Listening) -> str:
    """ "62.4 ± 0.2 beats a minute" of the only ram; "" where none is heard; of several the facts tell."""
    pumps = listening.beats.pumps
    return f"{_rate(pumps[0])} beats a minute" if len(pumps) == 1 else ""


def _rate(beat: Beat) -> str:
    return plus_minus(beat.rate_per_min, *beat.rate_ci95_per_min)


def _about(info: RecordingInfo) -> str:
    kind = info.container if info.codec in ("", info.container) else f"{info.container} ({info.codec})"
    channels = {1: "mono", 2: "stereo"}.get(info.channels, f"{info.channels} channels")
    return f"{clock(info.duration_s)} of sound, {kind}, {info.sample_rate_hz / 1000:g} kHz, {channels}"


def _facts(listening: Listening) -> Iterator[Fact]:
    pumps = listening.beats.pumps
    for beat in pumps:
        label = f"ram {beat.pump}" if len(pumps) > 1 else ""
        if label:
            yield Fact(label, f"{_rate(beat)} beats a minute")
        yield Fact("counted", f"{count(beat.n_cycles, 'beat')} from {clock(beat.start_s)} to {clock(beat.end_s)}")
        yield Fact("the beat", _evenness(beat))
        if beat.open_s is not None and beat.shut_s is not None and beat.confidence >= UNSURE:
            yield Fact("waste valve", f"open {beat.open_s:.2f} s, shut {beat.shut_s:.2f} s of each beat")
        yield Fact("how sure", f"{how_sure(beat.confidence)}, that this is a ram")
    if listening.running and listening.running.startup and listening.running.startup.hand_strokes:
        yield Fact("start-up", _startup_text(listening.running.startup))


def _startup_text(startup: Startup) -> str:
    parts = [count(startup.hand_strokes, "push", "pushes") + " by hand"]
    if startup.failed_attempts:
        parts.append(count(startup.failed_attempts, "failed attempt"))
    if startup.self_cycling_from_s is None:
        parts.append("it did not go on by itself")
    else:
        parts.append("then it ran by itself")  # from when, the story tells
    return ", ".join(parts)


def _evenness(beat: Beat) -> str:
    regularity = beat.regularity
    told = [(regularity.missed, "missed"), (beat.unheard, "not heard")]
    missed = ", ".join(f"{count(n, 'beat')} {how}" for n, how in told if n) or "no beat missed"
    scatter = f"intervals scatter by {per_cent(regularity.cv)}"
    if 0 < regularity.robust_cv < regularity.cv / 2:  # a few stray far, as where two rams cover each other's slams
        scatter = f"most intervals scatter by {per_cent(regularity.robust_cv)}, a few by more"
    return f"{_PATTERNS[regularity.pattern]}; {scatter}; {missed}"


# --- the story -------------------------------------------------------------------------------------------------


def _story(listening: Listening) -> list[Event]:
    """Changes of state, stops, and the moment it has settled, in order of time."""
    running = listening.running
    if running is None:
        return []
    stops = {round(stop.time_s, 3): stop for stop in running.stops}
    ram = not listening.beats.pumps or listening.beats.pumps[0].confidence >= UNSURE
    told: list[tuple[float, Event]] = []
    for stretch in running.timeline:
        stop = stops.pop(round(stretch.start_s, 3), None)
        text = _stretch_text(stretch, ram=ram) if stop is None else _stop_text(stop)
        minor = stop is None and stretch.state is not State.SELF
        told.append((stretch.start_s, Event(clock(stretch.start_s), text, stretch.start_s, minor)))
    told.extend((stop.time_s, Event(clock(stop.time_s), _stop_text(stop), stop.time_s)) for stop in stops.values())
    told.extend(_startup_events(running.startup))
    return [event for _, event in sorted(told, key=lambda item: item[0])]


def _stretch_text(stretch: Stretch, *, ram: bool) -> str:
    if stretch.state is State.SELF and not ram:
        return f"beats by itself, {count(stretch.n_slams, 'knock')}"
    if doubtful(stretch) and stretch.state in _IN_DOUBT:
        return _IN_DOUBT[stretch.state]
    text = _STATES[stretch.state]
    if stretch.state in (State.HAND, State.SELF):
        text += f", {count(stretch.n_slams, 'slam')}"
    return text + (" (not sure)" if doubtful(stretch) else "")


def _stop_text(stop: Stop) -> str:
    text = _CAUSES[stop.cause]
    if stop.cause is not Cause.UNKNOWN:
        text += f" ({how_sure(stop.confidence)})"
    return text + (f"; before it: {', '.join(stop.before)}" if stop.before else "")


def _startup_events(startup: Startup | None) -> Iterator[tuple[float, Event]]:
    if startup is None or startup.settled_from_s is None or not startup.hand_strokes:
        return
    settled_s = startup.settled_from_s
    text = f"steady enough to begin a timed catch, once the delivery line is full{_settling_text(startup)}"
    yield settled_s, Event(clock(settled_s), text, settled_s)


def _settling_text(startup: Startup) -> str:
    """How long the fitted settling took, its band rounded outwards; "" where nothing changed that could be fitted."""
    if startup.settling_time_s is None or startup.settling_time_ci95_s is None:
        return ""
    low_s, high_s = startup.settling_time_ci95_s
    return f"; it settled in {startup.settling_time_s:.0f} s ({math.floor(low_s)} to {math.ceil(high_s)} s)"


def story(listening: Listening, most: int) -> tuple[Event, ...]:
    """The story in at most so many moments."""
    return _shortened(_story(listening), most)


def _shortened(story: list[Event], most: int = STORY_LINES) -> tuple[Event, ...]:
    """The story in at most so many lines and one that says how much is left out.

    Stops and runs stay, with how it ends; where they are too many, those at its beginning and at its end.
    """
    if len(story) <= most:
        return tuple(story)
    kept = [event for event in story[:-1] if not event.minor] + story[-1:]
    if len(kept) <= most:
        return (*kept, _left_out(len(story) - len(kept), "lesser"))
    half = most // 2
    return (*kept[:half], _left_out(len(story) - 2 * half, "more"), *kept[-half:])


def _left_out(n: int, kind: str) -> Event:
    return Event("", f"({count(n, f'{kind} change')} left out: --json has them all)")


# --- advice ----------------------------------------------------------------------------------------------------


def _advice(finding: Finding) -> Advice:
    return Advice(
        code=finding.code,
        severity=finding.severity,
        title=finding.title,
        evidence=document.sentence(finding.evidence),
        next=finding.next,
        question=finding.question,
        how_sure=how_sure(finding.confidence),
        basis=str(finding.basis),
        times=tuple(clock(time_s) for time_s in finding.listen_at_s),
        cautions=finding.cautions,
        listen_at_s=finding.listen_at_s,
    )

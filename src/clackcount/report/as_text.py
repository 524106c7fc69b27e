"""A view as plain text for a person beside the pump: the answer first, no line wider than asked. Pure."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import astuple

from clackcount.model import Severity
from clackcount.report.trend import TREND_COLUMNS, TrendLine
from clackcount.report.view import Advice, Event, Fact, View

Paint = Callable[[str, str], str]  # (text, role) -> text; roles: "strong", "act", "watch", "faint"

WIDTH = 80
TREND_SPARED = ("rush", "strength", "scatter", "missing", "stops")  # where the lines are too short for all, in turn
NARROWEST = 32  # below this the hanging indents leave no room for words

_LIST_MARK = re.compile(r"\s*(?:-\s+|\d+\.\s+)?")

_HEADINGS = {
    Severity.ACT: "First thing to do",
    Severity.WATCH: "First thing to look at",
    Severity.INFO: "What to do next",
}


def no_paint(text: str, role: str) -> str:
    """The text as it is."""
    return text


def render(view: View, *, width: int = WIDTH, paint: Paint = no_paint) -> str:
    """The text of one recording, ending in a line feed. paint colours a finished line by its role."""
    width = max(width, NARROWEST)
    lines = [*_wrapped(f"{view.name}: {view.about}", width, paint=paint, role="faint"), ""]
    lines += _wrapped(view.headline, width, paint=paint, role="strong")
    lines += _facts(view.facts, width)
    if view.story:
        lines += ["", paint("What happened", "strong"), *_story(view.story, width)]
    if view.trend:
        lines += ["", paint("Over time", "strong"), *_trend(view.trend, width)]
    if view.first:
        lines += ["", *_first(view.first, width, paint, calm=view.calm)]
    if view.others:
        lines += ["", paint("Also", "strong"), *_others(view.others, width)]
    if view.doubts:
        lines += ["", paint("What to doubt", "strong"), listed(view.doubts, width).removesuffix("\n")]
    return "\n".join(lines) + "\n"


def fitted(text: str, width: int) -> str:
    """text with its long lines wrapped; what follows a list mark ("  - ", "  1. ") hangs under its first word."""
    lines: list[str] = []
    for line in text.splitlines():
        hang = " " * len(_LIST_MARK.match(line)[0])  # type: ignore[index]  # it matches everything
        lines += _wrapped(line.strip(), width, first=line[: len(line) - len(line.lstrip())], rest=hang) or [""]
    return "\n".join(lines or [""]) + "\n"


def columns(rows: Sequence[tuple[str, str]], width: int) -> str:
    """Pairs in two columns, the second wrapped."""
    return "\n".join(_facts([Fact(*row) for row in rows], max(width, NARROWEST))) + "\n"


def listed(sentences: Iterable[str], width: int) -> str:
    """Sentences as a list, each with its mark."""
    lines = [line for words in sentences for line in _wrapped(words, width, first="  - ", rest="    ")]
    return "\n".join(lines) + "\n"


def row(label: str, value: str, column: int, width: int) -> Iterator[str]:
    """A label and, from column on, its value; one told in two units breaks between them where it is too long."""
    parts = [value]
    if column + len(value) > width:
        first, *others = value.split("  =  ")
        parts = [first, *(f"= {other}" for other in others)]
    for place, part in enumerate(parts):
        before = " " * column
        yield from _wrapped(part, width, first=before if place else label.ljust(column), rest=before)


def _wrapped(
    text: str, width: int, *, first: str = "", rest: str = "", paint: Paint = no_paint, role: str = ""
) -> list[str]:
    """text in lines of at most width; a single longer word (a path) stands on its own line, unbroken."""
    lines = textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False
    )
    return [paint(line, role) for line in lines]


def _facts(facts: Sequence[Fact], width: int) -> Iterator[str]:
    column = max((len(fact.label) for fact in facts), default=0) + 4
    for fact in facts:
        yield from row(f"  {fact.label}", fact.value, column, width)


def _story(story: tuple[Event, ...], width: int) -> Iterator[str]:
    column = max(len(event.at) for event in story)
    for event in story:
        yield from _wrapped(event.text, width, first=f"  {event.at:>{column}}  ", rest=" " * (column + 4))


def _trend(trend: tuple[TrendLine, ...], width: int) -> Iterator[str]:
    columns = [*zip(TREND_COLUMNS, *(astuple(line) for line in trend), strict=True)]
    wide = {column[0]: 2 + max(map(len, column)) for column in columns}
    for spare in TREND_SPARED:
        if sum(wide.values()) > width:
            del wide[spare]
    for cells in zip(*(column for column in columns if column[0] in wide), strict=True):
        yield "".join(cell.rjust(room) for cell, room in zip(cells, wide.values(), strict=True))


def _first(advice: Advice, width: int, paint: Paint, *, calm: bool) -> Iterator[str]:
    yield paint(_HEADINGS[advice.severity], str(advice.severity))
    yield from _wrapped(advice.next, width, first="  ", rest="  ")
    if advice.severity is Severity.INFO:  # nothing to prove, nobody is sent to the pump: short
        about = f"Why: {advice.title} ({advice.how_sure}; more: clackcount explain {advice.code})"
        yield from _wrapped(about, width, first="  ", rest="  ")
        if advice.cautions and not calm:
            yield from _wrapped(f"Caution: {advice.cautions[0]}", width, first="  ", rest="  ")
        return
    why = f"Why: {advice.title}. {advice.evidence}"
    yield from _wrapped(why, width, first="  ", rest="  ")
    if advice.times:
        yield from _wrapped(f"Listen at {', '.join(advice.times)}.", width, first="  ", rest="  ")
    if advice.question:
        yield from _wrapped(f"Ask yourself: {advice.question}", width, first="  ", rest="  ")
    about = f"{advice.how_sure}; basis: {advice.basis}; more: clackcount explain {advice.code}"
    yield from _wrapped(about[0].upper() + about[1:], width, first="  ", rest="  ")
    if advice.cautions:
        yield from _wrapped(f"Caution: {' '.join(advice.cautions)}", width, first="  ", rest="  ")


def _others(others: tuple[Advice, ...], width: int) -> Iterator[str]:
    for advice in others:
        text = f"{advice.title} ({advice.how_sure}; code {advice.code})"
        yield from _wrapped(text, width, first="  - ", rest="    ")

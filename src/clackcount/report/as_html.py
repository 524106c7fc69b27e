"""The report as one HTML page that needs nothing else: words, pictures, and the sound to go with them. Pure."""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

from jinja2 import Environment, StrictUndefined, Template
from matplotlib.figure import Figure

from clackcount.model import Choice, Clip, Listening, Ratio
from clackcount.report import figures, keeping, rates, view, words
from clackcount.report.figures import paper
from clackcount.report.figures.intervals import of_loudest
from clackcount.report.figures.strip import WIDTH_PX, edges
from clackcount.report.profile import Profile
from clackcount.units import clock

NARROW_PX = 328.0  # a phone of 360 without its margins
WIDE_PX = WIDTH_PX
PAIR_PX = 328.0  # of the smaller figures, wherever they stand
MOST_STORY = 24  # rows; a night of stops is read in the strip
_HEADINGS = {"act": "First thing to do", "watch": "First thing to look at", "info": "What to do next"}
_CALM = "Nothing in the sound calls for a walk to the pump."
_TIED = re.compile(
    r"(?<=[\d±=]) (?=[±=%\d]|(?:m?s|min|dB|k?Hz|[cm]?m|m?L|bar|ft|psi|[WJ])\b)"
)  # a space within a figure


@dataclass(frozen=True, slots=True)
class Heard:
    """All that the page tells about one recording.

    clips: its sound, or pieces of it, in order. profile: one beat opened up, where there are enough. digest: SHA-256
    of the file. measured: results of site and catch as (label, value with ±). assumed, notes, cautions: sentences.
    """

    listening: Listening
    clips: tuple[Clip, ...] = ()
    profile: Profile | None = None
    digest: str = ""
    measured: tuple[tuple[str, str], ...] = ()
    assumed: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Player:
    """A clip as the page holds it."""

    start_s: float
    end_s: float
    label: str
    media_type: str
    base64: str


@dataclass(frozen=True, slots=True)
class Trials:
    """What trials show, in words and rows made elsewhere.

    next: what to do now, and why. head, rows: a table, each cell (value, its 95 % band or ""); note stands under it.
    lists: (heading, sentences). ratios, choice: what is drawn, where there is something to draw.
    """

    title: str
    verdict: str
    next: str = ""
    why: tuple[str, ...] = ()
    head: tuple[str, ...] = ()
    rows: tuple[tuple[tuple[str, str], ...], ...] = ()
    note: str = ""
    lists: tuple[tuple[str, tuple[str, ...]], ...] = ()
    cautions: tuple[str, ...] = ()
    ratios: tuple[Ratio, ...] = ()
    choice: Choice | None = None

    def figure(self, width_px: float = PAIR_PX) -> Figure | None:
        """Its picture, None where there is nothing to draw."""
        if self.choice is not None:
            return figures.choice(self.choice, width_px=width_px)
        return figures.ratios(self.ratios, self.title, width_px=width_px) if self.ratios else None


def render(recordings: Sequence[Heard], trials: Sequence[Trials] = ()) -> str:
    """The page. Sections in the order of recordings, then the comparisons."""
    sections = [_section(f"r{number}", heard) for number, heard in enumerate(recordings, start=1)]
    return _template().render(
        sections=sections,
        trials=[(trial, _drawn(f"t{number}", trial)) for number, trial in enumerate(trials, start=1)],
        title=_title(recordings, trials),
        light=paper.ROLES,
        dark=paper.DARK,
        style=_part("style.css"),
        script=_part("script.js"),
        lead_s=keeping.LEAD_S,
    )


def _drawn(name: str, trial: Trials) -> str | None:
    figure = trial.figure()
    return (
        None if figure is None else figures.svg(figure, name, f"{trial.verdict} The table says the same in figures.")
    )


def _title(recordings: Sequence[Heard], trials: Sequence[Trials]) -> str:
    names = [view.of(heard.listening).name for heard in recordings]
    if len(names) == 1:
        return f"{names[0]}: a hydraulic ram, heard"
    return (
        f"{words.count(len(names), 'recording')} of a hydraulic ram, heard" if names else "Trials of a hydraulic ram"
    )


def _section(name: str, heard: Heard) -> dict[str, object]:
    listening = heard.listening
    seen = view.of(listening)
    whole = _is_whole(heard)
    return {
        "name": name,
        "seen": seen,
        "first_heading": _HEADINGS[seen.first.severity] if seen.first else "Nothing to do",
        "calm": _CALM,
        "rate": view.rate(listening),
        "story": _with_stops(listening),
        "duration_s": listening.recording.duration_s,
        "stops_s": [round(stop.time_s, 2) for stop in (listening.running.stops if listening.running else ())],
        "pictures": _pictures(name, heard, () if whole else tuple((c.start_s, c.end_s) for c in heard.clips)),
        "players": [_player(clip, whole) for clip in heard.clips],
        "whole": whole,
        "thinned": bool(listening.beats.pumps) and listening.beats.pumps[0].n_cycles > rates.MANY,
        "most_buttons": keeping.MOST_BUTTONS,
        "opens": heard.profile is not None and heard.profile.shut_s is not None,
        "edges": _edges(listening, kept=bool(heard.clips) and not whole),
        "cautions": tuple(dict.fromkeys([*heard.cautions, *(c for f in listening.findings for c in f.cautions)])),
        "gain_db": max((clip.gain_db for clip in heard.clips), default=0.0),
        "heard": heard,
        "settings": sorted(listening.settings.items()),
        "version": listening.version,
    }


def _is_whole(heard: Heard) -> bool:
    """True where one clip holds the recording from end to end."""
    if len(heard.clips) != 1:
        return False
    (clip,) = heard.clips
    return clip.start_s < 0.1 and clip.end_s > heard.listening.recording.duration_s - 0.5


def _with_stops(listening: Listening) -> list[tuple[view.Event, bool]]:
    """The story, and with each moment whether the pump stops there."""
    stops_s = {round(stop.time_s, 3) for stop in (listening.running.stops if listening.running else ())}
    return [(e, e.time_s is not None and round(e.time_s, 3) in stops_s) for e in view.story(listening, MOST_STORY)]


def _pictures(name: str, heard: Heard, kept: tuple[tuple[float, float], ...]) -> dict[str, str | None]:
    listening = heard.listening
    said = "; ".join(f"{event.at} {event.text}" for event in view.of(listening).story if event.at)
    label = f"The whole recording as a strip. {view.headline(listening)} {said}"
    drawn: dict[str, str | None] = {
        kind: figures.svg(figures.strip(listening, width_px=width_px, kept=kept), f"{name}-{kind}", label)
        for kind, width_px in (("wide", WIDE_PX), ("narrow", NARROW_PX))
    }
    drawn["cycle"] = drawn["intervals"] = None
    if heard.profile is not None:
        label = f"One beat opened up: how loud each moment of it is, over {heard.profile.n_beats} beats."
        drawn["cycle"] = figures.svg(figures.cycle(heard.profile, width_px=PAIR_PX), f"{name}-cycle", label)
    if len(of_loudest(listening)) >= 2:
        label = "Histogram of the times from slam to slam."
        figure = figures.intervals(listening, width_px=PAIR_PX)
        drawn["intervals"] = figures.svg(figure, f"{name}-intervals", label)
    return drawn


def _player(clip: Clip, whole: bool) -> Player:
    span = f"{clock(clip.start_s)} to {clock(clip.end_s)}"
    label = "The whole recording" if whole else f"From {span}"
    return Player(clip.start_s, clip.end_s, label, clip.media_type, base64.b64encode(clip.data).decode("ascii"))


def _edges(listening: Listening, *, kept: bool) -> str:
    """Where the panels lie in the wide and the narrow strip, as CSS variables."""
    sides = ("left", "right", "top", "foot")
    return "; ".join(
        f"--{side}-{kind}: {100 * share:.3f}%"
        for kind, width_px in (("wide", WIDE_PX), ("narrow", NARROW_PX))
        for side, share in zip(sides, edges(listening, width_px, kept=kept), strict=True)
    )


@cache
def _template() -> Template:
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["clock"] = clock
    environment.filters["tied"] = lambda words: _TIED.sub("\u00a0", words)
    environment.filters["sentence"] = lambda words: words if words.endswith((".", "!", "?")) else f"{words}."
    return environment.from_string(_part("report.html"))


def _part(name: str) -> str:
    return resources.files("clackcount.report").joinpath("templates", name).read_text(encoding="utf-8")

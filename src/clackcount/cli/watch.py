"""``clackcount watch``: what the ram is doing, told while the sound comes in."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from clackcount.cli import terminal
from clackcount.cli.options import FILE
from clackcount.errors import RecordingError
from clackcount.report.words import how_sure
from clackcount.units import clock

if TYPE_CHECKING:
    from clackcount.model import Event
    from clackcount.recording import Recording
    from clackcount.running import Watcher

SCHEMA = "clackcount.watching/1"
NOT_REACHED = 3
UNTIL = ("self", "settled", "stop")
KINDS = ("u8", "s16", "s24", "s32", "f32", "f64")


@click.command("watch", short_help="Tell what the ram is doing while the sound comes in.")
@click.argument("source", default="-", metavar="[SOURCE]", type=FILE)
@click.option("--microphone", is_flag=True, help="Listen to the microphone (needs the microphone extra).")
@click.option("--raw", type=click.IntRange(4000, 384000), metavar="RATE_HZ", help="Standard input is raw samples.")
@click.option("--channels", type=click.IntRange(1, 32), default=1, show_default=True, help="Of raw samples.")
@click.option("--kind", type=click.Choice(KINDS), default="s16", show_default=True, help="Of raw samples.")
@click.option("--until", type=click.Choice(UNTIL), help="Stop listening, with exit code 0, when this has happened.")
@click.option(
    "--for", "minutes", type=click.FloatRange(0, min_open=True), metavar="MINUTES", help="Of sound, at most."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line for each event.")
def command(
    source: str,
    microphone: bool,
    raw: int | None,
    channels: int,
    kind: str,
    until: str | None,
    minutes: float | None,
    as_json: bool,
) -> int:
    """Tell what the ram is doing while the sound comes in: pushes, running by itself, settled, stopped.

    SOURCE is a WAV file that is still being written, or "-" for a WAV stream on standard input. A finished file of
    any kind is told as if it came in now.

    Exits with 3 when what --until asks for has not happened by the end of the sound or of --for.

    \b
    clackcount watch --microphone --until settled --for 30
    clackcount watch --raw 16000 - < fifo
    clackcount watch growing.wav --json
    """
    if microphone and (raw is not None or source != "-"):
        raise click.UsageError("--microphone takes no SOURCE and no --raw.")
    if raw is not None and source != "-":
        raise click.UsageError("--raw is for standard input.")
    if source == "-" and not microphone and sys.stdin is not None and sys.stdin.isatty():
        raise click.UsageError(
            "nothing comes in on standard input: pipe sound into it, name a file, or --microphone."
        )
    from clackcount import pipeline
    from clackcount.running import Watcher

    watcher, reached = Watcher(), False
    tell = _tell_json if as_json else _TextTeller()
    told = _Told()
    with (
        terminal.naming("microphone" if microphone else "standard input" if source == "-" else source),
        _LiveLine(wanted=not as_json) as line,
        _open(source, microphone, raw, channels, kind) as recording,
    ):
        for news in pipeline.follow(recording):
            for event in watcher.feed(news):
                line.clear()
                tell(event, told.take(event))
                reached = reached or _is(event, until)
            line.show(watcher)
            if reached or (minutes is not None and news.heard_s >= 60 * minutes):
                break
        line.clear()
        for warning in recording.info().warnings:
            terminal.say(f"note: {warning}")
    if until is not None and not reached:
        terminal.say(f"{clock(watcher.heard_s)}  listening ends here, and {_NOT_YET[until]}")
    elif until is None and not as_json:
        terminal.say(f"{clock(watcher.heard_s)}  listening ends here")
    return 0 if until is None or reached else NOT_REACHED


def _open(source: str, microphone: bool, raw: int | None, channels: int, kind: str) -> Recording:
    from clackcount import recording

    if microphone:
        return recording.open_microphone()
    if raw is not None:
        return recording.open_pcm(None, raw, channels, kind)
    if source == "-":
        return recording.open_recording("-")
    try:
        return recording.follow_file(source)
    except RecordingError as err:
        if err.code != "not-sound":
            raise
        return recording.open_recording(source)  # no growing WAV, but perhaps a finished file of another kind


def _is(event: Event, until: str | None) -> bool:
    """Whether this is the event that --until waits for. Of what may be no ram, none is."""
    if event.doubt is not None:
        return False
    if until == "self":
        return event.happening == "state" and event.state == "self"
    return until is not None and event.happening == until


class _Told:
    """What was told of the run that goes on."""

    def __init__(self) -> None:
        self._run: Event | None = None

    def take(self, event: Event) -> Event | None:
        """The run as it was told before, where this event tells it again."""
        before = self._run
        if event.happening == "state":
            self._run = event if event.state == "self" else None
            return before if event.state == "self" else None
        if event.happening in ("stop", "no-ram"):
            self._run = None
        return None


def _tell_json(event: Event, before: Event | None) -> None:
    told = {
        "schema": SCHEMA,
        "event": str(event.happening),
        "time_s": round(event.time_s, 3),
        "told_s": round(event.told_s, 3),
        "state": str(event.state),
        "strokes": event.strokes,
        "rate_per_min": None if event.rate_per_min is None else round(event.rate_per_min, 2),
        "cause": None if event.cause is None else str(event.cause),
        "confidence": event.confidence,
        "doubt": event.doubt,
        "again": before is not None,
    }
    click.echo(json.dumps(told))
    sys.stdout.flush()  # a script on the other side of a pipe waits for this line


class _TextTeller:
    """Lines for a person beside the pump, with one caution where it sends them to it."""

    def __init__(self) -> None:
        self._cautioned = False

    def __call__(self, event: Event, before: Event | None) -> None:
        if _says_no_more(event, before):
            return
        click.echo(f"{clock(event.time_s)}  {_anew(event, before)}{_words(event)}")
        sys.stdout.flush()
        if event.doubt is None and event.happening in ("stroke", "stop") and not self._cautioned:
            from clackcount.model.cautions import FINGERS

            self._cautioned = True
            terminal.say(f"caution: {FINGERS}")


def _says_no_more(event: Event, before: Event | None) -> bool:
    """Whether a run that is doubted was told so before: only its pushes were counted anew, which are not told."""
    if before is None or event.doubt is None or before.doubt != event.doubt:
        return False
    rate_per_min, was_per_min = event.rate_per_min or 0.0, before.rate_per_min or 0.0
    same_rate = abs(rate_per_min - was_per_min) < SAME_RATE * was_per_min
    return same_rate and abs(event.confidence - before.confidence) < SAME_SURE


SAME_RATE, SAME_SURE = 0.02, 0.1


def _anew(event: Event, before: Event | None) -> str:
    """What to say before a run that is told again."""
    if before is None or event.doubt is not None:
        return ""
    return "it is a ram after all: " if before.doubt is not None else "corrected: "


def _words(event: Event) -> str:
    if event.happening == "stroke":
        if event.doubt is not None:
            return f"a knock; push {event.strokes}, if it is a ram"
        return f"push {event.strokes}" if event.confidence > 0.5 else f"a knock, perhaps push {event.strokes}"
    if event.happening == "no-ram":
        return f"taken back: it is no ram; {event.doubt}"
    if event.happening == "settled":
        settled = f"settled at {event.rate_per_min:.1f} beats a minute"
        return f"{settled}: a timed catch can begin, once the delivery line is full"
    if event.happening == "stop":
        return _STOPS[str(event.cause)] if event.doubt is None else "the beat that may be no ram's has ended"
    if event.happening == "cause":
        return f"it stopped because {_CAUSES[str(event.cause)]}"
    return _STATES[str(event.state)](event)


def _runs(event: Event) -> str:
    if event.doubt is not None:
        sure = f"a ram? {how_sure(event.confidence)}: {event.doubt}"
        return f"something beats by itself, {event.rate_per_min:.1f} a minute; {sure}"
    after = f" after {event.strokes} push{'es' if event.strokes != 1 else ''}" if event.strokes else ""
    return f"runs by itself{after}, {event.rate_per_min:.1f} beats a minute"


_STATES: dict[str, Callable[[Event], str]] = {
    "quiet": lambda event: "quiet: no beat, no water heard" + _unsure(event),
    "rushing": lambda event: "water rushes through the open valve, no beat" + _unsure(event),
    "hand": lambda event: "somebody pushes the valve" + _unsure(event),
    "self": _runs,
}
_CAUSES = {
    "open-stall": "the valve stays open and water keeps rushing",
    "shut-stall": "the valve stays shut, no water is heard",
    "starved": "the supply gave out: the beat had faded away",
}
_NOW = {
    "listening": "listening",
    "quiet": "quiet",
    "rushing": "water rushes",
    "hand": "pushed by hand",
    "self": "runs by itself",
}
_NOT_YET = {
    "self": "it has not run by itself",
    "settled": "it has not settled",
    "stop": "no stop was heard",
}
_STOPS = {
    **{cause: f"STOPPED: {words}" for cause, words in _CAUSES.items()},
    "unknown": "STOPPED; why is not heard yet",
}


def _unsure(event: Event) -> str:
    return "" if event.confidence >= 0.75 else " (hard to tell here)"


class _LiveLine:
    """One line on a terminal that is written over: state, pushes, rate and how even. Nothing anywhere else."""

    def __init__(self, *, wanted: bool) -> None:
        self._wanted = wanted and sys.stderr is not None and sys.stderr.isatty()

    def __enter__(self) -> _LiveLine:
        return self

    def __exit__(self, *raised: object) -> None:
        self.clear()

    def show(self, watcher: Watcher) -> None:
        if self._wanted:
            self._write(_live_line(watcher)[: terminal.width() - 1])

    def clear(self) -> None:
        if self._wanted:
            self._write("")

    def _write(self, text: str) -> None:
        sys.stderr.write(f"\r\x1b[K{text}")
        sys.stderr.flush()


def _live_line(watcher: Watcher) -> str:
    parts = [clock(watcher.heard_s), _NOW[str(watcher.state or "listening")]]
    if watcher.strokes and watcher.state != "self":
        parts.append(f"{watcher.strokes} push{'es' if watcher.strokes > 1 else ''}")
    if watcher.rate_per_min is not None and watcher.robust_cv is not None:
        parts.append(f"{watcher.rate_per_min:.1f} a minute, even to {100 * watcher.robust_cv:.1f} %")
    if watcher.n_missing:
        parts.append(f"{watcher.n_missing} beat{'s' if watcher.n_missing > 1 else ''} not heard")
    return "  ".join(parts)

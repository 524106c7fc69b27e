"""``clackcount listen``: what the ram in each recording is doing."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import PurePath
from typing import TYPE_CHECKING

import click

from clackcount.cli import progress, terminal
from clackcount.errors import ClackcountError

if TYPE_CHECKING:
    from clackcount.model import Listening

Printer = Callable[["Listening"], Iterable[str]]


@click.command("listen", short_help="Say what a ram in a recording is doing.")
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@click.option("--json", "form", flag_value="json", help="One JSON document a line and file (see clackcount schema).")
@click.option("--csv", "form", flag_value="csv", help="One row a cycle, with a line of column names.")
def command(files: tuple[str, ...], form: str | None) -> int:
    """Say what a ram in a recording is doing: how often the waste valve slams, how evenly, and what happened when.

    FILE is a recording as a phone makes it: m4a, mp3, wav, ogg, opus, flac, 3gp, amr, or a video with sound.
    A minute or more, close to the ram, is best. "-" reads a WAV stream from standard input.

    Exits with 2 when a file could not be used; the others are still listened to.

    \b
    clackcount listen ram.m4a
    clackcount listen --json *.m4a > rams.jsonl
    clackcount listen --csv ram.wav > cycles.csv
    """
    if files.count("-") > 1:
        raise click.UsageError("'-' (standard input) can be read only once.")
    printer = _PRINTERS[form or "text"]()
    worst = 0
    for number, path in enumerate(files):
        try:
            listening = _hear(path)
        except (
            Exception
        ) as err:  # neither a bad recording nor a fault of ours with one may cost the person the others
            if os.environ.get("CLACKCOUNT_DEBUG") and not isinstance(err, ClackcountError):
                raise
            error = err if isinstance(err, ClackcountError) else terminal.fault(err)
            worst = max(worst, error.exit_code)
            terminal.say(terminal.error_line(error, about=path))
            if form == "json":
                _put([_error_document(path, error)])
            continue
        if form is None and number > 0:
            click.echo()
        _put(printer(listening))
    return worst


def _hear(path: str) -> Listening:
    """The Listening of one recording, with a bar while it takes long."""
    from clackcount import pipeline
    from clackcount.recording import open_recording

    with open_recording(path) as recording:
        n_frames = recording.n_frames_hint
        total_s = n_frames / recording.sample_rate_hz if n_frames else None
        with progress.HeardSoFar(PurePath(path).name, total_s) as on_progress:
            return pipeline.listen(recording, on_progress=on_progress)


def _put(pieces: Iterable[str]) -> None:
    colour = terminal.colour_wanted()
    for piece in pieces:
        click.echo(piece, nl=False, color=colour)


def _error_document(path: str, error: ClackcountError) -> str:
    from clackcount.report import as_json

    return as_json.error_line(path, error)


def _json_printer() -> Printer:
    from clackcount.report import as_json

    return as_json.pieces


def _csv_printer() -> Printer:
    from clackcount.report import as_csv

    click.echo(as_csv.header(), nl=False)
    return as_csv.pieces


def _text_printer() -> Printer:
    from clackcount.report import as_text, view

    paint = terminal.paint if terminal.colour_wanted() else as_text.no_paint
    width = terminal.width()
    return lambda listening: [as_text.render(view.of(listening), width=width, paint=paint)]


_PRINTERS: dict[str, Callable[[], Printer]] = {"json": _json_printer, "csv": _csv_printer, "text": _text_printer}

"""``clackcount listen``: what the ram in each recording is doing."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import PurePath
from typing import TYPE_CHECKING

import click

from clackcount.cli import measuring, terminal
from clackcount.cli.options import FILE, catching
from clackcount.cli.progress import hear
from clackcount.cli.site import keep_measurement
from clackcount.errors import ClackcountError

if TYPE_CHECKING:
    from clackcount.hydraulics import Measurement
    from clackcount.model import Listening

Printer = Callable[["Listening", "Measurement | None", str], Iterable[str]]  # and the measures of the site


@click.command("listen", short_help="Say what a ram in a recording is doing.")
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=FILE)
@click.option("--json", "form", flag_value="json", help="One JSON document a line and file (see clackcount schema).")
@click.option("--csv", "form", flag_value="csv", help="One row a cycle, with a line of column names.")
@catching
@click.option(
    "--keep-calibration", "keep", is_flag=True, help="Write into the site file what sound and waste catch taught."
)
def command(
    files: tuple[str, ...],
    form: str | None,
    site: str | None,
    catches: tuple[str, ...],
    waste: tuple[str, ...],
    keep: bool,
) -> int:
    """Say what a ram in a recording is doing: how often the waste valve slams, how evenly, and what happened when.

    FILE is a recording as a phone makes it: m4a, mp3, wav, ogg, opus, flac, 3gp, amr, or a video with sound.
    A minute or more, close to the ram, is best. "-" reads a WAV stream from standard input.

    With --site it says, too, what the water does, each figure with its 95 % band, and whether the beat fits the
    site. Water hammer can hurt: use pipe and fittings rated for it, and keep fingers out of the waste valve.

    Exits with 2 when a file could not be used; the others are still listened to.

    \b
    clackcount listen ram.m4a
    clackcount listen --site spring.toml --catch "1.5 cup in 60 s" --waste-catch "5 gal in 90 s" ram.m4a
    clackcount listen --json *.m4a > rams.jsonl
    clackcount listen --csv ram.wav > cycles.csv
    """
    if [*files, site].count("-") > 1:
        raise click.UsageError("'-' (standard input) can be read only once.")
    given = measuring.Given.read(site, catches, waste)
    if given is not None and form == "csv":
        raise click.UsageError("--csv has one row a cycle and no place for water; use --json with --site.")
    if (catches or waste or keep) and len(files) > 1:
        raise click.UsageError("A catch belongs to one recording: give one FILE.")
    if keep and (site is None or site == "-"):
        raise click.UsageError("--keep-calibration needs --site with a file to write into.")
    printer = _PRINTERS[form or "text"]()
    worst = n_told = 0
    for path in files:
        water = None
        try:
            listening = hear(path)
            if given is not None:
                listening, water = measuring.measured(listening, given)
        except Exception as err:  # nothing wrong with one recording may cost the person the others
            error = terminal.excused(err, path)
            worst = max(worst, error.exit_code)
            if form == "json":
                _put([_error_document(path, error)])
            continue
        if form is None and n_told > 0:
            click.echo()
        n_told += 1
        _put(printer(listening, water, given.site.measures if given else ""))
        if given is not None and site is not None and keep:
            keep_measurement(site, measuring.taught(listening, given), f"from {PurePath(path).name}")
            terminal.say(f"kept in {site}, part [calibration]; the other lines stand as they were")
    return worst


def _put(pieces: Iterable[str]) -> None:
    colour = terminal.colour_wanted()
    for piece in pieces:
        click.echo(piece, nl=False, color=colour)


def _error_document(path: str, error: ClackcountError) -> str:
    from clackcount.report import as_json

    return as_json.error_line(path, error)


def _json_printer() -> Printer:
    from clackcount.report import as_json

    return lambda listening, water, _: as_json.pieces(listening, water=None if water is None else water.to_dict())


def _csv_printer() -> Printer:
    from clackcount.report import as_csv

    click.echo(as_csv.header(), nl=False)
    return lambda listening, *_: as_csv.pieces(listening)


def _text_printer() -> Printer:
    from clackcount.report import as_text, view

    paint = terminal.paint if terminal.colour_wanted() else as_text.no_paint
    width = terminal.width()

    def text(listening: Listening, water: Measurement | None, measures: str) -> Iterable[str]:
        yield as_text.render(view.of(listening), width=width, paint=paint)
        if water is None:
            return
        from clackcount.hydraulics import measured_rows

        yield f"\n{paint('Water', 'strong')}\n" + as_text.columns(measured_rows(water, measures), width)
        for heading, sentences in (
            ("Caution", water.cautions),
            ("Notes", water.notes),
            ("Assumed", water.assumptions),
        ):
            if sentences:
                yield f"\n{paint(heading, 'strong')}\n" + as_text.listed(sentences, width)

    return text


_PRINTERS: dict[str, Callable[[], Printer]] = {"json": _json_printer, "csv": _csv_printer, "text": _text_printer}

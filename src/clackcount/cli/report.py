"""``clackcount report``: one page to look at and listen to."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePath
from typing import TYPE_CHECKING

import click

from clackcount.cli import measuring, terminal
from clackcount.cli.options import FILE, catching, logbook_option, over_option
from clackcount.errors import FailedError

if TYPE_CHECKING:
    from clackcount.report.as_html import Heard, Trials

_NO_SITE = "No site file was given: nothing is said about water, heads or pipes."
_ZERO = "Times count from the first sample of the recording."


@click.command("report", short_help="Make one page with pictures and sound: look and listen.")
@click.argument("recordings", nargs=-1, metavar="RECORDING...", type=FILE)
@click.option(
    "-o",
    "--output",
    default="report.html",
    show_default=True,
    metavar="FILE",
    type=FILE,
    help='The page; "-": stdout.',
)
@click.option("--png", "png_folder", metavar="FOLDER", type=FILE, help="Every figure as a PNG in FOLDER, too.")
@catching
@click.option("--trials", nargs=2, multiple=True, metavar="FIRST SECOND", help='Trials compared, as "3,5" "4,6".')
@click.option("--advise", metavar="SITE", type=FILE, help="What the trials at SITE say to try next.")
@over_option
@logbook_option
def command(
    recordings: tuple[str, ...],
    output: str,
    png_folder: str | None,
    site: str | None,
    catches: tuple[str, ...],
    waste: tuple[str, ...],
    trials: tuple[tuple[str, str], ...],
    advise: str | None,
    over: str,
    logbook: str | None,
) -> int:
    """Make one page of each RECORDING: the verdict, what to do first, pictures, and the sound to go with them.

    The page is a single file that needs no network; it opens on a phone and prints on paper. Long recordings go
    with it as excerpts around starts, stops and doubts.

    Exits with 2 when a recording could not be used; the page then holds the others.

    \b
    clackcount report ram.m4a
    clackcount report before.m4a after.m4a -o both.html --png figures
    clackcount report ram.m4a --site spring.toml --catch "1.5 cup in 60 s"
    clackcount report --trials 3 4 --advise spring.toml -o better.html
    """
    from clackcount.cli import comparing
    from clackcount.report import as_html
    from clackcount.report.write import write

    if not recordings and not trials and advise is None:
        raise click.UsageError("Missing argument 'RECORDING...'.")
    given = measuring.Given.read(site, catches, waste)
    if output != "-" and any(Path(output).resolve() == Path(path).resolve() for path in recordings if path != "-"):
        raise click.UsageError(f"'{output}' is one of the recordings; give the page another name.")
    told = [comparing.advised(advise, over, logbook)] if advise is not None else []
    told += [comparing.compared(first, second, logbook) for first, second in trials]
    heard, worst = [], 0
    for path in recordings:
        try:
            heard.append(_heard(path, given))
        except Exception as err:  # nothing wrong with one recording may cost the person the others
            worst = max(worst, terminal.excused(err, path).exit_code)
    if not heard and not told:
        return worst
    page = as_html.render(heard, told)
    if output == "-":
        click.echo(page, nl=False)
    else:
        write(output, page)
        terminal.say(f"wrote {output} ({_size(len(page.encode()))}): open it in a browser")
    if png_folder is not None:
        _draw(heard, told, Path(png_folder))
    return worst


def _size(n_bytes: int) -> str:
    return f"{n_bytes / 1e6:.1f} MB" if n_bytes >= 1e6 else f"{max(1, n_bytes // 1000)} kB"


@contextmanager
def _on_disk(path: str) -> Iterator[str]:
    """path; for "-" a file that holds what standard input gave, because a report reads its recording twice."""
    if path != "-":
        yield path
        return
    with tempfile.NamedTemporaryFile(prefix="clackcount-") as file:
        while piece := sys.stdin.buffer.read(1 << 20):
            file.write(piece)
        file.flush()
        yield file.name


def _heard(asked: str, given: measuring.Given | None) -> Heard:
    """One recording listened to, measured, and its sound made ready for the page."""
    from dataclasses import replace

    from clackcount.cli.progress import hear
    from clackcount.model import cautions
    from clackcount.recording import digest
    from clackcount.recording.excerpts import encode, read_excerpts
    from clackcount.report import keeping
    from clackcount.report.as_html import Heard

    with _on_disk(asked) as path:
        listening = hear(path)
        duration_s = listening.recording.duration_s
        excerpts = [each for each in read_excerpts(path, keeping.spans(listening), duration_s) if len(each.samples)]
        fingerprint = digest(path)
    listening = replace(listening, recording=replace(listening.recording, path=asked))
    rows: tuple[tuple[str, str], ...] = ()
    assumed: tuple[str, ...] = (_ZERO, _NO_SITE)
    notes: tuple[str, ...] = ()
    said: tuple[str, ...] = cautions.EVERYWHERE
    if given is not None:
        from clackcount.hydraulics import measured_rows

        listening, water = measuring.measured(listening, given)
        rows = tuple(measured_rows(water, given.site.measures))
        assumed, notes, said = (_ZERO, *water.assumptions), water.notes, (*said, *water.cautions)
    return Heard(
        listening=listening,
        clips=tuple(encode(each) for each in excerpts),
        profile=keeping.best_profile(listening, excerpts),
        digest=fingerprint,
        measured=rows,
        assumed=assumed,
        notes=notes,
        cautions=said,
    )


def _draw(heard: list[Heard], told: list[Trials], folder: Path) -> None:
    """Every figure of every recording as NAME-FIGURE.png, and those of trials as trials-NUMBER.png."""
    from clackcount.report import figures
    from clackcount.report.write import write

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        hint = "--png wants the name of a folder" if isinstance(err, FileExistsError) else ""
        raise FailedError(f"{folder}: cannot be made: {err.strerror or err}", hint=hint) from err
    for number, each in enumerate(heard, start=1):
        stem = PurePath(each.listening.recording.path).stem.strip("-") or "recording"
        name = stem if len(heard) == 1 else f"{number}-{stem}"
        for kind, drawn in figures.all_of(each.listening, each.profile):
            write(folder / f"{name}-{kind}.png", figures.png(drawn))
    for number, trials in enumerate(told, start=1):
        if (picture := trials.figure(figures.TRIALS_PX)) is not None:
            write(folder / f"trials-{number}.png", figures.png(picture))
    terminal.say(f"drew the figures into {folder}")

"""``clackcount log``: the logbook as a whole: export, import, events, results made anew, a slow decline seen."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from clackcount.cli import terminal
from clackcount.cli.book import drawn, open_logbook, site_named, utc_of
from clackcount.cli.options import FILE, at_option, json_option, logbook_option, png_option
from clackcount.cli.terminal import put, put_json
from clackcount.errors import LogbookError
from clackcount.report.words import count


@click.group("log", short_help="Export, import and tend the logbook; watch a site over months.")
def command() -> None:
    """Tend the logbook: take it elsewhere, note repairs, make results anew, watch a site over months."""


@command.command("where", short_help="Say where the logbook is and what is in it.")
@json_option
@logbook_option
def where(as_json: bool, logbook: str | None) -> None:
    """Say where the logbook is and what is in it."""
    with open_logbook(logbook) as book:
        trials = book.trials()
    sites = sorted({trial.site for trial in trials})
    if as_json:
        put_json({"logbook": book.name, "trials": len(trials), "sites": sites})
    else:
        click.echo(book.name)
        click.echo(f"trials: {len(trials)}, sites: {len(sites)}")


@command.command("export", short_help="Write the whole logbook into a file.")
@click.argument("file", metavar="FILE", default="-", type=FILE)
@click.option(
    "--json", "form", flag_value="json", help="As one JSON document (the default, unless FILE ends in .csv)."
)
@click.option("--csv", "form", flag_value="csv", help="As CSV, one row a record.")
@logbook_option
def export(file: str, form: str | None, logbook: str | None) -> None:
    """Write the whole logbook, struck-out trials too, into FILE ("-": standard output).

    \b
    clackcount log export logbook.json
    clackcount log export --csv > logbook.csv
    """
    from clackcount.logbook import exchange
    from clackcount.report.write import write

    with open_logbook(logbook) as book:
        trials, events = exchange.in_order(book.trials(removed=True, whole=True)), book.events()
    as_csv = form == "csv" or (form is None and file.lower().endswith(".csv"))
    text = (exchange.to_csv if as_csv else exchange.to_json)(trials, events)
    if file == "-":
        click.echo(text.encode(), nl=False)  # bytes, so that no line end is changed on the way
    else:
        write(file, text.encode())
        terminal.say(f"wrote {count(len(trials), 'trial')} and {count(len(events), 'event')} to {file}")


@command.command("import", short_help="Take in what log export wrote.")
@click.argument("file", metavar="FILE", type=FILE)
@json_option
@logbook_option
def import_(file: str, as_json: bool, logbook: str | None) -> None:
    """Take in what log export wrote, JSON or CSV; all of it or nothing. What is here already stays as it is.

    \b
    clackcount log import logbook.json
    """
    from clackcount.logbook import exchange

    try:
        raw = sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
        trials, events = exchange.read(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as err:
        raise LogbookError(f"{file}: is not text in UTF-8") from err
    except OSError as err:
        raise LogbookError(f"{file}: {(err.strerror or 'cannot be read').lower()}") from err
    with open_logbook(logbook) as book:
        n_trials, n_events, n_struck = book.merge(trials, events)
    if as_json:
        put_json({"new_trials": n_trials, "new_events": n_events, "removed_trials": n_struck})
    else:
        click.echo(f"{count(n_trials, 'new trial')}, {count(n_events, 'new event')}, {n_struck} struck out")


@command.command("note", short_help="Note a restart or a repair at a site.")
@click.argument("text", metavar="TEXT")
@click.option(
    "--site", required=True, metavar="SITE", type=FILE, help="The site, by its name in the logbook or its site file."
)
@click.option(
    "--kind", type=click.Choice(["restart", "repair", "note"]), default="note", show_default=True, help="What it was."
)
@at_option
@json_option
@logbook_option
def note(text: str, site: str, kind: str, at: str | None, as_json: bool, logbook: str | None) -> None:
    """Note a restart, a repair or anything else that happened at a site.

    \b
    clackcount log note --site "Fern dell" --kind repair "new valve rubber"
    """
    from clackcount.logbook.records import Event
    from clackcount.logbook.store import new_uid

    with open_logbook(logbook) as book:
        event = Event(new_uid(), site_named(site)[0], utc_of(at), kind, text)
        book.note_event(event)
    if as_json:
        put_json(event.to_dict())
    else:
        click.echo(f"noted: {event.at} {event.site}, {event.kind}: {event.text}")


@command.command("recompute", short_help="Make results anew with what this version knows.")
@click.argument("numbers", nargs=-1, type=int, metavar="[N]...")
@json_option
@logbook_option
def recompute(numbers: tuple[int, ...], as_json: bool, logbook: str | None) -> int:
    """Make the results of trials anew (of all, or of those named), with what this version knows.

    A recording is heard again where the very file is still there; else what was heard then is used. Exits with 1
    where a trial could not be made anew; its old result stays.
    """
    from dataclasses import replace

    from clackcount.cli.progress import hear
    from clackcount.cli.reckoning import counted, heard_again, result_of
    from clackcount.errors import ClackcountError
    from clackcount.logbook.store import now_utc

    said, worst = [], 0
    with open_logbook(logbook) as book:
        for trial in book.trials(whole=True, numbers=numbers):
            try:
                recording, how = heard_again(trial, hear)
                fresh = replace(trial, recording=recording, catches=counted(trial.catches, recording))
                result = result_of(fresh, now_utc())
            except ClackcountError as err:
                terminal.say(terminal.error_line(err, about=f"trial {trial.number}"))
                worst = 1
                continue
            book.set_result(trial.number, result, recording)
            changed = trial.result is None or result.figures != trial.result.figures
            said.append({"trial": trial.number, "how": how, "changed": changed})
    if as_json:
        put_json({"recomputed": said})
    else:
        put(
            f"trial {each['trial']}: {'changed' if each['changed'] else 'as before'} ({each['how']})" for each in said
        )
    return worst


@command.command("trend", short_help="Watch a site over months.")
@click.option(
    "--site", required=True, metavar="SITE", type=FILE, help="The site, by its file or its name in the logbook."
)
@json_option
@png_option
@logbook_option
def trend(site: str, as_json: bool, png: str | None, logbook: str | None) -> None:
    """Watch a site over months: the last trial against those before it, and any slow drift.

    Trials with the settings of the last one count, since the last repair.

    \b
    clackcount log trend --site dell.toml --png year.png
    """
    from clackcount.logbook import as_text, drawable, history

    name = site_named(site)[0]
    with open_logbook(logbook) as book:
        found = history.watch(book.trials(site=name), book.events(name))
    if as_json:
        put_json(found.to_dict())
    else:
        put(as_text.watched(found, terminal.width()))
    drawn(png, lambda figures: figures.course(drawable.courses(found.series)))

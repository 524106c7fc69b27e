"""``clackcount trial``: one change at the ram, one recording, one catch: kept, listed, shown, struck out."""

from __future__ import annotations

import sys

import click

from clackcount.cli import terminal
from clackcount.cli.book import drawn, open_logbook, site_named, utc_of
from clackcount.cli.options import FILE, at_option, json_option, logbook_option, png_option
from clackcount.cli.terminal import put, put_json
from clackcount.errors import LogbookError


@click.group("trial", short_help="Keep trials in the logbook: add, list, show, remove.")
def command() -> None:
    """Keep trials in the logbook: what was set, what was heard, what was caught."""


@command.command("add", short_help="Store a trial: settings, catches, recording.")
@click.argument("recording", metavar="[RECORDING]", required=False, type=FILE)
@click.option(
    "--site",
    required=True,
    metavar="SITE",
    type=FILE,
    help="Site file, or the name of a site that is in the logbook.",
)
@click.option(
    "--setting", "settings", multiple=True, metavar="NAME=VALUE",
    help="What was set: stroke=12mm, weight=80g, tilt=10deg, spring=..., valves=2, snifter=... Repeat it.",
)  # fmt: skip
@click.option(
    "--condition", "conditions", multiple=True, metavar="NAME=VALUE",
    help="What was so that day: head=5.4ft, supply=3gal/min, fill=first, weather=... Repeat it.",
)  # fmt: skip
@click.option("--catch", "catches", multiple=True, metavar="TEXT", help='Delivered: "1.5 cup in 60 s". Repeat it.')
@click.option("--waste-catch", "wastes", multiple=True, metavar="TEXT", help='Wasted: "1.2 gal in 20 s". Repeat it.')
@click.option("--note", default="", metavar="TEXT", help="Anything else worth keeping.")
@at_option
@json_option
@logbook_option
def add(
    recording: str | None,
    site: str,
    settings: tuple[str, ...],
    conditions: tuple[str, ...],
    catches: tuple[str, ...],
    wastes: tuple[str, ...],
    note: str,
    at: str | None,
    as_json: bool,
    logbook: str | None,
) -> None:
    """Store a trial: settings, what was caught, and RECORDING if there is one.

    Catch three times; it tells how far the figures can be trusted. A catch timed in the recording
    ("1.5 cup from 0:12 to 1:12") has its beats counted.

    \b
    clackcount trial add --site dell.toml --setting stroke=12mm \\
        --catch "1.5 cup in 60 s" --catch "1.5 cup in 61 s" ram.m4a
    """
    from dataclasses import replace

    from clackcount.cli.progress import hear
    from clackcount.cli.reckoning import caught_of, counted, recording_of, result_of
    from clackcount.logbook import as_text
    from clackcount.logbook.records import CONDITIONS, SETTINGS, Setting, Trial
    from clackcount.logbook.store import new_uid, now_utc

    if recording is None and not catches and not wastes:
        raise LogbookError("a trial needs a recording or a catch", hint='for example --catch "1.5 cup in 60 s"')
    moment = utc_of(at)
    with open_logbook(logbook) as book:
        name, site_text = site_named(site)
        if not site_text:
            site_text = _last_text(book.trials(site=name), name)
        measures = _measures(site_text)
        caught = [caught_of(text, "delivery", measures) for text in catches]
        caught += [caught_of(text, "waste", measures) for text in wastes]
        trial = Trial(
            new_uid(),
            name,
            moment,
            note=note,
            site_text=site_text,
            settings=_distinct([Setting.read(text, SETTINGS, measures) for text in settings]),
            conditions=_distinct([Setting.read(text, CONDITIONS, measures) for text in conditions]),
        )
        heard = recording_of(recording, hear) if recording is not None else None
        trial = replace(trial, catches=counted(caught, heard), recording=heard)
        stored = book.add(replace(trial, result=result_of(trial, now_utc())))
    if as_json:
        put_json({"schema": "clackcount.trial/1", **stored.to_dict()})
    else:
        put([f"stored as trial {stored.number}", *as_text.shown(stored, terminal.width())])


@command.command("list", short_help="List the trials, oldest first.")
@click.option("--site", metavar="SITE", type=FILE, help="Only this site, by its file or its name.")
@click.option("--all", "removed", is_flag=True, help="Removed trials too.")
@json_option
@png_option
@logbook_option
def list_(site: str | None, removed: bool, as_json: bool, png: str | None, logbook: str | None) -> None:
    """List the trials, oldest first."""
    from clackcount.logbook import as_text, drawable

    with open_logbook(logbook) as book:
        trials = book.trials(site=site_named(site)[0] if site else None, removed=removed, caught=as_json)
    if as_json:
        put_json({"schema": "clackcount.trials/1", "trials": [trial.to_dict() for trial in trials]})
    elif trials:
        click.echo("\n".join(as_text.listed(trials, terminal.width())))
    else:
        click.echo("no trials yet (clackcount trial add --help)")
    drawn(png, lambda figures: figures.listed(drawable.listed(trials)))


@command.command("show", short_help="Show one trial with its results.")
@click.argument("number", type=int, metavar="N")
@json_option
@logbook_option
def show(number: int, as_json: bool, logbook: str | None) -> None:
    """Show one trial: settings and catches as typed, and the results with their 95 % bands."""
    from clackcount.logbook import as_text

    with open_logbook(logbook) as book:
        trial = book.get(number)
    if as_json:
        put_json({"schema": "clackcount.trial/1", **trial.to_dict()})
    else:
        put(as_text.shown(trial, terminal.width()))


@command.command("remove", short_help="Strike a trial out, after asking.")
@click.argument("number", type=int, metavar="N")
@click.option("--yes", is_flag=True, help="Do not ask.")
@json_option
@logbook_option
def remove(number: int, yes: bool, as_json: bool, logbook: str | None) -> int:
    """Strike a trial out, after asking. Its number is not given again. Exits with 1 if the trial is kept."""
    with open_logbook(logbook) as book:
        trial = book.get(number)
        if not yes and trial.removed_at is None:
            click.echo(f"remove trial {number} of {trial.at[:10]} at {trial.site}? [y/N] ", nl=False, err=True)
            if sys.stdin.readline().strip().lower() not in ("y", "yes"):
                terminal.say(f"trial {number} is kept")
                return 1
        gone = book.remove(number)
    if as_json:
        put_json({"trial": gone.number, "removed_at": gone.removed_at})
    else:
        click.echo(f"trial {gone.number} removed")
    return 0


def _last_text(trials: list, name: str) -> str:  # type: ignore[type-arg]
    """The site file last kept for a site that is in the logbook. Raises: LogbookError where there is no such site."""
    if not trials:
        raise LogbookError(
            f"“{name}” is neither a site file nor a site in the logbook",
            hint="clackcount site new FILE writes a site file to fill in",
        )
    return next((trial.site_text for trial in reversed(trials) if trial.site_text), "")


def _measures(site_text: str) -> str:
    from clackcount.hydraulics import Site

    return Site.read(site_text).measures if site_text else "US"


def _distinct(settings: list) -> tuple:  # type: ignore[type-arg]
    names = [each.name for each in settings]
    for name in names:
        if names.count(name) > 1:
            raise LogbookError(f"{name} is given twice")
    return tuple(settings)

"""Records as rows of the database and back. Columns are named as the fields of the records."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, fields, replace
from typing import Any, TypeVar

import sqlalchemy as sa

from clackcount.logbook import schema
from clackcount.logbook.records import Caught, Event, Figure, Recording, Result, Setting, Trial, storable

IN_ONE_QUERY = 500  # numbers in one IN (...): databases have limits


def columns_of_trials(whole: bool) -> list[sa.Column[Any]]:
    """The columns of trials to read; without the documents of what was heard and found unless whole."""
    heavy = set() if whole else {"heard_json", "result_json"}
    return [column for column in schema.trials.c if column.name not in heavy]


_Child = TypeVar("_Child", Setting, Caught)


def children(
    connection: sa.Connection, table: sa.Table, make: type[_Child], numbers: Sequence[int]
) -> dict[int, list[_Child]]:
    """The records in table by trial, in their order. Columns are named, and stand, as the fields of the record."""
    wanted = [table.c[field.name] for field in fields(make)]
    query = sa.select(table.c.trial, *wanted).order_by(table.c.trial, table.c.place)
    if len(numbers) <= IN_ONE_QUERY:  # of many trials all rows are read at once, which is quicker
        query = query.where(table.c.trial.in_(list(numbers)))
    found: dict[int, list[_Child]] = {}
    for trial, *values in connection.execute(query):
        found.setdefault(trial, []).append(make(*values))
    return found


def trial_of(
    row: sa.RowMapping,
    texts: dict[str, str],
    settings: list[Setting],
    conditions: list[Setting],
    catches: list[Caught],
    whole: bool,
) -> Trial:
    """A trial from its row, the texts of site files by their key, and its children."""
    recording = result = None
    if row["recording_sha256"] is not None:
        heard = json.loads(row["heard_json"]) if whole else {}
        recording = Recording(row["recording_path"], row["recording_sha256"], row["recording_bytes"], heard)
    if row["result_version"] is not None:
        figures = {name: Figure(*pair) for name, pair in json.loads(row["figures_json"]).items()}
        more = json.loads(row["result_json"]) if whole else {}
        result = Result(row["result_version"], row["result_at"], figures, more)
    return Trial(
        row["uid"],
        row["site"],
        row["at"],
        row["number"],
        row["note"],
        texts[row["site_sha256"]] if row["site_sha256"] else "",
        tuple(settings),
        tuple(conditions),
        tuple(catches),
        recording,
        result,
        row["removed_at"],
    )


def trial_row(trial: Trial) -> dict[str, Any]:
    """The trial as a row of its table, without settings, conditions and catches."""
    named = ("number", "uid", "site", "at", "note", "removed_at")
    return (
        {name: getattr(trial, name) for name in named}
        | {"site_sha256": digest(trial.site_text) if trial.site_text else None}
        | recording_columns(trial.recording)
        | result_columns(trial.result)
    )


def recording_columns(recording: Recording | None) -> dict[str, Any]:
    """The columns that tell of the recording behind a trial."""
    return {
        "recording_path": recording.path if recording else None,
        "recording_sha256": recording.sha256 if recording else None,
        "recording_bytes": recording.n_bytes if recording else None,
        "heard_json": _json(recording.heard) if recording else None,
    }


def result_columns(result: Result | None) -> dict[str, Any]:
    """The columns that hold a result."""
    return {
        "result_version": result.version if result else None,
        "result_at": result.at if result else None,
        "figures_json": _json({name: [f.value, f.u] for name, f in result.figures.items()}) if result else None,
        "result_json": _json(result.more) if result else None,
    }


def child_rows(number: int, children: Sequence[Setting | Caught]) -> list[dict[str, Any]]:
    """Settings, conditions or catches of trial number as rows, with their place in the order."""
    return [{"trial": number, "place": place, **asdict(each)} for place, each in enumerate(children)]


def _json(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"))  # ASCII only: every database brings it back as it was


def digest(text: str) -> str:
    """The key under which the text of a site file is kept."""
    return hashlib.sha256(text.encode()).hexdigest()


def cleaned(trial: Trial) -> Trial:
    """The trial with every text storable."""
    recording = trial.recording and replace(trial.recording, path=storable(trial.recording.path))
    return replace(
        trial,
        site=storable(trial.site),
        note=storable(trial.note),
        site_text=storable(trial.site_text),
        settings=tuple(replace(each, given=storable(each.given)) for each in trial.settings),
        conditions=tuple(replace(each, given=storable(each.given)) for each in trial.conditions),
        catches=tuple(replace(each, given=storable(each.given)) for each in trial.catches),
        recording=recording,
    )


def cleaned_event(event: Event) -> Event:
    """The event with every text storable."""
    return replace(event, site=storable(event.site), text=storable(event.text))

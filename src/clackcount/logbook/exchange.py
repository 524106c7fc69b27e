"""The logbook as text and back: JSON for programs, CSV for spreadsheets. What is read is what was written, exactly.

CSV has one row a record. Single values have a column each; lists (settings, catches) and documents are JSON in one
cell, and settings once more in SI in columns of their own, which are for the reader and ignored on the way in.

History of SCHEMA: clackcount.logbook/1, first form.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from typing import Any

from clackcount.errors import LogbookError
from clackcount.logbook.records import CONDITIONS, FIGURES, SETTINGS, Event, Trial

SCHEMA = "clackcount.logbook/1"
_PLAIN = ("number", "uid", "site", "at", "removed_at", "note", "site_text")
_NESTED = ("settings", "conditions", "catches", "recording", "result")
_EVENT_ONLY = ("kind", "text")
_NUMERIC = [name for name, kind in {**SETTINGS, **CONDITIONS}.items() if kind is not None]
_SHOWN = [f"{name}_si" for name in _NUMERIC] + list(FIGURES)
COLUMNS = ("record", *_PLAIN, *_EVENT_ONLY, *_SHOWN, *_NESTED)


def to_json(trials: Iterable[Trial], events: Iterable[Event]) -> str:
    """The logbook as one JSON document."""
    document = {
        "schema": SCHEMA,
        "trials": [trial.to_dict() for trial in trials],
        "events": [event.to_dict() for event in events],
    }
    return json.dumps(document, indent=1) + "\n"


def to_csv(trials: Iterable[Trial], events: Iterable[Event]) -> str:
    """The logbook as CSV (RFC 4180), columns as COLUMNS."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    for trial in trials:
        plain = trial.to_dict()
        row: dict[str, Any] = {"record": "trial"} | {name: plain[name] for name in _PLAIN}
        row |= {name: json.dumps(plain[name], separators=(",", ":")) for name in _NESTED}
        for name in _NUMERIC:
            setting = trial.setting(name)
            row[f"{name}_si"] = "" if setting is None or setting.value is None else repr(setting.value)
        for name in FIGURES:
            figure = trial.figure(name)
            row[name] = "" if figure is None else repr(figure.value)
        writer.writerow(row)
    for event in events:
        writer.writerow({"record": "event"} | event.to_dict())
    return out.getvalue()


def read(text: str) -> tuple[list[Trial], list[Event]]:
    """The records in an export of either form.

    Raises: LogbookError naming what cannot be read.
    """
    text = text.removeprefix("\ufeff")
    if not text.strip():
        raise LogbookError("the import is empty", hint="clackcount log export writes what can be imported")
    return _from_json(text) if text.lstrip().startswith("{") else _from_csv(text)


def _from_json(text: str) -> tuple[list[Trial], list[Event]]:
    try:
        document = json.loads(text)
    except ValueError as err:
        raise LogbookError(f"the import is not readable as JSON: {err}") from err
    if document.get("schema") != SCHEMA:
        raise LogbookError(
            f"the import says it is “{document.get('schema')}”, wanted “{SCHEMA}”",
            hint="clackcount log export writes it",
        )
    return [Trial.from_dict(each) for each in document["trials"]], [
        Event.from_dict(each) for each in document["events"]
    ]


def _from_csv(text: str) -> tuple[list[Trial], list[Event]]:
    csv.field_size_limit(2**31 - 1)  # an hour of slams in one cell
    reader = csv.DictReader(io.StringIO(text, newline=""))
    missing = {"record", *_PLAIN, *_NESTED, *_EVENT_ONLY} - set(reader.fieldnames or ())
    if missing:
        raise LogbookError(
            f"the import lacks the column {min(missing)}", hint="clackcount log export writes what can be imported"
        )
    trials: list[Trial] = []
    events: list[Event] = []
    for row in reader:
        try:
            if row["record"] == "event":
                events.append(Event(**{name: row[name] for name in ("uid", "site", "at", "kind", "text")}))
            else:
                trials.append(Trial.from_dict(_trial_values(row)))
        except (ValueError, TypeError) as err:
            raise LogbookError(f"line {reader.line_num} of the import cannot be read: {err}") from err
    return trials, events


def _trial_values(row: dict[str, str]) -> dict[str, Any]:
    values: dict[str, Any] = {name: row[name] for name in _PLAIN}
    values |= {name: json.loads(row[name]) for name in _NESTED}
    return values | {"number": int(row["number"]), "removed_at": row["removed_at"] or None}


def in_order(trials: Sequence[Trial]) -> list[Trial]:
    """As exports are written: by number."""
    return sorted(trials, key=lambda trial: trial.number)

"""The store: records of a logbook in its database. Each change is one transaction, safe before it is acknowledged."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from types import TracebackType
from typing import Any

import sqlalchemy as sa

from clackcount.errors import LogbookError
from clackcount.logbook import schema
from clackcount.logbook.database import Database
from clackcount.logbook.records import Caught, Event, Recording, Result, Setting, Trial
from clackcount.logbook.rows import (
    child_rows,
    children,
    cleaned,
    cleaned_event,
    columns_of_trials,
    digest,
    recording_columns,
    result_columns,
    trial_of,
    trial_row,
)


def now_utc() -> str:
    """The time now, as the logbook writes it."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def new_uid() -> str:
    """A name for a record that no other record anywhere has."""
    return str(uuid.uuid4())


class Logbook:
    """The logbook at a database URL; a context manager. Made on first use, migrated forward where it is older.

    Raises: LogbookError, FailedError as Database does.
    """

    def __init__(self, url: str, *, now: Callable[[], str] = now_utc) -> None:
        self._now = now
        self._database = Database(url)

    def __enter__(self) -> Logbook:
        return self

    def __exit__(self, kind: type[BaseException] | None, err: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let the connections go."""
        self._database.close()

    @property
    def name(self) -> str:
        """The file, or the URL without its password."""
        return self._database.name

    # --- writing ---

    def add(self, trial: Trial) -> Trial:
        """Store a trial under the next number and return it as stored. On return it is safe on the disk."""
        with self._database.writing() as connection:
            numbered = replace(cleaned(trial), number=self._next_number(connection))
            self._insert(connection, [numbered])
        return numbered

    def remove(self, number: int) -> Trial:
        """Strike a trial out; it stays as a tombstone. Raises: LogbookError where there is none."""
        with self._database.writing() as connection:
            found = self._one(connection, number)
            if found.removed_at is not None:
                raise LogbookError(f"trial {number} was removed already, {found.removed_at}")
            gone = replace(found, removed_at=self._now())
            connection.execute(
                schema.trials.update().where(schema.trials.c.number == number).values(removed_at=gone.removed_at)
            )
        return gone

    def set_result(self, number: int, result: Result, recording: Recording | None = None) -> None:
        """Put a new result, and what was heard anew, in the place of the old.

        Raises: LogbookError where there is no such trial.
        """
        values = result_columns(result) | (recording_columns(recording) if recording else {})
        with self._database.writing() as connection:
            self._one(connection, number)
            connection.execute(schema.trials.update().where(schema.trials.c.number == number).values(**values))

    def note_event(self, event: Event) -> None:
        """Store a restart, repair or note."""
        with self._database.writing() as connection:
            connection.execute(schema.events.insert().values(**cleaned_event(event).to_dict()))

    def merge(self, trials: Iterable[Trial], events: Iterable[Event]) -> tuple[int, int, int]:
        """Take in records of another logbook, all or none; returns how many trials and events are new, and how many
        were struck out because they are struck out there.

        A trial keeps its number where that is free, else it gets the next one. Records already here are left alone.
        Raises: LogbookError for a record that is here with other contents.
        """
        with self._database.writing() as connection:
            known = {each.uid: each for each in self._load(connection, sa.select(schema.trials))}
            taken = {each.number for each in known.values()}
            fresh: list[Trial] = []
            n_struck = 0
            for trial in map(cleaned, trials):
                here = known.get(trial.uid)
                if here is None:
                    number = trial.number if trial.number > 0 and trial.number not in taken else 0
                    trial = replace(trial, number=number or max(taken, default=0) + 1)
                    taken.add(trial.number)
                    known[trial.uid] = trial
                    fresh.append(trial)
                elif not here.same(trial):
                    raise LogbookError(
                        f"trial {here.number} of this logbook and trial {trial.number} of the other have the same "
                        "identity and different contents",
                        hint="one of the two was edited by hand; nothing was imported",
                    )
                elif trial.removed_at and not here.removed_at:
                    n_struck += 1
                    where = schema.trials.c.number == here.number
                    connection.execute(schema.trials.update().where(where).values(removed_at=trial.removed_at))
            self._insert(connection, fresh)
            n_events = self._merge_events(connection, events)
        return len(fresh), n_events, n_struck

    # --- reading ---

    def get(self, number: int) -> Trial:
        """The trial with that number, tombstones too. Raises: LogbookError where there is none."""
        with self._database.reading() as connection:
            return self._one(connection, number)

    def trials(
        self,
        *,
        site: str | None = None,
        removed: bool = False,
        whole: bool = False,
        caught: bool = True,
        numbers: Sequence[int] = (),
    ) -> list[Trial]:
        """Trials in order of time, then of number. removed: tombstones too. whole: with the documents of what was
        heard and found; caught: with the catches; a list needs neither. numbers: only these, where given."""
        query = sa.select(*columns_of_trials(whole))
        if site is not None:
            query = query.where(schema.trials.c.site == site)
        if not removed:
            query = query.where(schema.trials.c.removed_at.is_(None))
        if numbers:
            query = query.where(schema.trials.c.number.in_(list(numbers)))
        with self._database.reading() as connection:
            return self._load(connection, query.order_by(schema.trials.c.at, schema.trials.c.number), whole, caught)

    def events(self, site: str | None = None) -> list[Event]:
        """Restarts, repairs and notes in order of time."""
        query = sa.select(schema.events).order_by(schema.events.c.at, schema.events.c.uid)
        if site is not None:
            query = query.where(schema.events.c.site == site)
        with self._database.reading() as connection:
            return [Event(**row) for row in connection.execute(query).mappings()]

    # --- inside ---

    def _next_number(self, connection: sa.Connection) -> int:
        return int(connection.execute(sa.select(sa.func.max(schema.trials.c.number))).scalar() or 0) + 1

    def _one(self, connection: sa.Connection, number: int) -> Trial:
        found = self._load(connection, sa.select(schema.trials).where(schema.trials.c.number == number))
        if not found:
            raise LogbookError(f"there is no trial {number} in {self.name}", hint="clackcount trial list shows them")
        return found[0]

    def _insert(self, connection: sa.Connection, trials: Sequence[Trial]) -> None:
        if not trials:
            return
        texts = {digest(trial.site_text): trial.site_text for trial in trials if trial.site_text}
        known = set(connection.execute(sa.select(schema.sites.c.sha256)).scalars())
        for table, rows in (
            (schema.sites, [{"sha256": key, "text": text} for key, text in texts.items() if key not in known]),
            (schema.trials, [trial_row(trial) for trial in trials]),
            (schema.settings, [row for trial in trials for row in child_rows(trial.number, trial.settings)]),
            (schema.conditions, [row for trial in trials for row in child_rows(trial.number, trial.conditions)]),
            (schema.catches, [row for trial in trials for row in child_rows(trial.number, trial.catches)]),
        ):
            if rows:
                connection.execute(table.insert(), rows)

    def _merge_events(self, connection: sa.Connection, events: Iterable[Event]) -> int:
        known = {row["uid"]: Event(**row) for row in connection.execute(sa.select(schema.events)).mappings()}
        n_new = 0
        for event in map(cleaned_event, events):
            if event.uid not in known:
                connection.execute(schema.events.insert().values(**event.to_dict()))
                known[event.uid] = event
                n_new += 1
            elif known[event.uid] != event:
                raise LogbookError(
                    f"the event of {event.at} at {event.site} is here with other contents; nothing was imported"
                )
        return n_new

    def _load(
        self, connection: sa.Connection, query: sa.Select[Any], whole: bool = True, caught: bool = True
    ) -> list[Trial]:
        rows = connection.execute(query).mappings().all()
        numbers = [row["number"] for row in rows]
        texts = {row[0]: row[1] for row in connection.execute(sa.select(schema.sites.c.sha256, schema.sites.c.text))}
        settings = children(connection, schema.settings, Setting, numbers)
        conditions = children(connection, schema.conditions, Setting, numbers)
        catches = children(connection, schema.catches, Caught, numbers) if caught else {}
        return [
            trial_of(row, texts, settings.get(n, []), conditions.get(n, []), catches.get(n, []), whole)
            for n, row in zip(numbers, rows, strict=True)
        ]

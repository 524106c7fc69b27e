"""The store: a logbook in a database, each change one transaction that is on the disk before it is acknowledged.

SQLite keeps one plain file: a rollback journal with synchronous=EXTRA, so that a kill or a power cut at any moment
leaves either the old state or the new one, and no companion file is needed to copy the logbook. Writers queue: they
take the write lock first (SQLite BEGIN IMMEDIATE, elsewhere a locked row), so two processes never get one number.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy import exc
from sqlalchemy.engine import URL

from clackcount.errors import FailedError, LogbookError
from clackcount.logbook import migrations, schema
from clackcount.logbook.records import Caught, Event, Figure, Recording, Result, Setting, Trial, storable

BUSY_S = 60.0  # how long a writer waits for the others
IN_ONE_QUERY = 500  # numbers in one IN (...): databases have limits
CREATING = 7_152_203  # key of PostgreSQL's advisory lock while tables are made


def now_utc() -> str:
    """The time now, as the logbook writes it."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def new_uid() -> str:
    """A name for a record that no other record anywhere has."""
    return str(uuid.uuid4())


class Logbook:
    """The logbook at a database URL; a context manager. Made on first use, migrated forward where it is older.

    Raises:
        LogbookError: the URL cannot be understood, the database is not a logbook, or a newer version wrote it.
        FailedError: it cannot be opened, or stays busy, or the disk is full.
    """

    def __init__(self, url: str, *, now: Callable[[], str] = now_utc) -> None:
        self._now = now
        try:
            self._url: URL = sa.make_url(url)
            self._file = self._sqlite_file()
            if self._file is not None:
                self._file.parent.mkdir(parents=True, exist_ok=True)
            self._engine = self._make_engine()
        except (ModuleNotFoundError, exc.NoSuchModuleError) as err:
            hint = "for PostgreSQL: pip install 'psycopg[binary]', and a URL that begins with postgresql+psycopg://"
            raise LogbookError(
                f"{self.name}: the driver for this database is not installed ({err})", hint=hint
            ) from err
        except exc.ArgumentError as err:
            hint = "a path, or a URL such as postgresql+psycopg://user@host/name"
            raise LogbookError(f"“{url}” is no place for a logbook", hint=hint) from err
        except OSError as err:
            raise FailedError(
                f"{self.name}: {err.strerror or err}", hint="choose another place: --logbook PATH"
            ) from err
        self._prepare()

    def __enter__(self) -> Logbook:
        return self

    def __exit__(self, kind: type[BaseException] | None, err: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let the connections go."""
        self._engine.dispose()

    @property
    def name(self) -> str:
        """The file, or the URL without its password."""
        if self._url.get_backend_name() == "sqlite":
            return self._url.database or "memory"
        return self._url.render_as_string(hide_password=True)

    # --- writing ---

    def add(self, trial: Trial) -> Trial:
        """Store a trial under the next number and return it as stored. On return it is safe on the disk."""
        with self._writing() as connection:
            numbered = replace(_clean(trial), number=self._next_number(connection))
            self._insert(connection, [numbered])
        return numbered

    def remove(self, number: int) -> Trial:
        """Strike a trial out; it stays as a tombstone. Raises: LogbookError where there is none."""
        with self._writing() as connection:
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
        values = _result_columns(result) | (_recording_columns(recording) if recording else {})
        with self._writing() as connection:
            self._one(connection, number)
            connection.execute(schema.trials.update().where(schema.trials.c.number == number).values(**values))

    def note_event(self, event: Event) -> None:
        """Store a restart, repair or note."""
        with self._writing() as connection:
            connection.execute(schema.events.insert().values(**_clean_event(event).to_dict()))

    def merge(self, trials: Iterable[Trial], events: Iterable[Event]) -> tuple[int, int, int]:
        """Take in records of another logbook, all or none; returns how many trials and events are new, and how many
        were struck out because they are struck out there.

        A trial keeps its number where that is free, else it gets the next one. Records already here are left alone.
        Raises: LogbookError for a record that is here with other contents.
        """
        with self._writing() as connection:
            known = {each.uid: each for each in self._load(connection, sa.select(schema.trials))}
            taken = {each.number for each in known.values()}
            fresh: list[Trial] = []
            n_struck = 0
            for trial in map(_clean, trials):
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
        with self._reading() as connection:
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
        query = sa.select(*_columns(whole))
        if site is not None:
            query = query.where(schema.trials.c.site == site)
        if not removed:
            query = query.where(schema.trials.c.removed_at.is_(None))
        if numbers:
            query = query.where(schema.trials.c.number.in_(list(numbers)))
        with self._reading() as connection:
            return self._load(connection, query.order_by(schema.trials.c.at, schema.trials.c.number), whole, caught)

    def events(self, site: str | None = None) -> list[Event]:
        """Restarts, repairs and notes in order of time."""
        query = sa.select(schema.events).order_by(schema.events.c.at, schema.events.c.uid)
        if site is not None:
            query = query.where(schema.events.c.site == site)
        with self._reading() as connection:
            return [Event(**row) for row in connection.execute(query).mappings()]

    def site_names(self) -> list[str]:
        """Every site with a trial or an event."""
        with self._reading() as connection:
            names = connection.execute(sa.union(sa.select(schema.trials.c.site), sa.select(schema.events.c.site)))
            return sorted(row[0] for row in names)

    # --- inside ---

    def _sqlite_file(self) -> Path | None:
        database = self._url.database
        if self._url.get_backend_name() != "sqlite" or not database or database == ":memory:":
            return None
        return Path(database)

    def _make_engine(self) -> sa.Engine:
        if self._url.get_backend_name() != "sqlite":
            return sa.create_engine(self._url, pool_pre_ping=True)
        # A pool would keep a file open that the person may want to copy or replace.
        engine = sa.create_engine(
            self._url, connect_args={"timeout": BUSY_S}, poolclass=sa.NullPool if self._file else sa.StaticPool
        )

        @sa.event.listens_for(engine, "connect")
        def _set_up(raw: sqlite3.Connection, _: Any) -> None:
            raw.isolation_level = None  # the driver must not begin transactions of its own; we do, below
            for pragma in ("journal_mode=DELETE", "synchronous=EXTRA", "foreign_keys=ON"):
                raw.execute(f"PRAGMA {pragma}").close()

        @sa.event.listens_for(engine, "begin")
        def _begin(connection: sa.Connection) -> None:
            writes = connection.get_execution_options().get("writes", False)
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

        return engine

    def _prepare(self) -> None:
        with self._reading() as connection:
            version = migrations.version_of(connection)
        if version == schema.VERSION:
            return
        with self._guarded(), self._engine.connect().execution_options(writes=True) as connection, connection.begin():
            if self._url.get_backend_name() == "postgresql":
                connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({CREATING})"))
            version = migrations.version_of(connection)  # again: another process may have been quicker
            if version is not None:
                migrations.check_not_newer(version, self.name)
                if version < schema.VERSION:
                    self._keep_copy(version)
            elif self._file is not None and sa.inspect(connection).get_table_names():
                raise LogbookError(f"{self.name}: is a database of something else", hint="choose another file")
            migrations.bring_up(connection, version)

    def _keep_copy(self, version: int) -> None:
        """The old file beside the new one, whole or not at all. Servers have backups of their own."""
        if self._file is None:
            return
        kept = self._file.with_name(f"{self._file.name}.layout-{version}")
        draft = kept.with_name(f"{kept.name}.part-{os.getpid()}")
        source, target = sqlite3.connect(f"file:{self._file}?mode=ro", uri=True), sqlite3.connect(draft)
        try:
            source.backup(target)
        finally:
            source.close()
            target.close()
        os.replace(draft, kept)

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        """Database errors as errors for people."""
        try:
            yield
        except exc.DatabaseError as err:
            said = " ".join(str(err.orig).split())
            if "not a database" in said:
                raise LogbookError(
                    f"{self.name}: is not a logbook", hint="choose another file: --logbook PATH"
                ) from err
            if "locked" in said:
                raise FailedError(f"{self.name}: another program is writing to it; tried for {BUSY_S:.0f} s") from err
            raise FailedError(f"{self.name}: {said}", hint="choose another place: --logbook PATH|URL") from err

    @contextmanager
    def _reading(self) -> Iterator[sa.Connection]:
        with self._guarded(), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        with self._guarded(), self._engine.connect().execution_options(writes=True) as connection, connection.begin():
            lock = sa.select(schema.meta).where(schema.meta.c.name == "schema").with_for_update()
            found = connection.execute(lock).one()
            migrations.check_not_newer(int(found.value), self.name)
            yield connection

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
        texts = {_digest(trial.site_text): trial.site_text for trial in trials if trial.site_text}
        known = set(connection.execute(sa.select(schema.sites.c.sha256)).scalars())
        for table, rows in (
            (schema.sites, [{"sha256": key, "text": text} for key, text in texts.items() if key not in known]),
            (schema.trials, [_trial_row(trial) for trial in trials]),
            (schema.settings, [row for trial in trials for row in _child_rows(trial.number, trial.settings)]),
            (schema.conditions, [row for trial in trials for row in _child_rows(trial.number, trial.conditions)]),
            (schema.catches, [row for trial in trials for row in _child_rows(trial.number, trial.catches)]),
        ):
            if rows:
                connection.execute(table.insert(), rows)

    def _merge_events(self, connection: sa.Connection, events: Iterable[Event]) -> int:
        known = {row["uid"]: Event(**row) for row in connection.execute(sa.select(schema.events)).mappings()}
        n_new = 0
        for event in map(_clean_event, events):
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
        settings = _children(connection, schema.settings, Setting, numbers)
        conditions = _children(connection, schema.conditions, Setting, numbers)
        catches = _children(connection, schema.catches, Caught, numbers) if caught else {}
        return [
            _trial(row, texts, settings.get(n, []), conditions.get(n, []), catches.get(n, []), whole)
            for n, row in zip(numbers, rows, strict=True)
        ]


def _columns(whole: bool) -> list[sa.Column[Any]]:
    heavy = set() if whole else {"heard_json", "result_json"}
    return [column for column in schema.trials.c if column.name not in heavy]


_Child = TypeVar("_Child", Setting, Caught)


def _children(
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


def _trial(
    row: sa.RowMapping,
    texts: dict[str, str],
    settings: list[Setting],
    conditions: list[Setting],
    catches: list[Caught],
    whole: bool,
) -> Trial:
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


def _trial_row(trial: Trial) -> dict[str, Any]:
    named = ("number", "uid", "site", "at", "note", "removed_at")
    return (
        {name: getattr(trial, name) for name in named}
        | {"site_sha256": _digest(trial.site_text) if trial.site_text else None}
        | _recording_columns(trial.recording)
        | _result_columns(trial.result)
    )


def _recording_columns(recording: Recording | None) -> dict[str, Any]:
    return {
        "recording_path": recording.path if recording else None,
        "recording_sha256": recording.sha256 if recording else None,
        "recording_bytes": recording.n_bytes if recording else None,
        "heard_json": _json(recording.heard) if recording else None,
    }


def _result_columns(result: Result | None) -> dict[str, Any]:
    return {
        "result_version": result.version if result else None,
        "result_at": result.at if result else None,
        "figures_json": _json({name: [f.value, f.u] for name, f in result.figures.items()}) if result else None,
        "result_json": _json(result.more) if result else None,
    }


def _child_rows(number: int, children: Sequence[Setting | Caught]) -> list[dict[str, Any]]:
    return [{"trial": number, "place": place, **asdict(each)} for place, each in enumerate(children)]


def _json(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"))  # ASCII only: every database brings it back as it was


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _clean(trial: Trial) -> Trial:
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


def _clean_event(event: Event) -> Event:
    return replace(event, site=storable(event.site), text=storable(event.text))

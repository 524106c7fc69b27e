"""The database under a logbook: opened, prepared or migrated, and each use of it one transaction.

SQLite keeps one plain file: a rollback journal with synchronous=EXTRA, so that a kill or a power cut at any moment
leaves either the old state or the new one, and no companion file is needed to copy the logbook. Writers queue: they
take the write lock first (SQLite BEGIN IMMEDIATE, elsewhere a locked row), so two processes never get one number.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import exc
from sqlalchemy.engine import URL

from clackcount.errors import FailedError, LogbookError
from clackcount.logbook import migrations, schema

BUSY_S = 60.0  # how long a writer waits for the others
CREATING = 7_152_203  # key of PostgreSQL's advisory lock while tables are made


class Database:
    """The database at a URL, with the tables of today in it.

    Raises:
        LogbookError: the URL cannot be understood, the database is not a logbook, or a newer version wrote it.
        FailedError: it cannot be opened, or stays busy, or the disk is full.
    """

    def __init__(self, url: str) -> None:
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

    def close(self) -> None:
        """Let the connections go."""
        self._engine.dispose()

    @property
    def name(self) -> str:
        """The file, or the URL without its password."""
        if self._url.get_backend_name() == "sqlite":
            return self._url.database or "memory"
        return self._url.render_as_string(hide_password=True)

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection for one consistent look."""
        with self._guarded(), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """A connection that alone may write until it is let go; what it wrote is then on the disk, all or nothing."""
        with self._guarded(), self._engine.connect().execution_options(writes=True) as connection, connection.begin():
            lock = sa.select(schema.meta).where(schema.meta.c.name == "schema").with_for_update()
            found = connection.execute(lock).one()
            migrations.check_not_newer(int(found.value), self.name)
            yield connection

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
        with self.reading() as connection:
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

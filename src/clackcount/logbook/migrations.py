"""From an older layout to the one of today, one named step after another, inside the caller's transaction.

A step is written in the SQL of its day and never touched again: it must not lean on ``schema``, which moves on.
"""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import Connection, inspect, text

from clackcount.errors import LogbookError
from clackcount.logbook import schema

META = "clackcount_meta"


def _add_events(connection: Connection) -> None:
    """1 → 2: restarts and repairs."""
    connection.execute(
        text(
            "CREATE TABLE clackcount_event (uid VARCHAR(36) NOT NULL PRIMARY KEY, site VARCHAR(200) NOT NULL, "
            "at VARCHAR(32) NOT NULL, kind VARCHAR(10) NOT NULL, text TEXT NOT NULL)"
        )
    )
    connection.execute(text("CREATE INDEX ix_clackcount_event_site ON clackcount_event (site)"))


STEPS: dict[int, Callable[[Connection], None]] = {1: _add_events}  # from this version to the next


def version_of(connection: Connection) -> int | None:
    """The layout's version; None for a database without a logbook."""
    if META not in inspect(connection).get_table_names():
        return None
    found = connection.execute(text(f"SELECT value FROM {META} WHERE name = 'schema'")).scalar()
    return int(found) if found is not None else None


def check_not_newer(version: int, name: str) -> None:
    """Raise LogbookError for a logbook of a later layout than this program knows."""
    if version > schema.VERSION:
        raise LogbookError(
            f"{name}: layout {version}, and this clackcount knows layouts up to {schema.VERSION}",
            hint="a newer clackcount wrote it: update this one",
        )


def bring_up(connection: Connection, version: int | None) -> None:
    """Make or migrate the tables; version as version_of found it."""
    if version is None:
        schema.metadata.create_all(connection)
        connection.execute(schema.meta.insert().values(name="schema", value=str(schema.VERSION)))
        return
    while version < schema.VERSION:
        STEPS[version](connection)
        version += 1
    connection.execute(schema.meta.update().where(schema.meta.c.name == "schema").values(value=str(version)))

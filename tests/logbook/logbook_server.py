"""The PostgreSQL server that the logbook tests also run on, where there is one.

It is named by CLACKCOUNT_TEST_POSTGRESQL, a URL whose database may be written to; .ci/run starts one.
"""

from __future__ import annotations

import os

import pytest
import sqlalchemy as sa

from clackcount.logbook import schema

SERVER = os.environ.get("CLACKCOUNT_TEST_POSTGRESQL", "")


def server_url() -> str:
    """The URL of the test server; skips with the reason where there is none. Each pytest worker has its own part."""
    if not SERVER:
        pytest.skip("CLACKCOUNT_TEST_POSTGRESQL names no server (.ci/run starts one where PostgreSQL is installed)")
    pytest.importorskip("psycopg", reason="the PostgreSQL driver psycopg is not installed")
    part = os.environ.get("PYTEST_XDIST_WORKER", "alone")
    engine = sa.create_engine(SERVER)
    with engine.begin() as connection:
        connection.execute(sa.schema.CreateSchema(part, if_not_exists=True))
    engine.dispose()
    return f"{SERVER}?options=-csearch_path%3D{part}"


def emptied(url: str) -> str:
    """url, with no logbook left in its database."""
    engine = sa.create_engine(url)
    schema.metadata.drop_all(engine)
    engine.dispose()
    return url

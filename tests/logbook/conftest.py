"""A fresh logbook in a file, and one on a PostgreSQL server where there is one."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from logbook_server import emptied, server_url

from clackcount.logbook.store import Logbook


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request, tmp_path: Path) -> str:
    """The URL of an empty logbook, of each kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'logbook.sqlite'}"
    return emptied(server_url())


@pytest.fixture
def book(url: str) -> Iterator[Logbook]:
    """An empty logbook."""
    with Logbook(url) as opened:
        yield opened

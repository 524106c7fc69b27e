"""Cycles as comma-separated values (RFC 4180, but with plain line feeds): one row a cycle, empty where not heard."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from itertools import islice

from clackcount.model import Listening
from clackcount.report import cycles

# Column and its digits after the point. Times to 0.1 ms, the best that a placed slam can carry.
_DIGITS = {
    "pump": None,
    "slam_s": 4,
    "interval_s": 4,
    "rate_per_min": 2,
    "strength_db": 1,
    "confidence": 2,
    "reopen_s": 4,
    "open_s": 4,
    "shut_s": 4,
    "beating": None,
}
COLUMNS = ("file", *_DIGITS)
ROWS_AT_ONCE = 4096


def header() -> str:
    """The line of column names."""
    return _lines([COLUMNS])


def pieces(listening: Listening) -> Iterator[str]:
    """The rows of one recording, without the header, so that several recordings make one table."""
    path = listening.recording.path
    rows = cycles.of(listening.beats.train, listening.running)
    while some := list(islice(rows, ROWS_AT_ONCE)):
        yield _lines((path, *_cells(row)) for row in some)


def _cells(cycle: cycles.Cycle) -> tuple[str, ...]:
    return tuple(_cell(getattr(cycle, name), digits) for name, digits in _DIGITS.items())


def _cell(value: float | int | bool | None, digits: int | None) -> str:
    if value is None:
        return ""
    return str(int(value)) if digits is None else f"{value:.{digits}f}"


def _lines(rows: Iterable[tuple[str, ...]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()

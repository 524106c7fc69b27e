"""The document as one line of JSON (RFC 8259), in pieces, so that a night of slams never stands in memory twice."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from clackcount import document
from clackcount.errors import ClackcountError
from clackcount.model import Listening

SLAMS_AT_ONCE = 4096
_NO_SLAMS = '"slams": []'  # inside a string its quotes would be escaped, so the first one is the field itself


def pieces(listening: Listening, *, water: dict[str, Any] | None = None) -> Iterator[str]:
    """What json.dumps(listening.to_dict()) gives, and a line feed; water: what a measurement at the site adds."""
    train = listening.beats.train
    before, after = _dumped(
        document.of_listening(listening, with_slams=False) | ({} if water is None else {"water": water})
    ).split(_NO_SLAMS, maxsplit=1)
    yield before + _NO_SLAMS[:-1]
    for start in range(0, len(train), SLAMS_AT_ONCE):
        rows = _dumped(document.slam_rows(train, start, start + SLAMS_AT_ONCE))
        yield (", " if start else "") + rows[1:-1]
    yield "]" + after + "\n"


def error_line(path: str, error: ClackcountError) -> str:
    """The line that stands in the place of a recording that cannot be used."""
    return _dumped(document.of_error(path, error)) + "\n"


def _dumped(content: Any) -> str:
    return json.dumps(content, allow_nan=False)  # plain ASCII: passes through any pipe, whatever the file's name

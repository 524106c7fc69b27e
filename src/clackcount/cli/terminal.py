"""How the commands speak: one-line errors on stderr, colour only where wanted, no wider than the screen."""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

import click

from clackcount.errors import ClackcountError, FailedError, one_line

WIDTH = 80
DEBUG_VARIABLE = "CLACKCOUNT_DEBUG"

_STYLES = {
    "strong": {"bold": True},
    "faint": {"dim": True},
    "act": {"fg": "red", "bold": True},
    "watch": {"fg": "yellow", "bold": True},
    "info": {"bold": True},
}


def say(line: str) -> None:
    """One line on stderr."""
    click.echo(line, err=True)


def put_json(document: dict[str, Any]) -> None:
    """One document on stdout."""
    click.echo(json.dumps(document, ensure_ascii=False))


def put(lines: Iterable[str]) -> None:
    """Lines on stdout."""
    for line in lines:
        click.echo(line, color=colour_wanted())


def error_line(err: ClackcountError, about: str = "") -> str:
    """What was wrong, with the file or value it is about, and the hint: one line."""
    message = one_line(err)
    about = "standard input" if about == "-" else one_line(about)
    if about and not message.startswith(f"{about}:"):
        message = f"{about}: {message}"
    kind = "error" if err.exit_code == 2 else "failed"
    return f"{kind}: {message}" + (f" (hint: {one_line(err.hint)})" if err.hint else "")


@contextmanager
def naming(path: str) -> Iterator[None]:
    """Errors raised inside say which of the things given they are about."""
    try:
        yield
    except ClackcountError as err:
        raise type(err)(f"{path}: {err}", hint=err.hint, code=err.code) from err


def interrupted(err: BaseException) -> bool:
    """Whether Ctrl-C lies behind it: while a library is being imported Python may wrap it as another error."""
    behind = err.__cause__ or err.__context__
    return isinstance(err, KeyboardInterrupt) or (behind is not None and interrupted(behind))


def fault(err: BaseException) -> FailedError:
    """An error that nobody foresaw, as one that says it is ours."""
    if "cannot cache function" in str(err):  # on import, where neither its own folder nor the home can be written
        return FailedError(
            "the compiler in librosa finds no folder to write to",
            hint="set NUMBA_CACHE_DIR to one, as in NUMBA_CACHE_DIR=/tmp/mine",
            code="no-cache",
        )
    what = one_line(f"{type(err).__name__}: {err}").rstrip(".: ")
    message = f"{what}. This is a fault in clackcount; run with {DEBUG_VARIABLE}=1 for the details."
    return FailedError(message, code="fault")


def excused(err: Exception, path: str) -> ClackcountError:
    """What was wrong with one recording of several, said, so that the next has its turn.

    Raises: KeyboardInterrupt where Ctrl-C lies behind it; the error itself where somebody looks for a fault of ours.
    """
    if interrupted(err):
        raise KeyboardInterrupt from err
    if isinstance(err, ClackcountError):
        error = err
    elif os.environ.get(DEBUG_VARIABLE):
        raise err
    else:
        error = fault(err)
    say(error_line(error, about=path))
    return error


def colour_wanted() -> bool:
    """Colour on a terminal only, and not where NO_COLOR (no-color.org) or a plain terminal says no."""
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return False
    return sys.stdout is not None and sys.stdout.isatty()


def paint(text: str, role: str) -> str:
    """text in the colour of its role."""
    return click.style(text, **_STYLES[role]) if role in _STYLES else text  # type: ignore[arg-type]


def width() -> int:
    """Columns to write in: the screen's where it is narrower than 80, as on a phone."""
    return min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns)

"""Everything that can go wrong for a person, as one family of exceptions.

A message says what is wrong with which value; the hint says what to do. The command line turns both into
one line at a single place (``cli.main``). ``exit_code`` is 2 for what was typed or given, 1 for what failed.
"""

from __future__ import annotations

_CONTROL = dict.fromkeys([*range(32), *range(127, 160)], "?")  # would move or colour what is on the screen


def one_line(words: object) -> str:
    """words on a single line, whatever the message of a library or the name of a file looks like."""
    return " ".join(str(words).split()).translate(_CONTROL)


class ClackcountError(Exception):
    """Base of all errors meant for a person.

    code: a short stable word for programs, such as "no-audio".
    hint: what to do about it, or "" where the message says it all.
    """

    code = "error"
    exit_code = 2

    def __init__(self, message: str, *, hint: str = "", code: str | None = None) -> None:
        super().__init__(message)
        self.hint = hint
        if code is not None:
            self.code = code


class RecordingError(ClackcountError):
    """A recording that cannot be used: missing, empty, no sound in it, damaged at the start."""

    code = "recording"


class QuantityError(ClackcountError, ValueError):
    """Text that is not a quantity of the wanted kind, or a value outside what can be true."""

    code = "quantity"


class SiteError(ClackcountError, ValueError):
    """A site file that cannot be read, or that contradicts itself."""

    code = "site"


class TimesError(ClackcountError, ValueError):
    """Times that cannot be slam times: unordered, negative, after the end of the recording."""

    code = "times"


class SettingError(ClackcountError, ValueError):
    """A threshold or option outside its range."""

    code = "setting"


class LogbookError(ClackcountError, ValueError):
    """A logbook that cannot be used as asked: no such trial, no logbook at all, made by a newer version."""

    code = "logbook"


class FailedError(ClackcountError):
    """Something failed that the person did not cause: a full disk, a busy database."""

    code = "failed"
    exit_code = 1

"""What the commands about the logbook share: which logbook, which site, which trials, when, and a chart of it."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from clackcount.cli import terminal
from clackcount.errors import FailedError, QuantityError

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

    from matplotlib.figure import Figure

    from clackcount.logbook.store import Logbook


def open_logbook(asked: str | None) -> Logbook:
    """The logbook asked for, or the usual one."""
    from clackcount.logbook.place import url_of
    from clackcount.logbook.store import Logbook

    return Logbook(url_of(asked))


def utc_of(text: str | None) -> str:
    """The moment text says, in UTC as the logbook writes it; now for None. Without an offset, local time is meant.

    Raises: QuantityError where it is no time.
    """
    from clackcount.logbook.store import now_utc

    if text is None:
        return now_utc()
    try:
        moment = datetime.fromisoformat(text.strip())
        return moment.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    except (ValueError, OverflowError) as err:
        raise QuantityError(
            f"--at: “{text}” is no date and time", hint='write for example "2026-03-01 10:30"'
        ) from err


def numbers_of(text: str) -> list[int]:
    """ "3,5-7" as [3, 5, 6, 7]. Raises: QuantityError where it names no trials."""
    found: list[int] = []
    for part in text.split(","):
        ends = re.fullmatch(r"\s*(\d{1,9})\s*(?:-\s*(\d{1,9})\s*)?", part)
        if ends is None:
            raise QuantityError(f"“{text}” names no trials", hint='write 3, or "3,5", or "3-6"')
        last = int(ends[2] or ends[1])
        if last - int(ends[1]) > 1000:
            raise QuantityError(f"“{text}” names more than a thousand trials")
        found += range(int(ends[1]), last + 1)
    return list(dict.fromkeys(found))


def site_named(asked: str) -> tuple[str, str]:
    """(name, text of the site file or "") of a site given by its file or by its name.

    Raises: SiteError where the file cannot be read.
    """
    from clackcount.cli.site import read_text
    from clackcount.hydraulics import Site

    if not Path(asked).is_file():
        return asked, ""
    text = read_text(asked)
    site = Site.read(text, asked)
    return site.name or Path(asked).stem, text


def drawn(path: str | None, draw: Callable[[ModuleType], Figure]) -> None:
    """Write the figure that draw makes with the module of figures to path as a PNG, where one was asked for."""
    if path is None:
        return
    from clackcount.report import figures
    from clackcount.report.write import write

    if Path(path).is_dir():
        raise FailedError(f"{path}: is a folder", hint="give the chart a file name")
    write(path, figures.png(draw(figures)))
    terminal.say(f"drew {path}")

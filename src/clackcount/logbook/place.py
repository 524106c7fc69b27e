"""Where the logbook is: what was asked for, else CLACKCOUNT_LOGBOOK, else a file in the user's data folder."""

from __future__ import annotations

import os
import sys
from pathlib import Path

VARIABLE = "CLACKCOUNT_LOGBOOK"
FILE_NAME = "logbook.sqlite"


def data_folder(environment: dict[str, str] | None = None, platform: str = sys.platform) -> Path:
    """The folder for a user's data: as the XDG base directory specification, macOS and Windows have it."""
    env = dict(os.environ) if environment is None else environment
    home = Path(env.get("HOME") or Path.home())
    if platform == "win32":
        base = Path(env.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        asked = env.get("XDG_DATA_HOME", "")
        # The specification has relative paths ignored.
        base = Path(asked) if asked and Path(asked).is_absolute() else home / ".local" / "share"
    return base / "clackcount"


def url_of(asked: str | None = None) -> str:
    """The database URL of the logbook asked for: a URL as it is, a path as a SQLite file; None for the usual one."""
    wanted = asked or os.environ.get(VARIABLE) or str(data_folder() / FILE_NAME)
    return wanted if "://" in wanted else f"sqlite:///{Path(wanted).expanduser().absolute()}"

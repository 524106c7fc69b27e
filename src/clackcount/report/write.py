"""The one place where a report becomes a file."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from clackcount.errors import FailedError


def write(path: str | os.PathLike[str], content: str | bytes) -> Path:
    """Put content into the file at path, whole or not at all; text as UTF-8. Returns the path.

    A reader never sees half a report, and an older one stays in place if the disk is full. A link stays a link, and
    what is no file (a device, a pipe) is written to and not replaced.

    Raises:
        FailedError: the file cannot be written.
    """
    asked = Path(path)
    target = Path(os.path.realpath(path))
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        if asked.exists() and not asked.is_file() and not asked.is_dir():
            asked.write_bytes(data)
            return asked
        handle, draft = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            os.chmod(draft, 0o666 & ~_umask())
            os.replace(draft, target)
        except BaseException:
            Path(draft).unlink(missing_ok=True)
            raise
    except OSError as err:
        hint = "is the folder there?" if isinstance(err, FileNotFoundError) else ""
        raise FailedError(f"{path}: cannot be written: {err.strerror or err}", hint=hint) from err
    return asked


def _umask() -> int:
    """The umask; Python can only read it by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask

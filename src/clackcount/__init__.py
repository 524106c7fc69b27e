"""clackcount: waste-valve slams of a hydraulic ram, counted from a phone recording.

import clackcount
listening = clackcount.listen("ram.m4a")
listening.to_dict()["rate_per_min"]
"""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from clackcount.errors import ClackcountError
    from clackcount.model import Listening
    from clackcount.recording import open_recording

__version__ = "0.1.0"
__all__ = ["ClackcountError", "Listening", "__version__", "listen", "open_recording"]

# Public name -> module that holds it. Loaded on first use, so that `import clackcount` costs nothing.
_HOME = {
    "ClackcountError": "clackcount.errors",
    "Listening": "clackcount.model",
    "open_recording": "clackcount.recording",
}


def listen(path: str | os.PathLike[str], *, on_progress: Callable[[float], None] | None = None) -> Listening:
    """What was heard in the recording at path ("-": a WAV stream on standard input).

    on_progress: called now and then with the seconds of sound heard so far.

    Raises:
        RecordingError: the recording cannot be used.
    """
    from clackcount import pipeline
    from clackcount.recording import open_recording

    with open_recording(path) as recording:
        return pipeline.listen(recording, on_progress=on_progress)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = globals()[name] = getattr(importlib.import_module(_HOME[name]), name)
    return value


def __dir__() -> list[str]:
    return sorted(__all__)

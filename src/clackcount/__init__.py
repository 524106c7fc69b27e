"""clackcount: waste-valve slams of a hydraulic ram, counted from a phone recording.

import clackcount
listening = clackcount.listen("ram.m4a")
listening.to_dict()["rate_per_min"]

site = clackcount.Site.read(open("spring.toml", encoding="utf-8").read())
catches = [clackcount.Catch.read("1.5 cup in 60 s")]
clackcount.measure(site, catches, clackcount.Heard.of(listening, catches)).efficiency_daubuisson
"""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from clackcount.errors import ClackcountError
    from clackcount.hydraulics import Catch, Heard, Site
    from clackcount.hydraulics.measure import measure
    from clackcount.hydraulics.predict import predict
    from clackcount.model import Listening
    from clackcount.recording import open_recording

__version__ = "0.1.0"
__all__ = [
    "Catch",
    "ClackcountError",
    "Heard",
    "Listening",
    "Site",
    "__version__",
    "listen",
    "measure",
    "open_recording",
    "predict",
]

# Public name -> module that holds it. Loaded on first use, so that `import clackcount` costs nothing.
_HOME = {
    "Catch": "clackcount.hydraulics",
    "ClackcountError": "clackcount.errors",
    "Heard": "clackcount.hydraulics",
    "Listening": "clackcount.model",
    "Site": "clackcount.hydraulics",
    "measure": "clackcount.hydraulics",
    "open_recording": "clackcount.recording",
    "predict": "clackcount.hydraulics",
}


def listen(path: str | os.PathLike[str], *, on_progress: Callable[[float], None] | None = None) -> Listening:
    """What was heard in the recording at path ("-": a WAV stream on standard input).

    on_progress: called now and then with the seconds of sound heard so far.
    While it listens, matrix products get one thread in the whole process; then as many as before.

    Raises:
        RecordingError: the recording cannot be used.
    """
    from threadpoolctl import threadpool_limits

    from clackcount import pipeline
    from clackcount.recording import open_recording

    # Small products gain nothing from a second thread, and waiting for one costs more where the machine is busy.
    with open_recording(path) as recording, threadpool_limits(limits=1, user_api="blas"):
        return pipeline.listen(recording, on_progress=on_progress)


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = globals()[name] = getattr(importlib.import_module(_HOME[name]), name)
    return value


def __dir__() -> list[str]:
    return sorted(__all__)

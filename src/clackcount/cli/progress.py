"""Hearing one recording, with a bar on stderr where it takes more than a second and a person can see it."""

from __future__ import annotations

import sys
import time
from pathlib import PurePath
from types import TracebackType
from typing import TYPE_CHECKING

from clackcount.units import clock

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from clackcount.model import Listening

PATIENCE_S = 1.0  # shorter than this, a bar is only a flicker


def hear(path: str) -> Listening:
    """The Listening of one recording, with a bar while it takes long."""
    from clackcount import pipeline
    from clackcount.recording import open_recording

    with open_recording(path) as recording:
        n_frames = recording.n_frames_hint
        total_s = n_frames / recording.sample_rate_hz if n_frames else None
        with HeardSoFar(PurePath(path).name, total_s) as on_progress:
            return pipeline.listen(recording, on_progress=on_progress)


class HeardSoFar:
    """Call it with the seconds of sound heard so far; use it as a context manager so that the bar goes away.

    total_s: length of the recording, None where it is not known (a pipe).
    """

    def __init__(self, name: str, total_s: float | None) -> None:
        self._name = name
        self._total_s = total_s
        self._begun_s = time.monotonic()
        self._bar: Progress | None = None
        self._task: TaskID | None = None
        self._wanted = sys.stderr is not None and sys.stderr.isatty()

    def __enter__(self) -> HeardSoFar:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, heard_s: float) -> None:
        if not self._wanted:
            return
        if self._bar is None:
            if time.monotonic() - self._begun_s < PATIENCE_S:
                return
            self._bar, self._task = _new_bar(self._name, self._total_s)
        assert self._task is not None
        self._bar.update(self._task, completed=heard_s, heard=clock(heard_s))


def _new_bar(name: str, total_s: float | None) -> tuple[Progress, TaskID]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    bar = Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=24),
        TextColumn("{task.fields[heard]} heard"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    task = bar.add_task(name, total=total_s, heard="00:00")
    bar.start()
    return bar, task

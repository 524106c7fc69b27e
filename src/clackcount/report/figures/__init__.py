"""Pictures of a recording: results in, matplotlib figures out. Pure; nothing is shown, nothing is written.

Each function takes a Listening (and what else it needs), a width in pixels of a screen, and gives a Figure. ``png``
and ``svg`` turn a Figure into what a file or a page holds.
"""

from __future__ import annotations

from collections.abc import Iterator

from matplotlib.figure import Figure

from clackcount.model import Listening
from clackcount.report.figures.cycle import cycle
from clackcount.report.figures.intervals import intervals, of_loudest
from clackcount.report.figures.paper import png, svg
from clackcount.report.figures.strip import strip
from clackcount.report.profile import Profile

__all__ = ["all_of", "cycle", "intervals", "png", "strip", "svg"]


def all_of(listening: Listening, profile: Profile | None = None) -> Iterator[tuple[str, Figure]]:
    """(name, figure) of each picture that there is something to draw for."""
    yield "strip", strip(listening)
    if profile is not None:
        yield "beat", cycle(profile)
    if len(of_loudest(listening)) >= 2:
        yield "intervals", intervals(listening)

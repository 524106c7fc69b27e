"""Pictures of a recording and of trials: results in, matplotlib figures out. Pure: nothing is shown or written.

Each function takes a Listening, or what trials showed, and a width in pixels of a screen, and gives a Figure. ``png``
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
from clackcount.report.figures.trials import WIDTH_PX as TRIALS_PX
from clackcount.report.figures.trials import choice, course, listed, ratios
from clackcount.report.profile import Profile

__all__ = ["TRIALS_PX", "all_of", "choice", "course", "cycle", "intervals", "listed", "png", "ratios", "strip", "svg"]


def all_of(listening: Listening, profile: Profile | None = None) -> Iterator[tuple[str, Figure]]:
    """(name, figure) of each picture that there is something to draw for."""
    yield "strip", strip(listening)
    if profile is not None:
        yield "beat", cycle(profile)
    if len(of_loudest(listening)) >= 2:
        yield "intervals", intervals(listening)

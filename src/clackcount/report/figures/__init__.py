"""Pictures of a recording: results in, matplotlib figures out. Pure; nothing is shown, nothing is written.

Each function takes a Listening (and what else it needs), a width in pixels of a screen, and gives a Figure. ``png``
and ``svg`` turn a Figure into what a file or a page holds.
"""

from clackcount.report.figures.cycle import cycle
from clackcount.report.figures.intervals import intervals
from clackcount.report.figures.paper import png, svg
from clackcount.report.figures.strip import strip

__all__ = ["cycle", "intervals", "png", "strip", "svg"]

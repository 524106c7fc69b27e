"""Pictures of a recording and of trials as matplotlib figures: ``figures.strip(clackcount.listen("ram.m4a"))``."""

from clackcount.report.figures import all_of, choice, course, cycle, intervals, listed, png, ratios, strip, svg
from clackcount.report.profile import Profile
from clackcount.report.profile import of as profile

__all__ = [
    "Profile", "all_of", "choice", "course", "cycle", "intervals", "listed", "png", "profile", "ratios", "strip",
    "svg",
]  # fmt: skip

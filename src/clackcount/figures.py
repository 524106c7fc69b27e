"""Pictures of a recording as matplotlib figures: ``figures.strip(clackcount.listen("ram.m4a"))``."""

from clackcount.report.figures import all_of, cycle, intervals, png, strip, svg
from clackcount.report.profile import Profile
from clackcount.report.profile import of as profile

__all__ = ["Profile", "all_of", "cycle", "intervals", "png", "profile", "strip", "svg"]

"""From impacts to slams, cycles, rate and regularity."""

from clackcount.beats.rate import rate_of
from clackcount.beats.regularity import Rate

__all__ = ["Rate", "rate_of"]

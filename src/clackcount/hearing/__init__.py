"""From samples to impacts: the transform that all stages share, what stands out in it, and where it began."""

from clackcount.hearing.impacts import find_impacts

__all__ = ["find_impacts"]

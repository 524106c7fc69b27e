"""What the trade does before there is a curve to read: one careful step, and the reason for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

STEP = 1.25  # a quarter: more than reading errors hide, less than stalls most rams (common practice, no source)

_MORE = {"stroke": "lengthen the valve's stroke", "weight": "add weight to the valve"}
_LESS = {"stroke": "shorten the valve's stroke", "weight": "take weight off the valve"}

SETTLE = "Change this one thing only, let the ram settle some minutes, then listen and catch three times."


@dataclass(frozen=True, slots=True)
class Move:
    """Where to go next, and why, in a plain sentence."""

    to: float
    why: str


def first_moves(over: str, aim: str, tried: Sequence[tuple[float, float]], *, thirsty: bool) -> Move:
    """The next step from one or two settings. tried: (setting, what the aim wants much of) in order of the setting.

    thirsty: the ram takes more than the supply gives. Common practice, no source; the direction (a longer stroke or
    more weight: a slower beat with more water in each) is in the trade's handbooks.
    """
    best = max(tried, key=lambda pair: pair[1])[0]
    low, high = tried[0][0], tried[-1][0]
    if thirsty:
        return Move(low / STEP, f"It takes more than the supply gives: {_LESS[over]}, so that each beat wastes less.")
    if len(tried) == 1:
        if aim == "least-waste":
            return Move(low / STEP, f"To waste less, {_LESS[over]} by a fifth: the beat quickens and wastes less.")
        return Move(high * STEP, f"For more water, {_MORE[over]} by a quarter: the beat slows and each brings more.")
    if best == high:
        return Move(high * STEP, f"More did better so far: {_MORE[over]} by another quarter.")
    return Move(low / STEP, f"Less did better so far: {_LESS[over]} by another fifth.")


def other_way(over: str, settings: Sequence[float], move: Move) -> Move:
    """The step to the other end of what was tried, for when the valve has no room for move."""
    if move.to > settings[-1]:
        return Move(settings[0] / STEP, f"The valve has no room further that way: {_LESS[over]} by a fifth instead.")
    return Move(settings[-1] * STEP, f"The valve has no room further that way: {_MORE[over]} by a quarter instead.")

"""Single values as words: moments, intervals, confidences, shares. Rounding must not lie. Pure."""

from __future__ import annotations

import math

from clackcount.model import State, Stretch

UNSURE = 0.5  # below this a state, a cause or a ram is told with a word of doubt
STILL_UNSURE = 0.6  # the same of quiet and rushing, between which 0.5 is no better than a coin


def doubtful(stretch: Stretch) -> bool:
    """Whether a state is told with a word of doubt."""
    return stretch.confidence < (STILL_UNSURE if stretch.state in (State.QUIET, State.RUSHING) else UNSURE)


def plus_minus(value: float, low: float, high: float) -> str:
    """value ± half-width to the digit that the interval supports; the half-width is never rounded down."""
    half = max(high - value, value - low)
    if not math.isfinite(half):
        return f"{value:.3g}"
    digits = 3 if half <= 0 else min(3, max(0, -math.floor(math.log10(half))))
    unit = 10.0**-digits
    half_up = math.ceil(half / unit - 1e-9) * unit
    return f"{value:.{digits}f} ± {half_up:.{digits}f}"


def how_sure(confidence: float) -> str:
    """A confidence as a person says it, with the figure behind it; never rounded up to certainty."""
    words = ((0.9, "sure"), (0.7, "fairly sure"), (UNSURE, "not very sure"))
    word = next((word for limit, word in words if confidence >= limit), "in doubt")
    return f"{word}, {min(99, math.floor(100 * confidence + 1e-6))} in 100"


def per_cent(share: float) -> str:
    """A share in per cent to two figures; what is above nothing never prints as 0."""
    value = 100 * share
    if 0 < value < 0.1:
        return "under 0.1 %"
    return f"{value:.1f} %" if value < 10 else f"{value:.0f} %"


def count(n: int, one: str, many: str = "") -> str:
    """ "1 beat", "12 beats"."""
    return f"{n} {one if n == 1 else many or one + 's'}"

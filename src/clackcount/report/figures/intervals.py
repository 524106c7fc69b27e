"""How the times between slams lie."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from clackcount.errors import TimesError
from clackcount.model import FloatArray, Listening
from clackcount.report import rates
from clackcount.report.figures import paper

WIDTH_PX = 460.0
_HEIGHT_PX = 300.0
_LEFT_PX, _RIGHT_PX, _FOOT_PX, _HEAD_PX = 50.0, 14.0, 40.0, 40.0
_REACH = 1.6  # of the range of 96 beats in 100, to either side of its middle
_LEAST_HALF = 0.02  # of the interval: under that a clockwork pump would fill the width with its last digit
_FEWEST_BARS, _MOST_BARS = 12, 40


def intervals(listening: Listening, *, width_px: float = WIDTH_PX) -> Figure:
    """Interval histogram of the loudest ram, over the time it runs by itself.

    Raises TimesError where fewer than two intervals were heard.
    """
    found = rates.of(listening)
    if not found or len(found[0].interval_s) < 2:
        raise TimesError("fewer than two beats in a row were heard: there are no intervals to draw")
    interval_s, odd = found[0].interval_s, found[0].odd
    low_s, high_s = _edges_s(interval_s if odd.all() else interval_s[~odd])
    inside = interval_s[(interval_s >= low_s) & (interval_s <= high_s)]
    n_bars = int(np.clip(len(np.histogram_bin_edges(inside, "fd")) * 2, _FEWEST_BARS, _MOST_BARS))
    with paper.drawing():
        figure = paper.sheet(width_px, _HEIGHT_PX)
        axes = paper.panel(figure, _LEFT_PX, _FOOT_PX, _RIGHT_PX, _HEIGHT_PX - _HEAD_PX)
        axes.set_title("beats", loc="left", fontsize=paper.TEXT_PX, pad=22, x=-0.1)
        bars: dict[str, Any] = {"facecolor": paper.WORK_SOFT, "edgecolor": paper.WORK, "linewidth": 0.9}
        axes.hist(inside, bins=n_bars, range=(low_s, high_s), **bars)
        axes.axvline(float(np.median(interval_s)), color=paper.INK, linewidth=1.0)
        axes.annotate(
            f"half are shorter than {np.median(interval_s):.3f} s", (float(np.median(interval_s)), 1.0),
            xycoords=("data", "axes fraction"), xytext=(0, 5), textcoords="offset points", ha="center",
        )  # fmt: skip
        axes.set_xlim(low_s, high_s)
        axes.xaxis.set_major_locator(MaxNLocator(5, steps=paper.STEPS))
        axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))
        axes.set_xlabel("time from slam to slam (s)")
        if n_out := len(interval_s) - len(inside):
            axes.annotate(
                f"{n_out} beyond the edges", (1.0, 1.0), xycoords="axes fraction", xytext=(0, 22),
                textcoords="offset points", ha="right", color=paper.DOUBT,
            )  # fmt: skip
    return figure


def of_loudest(listening: Listening) -> FloatArray:
    """float64 (n,), the intervals of the loudest ram while it runs by itself."""
    found = rates.of(listening)
    return found[0].interval_s if found else np.empty(0)


def _edges_s(interval_s: FloatArray) -> tuple[float, float]:
    low_s, high_s = np.quantile(interval_s, (0.02, 0.98))
    middle_s = (low_s + high_s) / 2
    half_s = max((high_s - low_s) / 2 * _REACH, _LEAST_HALF * middle_s)
    return float(middle_s - half_s), float(middle_s + half_s)

"""The whole recording as a strip: rate as points above, and below it a lane for each thing the pump can do."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from clackcount.model import Cause, Listening, State
from clackcount.report import rates as rates_of
from clackcount.report.figures import paper
from clackcount.report.words import UNSURE, doubtful

WIDTH_PX = 720.0  # of a sheet of paper between its margins; a broad screen enlarges it
NARROW_PX = 520.0  # below this it is a phone: fewer ticks, fewer boards
LEFT_PX, RIGHT_PX = 50.0, 24.0
_FOOT_PX, _LANE_PX, _GAP_PX = 40.0, 17.0, 12.0
_HEAD_PX, _BOARDS_PX = 22.0, 22.0  # a row of words, and one of boards where there are stops
_RATE_PX, _NARROW_RATE_PX = 150.0, 130.0

# Lanes from top to bottom; colour, hatching. Each state is told by its place first.
LANES: tuple[tuple[State, str, dict[str, Any]], ...] = (
    (State.SELF, "self", {"facecolor": paper.WORK, "edgecolor": paper.WORK}),
    (State.HAND, "hand", {"facecolor": paper.PAPER, "edgecolor": paper.HAND, "hatch": "||||"}),
    (State.RUSHING, "water", {"facecolor": paper.WATER_SOFT, "edgecolor": paper.WATER, "hatch": "////"}),
    (State.QUIET, "quiet", {"facecolor": paper.PAPER, "edgecolor": paper.FAINT}),
)
_BOARDS = {
    Cause.OPEN_STALL: "stays open",
    Cause.SHUT_STALL: "stays shut",
    Cause.STARVED: "starved",
    Cause.UNKNOWN: "stops",
}
_EDGE_QUANTILES = (0.02, 0.98)
_LEAST_SPAN = 0.05  # of the rate, or a good pump would look ragged
_MOST_QUERIES = 12
_MOST_POSTS = 24  # more would hide the points: then they only reach into the panel of the rate
_LEAST_KEPT = 0.004  # of the strip, so that an excerpt of a long night can be seen


def strip(listening: Listening, *, width_px: float = WIDTH_PX, kept: Sequence[tuple[float, float]] = ()) -> Figure:
    """The day at the pump.

    kept: (start_s, end_s) of the pieces whose sound goes with the page; () where all of it does or none.
    """
    duration_s = max(listening.recording.duration_s, 1e-3)
    narrow = width_px < NARROW_PX
    lanes_top, rate_top = _lanes_top(kept=bool(kept)), _rate_top(width_px, kept=bool(kept))
    with paper.drawing():
        figure = paper.sheet(width_px, rate_top + _head(listening))
        above = paper.panel(figure, LEFT_PX, lanes_top + _GAP_PX, RIGHT_PX, rate_top)
        below = paper.panel(figure, LEFT_PX, _FOOT_PX, RIGHT_PX, lanes_top)
        _rate(above, listening, duration_s)
        _lanes(below, listening, kept)
        for axes in (above, below):
            paper.time_axis(axes, duration_s, 5 if narrow else 12)
        above.tick_params(axis="x", labelbottom=False, length=0)
        below.set_xlabel("time in the recording (min:s)" if duration_s < 3600 else "time in the recording (h:min:s)")
        _stops(above, below, listening, width_px)
    return figure


def edges(listening: Listening, width_px: float, *, kept: bool) -> tuple[float, float, float, float]:
    """Where the panels of its strip of that width lie: left, right, top and bottom margin, as shares of the sheet."""
    head_px = _head(listening)
    height_px = _rate_top(width_px, kept=kept) + head_px
    return LEFT_PX / width_px, RIGHT_PX / width_px, head_px / height_px, _FOOT_PX / height_px


def _head(listening: Listening) -> float:
    stops = bool(listening.running and listening.running.stops)
    return _HEAD_PX + (_BOARDS_PX if stops else 0.0)


def _lanes_top(*, kept: bool) -> float:
    return _FOOT_PX + _LANE_PX * (len(LANES) + kept)


def _rate_top(width_px: float, *, kept: bool) -> float:
    return _lanes_top(kept=kept) + _GAP_PX + (_NARROW_RATE_PX if width_px < NARROW_PX else _RATE_PX)


def _rate(axes: Axes, listening: Listening, duration_s: float) -> None:
    axes.annotate(
        "beats a minute",
        (0, 1),
        xycoords="axes fraction",
        xytext=(4 - LEFT_PX, _head(listening) - 14),
        textcoords="offset points",
    )
    all_rates = [rates for rates in rates_of.of(listening) if len(rates.time_s)]
    if not all_rates:
        axes.set_yticks([])
        axes.text(0.5, 0.5, "no steady beat", transform=axes.transAxes, ha="center", va="center", color=paper.FAINT)
        return
    low, high = _span(all_rates)
    axes.set_ylim(low, high)
    axes.grid(axis="y", color=paper.LINE, linewidth=0.6)
    axes.locator_params(axis="y", nbins=5, steps=paper.STEPS)
    for rates in all_rates:
        if np.mean(rates.doubtful) < 0.5:
            band = rates_of.band(rates, duration_s)
            axes.fill_between(band.time_s, band.low, band.high, color=paper.WORK_SOFT, linewidth=0)
        points = rates_of.thinned(rates, duration_s)
        _points(axes, points, low, high, loudest=rates is all_rates[0])


def _points(axes: Axes, points: rates_of.Rates, low: float, high: float, *, loudest: bool) -> None:
    """Points where they are; those beyond the edge as carets on it, doubtful ones as open rings."""
    rate = points.rate_per_min
    inside = (rate >= low) & (rate <= high)
    sure, unsure = inside & ~points.doubtful, inside & points.doubtful
    shape: dict[str, Any] = {"marker": "o", "markersize": 3.4} if loudest else {"marker": "s", "markersize": 3.0}
    colour = paper.WORK if loudest else paper.FAINT
    axes.plot(points.time_s[sure], rate[sure], linestyle="", color=colour, markeredgewidth=0, **shape)
    axes.plot(
        points.time_s[unsure], rate[unsure], linestyle="", markerfacecolor=paper.PAPER, color=paper.DOUBT, **shape
    )
    for outside, edge, caret in ((rate < low, low, "^"), (rate > high, high, "v")):
        axes.plot(
            points.time_s[outside], np.full(int(outside.sum()), edge), linestyle="", marker=caret, markersize=5,
            color=paper.DOUBT, clip_on=False,
        )  # fmt: skip


def _span(all_rates: Sequence[rates_of.Rates]) -> tuple[float, float]:
    """Edges of the rate axis: nearly all of the points, and never so near that scatter looks like trouble."""
    regular = [rates.rate_per_min[~rates.odd] if not rates.odd.all() else rates.rate_per_min for rates in all_rates]
    edges = np.array([np.quantile(rate_per_min, _EDGE_QUANTILES) for rate_per_min in regular])
    low, high = float(edges[:, 0].min()), float(edges[:, 1].max())
    middle = (low + high) / 2
    half = max((high - low) * 0.65, _LEAST_SPAN * middle)
    return middle - half, middle + half


def _lanes(axes: Axes, listening: Listening, kept: Sequence[tuple[float, float]]) -> None:
    names = [name for _, name, _ in LANES] + (["sound"] if kept else [])
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.set_yticks(range(len(names)), names)
    axes.tick_params(axis="y", length=0, pad=7)
    for row in range(len(names)):
        axes.axhline(row + 0.42, color=paper.LINE, linewidth=0.6)
    timeline = listening.running.timeline if listening.running else ()
    for row, (state, _, look) in enumerate(LANES):
        spans = [(stretch.start_s, stretch.end_s - stretch.start_s) for stretch in timeline if stretch.state is state]
        axes.broken_barh(spans, (row - 0.36, 0.76), linewidth=0.8, **look)
    rows = {state: row for row, (state, _, _) in enumerate(LANES)}
    unsure = [stretch for stretch in timeline if doubtful(stretch)]
    for stretch in unsure[:_MOST_QUERIES]:
        axes.text(
            (stretch.start_s + stretch.end_s) / 2, rows[stretch.state], "?", color=paper.DOUBT, ha="center",
            va="center", fontweight="bold",
            bbox={"boxstyle": "circle,pad=0.12", "facecolor": paper.PAPER, "edgecolor": paper.DOUBT},
        )  # fmt: skip
    if kept:
        least_s = _LEAST_KEPT * listening.recording.duration_s
        spans = [(start_s, max(end_s - start_s, least_s)) for start_s, end_s in kept]
        axes.broken_barh(spans, (len(LANES) - 0.15, 0.3), color=paper.INK)


def _stops(above: Axes, below: Axes, listening: Listening, width_px: float) -> None:
    """Posts through both panels, and boards above them as far as there is room."""
    duration_s = max(listening.recording.duration_s, 1e-3)
    inner_px = width_px - LEFT_PX - RIGHT_PX
    free_from_px = -LEFT_PX
    stops = listening.running.stops if listening.running else ()
    many = len(stops) > _MOST_POSTS
    look: dict[str, Any] = {"linewidth": 0.7} if many else {"linewidth": 1.4, "linestyle": (0, (4, 2))}
    for stop in stops:
        for axes, foot in ((above, 0.9 if many else 0.0), (below, 0.0)):
            axes.axvline(stop.time_s, foot, 1.0, color=paper.STOP, **look)
        text = _BOARDS[stop.cause] + (" ?" if stop.confidence < UNSURE else "")
        wide_px = paper.LETTER_PX * len(text) + 12
        at_px = stop.time_s / duration_s * inner_px
        left_px = min(max(at_px - wide_px / 2, 0), inner_px - wide_px)
        if left_px < free_from_px:
            continue
        free_from_px = left_px + wide_px + 4
        above.annotate(
            text, (stop.time_s, 1.0), xycoords=("data", "axes fraction"), xytext=(left_px + wide_px / 2 - at_px, 8),
            textcoords="offset points", ha="center", va="bottom", color=paper.STOP, annotation_clip=False,
            bbox=paper.board(paper.STOP),
        )  # fmt: skip
        above.plot(
            [stop.time_s, stop.time_s], [1.0, 1.06], transform=above.get_xaxis_transform(), color=paper.STOP,
            linewidth=1.4, clip_on=False,
        )  # fmt: skip

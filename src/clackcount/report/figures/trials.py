"""What trials show: one setting against another, a quantity over a setting, one by one, and a site over months."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import matplotlib.dates
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from clackcount.errors import TimesError
from clackcount.model import Choice, Course, Measured, Ratio, Response
from clackcount.report.figures import paper

WIDTH_PX = 460.0
_LEFT_PX, _RIGHT_PX, _FOOT_PX = 50.0, 14.0, 40.0
_ROW_PX, _MARGIN_PX = 40.0, 12.0  # of the ratios
_PANEL_PX, _HEAD_PX, _BOARDS_PX = 110.0, 26.0, 24.0
_LINE_PX, _WIDE_LETTER_PX = 14.0, 7.5
_LEAST_REACH = 0.05  # to either side of 1, or a difference that is nothing would look like much
_DASHED = (0, (4, 2))
_DATES: Any = matplotlib.dates  # it says nothing of its types


def ratios(rows: Sequence[Ratio], over: str, *, width_px: float = WIDTH_PX) -> Figure:
    """A line a quantity: the ratio and its 95 % interval beside that of no difference. over: "Trial 2 over trial 1".

    Raises TimesError where nothing was compared.
    """
    if not rows:
        raise TimesError("nothing was compared: there are no ratios to draw")
    heading = textwrap.wrap(over, int((width_px - 2 * _MARGIN_PX) / _WIDE_LETTER_PX))
    top_px = _FOOT_PX + _ROW_PX * len(rows)
    height_px = top_px + _MARGIN_PX + _LINE_PX * len(heading)
    low = min(1 - _LEAST_REACH, *(row.low for row in rows))
    high = max(1 + _LEAST_REACH, *(row.high for row in rows))
    edge = 0.04 * (high - low)
    with paper.drawing():
        figure = paper.sheet(width_px, height_px)
        axes = paper.panel(figure, _MARGIN_PX, _FOOT_PX, _RIGHT_PX, top_px)
        axes.set_title("\n".join(heading), loc="left", fontsize=paper.TEXT_PX, pad=8)
        axes.set_xlim(low - edge, high + edge)
        axes.set_ylim(len(rows) - 0.5, -0.5)
        axes.spines["left"].set_visible(False)
        axes.set_yticks([])
        axes.xaxis.set_major_locator(MaxNLocator(6, steps=paper.STEPS))
        axes.axvline(1.0, color=paper.FAINT, linewidth=1.0, linestyle=_DASHED)
        for place, row in enumerate(rows):
            _ratio(axes, place, row)
        axes.set_xlabel("how many times as much, with 95 % interval")
    return figure


def _ratio(axes: Axes, place: int, row: Ratio) -> None:
    shown = row.verdict != "not shown"
    colour = paper.WORK if shown else paper.FAINT
    axes.plot([row.low, row.high], [place + 0.25] * 2, color=colour, linewidth=3, solid_capstyle="butt")
    axes.plot(
        [row.ratio], [place + 0.25], "o", color=colour, markersize=7, markerfacecolor=colour if shown else paper.PAPER
    )
    axes.text(
        0,
        place - 0.12,
        f"{row.words}: {row.verdict}",
        transform=axes.get_yaxis_transform(),
        va="center",
        color=paper.INK,
        bbox={"boxstyle": "square,pad=0.1", "facecolor": paper.PAPER, "edgecolor": "none"},
    )


def choice(found: Choice, *, width_px: float = WIDTH_PX) -> Figure:
    """A panel a quantity: the curve over the setting with its band, the trials, the best so far, and the next."""
    with paper.drawing():
        figure, panels = _panels(len(found.responses), width_px, _BOARDS_PX)
        for axes, response in zip(panels, found.responses, strict=True):
            _response(axes, response, found)
        for axes in panels[:-1]:
            axes.tick_params(axis="x", labelbottom=False)
        panels[-1].set_xlabel(f"{found.over} ({found.unit})")
        _boards(panels[0], found, width_px - _LEFT_PX - _RIGHT_PX)
    return figure


def _response(axes: Axes, response: Response, choice: Choice) -> None:
    at = np.array(response.at)
    known = (at >= choice.tried[0]) & (at <= choice.tried[1])
    axes.fill_between(at, response.low, response.high, color=paper.LINE, linewidth=0)
    axes.fill_between(at, response.low, response.high, where=known.tolist(), color=paper.WORK_SOFT, linewidth=0)
    axes.plot(at, response.middle, color=paper.FAINT, linewidth=1.0, linestyle=_DASHED)
    axes.plot(at[known], np.array(response.middle)[known], color=paper.WORK, linewidth=1.6)
    axes.plot(*np.array(response.points).T, "o", color=paper.INK, markersize=5)
    axes.set_ylim(0, 1.3 * max(*response.middle, *(value for _, value in response.points)))
    _heading(axes, f"{response.words} ({response.unit})" if response.unit else response.words)
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=paper.STEPS))
    axes.xaxis.set_major_locator(MaxNLocator(6, steps=paper.STEPS))
    for place, colour, line in ((choice.best, paper.WORK, "-"), (choice.next, paper.HAND, _DASHED)):
        if place is not None:
            axes.axvline(place, color=colour, linewidth=1.3, linestyle=line)


def _boards(axes: Axes, found: Choice, inner_px: float) -> None:
    """The best and the next by name above the first panel, over their places as far as they do not touch."""
    low, high = axes.get_xlim()
    named = [(found.best, "best so far", paper.WORK)] if found.best is not None else []
    named += [(found.next, "try next", paper.HAND)] if found.next not in (None, found.best) else []
    free_to_px = inner_px + _RIGHT_PX
    for place, words, colour in sorted(named, reverse=True):
        at_px = (place - low) / (high - low) * inner_px
        half_px = (paper.LETTER_PX * len(words) + 12) / 2
        middle_px = min(max(at_px, half_px - _LEFT_PX), free_to_px - half_px)
        free_to_px = middle_px - half_px - 4
        axes.annotate(
            words, (place, 1.0), xycoords=("data", "axes fraction"), xytext=(middle_px - at_px, _HEAD_PX),
            textcoords="offset points", ha="center", color=colour, annotation_clip=False, bbox=paper.board(colour),
        )  # fmt: skip


def listed(rows: Sequence[Measured], *, width_px: float = WIDTH_PX) -> Figure:
    """A panel a quantity: every trial that has it by its number, with its 95 % band.

    Raises TimesError where there is nothing to draw.
    """
    if not rows:
        raise TimesError("nothing was measured in these trials: there is nothing to draw")
    numbers = [number for row in rows for number in row.numbers]
    with paper.drawing():
        figure, panels = _panels(len(rows), width_px, 0.0)
        for axes, row in zip(panels, rows, strict=True):
            axes.errorbar(row.numbers, row.values, row.halves, fmt="none", ecolor=paper.WORK, elinewidth=3)
            axes.plot(row.numbers, row.values, "o", color=paper.INK, markersize=5)
            axes.set_xlim(min(numbers) - 0.5, max(numbers) + 0.5)
            _heading(axes, f"{row.words} ({row.unit})")
            axes.xaxis.set_major_locator(MaxNLocator(8, integer=True, steps=paper.STEPS))
            axes.yaxis.set_major_locator(MaxNLocator(4, steps=paper.STEPS))
        for axes in panels[:-1]:
            axes.tick_params(axis="x", labelbottom=False)
        panels[-1].set_xlabel("trial, with 95 % band")
    return figure


def course(rows: Sequence[Course], *, width_px: float = WIDTH_PX) -> Figure:
    """A panel a quantity: the trials in time, and the band in which the last one was expected.

    Raises TimesError where there is nothing to draw.
    """
    if not rows:
        raise TimesError("no quantity was measured often enough: there is no course to draw")
    with paper.drawing():
        figure, panels = _panels(len(rows), width_px, 0.0)
        for axes, each in zip(panels, rows, strict=True):
            at: Any = [datetime.fromisoformat(moment.replace("Z", "+00:00")) for moment in each.at]
            axes.axhspan(each.low, each.high, color=paper.WORK_SOFT, linewidth=0)
            axes.axhline(each.centre, color=paper.WORK, linewidth=1.0)
            axes.plot(at, each.values, "o", color=paper.INK, markersize=4)
            if each.outside:
                axes.plot(at[-1:], each.values[-1:], "D", color=paper.STOP, markersize=7)
            _heading(axes, f"{each.words} ({each.unit})")
            axes.yaxis.set_major_locator(MaxNLocator(4, steps=paper.STEPS))
            ticks = _DATES.AutoDateLocator(minticks=2, maxticks=5)
            axes.xaxis.set_major_locator(ticks)
            axes.xaxis.set_major_formatter(_DATES.ConciseDateFormatter(ticks))
        for axes in panels[:-1]:
            axes.tick_params(axis="x", labelbottom=False)
            axes.xaxis.get_offset_text().set_visible(False)
        panels[-1].set_xlabel("date")
    return figure


def _heading(axes: Axes, words: str) -> None:
    axes.annotate(words, (0, 1), xycoords="axes fraction", xytext=(4 - _LEFT_PX, 7), textcoords="offset points")


def _panels(n: int, width_px: float, boards_px: float) -> tuple[Figure, list[Axes]]:
    """Panels under one another, each with its heading; above them boards_px for boards."""
    step_px = _PANEL_PX + _HEAD_PX
    height_px = _FOOT_PX + n * step_px + boards_px
    figure = paper.sheet(width_px, height_px)
    feet_px = [_FOOT_PX + step_px * (n - 1 - place) for place in range(n)]
    return figure, [paper.panel(figure, _LEFT_PX, foot_px, _RIGHT_PX, foot_px + _PANEL_PX) for foot_px in feet_px]

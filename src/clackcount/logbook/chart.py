"""One small chart a view, as PNG bytes. Nothing is reckoned here."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from clackcount.errors import LogbookError
from clackcount.logbook.as_text import LABELS, SHOWN_IN

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from clackcount.logbook.advice import Advice
    from clackcount.logbook.comparison import Compared
    from clackcount.logbook.history import Series
    from clackcount.logbook.records import Trial

INK, WATER, WARN = "#26323a", "#1f78a4", "#b5482a"


def compared(found: Compared) -> bytes:
    """A line a quantity: the ratio and its 95 % interval, beside the line of no difference."""
    figure, axes = _figure(0.5 + 0.45 * len(found.rows))
    for place, row in enumerate(reversed(found.rows)):
        low, high = row.found.interval()
        shown = row.verdict != "not shown"
        axes.plot([low, high], [place, place], color=WATER if shown else INK, linewidth=3, alpha=0.7)
        axes.plot([row.found.ratio], [place], "o", color=WATER if shown else INK)
    axes.axvline(1.0, color=INK, linewidth=0.8, linestyle="--")
    axes.set_yticks(range(len(found.rows)), [row.quantity.words for row in reversed(found.rows)])
    axes.set_ylim(-0.6, len(found.rows) - 0.4)
    names = ["+".join(str(trial.number) for trial in side) for side in (found.second, found.first)]
    axes.set_xlabel(f"trial {names[0]} over trial {names[1]}, with 95 % interval")
    return _png(figure)


def advised(found: Advice) -> bytes:
    """A panel a quantity: the response over the setting with its band, the trials, the best and the next."""
    if not found.curves:
        raise LogbookError("there is no curve to draw with fewer than three settings")
    unit, factor = SHOWN_IN[found.over]
    figure, panels = _panels(len(found.curves))
    for axes, each in zip(panels, found.curves, strict=True):
        _, y_unit, y_factor = LABELS.get(each.quantity, ("", "", 1.0))
        at = [value * factor for value in each.at]
        ends = [[value * y_factor for value in side] for side in (each.low, each.high)]
        axes.fill_between(at, ends[0], ends[1], color=WATER, alpha=0.2, linewidth=0)
        axes.plot(at, [value * y_factor for value in each.middle], color=WATER)
        axes.plot([x * factor for x, _ in each.points], [y * y_factor for _, y in each.points], "o", color=INK)
        for edge in each.tried:
            axes.axvline(edge * factor, color=INK, linewidth=0.8, linestyle=":")
        for place, colour in ((found.best, WATER), (found.next, WARN)):
            if place is not None:
                axes.axvline(place * factor, color=colour, linewidth=1.2)
        axes.set_ylim(0, 1.3 * y_factor * max(max(each.middle), max(y for _, y in each.points)))
        axes.set_ylabel(f"{each.words}\n{f'({y_unit})' if y_unit else ''}".rstrip())
    panels[-1].set_xlabel(f"{found.over} ({unit}); blue line: best so far, red: to try next, dotted: tried range")
    return _png(figure)


LISTED = ("delivery_flow_m3_s", "waste_flow_m3_s", "efficiency", "rate_per_min")


def listed(trials: Sequence[Trial]) -> bytes:
    """A panel a quantity: every trial that has it by its number, with its 95 % band."""
    from matplotlib.ticker import MaxNLocator

    names = [name for name in LISTED if any(trial.figure(name) for trial in trials)]
    if not names:
        raise LogbookError("there is no result to draw in these trials")
    figure, panels = _panels(len(names), 1.6)
    for axes, name in zip(panels, names, strict=True):
        words, unit, factor = LABELS[name]
        found = [(trial.number, each) for trial in trials if (each := trial.figure(name)) is not None]
        numbers, values = [n for n, _ in found], [each.value * factor for _, each in found]
        bands = [2 * (each.u or 0.0) * factor for _, each in found]
        axes.errorbar(numbers, values, bands, fmt="o", color=INK, ecolor=WATER, elinewidth=2, markersize=4)
        axes.set_xlim(min(numbers) - 1, max(numbers) + 1)
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.set_ylabel(f"{words}\n({unit})")
    panels[-1].set_xlabel("trial, with 95 % band")
    return _png(figure)


def history(series: Sequence[Series]) -> bytes:
    """One panel a quantity: the trials in time, their centre and limits."""
    from datetime import datetime

    figure, panels = _panels(len(series))
    for axes, each in zip(panels, series, strict=True):
        words, unit, factor = LABELS[each.name]
        at = [datetime.fromisoformat(moment.replace("Z", "+00:00")) for moment in each.at]
        axes.plot(at, [v * factor for v in each.values], "o-", color=INK, markersize=4, linewidth=0.8)  # type: ignore[arg-type]
        for limit, style in ((each.limits.centre, "-"), (each.limits.low, "--"), (each.limits.high, "--")):
            axes.axhline(limit * factor, color=WATER, linewidth=0.8, linestyle=style)
        if each.outside:
            axes.plot(at[-1:], [each.values[-1] * factor], "o", color=WARN)  # type: ignore[arg-type]
        axes.set_ylabel(f"{words}\n({unit})")
        axes.tick_params(axis="x", labelsize="small", rotation=20)
    return _png(figure)


def _figure(height: float) -> tuple[Any, Axes]:
    figure, panels = _panels(1, height)
    return figure, panels[0]


def _panels(n: int, height: float = 2.2) -> tuple[Any, list[Axes]]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(6.4, 0.6 + height * n), dpi=120, layout="constrained")
    FigureCanvasAgg(figure)
    panels = [figure.add_subplot(n, 1, i + 1) for i in range(n)]
    for axes in panels:
        axes.spines[["top", "right"]].set_visible(False)
    return figure, panels


def _png(figure: Any) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": "clackcount"})
    return out.getvalue()

"""One small chart a view, as PNG bytes. Nothing is reckoned here."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from clackcount.logbook.as_text import LABELS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from clackcount.logbook.comparison import Compared
    from clackcount.logbook.history import Series
    from clackcount.logbook.response import Curve

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


def curve(found: Curve, words: str, unit: str, factor: float) -> bytes:
    """The response over a setting with its band, the points measured, the best and the next. factor: to unit."""
    figure, axes = _figure(3.2)
    _, y_unit, y_factor = LABELS.get(found.quantity, ("", "", 1.0))
    at = [value * factor for value in found.at]
    axes.fill_between(
        at, [v * y_factor for v in found.low], [v * y_factor for v in found.high], color=WATER, alpha=0.2, linewidth=0
    )
    axes.plot(at, [v * y_factor for v in found.middle], color=WATER)
    axes.plot([x * factor for x, _ in found.points], [y * y_factor for _, y in found.points], "o", color=INK)
    for x, style in ((found.tried[0], ":"), (found.tried[1], ":")):
        axes.axvline(x * factor, color=INK, linewidth=0.8, linestyle=style)
    axes.set_xlabel(f"{words} ({unit}); dotted: what was tried")
    axes.set_ylabel(f"{found.words} ({y_unit})")
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
    figure.autofmt_xdate()
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

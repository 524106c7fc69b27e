"""The paper that figures are drawn on: colours by role, sizes in pixels, and the way out as PNG or SVG.

A figure is drawn once, in the colours of light paper. In the SVG for a page each colour becomes a CSS variable of the
same role, so that the page decides what it looks like in light and dark.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter

from clackcount.units import clock

# role -> colour on light paper. Roles, not hues, are what the code speaks of; docs/look.md says why these.
PAPER = "#fbf9f3"
ROLES = {
    "ink": "#1f2d2b",
    "faint": "#586663",
    "line": "#c5ccc6",
    "work": "#17605f",
    "work-soft": "#b9d6d0",
    "water": "#3d8fae",
    "water-soft": "#d3e6ed",
    "hand": "#a4571a",
    "stop": "#9b2423",
    "doubt": "#76458a",
    "paper": PAPER,
}
DARK = {
    "ink": "#e8e6dc",
    "faint": "#a9b5b1",
    "line": "#3d4a48",
    "work": "#6fc2b4",
    "work-soft": "#285652",
    "water": "#7db9d3",
    "water-soft": "#24424f",
    "hand": "#e3a066",
    "stop": "#f08a80",
    "doubt": "#c9a0dc",
    "paper": "#18211f",
}
INK, FAINT, LINE, WORK, WORK_SOFT, WATER, WATER_SOFT, HAND, STOP, DOUBT, _ = ROLES.values()

PX_PER_INCH = 72.0  # so that a point, which matplotlib counts in, is a pixel of the page
TEXT_PX = 11.5
LETTER_PX = 7.0  # a letter is not wider than that on the average
STEPS = [1, 2, 5, 10]  # of the ticks on a scale: what people count in
_FACE = "DejaVu Sans"  # comes with matplotlib; the page puts its own in its place

_STYLE: Any = {
    "font.family": _FACE,
    "font.size": TEXT_PX,
    "text.color": INK,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.labelsize": TEXT_PX,
    "axes.facecolor": "none",
    "axes.linewidth": 0.8,
    "axes.axisbelow": True,
    "xtick.color": FAINT,
    "ytick.color": FAINT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": TEXT_PX,
    "ytick.labelsize": TEXT_PX,
    "figure.facecolor": PAPER,
    "hatch.linewidth": 1.0,
    "svg.fonttype": "none",  # text stays text: it can be read aloud, found and enlarged
    "path.simplify": True,
}


@contextmanager
def drawing() -> Iterator[None]:
    """Our style for as long as a figure is drawn or saved; nobody else's matplotlib is touched."""
    with mpl.rc_context(_STYLE):
        yield


def sheet(width_px: float, height_px: float) -> Figure:
    """An empty figure of that many pixels on a page."""
    return Figure(figsize=(width_px / PX_PER_INCH, height_px / PX_PER_INCH), dpi=PX_PER_INCH)


def panel(figure: Figure, left_px: float, bottom_px: float, right_px: float, top_px: float) -> Axes:
    """Axes between margins: left_px from the left edge, right_px from the right, bottom_px and top_px from below."""
    width, height = figure.get_size_inches() * PX_PER_INCH
    box = (left_px / width, bottom_px / height, (width - left_px - right_px) / width, (top_px - bottom_px) / height)
    axes = figure.add_axes(box)
    axes.spines[["top", "right"]].set_visible(False)
    return axes


def board(colour: str) -> dict[str, Any]:
    """The box of words that stand out: a board of that colour."""
    return {"boxstyle": "square,pad=0.25", "facecolor": PAPER, "edgecolor": colour, "linewidth": 1.2}


_TIME_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)


def time_axis(axes: Axes, duration_s: float, most: int) -> None:
    """Ticks on whole seconds, minutes or hours, at most so many, written as the report writes moments."""
    step = next((step for step in _TIME_STEPS_S if duration_s / step <= most), _TIME_STEPS_S[-1])
    axes.set_xlim(0, duration_s)
    axes.xaxis.set_major_locator(FixedLocator([step * i for i in range(int(duration_s / step) + 1)]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda time_s, _: clock(time_s)))


def png(figure: Figure, *, dots_per_px: float = 2.0) -> bytes:
    """The figure as a PNG on light paper; dots_per_px 2 prints well at the size it has on a page."""
    out = io.BytesIO()
    with drawing():
        figure.savefig(out, format="png", dpi=PX_PER_INCH * dots_per_px, metadata={"Software": None})
    return out.getvalue()


def svg(figure: Figure, name: str, label: str) -> str:
    """The figure as an svg element for a page: colours as CSS variables, ids beginning with name, label read aloud.

    Needs the style sheet of the page, where the variables stand.
    """
    out = io.StringIO()
    with drawing(), mpl.rc_context({"svg.hashsalt": name, "svg.id": None}):
        figure.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(
        r"<metadata>.*?</metadata>|<style[^>]*>.*?</style>|<!--.*?-->|<defs>\s*</defs>", "", text, flags=re.DOTALL
    )
    text = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r'(url\(#|href="#)', rf"\1{name}-", text)
    for role, colour in ROLES.items():
        text = text.replace(colour, f"var(--{role})")
    text = re.sub(rf"font(-family)?: ([^;\"]*)'{_FACE}'[^;\"]*", r"font\1: \2var(--face)", text)
    text = re.sub(r'="[^"]*"', _shorter, text)
    text = re.sub(r">\s+<", "><", text)
    head = re.sub(r"\s(width|height|version)=\"[^\"]*\"", "", text[: text.index(">")])
    return f'{head} role="img" aria-label="{_escaped(label)}"{text[text.index(">") :]}'.strip()


def _shorter(attribute: re.Match[str]) -> str:
    """An attribute with its long numbers to a hundredth of a pixel, which is enough; words stay as they are."""
    return re.sub(r"\d+\.\d{3,}", lambda number: f"{float(number[0]):.2f}", attribute[0])


def _escaped(label: str) -> str:
    return label.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")

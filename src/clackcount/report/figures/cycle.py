"""One beat opened up: what is heard between a slam and the next, read as water."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from clackcount.report.figures import paper
from clackcount.report.profile import Profile

WIDTH_PX = 460.0
_HEIGHT_PX = 300.0
_LEFT_PX, _RIGHT_PX, _FOOT_PX, _RIBBON_PX, _GAP_PX, _HEAD_PX = 50.0, 12.0, 40.0, 20.0, 6.0, 40.0
_LETTER_PX = 6.6


def cycle(profile: Profile, *, width_px: float = WIDTH_PX) -> Figure:
    """The typical beat: loudness in steps with the range of four beats in five, and the phases named below."""
    with paper.drawing():
        figure = paper.sheet(width_px, _HEIGHT_PX)
        ribbon_top = _FOOT_PX + _RIBBON_PX
        above = paper.panel(figure, _LEFT_PX, ribbon_top + _GAP_PX, _RIGHT_PX, _HEIGHT_PX - _HEAD_PX)
        below = paper.panel(figure, _LEFT_PX, _FOOT_PX, _RIGHT_PX, ribbon_top)
        _loudness(above, profile)
        _ribbon(below, profile, width_px - _LEFT_PX - _RIGHT_PX)
        for axes in (above, below):
            axes.set_xlim(profile.edge_s[0], profile.edge_s[-1])
        above.tick_params(axis="x", labelbottom=False, length=0)
        below.set_xlabel("time after the slam (s)")
        _marks(above, profile)
    return figure


def _loudness(axes: Axes, profile: Profile) -> None:
    title = f"loudness over the quietest part (dB), {profile.n_beats} beats"
    axes.set_title(title, loc="left", fontsize=paper.TEXT_PX, pad=22, x=-0.1)
    edges, middle = profile.edge_s, profile.middle_db
    phase = np.array([_phase(profile, (start + end) / 2) for start, end in pairwise(edges)])
    foot = min(0.0, float(np.floor(middle.min())))
    for name, look in _LOOKS.items():
        inside = np.where(phase == name, middle, np.nan)
        axes.stairs(np.where(np.isnan(inside), foot, inside), edges, baseline=foot, fill=True, linewidth=0, **look)
    for bound in (profile.low_db, profile.high_db):
        axes.stairs(
            np.maximum(bound, foot), edges, baseline=None, color=paper.FAINT, linewidth=0.7, linestyle=(0, (2, 1.5))
        )
    axes.stairs(middle, edges, baseline=None, color=paper.INK, linewidth=1.1)
    axes.set_ylim(foot, max(float(profile.high_db.max()) * 1.06, foot + 6))
    axes.locator_params(axis="y", nbins=5, steps=paper.STEPS)
    axes.grid(axis="y", color=paper.LINE, linewidth=0.6)


_LOOKS: dict[str, dict[str, Any]] = {
    "shut": {"facecolor": paper.WORK_SOFT, "edgecolor": paper.WORK_SOFT},
    "open": {"facecolor": paper.WATER_SOFT, "edgecolor": paper.WATER, "hatch": "////"},
    "unknown": {"facecolor": paper.WORK_SOFT, "edgecolor": paper.WORK_SOFT},
}


def _phase(profile: Profile, time_s: float) -> str:
    shut_s = profile.shut_s
    if shut_s is None:
        return "unknown"
    period_s = float(np.median(profile.next_slam_s))
    return "shut" if 0 <= time_s < shut_s or time_s >= period_s else "open"


def _marks(axes: Axes, profile: Profile) -> None:
    """The slam, the reopening and the next slam by name, with a tick for each beat that tells."""
    next_s = float(np.median(profile.next_slam_s))
    moments = [(0.0, "slam", paper.INK, "right"), (next_s, "next slam", paper.INK, "right")]
    if profile.shut_s is not None:
        moments.append((profile.shut_s, "drops open", paper.HAND, "left"))
    for time_s, name, colour, side in moments:
        axes.axvline(time_s, color=colour, linewidth=1.0)
        axes.annotate(
            name, (time_s, 1.0), xycoords=("data", "axes fraction"), xytext=(2 if side == "right" else -2, 5),
            textcoords="offset points", ha=side, color=colour, annotation_clip=False,
        )  # fmt: skip
    told = [(profile.next_slam_s, paper.INK)]
    told += [(profile.reopen_s, paper.HAND)] if profile.shut_s is not None else []
    for times_s, colour in told:
        axes.vlines(times_s, 0.95, 1.0, transform=axes.get_xaxis_transform(), color=colour, linewidth=0.5)


def _ribbon(axes: Axes, profile: Profile, inner_px: float) -> None:
    axes.set_yticks([])
    axes.set_ylim(0, 1)
    axes.spines["left"].set_visible(False)
    start_s, end_s, shut_s = profile.edge_s[0], profile.edge_s[-1], profile.shut_s
    next_s = float(np.median(profile.next_slam_s))
    pieces: list[tuple[float, float, tuple[str, ...], str]]
    if shut_s is None:
        pieces = [(0.0, next_s, ("the reopening was not heard",), paper.PAPER)]
    else:
        pieces = [
            (0.0, shut_s, ("shut: water is delivered", "shut: delivers", "shut"), paper.WORK_SOFT),
            (shut_s, next_s, ("open: water rushes", "open"), paper.WATER_SOFT),
        ]
    for left_s, right_s, words, colour in pieces:
        axes.broken_barh(
            [(left_s, right_s - left_s)], (0.05, 0.9), facecolor=colour, edgecolor=paper.FAINT, linewidth=0.8
        )
        room = (right_s - left_s) / (end_s - start_s) * inner_px / _LETTER_PX
        text = next((word for word in words if len(word) <= room), "")
        axes.text((left_s + right_s) / 2, 0.5, text, ha="center", va="center_baseline")

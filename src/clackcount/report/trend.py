"""A long recording, window by window: the table over time, rounded once for all renderers."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median

from clackcount.model import Listening, Running, State, TrendRow
from clackcount.report.words import per_cent
from clackcount.units import clock

TREND_ROWS = 12
TREND_FROM_S = 300.0  # in less, the story says it all


@dataclass(frozen=True, slots=True)
class TrendLine:
    """A window of a long recording, every cell ready to print ("-" where nothing was measured), as TREND_COLUMNS."""

    span: str
    runs: str
    rate: str
    scatter: str
    strength: str
    rush: str
    missed: str
    stops: str


TREND_COLUMNS = ("time", "runs", "a minute", "scatter", "strength", "rush", "missing", "stops")


def over_time(listening: Listening) -> Iterator[TrendLine]:
    """At most TREND_ROWS lines for a long recording, neighbouring windows taken together; none for a short one."""
    running = listening.running
    if running is None or listening.recording.duration_s < TREND_FROM_S or len(running.trend) < 2:
        return
    rows = running.trend
    at_once = math.ceil(len(rows) / TREND_ROWS)
    for start in range(0, len(rows), at_once):
        yield _trend_line(_together(rows[start : start + at_once]), running)


def _together(rows: tuple[TrendRow, ...]) -> TrendRow:
    """Neighbouring windows as one: medians of what was measured, missed beats summed."""

    def middle(values: Iterator[float | None]) -> float | None:
        known = [value for value in values if value is not None and math.isfinite(value)]
        return median(known) if known else None

    return TrendRow(
        start_s=rows[0].start_s,
        end_s=rows[-1].end_s,
        rate_per_min=middle(row.rate_per_min for row in rows),
        robust_cv=middle(row.robust_cv for row in rows),
        strength_db=middle(row.strength_db for row in rows),
        rush_db=middle(row.rush_db for row in rows),
        missed=sum(row.missed for row in rows),
    )


def _trend_line(row: TrendRow, running: Running) -> TrendLine:
    runs_s = sum(
        max(0.0, min(stretch.end_s, row.end_s) - max(stretch.start_s, row.start_s))
        for stretch in running.timeline
        if stretch.state is State.SELF
    )
    stops = sum(row.start_s <= stop.time_s < row.end_s for stop in running.stops)
    return TrendLine(
        span=f"{clock(row.start_s)}-{clock(row.end_s)}",
        runs=f"{math.floor(100 * runs_s / (row.end_s - row.start_s) + 1e-6)} %",
        rate="-" if row.rate_per_min is None else f"{row.rate_per_min:.1f}",
        scatter="-" if row.robust_cv is None else per_cent(row.robust_cv),
        strength="-" if row.strength_db is None else f"{row.strength_db:.0f} dB",
        rush="-" if row.rush_db is None else f"{row.rush_db:.0f} dB",
        missed=str(row.missed),
        stops=str(stops),
    )

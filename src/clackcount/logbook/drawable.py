"""Comparison, advice and history in the units that a person is shown, ready to be drawn. Nothing is reckoned here."""

from __future__ import annotations

from collections.abc import Sequence

from clackcount.errors import LogbookError
from clackcount.logbook.advice import Advice
from clackcount.logbook.as_text import LABELS, SHOWN_IN
from clackcount.logbook.comparison import Compared
from clackcount.logbook.history import Series
from clackcount.logbook.records import Trial
from clackcount.logbook.response import Curve
from clackcount.model import Choice, Course, Measured, Ratio, Response


def ratios(found: Compared) -> tuple[Ratio, ...]:
    """One a quantity, second over first."""
    return tuple(Ratio(row.quantity.words, row.found.ratio, *row.found.interval(), row.verdict) for row in found.rows)


def choice(found: Advice) -> Choice:
    """The curves with the best setting and the next. Raises: LogbookError where there is no curve."""
    if not found.curves:
        raise LogbookError("there is no curve to draw with fewer than three settings")
    unit, factor = SHOWN_IN[found.over]
    low, high = found.curves[0].tried
    best, following = (None if place is None else place * factor for place in (found.best, found.next))
    responses = tuple(_response(each, factor) for each in found.curves)
    return Choice(found.over, unit, responses, (low * factor, high * factor), best, following)


def _response(curve: Curve, factor: float) -> Response:
    _, unit, scale = LABELS.get(curve.quantity, ("", "", 1.0))
    middle, low, high = (tuple(value * scale for value in line) for line in (curve.middle, curve.low, curve.high))
    points = tuple((at * factor, value * scale) for at, value in curve.points)
    return Response(curve.words, unit, tuple(at * factor for at in curve.at), middle, low, high, points)


LISTED = ("delivery_flow_m3_s", "waste_flow_m3_s", "efficiency", "rate_per_min")


def listed(trials: Sequence[Trial]) -> tuple[Measured, ...]:
    """One a quantity that a trial has. Raises: LogbookError where none has any."""
    rows = []
    for name in LISTED:
        words, unit, factor = LABELS[name]
        found = [(trial.number, each) for trial in trials if (each := trial.figure(name)) is not None]
        if found:
            numbers = tuple(number for number, _ in found)
            values = tuple(each.value * factor for _, each in found)
            rows.append(
                Measured(words, unit, numbers, values, tuple(2 * (each.u or 0.0) * factor for _, each in found))
            )
    if not rows:
        raise LogbookError("there is no result to draw in these trials")
    return tuple(rows)


def courses(series: Sequence[Series]) -> tuple[Course, ...]:
    """One a quantity, from trial to trial."""
    found = []
    for each in series:
        words, unit, factor = LABELS[each.name]
        centre, low, high = (limit * factor for limit in (each.limits.centre, each.limits.low, each.limits.high))
        values = tuple(value * factor for value in each.values)
        found.append(Course(words, unit, each.at, values, centre, low, high, each.outside))
    return tuple(found)

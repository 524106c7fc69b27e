"""One site over months: each trial against those before it, so that a slow decline shows before the pump stops.

Only trials with the settings of the last one count, and only those since the last repair: else a change made on
purpose would look like a fault. All is reckoned in logarithms and given back in the quantity's own unit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from clackcount.errors import LogbookError
from clackcount.logbook.confounders import moment
from clackcount.logbook.contrast import t_quantile
from clackcount.logbook.records import Event, Trial
from clackcount.model import Basis, Finding, Meaning, Severity

WATCHED = ("rate_per_min", "delivered_per_stroke_m3", "delivery_flow_m3_s")
MOVING_RANGE = 1.128  # mean range of two normal values over their standard deviation
LEAST_HISTORY = 4  # trials before the last one, for limits worth drawing
LEAST_TREND = 6
LIMIT_P = 0.005  # on each side: one false alarm in a hundred looks
TREND_P = 0.02
TREND_SHARE = 0.03  # less than this over the whole time is not worth a walk
ACT_SHARE = 0.20
FLOOR_U = {"rate_per_min": 0.003, "delivered_per_stroke_m3": 0.015, "delivery_flow_m3_s": 0.015}


@dataclass(frozen=True, slots=True)
class Limits:
    """Where the next value is expected: centre and limits."""

    centre: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Series:
    """One quantity over time. limits: from the trials before the last. outside: the last one passes them.

    change: share by which it drifted over the whole time, by a robust line; p: chance of such an order of values
    without any drift. Both None with fewer than LEAST_TREND trials.
    """

    name: str
    at: tuple[str, ...]
    trials: tuple[int, ...]
    values: tuple[float, ...]
    limits: Limits
    outside: bool
    change: float | None
    p: float | None

    @property
    def drifts(self) -> bool:
        """Whether it drifts more than chance and reading errors explain."""
        return self.p is not None and self.change is not None and self.p < TREND_P and abs(self.change) >= TREND_SHARE


@dataclass(frozen=True, slots=True)
class Watched:
    """A site watched. said: what was left out, and what is too short to judge."""

    site: str
    series: tuple[Series, ...]
    findings: tuple[Finding, ...]
    said: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """For a JSON document."""
        return {
            "schema": "clackcount.history/1",
            "site": self.site,
            "series": [asdict(each) | {"drifts": each.drifts} for each in self.series],
            "findings": [asdict(finding) for finding in self.findings],
            "said": list(self.said),
        }


def watch(trials: Sequence[Trial], events: Sequence[Event] = ()) -> Watched:
    """The trials of one site (in order of time), the last against its own history.

    Raises: LogbookError where there is no trial.
    """
    if not trials:
        raise LogbookError("no trials to watch", hint="clackcount trial list shows what there is")
    last = trials[-1]
    repairs = [event for event in events if event.site == last.site and event.kind == "repair" and event.at < last.at]
    since = repairs[-1].at if repairs else ""
    same = [trial for trial in trials if _setting_key(trial) == _setting_key(last)]
    used = [trial for trial in same if trial.at > since]
    said = []
    if len(same) < len(trials):
        said.append(f"Left out, with other settings: {_n(len(trials) - len(same))}.")
    if len(used) < len(same):
        said.append(f"Left out, before the repair of {since[:10]}: {_n(len(same) - len(used))}.")
    series = [found for name in WATCHED if (found := _series(name, used)) is not None]
    if not series:
        said.append(f"Too few trials to judge by: {LEAST_HISTORY + 1} with the same settings are the least.")
    return Watched(last.site, tuple(series), tuple(_findings(series)), tuple(said))


def _n(trials: int) -> str:
    return f"{trials} trial" if trials == 1 else f"{trials} trials"


def _setting_key(trial: Trial) -> tuple[tuple[str, object], ...]:
    return tuple(
        sorted(
            (each.name, each.given.strip().lower() if each.value is None else float(f"{each.value:.4g}"))
            for each in trial.settings
        )
    )


def individuals_sigma(values: Sequence[float]) -> float:
    """Standard deviation of single values from their moving ranges, which a slow drift hardly widens.

    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2.
    """
    return float(np.mean(np.abs(np.diff(values)))) / MOVING_RANGE


def individuals_limits(values: Sequence[float], widths: float = 3.0) -> Limits:
    """Centre and limits of a chart of individuals, widths standard deviations out. Source: as individuals_sigma."""
    centre, sigma = float(np.mean(values)), individuals_sigma(values)
    return Limits(centre, centre - widths * sigma, centre + widths * sigma)


def _series(name: str, trials: Sequence[Trial]) -> Series | None:
    found = [(trial, figure) for trial in trials if (figure := trial.figure(name)) is not None and figure.value > 0]
    if len(found) < LEAST_HISTORY + 1:
        return None
    logs = [math.log(figure.value) for _, figure in found]
    before = logs[:-1]
    # With a short history its own scatter is a rough guess: so the limits are those of a prediction, by Student's t,
    # with the degrees of freedom that moving ranges leave (0.62 of n - 1, Wheeler 1995, from memory).
    sigma = max(individuals_sigma(before), FLOOR_U[name])
    width = t_quantile(1 - LIMIT_P, 0.62 * (len(before) - 1)) * math.sqrt(1 + 1 / len(before)) * sigma
    centre = float(np.mean(before))
    change, p = _drift([moment(trial.at).timestamp() for trial, _ in found], logs)
    return Series(
        name,
        tuple(trial.at for trial, _ in found),
        tuple(trial.number for trial, _ in found),
        tuple(figure.value for _, figure in found),
        Limits(math.exp(centre), math.exp(centre - width), math.exp(centre + width)),
        not centre - width <= logs[-1] <= centre + width,
        change,
        p,
    )


def _drift(times_s: Sequence[float], logs: Sequence[float]) -> tuple[float | None, float | None]:
    """Share of change over the whole time (Theil and Sen's line) and Kendall's p: neither minds an outlier."""
    if len(logs) < LEAST_TREND or times_s[-1] == times_s[0]:
        return None, None
    from scipy.stats import kendalltau, theilslopes

    slope = float(theilslopes(logs, times_s)[0])
    return math.expm1(slope * (times_s[-1] - times_s[0])), float(kendalltau(times_s, logs).pvalue)


_DOWN = {
    "rate_per_min": (
        "The beat has slowed",
        "Look at the level over the intake and clear the strainer; then the valve's stroke and weight.",
        ("source level falling", "strainer fouling", "valve rubber swelling, scale", "stroke or weight grown"),
    ),
    "delivered_per_stroke_m3": (
        "Each beat brings less",
        "Look for leaks: delivery valve, joints, delivery pipe; then air: snifter and vessel.",
        ("delivery valve leaking", "leak in the delivery pipe", "air vessel full of water", "drive head lower"),
    ),
    "delivery_flow_m3_s": (
        "Less water arrives",
        "See whether the beat slowed or each beat brings less, and look there first.",
        ("source level falling", "strainer fouling", "valves leaking or worn", "delivery pipe leaking or fouled"),
    ),
}
_UP = {
    "rate_per_min": (
        "The beat has quickened",
        "Mark the nut on the valve stem and see whether it turns; measure stroke and weight.",
        ("nut or weight working loose", "stroke shortening", "source rising"),
    ),
    "delivered_per_stroke_m3": (
        "Each beat brings more",
        "Good, if it was meant; else see whether the delivery pipe burst and runs out lower down.",
        ("source rising", "delivery pipe open lower down", "stroke or weight grown"),
    ),
    "delivery_flow_m3_s": (
        "More water arrives",
        "Good, if it was meant; else see where it runs out.",
        ("source rising", "delivery pipe open lower down"),
    ),
}
_CAUTIONS = (
    "Keep fingers out of the waste valve. Shut the supply and let the pressure off before you open anything. Streams "
    "and intakes are slippery and can drown; mind cold water. Follow local codes and licensed practice.",
)


_THING = {"rate_per_min": "beat", "delivered_per_stroke_m3": "stroke", "delivery_flow_m3_s": "water"}
_MEANS = {
    "drift": (
        "Over all trials with the settings of the last one, and since the last repair, the value drifted one way, "
        "more than chance and reading errors explain."
    ),
    "step": (
        "The last trial lies outside the limits that hold 99 in 100 of such values, reckoned from the trials before "
        "it with the same settings since the last repair."
    ),
}
_DRIFT_SOURCE = "order of values: Kendall's rank correlation; slope: Theil and Sen"
_STEP_SOURCE = "chart of individuals: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2"


def _meanings() -> Iterator[Meaning]:
    for kind, means in _MEANS.items():
        for name, thing in _THING.items():
            for way, rows in (("down", _DOWN), ("up", _UP)):
                title, to_do, causes = rows[name]
                yield Meaning(
                    code=f"{thing}-{kind}-{way}",
                    severity=Severity.WATCH if way == "down" or name == "rate_per_min" else Severity.INFO,
                    title=title,
                    means=means,
                    next=to_do,
                    basis=Basis.COMMON_PRACTICE,
                    source=_DRIFT_SOURCE if kind == "drift" else _STEP_SOURCE,
                    causes=causes,
                    cautions=_CAUTIONS,
                )


MEANINGS = tuple(_meanings())
_MEANING = {meaning.code: meaning for meaning in MEANINGS}


def _findings(series: Sequence[Series]) -> list[Finding]:
    found = []
    for each in series:
        last = each.values[-1] / each.limits.centre - 1
        if each.drifts and each.change is not None and each.p is not None:
            words = (
                f"{100 * each.change:+.0f} % from {each.at[0][:10]} to {each.at[-1][:10]} over {len(each.values)} "
                f"trials; such an order comes by chance {_odds(each.p)}."
            )
            found.append(_finding(each, "drift", each.change, words, 1 - each.p))
        elif each.outside:
            words = (
                f"Trial {each.trials[-1]} lies {100 * last:+.0f} % from the mean of the {len(each.values) - 1} "
                "before it, outside the limits that hold 99 in 100."
            )
            found.append(_finding(each, "step", last, words, 0.9))
    return sorted(found, key=lambda finding: finding.severity is not Severity.ACT)


def _odds(p: float) -> str:
    return "less than once in 1000" if p < 0.001 else f"once in {1 / p:.0f}"


def _finding(series: Series, kind: str, change: float, evidence: str, confidence: float) -> Finding:
    meaning = _MEANING[f"{_THING[series.name]}-{kind}-{'down' if change < 0 else 'up'}"]
    grave = meaning.severity is Severity.WATCH and abs(change) >= ACT_SHARE
    return meaning.finding(evidence, round(min(confidence, 0.95), 2), severity=Severity.ACT if grave else None)

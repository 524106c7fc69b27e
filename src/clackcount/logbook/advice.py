"""What to try next: the best setting so far for an aim, and the one setting whose trial would tell most."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from clackcount.errors import LogbookError
from clackcount.logbook.moves import SETTLE, STEP, first_moves, other_way
from clackcount.logbook.readings import readings_of, repeats_of
from clackcount.logbook.records import Trial
from clackcount.logbook.response import BAND, Curve, Forecast, Point, Response, curve, gain_of_trying, respond

AIMS = {
    "most-water": "most water delivered",
    "least-waste": "least water wasted for each litre delivered",
    "within-supply": "most water within what the supply gives",
}
OVER = {"stroke": "length", "weight": "mass"}
REACH = 1.3  # one trial goes no further than this beyond what was tried
N_GRID = 61
ENOUGH = 0.005  # a gain in ln below which another trial is hardly worth the walk
SURE_WITHIN = 0.8  # chance that the ram takes no more than the supply gives
SAME = 1.02  # settings closer than this are one


@dataclass(frozen=True, slots=True)
class Advice:
    """best: the best setting within what was tried; next: the one to try now (SI); None where there is none.

    best_value: what is known to come there (middle, low, high), of the curve named best_in.
    gain: by what share the next trial is expected to raise what the best is known to give. curves: of each quantity
    with enough settings. said: plain sentences, the advice first. limits: (low, high) that next may not pass.
    """

    over: str
    aim: str
    n_trials: int
    n_settings: int
    best: float | None
    best_value: tuple[float, float, float] | None
    best_in: str
    next: float | None
    gain: float | None
    limits: tuple[float, float]
    curves: tuple[Curve, ...]
    said: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """For a JSON document."""
        return {
            "schema": "clackcount.advice/1",
            "over": self.over,
            "aim": self.aim,
            "trials": self.n_trials,
            "settings": self.n_settings,
            "best_si": self.best,
            "best_in": self.best_in,
            "best_value": self.best_value and dict(zip(("value", "low95", "high95"), self.best_value, strict=True)),
            "next_si": self.next,
            "expected_gain": self.gain,
            "limits_si": list(self.limits),
            "said": list(self.said),
            "curves": [
                {
                    "quantity": each.quantity,
                    "at_si": list(each.at),
                    "middle": list(each.middle),
                    "low95": list(each.low),
                    "high95": list(each.high),
                    "tried_si": list(each.tried),
                }
                for each in self.curves
            ],
        }  # fmt: skip


def advise(
    trials: Sequence[Trial],
    over: str,
    aim: str = "most-water",
    *,
    travel: tuple[float, float] | None = None,
    supply_m3_s: float | None = None,
    forecast: Mapping[str, Forecast] | None = None,
    lift_over_fall: tuple[float, float] | None = None,
) -> Advice:
    """Advice from the trials of one site that are alike but for the setting over (stroke or weight).

    travel: (least, most) that the valve allows, SI; never passed. supply_m3_s: for the aim within-supply. forecast:
    the shape a model of the site expects, by quantity ("delivery_flow_m3_s", "waste_flow_m3_s"). lift_over_fall:
    delivery head over drive head and its relative standard uncertainty; with it the efficiency has a curve.
    Raises: LogbookError where no trial has the setting and a delivery catch, or the aim needs what is not there.
    """
    if aim == "within-supply" and supply_m3_s is None:
        raise LogbookError(
            "what the supply gives is not known",
            hint='write flow under [supply] in the site file, or --supply "3 gal/min"',
        )
    if not trials:
        raise LogbookError(
            "no trial of this site is in the logbook", hint="clackcount trial list shows what there is"
        )
    alike, said = _alike(trials, over)
    delivered = _points(alike, over, "delivery_flow_m3_s")
    if not delivered:
        raise LogbookError(
            f"no trial has a {over} and a delivery catch",
            hint=f"clackcount trial add --setting {over}=... --catch ...",
        )
    wasted = _points(alike, over, "waste_flow_m3_s")
    if aim != "most-water" and not wasted:
        raise LogbookError("nothing is known of the waste in these trials", hint="catch it too: --waste-catch ...")
    settings = _distinct([point.at for point in delivered])
    limits = _limits(alike, over, settings, travel, said)
    if len(settings) < 3:
        return _by_the_trade(over, aim, delivered, wasted, settings, limits, supply_m3_s, said)
    return _by_curve(
        over, aim, delivered, wasted, settings, limits, supply_m3_s, forecast or {}, lift_over_fall, said
    )


def _alike(trials: Sequence[Trial], over: str) -> tuple[list[Trial], list[str]]:
    """Trials with the setting over whose other settings are those of the last one."""
    having = [trial for trial in trials if (found := trial.setting(over)) is not None and found.value is not None]
    if not having:
        return [], []
    pattern = _others(having[-1], over)
    alike = [trial for trial in having if _others(trial, over) == pattern]
    n_left = len(having) - len(alike)
    n_left_words = f"{n_left} trial" if n_left == 1 else f"{n_left} trials"
    said = [f"Left out, as more than the {over} is different: {n_left_words}."] if n_left else []
    return alike, said


def _others(trial: Trial, over: str) -> tuple[tuple[str, object], ...]:
    return tuple(
        sorted(
            (each.name, each.given.strip().lower() if each.value is None else float(f"{each.value:.4g}"))
            for each in trial.settings
            if each.name != over
        )
    )


def _value(trial: Trial, over: str) -> float:
    found = trial.setting(over)
    return found.value if found is not None and found.value is not None else math.nan


def _points(trials: Sequence[Trial], over: str, name: str) -> list[Point]:
    """A point a trial: its readings pooled, with how well a ram repeats."""
    found = []
    repeats = repeats_of(name)
    for trial in trials:
        readings = readings_of(name, [trial]) or readings_of(name, [trial], caught=False)
        if readings:
            vessel_u = max(reading.vessel_u for reading in readings)
            weight = [1 / (reading.u**2 + repeats.reading_u**2) for reading in readings]
            mean = sum(w * r.log_value for w, r in zip(weight, readings, strict=True)) / sum(weight)
            found.append(
                Point(
                    _value(trial, over), mean, math.sqrt(1 / sum(weight) + repeats.trial_u**2), trial.number, vessel_u
                )
            )
    return found


def _distinct(values: Sequence[float]) -> list[float]:
    kept: list[float] = []
    for value in sorted(values):
        if not kept or value > kept[-1] * SAME:
            kept.append(value)
    return kept


def _limits(
    trials: Sequence[Trial], over: str, settings: Sequence[float], travel: tuple[float, float] | None, said: list[str]
) -> tuple[float, float]:
    """What a next trial may not pass: the valve's travel, a step beyond what was tried, where the ram did not run."""
    low, high = settings[0] / REACH, settings[-1] * REACH
    for trial in trials:
        ran = trial.of_side("delivery") or trial.figure("rate_per_min") is not None
        value = _value(trial, over)
        if ran or trial.recording is None:
            continue
        if value > settings[-1]:
            high = min(high, math.sqrt(value * settings[-1]))
            said.append(f"At the {over} of trial {trial.number} it did not run by itself: no further that way.")
        elif value < settings[0]:
            low = max(low, math.sqrt(value * settings[0]))
    if travel is not None:
        low, high = (min(max(end, travel[0]), travel[1]) for end in (low, high))
    else:
        said.append(f"The valve's travel was not given: see for yourself that it allows the {over} to try.")
    return low, max(low, high)


def _by_the_trade(
    over: str, aim: str, delivered: Sequence[Point], wasted: Sequence[Point], settings: Sequence[float],
    limits: tuple[float, float], supply_m3_s: float | None, said: list[str],
) -> Advice:  # fmt: skip
    """With one or two settings there is no curve: one careful step."""
    worth = _worth(aim, delivered, wasted)
    tried = [(at, max(v for x, v in worth if at / SAME <= x <= at * SAME)) for at in settings]
    drive = _drive(delivered, wasted)
    thirsty = supply_m3_s is not None and bool(drive) and max(drive.values()) > supply_m3_s
    move = first_moves(over, aim, tried, thirsty=thirsty)
    if not thirsty and not limits[0] <= move.to <= limits[1]:  # the other way tells something, too
        other = other_way(over, settings, move)
        move = other if limits[0] <= other.to <= limits[1] else move
    to = min(max(move.to, limits[0]), limits[1])
    best = max(tried, key=lambda pair: pair[1])[0]
    n = len(settings)
    what = f"Only {n} setting{'s' if n > 1 else ''} tried: a curve needs three. Basis: common practice."
    held = any(to / SAME <= at <= to * SAME for at in settings)
    first = (
        [move.why] if not held else [f"The valve's travel allows no further step that way: {over} stays as it is."]
    )
    return Advice(
        over, aim, len(delivered), n, best, None, "", None if held else to, None, limits, (),
        (*first, SETTLE, what, *said),
    )  # fmt: skip


def _drive(delivered: Sequence[Point], wasted: Sequence[Point]) -> dict[float, float]:
    """Drive flow, m³/s, by setting, where both sides are known."""
    waste = {point.trial: math.exp(point.log_value) for point in wasted}
    return {p.at: math.exp(p.log_value) + waste[p.trial] for p in delivered if p.trial in waste}


def _worth(aim: str, delivered: Sequence[Point], wasted: Sequence[Point]) -> list[tuple[float, float]]:
    """(setting, what the aim wants much of, in ln) for each trial."""
    if aim != "least-waste":
        return [(point.at, point.log_value) for point in delivered]
    return [(point.at, point.log_value) for point in _shares(delivered, wasted)]


def _by_curve(
    over: str, aim: str, delivered: Sequence[Point], wasted: Sequence[Point], settings: Sequence[float],
    limits: tuple[float, float], supply_m3_s: float | None, forecast: Mapping[str, Forecast],
    lift_over_fall: tuple[float, float] | None, said: list[str],
) -> Advice:  # fmt: skip
    tried = (settings[0], settings[-1])
    at = np.exp(np.linspace(math.log(min(limits[0], tried[0])), math.log(max(limits[1], tried[1])), N_GRID))
    at = np.union1d(at, np.array(settings))
    flow = respond(delivered, at, forecast.get("delivery_flow_m3_s"))
    curves = [curve(flow, delivered, "delivery_flow_m3_s", "delivered", tried)]
    target, points = flow, list(delivered)
    inside = (at >= tried[0]) & (at <= tried[1])
    allowed = (at >= limits[0] * (1 - 1e-9)) & (at <= limits[1] * (1 + 1e-9))
    within = np.ones(len(at), dtype=bool)
    if len(_distinct([point.at for point in wasted])) >= 3:
        waste = respond(wasted, at, forecast.get("waste_flow_m3_s"))
        curves.append(curve(waste, wasted, "waste_flow_m3_s", "wasted", tried))
        share_points = _shares(delivered, wasted)
        share = respond(share_points, at, _less(forecast))
        if aim == "least-waste":
            target, points = share, share_points
        if aim == "within-supply" and supply_m3_s is not None:
            within = _within(flow, waste, supply_m3_s, max(point.vessel_u for point in wasted))
        shared = curve(share, share_points, "delivered_over_wasted", "delivered/wasted", tried)
        curves.append(shared if lift_over_fall is None else _efficiency(shared, lift_over_fall))
    elif aim != "most-water":
        raise LogbookError("the waste is known at fewer than three settings", hint="catch it too: --waste-catch ...")
    shown = curves[-1] if aim == "least-waste" else curves[0]
    noise_u = float(np.median([point.u for point in points]))
    return _chosen(
        over, aim, target, shown, curves, inside, allowed, within, noise_u, len(delivered), settings, limits, said
    )


def _shares(delivered: Sequence[Point], wasted: Sequence[Point]) -> list[Point]:
    """Delivered over wasted, of trials where both are known."""
    waste = {point.trial: point for point in wasted}
    pairs = [(point, waste[point.trial]) for point in delivered if point.trial in waste]
    return [
        Point(a.at, a.log_value - b.log_value, math.hypot(a.u, b.u), a.trial, math.hypot(a.vessel_u, b.vessel_u))
        for a, b in pairs
    ]


def _efficiency(shared: Curve, lift_over_fall: tuple[float, float]) -> Curve:
    """The efficiency by D'Aubuisson over the setting: q h / ((q + w) H) = s / (1 + s) h / H with s = q / w.

    Its band holds the heads' error, too, which all points share: it bends nothing.
    """
    ratio, ratio_u = lift_over_fall

    def of(share: float) -> float:
        return ratio * share / (1 + share)

    def apart(share: float, end: float) -> float:
        """How far the band's end lies from the middle, in logarithms, the heads' error joined."""
        return math.hypot(math.log(of(end) / of(share)), BAND * ratio_u)

    return Curve(
        "efficiency",
        "efficiency",
        shared.at,
        tuple(of(share) for share in shared.middle),
        tuple(of(m) * math.exp(-apart(m, end)) for m, end in zip(shared.middle, shared.low, strict=True)),
        tuple(of(m) * math.exp(apart(m, end)) for m, end in zip(shared.middle, shared.high, strict=True)),
        tuple((at, of(share)) for at, share in shared.points),
        shared.tried,
    )


def _less(forecast: Mapping[str, Forecast]) -> Forecast | None:
    flow, waste = forecast.get("delivery_flow_m3_s"), forecast.get("waste_flow_m3_s")
    if flow is None or waste is None:
        return None
    return Forecast(flow.at, tuple(a - b for a, b in zip(flow.log_value, waste.log_value, strict=True)))


def _within(flow: Response, waste: Response, supply_m3_s: float, vessel_u: float) -> Any:
    """Where the ram takes no more than the supply gives, with SURE_WITHIN."""
    from scipy.special import ndtri

    drive = np.exp(flow.log_mean) + np.exp(waste.log_mean)
    share = np.exp(waste.log_mean) / drive
    sd = np.hypot(np.hypot(share * waste.log_sd, (1 - share) * flow.log_sd), vessel_u)
    return np.log(drive) + ndtri(SURE_WITHIN) * sd <= math.log(supply_m3_s)


def _past_the_end(places: Any, best: float, settings: Sequence[float]) -> float | None:
    """The place that is about a careful step beyond the end of what was tried, where best lies at that end."""
    for end, step in ((settings[0], 1 / STEP), (settings[-1], STEP)):
        beyond = places[places > end * SAME if step > 1 else places < end / SAME]
        if end / SAME <= best <= end * SAME and len(beyond):
            return float(beyond[np.argmin(np.abs(np.log(beyond / (end * step))))])
    return None


def _chosen(
    over: str, aim: str, target: Response, shown: Curve, curves: Sequence[Curve],
    inside: Any, allowed: Any, within: Any,
    noise_u: float, n_trials: int, settings: Sequence[float], limits: tuple[float, float], said: list[str],
) -> Advice:  # fmt: skip
    if not (inside & within).any():
        first = f"At no {over} that was tried does the ram stay within the supply: go lower, in one careful step."
        lower = min(max(settings[0] / REACH, limits[0]), limits[1])
        return Advice(
            over,
            aim,
            n_trials,
            len(settings),
            None,
            None,
            "",
            lower,
            None,
            limits,
            tuple(curves),
            (first, SETTLE, *said),
        )
    score = np.where(inside & within, target.log_mean, -np.inf)
    best = int(np.argmax(score))
    gains = gain_of_trying(target, noise_u, allowed & within, within, (settings[0], settings[-1]))
    value = (shown.middle[best], shown.low[best], shown.high[best])
    at = target.at
    to: float | None
    if not np.isfinite(gains).any():
        to, gain = None, 0.0
    else:
        chosen = int(np.argmax(gains))
        to, gain = float(at[chosen]), float(gains[chosen])
    why = f"The next trial would tell most there: it is expected to gain {100 * math.expm1(gain):.1f} %."
    if (
        to is None or gain < ENOUGH
    ):  # a curve through few points bends where nobody has been: look there before resting
        to = _past_the_end(at[allowed & within], float(at[best]), settings)
        why = "The best so far lies at the end of what was tried: one step further shows whether it goes on."
    sentences: list[str] = []
    if to is not None:
        sentences.append(why)
        if not settings[0] <= to <= settings[-1]:
            sentences.append("That lies beyond what was tried: the curve there is a guess. Go there in small steps.")
        sentences.append(SETTLE)
    else:
        sentences.append("Another trial is hardly worth the walk: the best is known as well as it can be read.")
    return Advice(
        over, aim, n_trials, len(settings), float(at[best]), value, shown.quantity, to, math.expm1(gain), limits,
        tuple(curves), (*sentences, *said),
    )  # fmt: skip

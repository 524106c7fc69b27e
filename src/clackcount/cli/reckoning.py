"""Joins what rooms that do not know each other made (sound heard, catches read, a site) into a trial's result."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import clackcount
from clackcount.cli import terminal
from clackcount.errors import ClackcountError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from clackcount.hydraulics import Heard, Measurement
    from clackcount.logbook.records import Caught, Figure, Recording, Result, Trial
    from clackcount.model import Listening


def recording_of(path: str, hear: Callable[[str], Listening]) -> Recording:
    """The recording at path, heard and digested."""
    from clackcount.logbook.records import Recording

    with terminal.naming(path):
        listening = hear(path)
    return Recording(str(Path(path).absolute()), digest_of(path), Path(path).stat().st_size, kept_of(listening))


def digest_of(path: str) -> str:
    """SHA-256 of a file, in hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def kept_of(listening: Listening) -> dict[str, Any]:
    """What a logbook keeps of a Listening: its document, with the slams of pump 1 as times only."""
    slams = listening.beats.train.of_pump(1)
    document = listening.to_dict()
    return {name: value for name, value in document.items() if name != "slams"} | {
        "slam_times_s": [round(float(time_s), 5) for time_s in slams.time_s]
    }


def caught_of(text: str, side: str, measures: str) -> Caught:
    """A catch as the logbook keeps it. Raises: QuantityError naming what cannot be read."""
    from clackcount.hydraulics import Catch
    from clackcount.hydraulics.assumed import ASSUMED
    from clackcount.logbook.records import Caught

    catch = Catch.read(text, side, measures=measures)  # type: ignore[arg-type]
    return Caught(
        text,
        catch.side,
        catch.volume.value,
        catch.volume_u_m3(),
        catch.time.value,
        catch.time_u_s(),
        catch.vessel,
        ASSUMED["vessel"].u if catch.volume.u is None else 0.0,
        catch.start_s,
        catch.end_s,
        measures=measures,
    )


def counted(caught: Sequence[Caught], recording: Recording | None) -> tuple[Caught, ...]:
    """The catches with the slams counted, where the whole catch lies in the recording."""
    from dataclasses import replace

    from clackcount.hydraulics import strokes_within

    if recording is None or recording.heard.get("rate_per_min") is None:
        return tuple(caught)
    times_s, duration_s = recording.heard["slam_times_s"], recording.heard["recording"]["duration_s"]
    counts = [strokes_within(times_s, each.start_s, each.end_s, duration_s) for each in caught]
    return tuple(
        each if n_slams is None else replace(each, n_slams=n_slams)
        for each, n_slams in zip(caught, counts, strict=True)
    )


def result_of(trial: Trial, at: str) -> Result:
    """What this version of the program makes of a trial; at: the time now.

    Raises: SiteError, QuantityError where the texts kept in the trial cannot be read any more.
    """
    from clackcount.hydraulics import Catch, measure, pool_catches
    from clackcount.logbook.records import Figure, Result

    catches = [Catch.read(each.given, each.side, measures=each.measures) for each in trial.catches]
    heard = _heard(trial)
    figures: dict[str, Figure] = {}
    more: dict[str, Any] = {}
    if trial.site_text:
        site = _site_that_day(trial)
        found = measure(site, catches, heard)
        more = found.to_dict()
        figures = _figures(found)
    else:
        for name, side in (("delivery_flow_m3_s", "delivery"), ("waste_flow_m3_s", "waste")):
            chosen = [catch for catch in catches if catch.side == side]
            if chosen:
                figures[name] = _figure(pool_catches(chosen).flow_m3_s)
        if heard is not None:
            low, high = heard.rate_ci95_per_min
            figures["rate_per_min"] = Figure(heard.rate_per_min, (high - low) / (2 * 1.96))
            chosen = [catch for catch in catches if catch.side == "delivery"]
            if chosen:
                counts = [n for n, each in zip(heard.n_slams, catches, strict=True) if each.side == "delivery"]
                per_stroke = pool_catches(chosen, _rate_per_s(heard), counts).per_stroke_m3
                figures["delivered_per_stroke_m3"] = _figure(per_stroke)
    if heard is not None and heard.robust_cv is not None:
        figures["robust_cv"] = Figure(heard.robust_cv)
    return Result(clackcount.__version__, at, figures, more)


def _heard(trial: Trial) -> Heard | None:
    """What the recording of a trial says about the beat; None where no ram was heard."""
    from clackcount.hydraulics import Heard

    document = trial.recording.heard if trial.recording else {}
    if document.get("rate_per_min") is None:
        return None
    low, high = document["rate_ci95_per_min"]
    return Heard(
        document["rate_per_min"],
        (low, high),
        document["phases"]["open_s"],
        document["phases"]["shut_s"],
        tuple(each.n_slams for each in counted(trial.catches, trial.recording)),
        document["regularity"]["robust_cv"],
    )


def _site_that_day(trial: Trial) -> Any:
    """The site with the trial's own stroke, weight, tilt, head and supply in the place of the file's."""
    from clackcount.hydraulics import Site
    from clackcount.logbook.records import as_quantity

    site = Site.read(trial.site_text, f"site file kept with trial {trial.number}" if trial.number else "site file")
    return with_settings(site, {each.name: as_quantity(each) for each in (*trial.settings, *trial.conditions)})


def with_settings(site: Any, settings: dict[str, Any]) -> Any:
    """site with other settings and conditions, by the names the logbook has for them."""
    valve = {name: settings[name] for name in ("stroke", "weight", "tilt") if settings.get(name) is not None}
    changes: dict[str, Any] = {"waste_valve": site.waste_valve.model_copy(update=valve)} if valve else {}
    if settings.get("head") is not None:
        changes["drive_head"] = settings["head"]
    if settings.get("supply") is not None:
        changes["supply"] = site.supply.model_copy(update={"flow": settings["supply"]})
    return site.model_copy(update=changes)


def _figures(found: Measurement) -> dict[str, Figure]:
    named = {
        "rate_per_min": found.rate_per_min,
        "delivery_flow_m3_s": found.delivery_flow_m3_s,
        "waste_flow_m3_s": found.waste_flow_m3_s
        if found.waste_flow_m3_s is not None
        else found.modelled_waste_flow_m3_s,
        "delivered_per_stroke_m3": found.delivered_per_stroke_m3,
        "efficiency": found.efficiency_daubuisson,
    }
    return {name: _figure(value) for name, value in named.items() if value is not None}


def _figure(uncertain: Any) -> Figure:
    from clackcount.hydraulics.figures import u_of, value_of
    from clackcount.logbook.records import Figure

    return Figure(value_of(uncertain), u_of(uncertain))


def _rate_per_s(heard: Heard) -> Any:
    from clackcount.hydraulics.figures import uncertain

    low, high = heard.rate_ci95_per_min
    return uncertain(heard.rate_per_min / 60, (high - low) / (2 * 1.96) / 60, "rate")


def heard_again(trial: Trial, hear: Callable[[str], Listening]) -> tuple[Recording | None, str]:
    """The trial's recording, heard anew where the very file is still there; else as kept. And which of the two."""
    from dataclasses import replace

    recording = trial.recording
    if recording is None:
        return None, "no recording"
    try:
        if digest_of(recording.path) == recording.sha256:
            return replace(recording, heard=kept_of(hear(recording.path))), "heard again"
        return recording, "the file changed; what was heard then is used"
    except (OSError, ClackcountError):
        return recording, "the file is gone; what was heard then is used"


def supply_of(trials: Sequence[Trial], site_text: str) -> float | None:
    """What the supply gives, m³/s: as noted with the last trial that says so, else as the site file has it."""
    from clackcount.hydraulics import Site

    noted = [found.value for trial in trials if (found := trial.setting("supply")) is not None]
    if noted:
        return noted[-1]
    flow = Site.read(site_text).supply.flow if site_text else None
    return None if flow is None else flow.value


def lift_over_fall_of(site_text: str) -> tuple[float, float] | None:
    """Delivery head over drive head as the site file has them, and its relative standard uncertainty."""
    from clackcount.hydraulics import Site, numbers_of
    from clackcount.hydraulics.figures import u_of, value_of

    if not site_text:
        return None
    numbers = numbers_of(Site.read(site_text))
    ratio = numbers.delivery_head_m / numbers.supply_head_m
    return value_of(ratio), u_of(ratio) / value_of(ratio)


def forecast_of(trials: Sequence[Trial], site_text: str, over: str) -> dict[str, Any]:
    """The shape that the model of the site expects over a setting, by quantity; empty without a site file or where
    the model cannot tell."""
    import math

    from clackcount.errors import ClackcountError
    from clackcount.hydraulics import Site, predict
    from clackcount.hydraulics.figures import value_of
    from clackcount.logbook.records import as_quantity
    from clackcount.logbook.response import Forecast, around
    from clackcount.units import Quantity

    values = [each.value for trial in trials if (each := trial.setting(over)) is not None and each.value is not None]
    if not site_text or not values:
        return {}
    settings = {each.name: as_quantity(each) for each in (*trials[-1].settings, *trials[-1].conditions)}
    unit = "m" if over == "stroke" else "kg"
    rows = []
    for at in around(min(values), max(values)):
        try:
            there = with_settings(Site.read(site_text), {**settings, over: Quantity(at, None, unit)})
            cycle = predict(there).by_cycle
        except ClackcountError:
            continue
        delivered = value_of(cycle.delivery_flow_m3_s)
        wasted = value_of(cycle.drive_flow_m3_s) - delivered
        if delivered > 0 and wasted > 0:
            rows.append((at, math.log(delivered), math.log(wasted)))
    if len(rows) < 4:
        return {}
    places, delivered_logs, wasted_logs = zip(*rows, strict=True)
    return {
        "delivery_flow_m3_s": Forecast(places, delivered_logs),
        "waste_flow_m3_s": Forecast(places, wasted_logs),
    }

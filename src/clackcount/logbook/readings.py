"""From trials to readings: what each catch and each recording says about one quantity, in logarithms."""

from __future__ import annotations

import math
from collections.abc import Sequence

from clackcount.logbook.contrast import Reading, Repeats
from clackcount.logbook.records import Caught, Trial

COUNT_U = 0.41  # a window cuts off up to one stroke: triangular, ± 1
# 1.4826 MAD is 37 % as efficient as the standard deviation of a normal sample (Rousseeuw & Croux 1993, from memory).
MAD_EFFICIENCY = 0.37
# How well each quantity repeats, where it is not as Repeats has it (common practice, no source).
REPEATS = {
    "rate_per_min": Repeats(0.0, 0.01),
    "robust_cv": Repeats(0.0, 0.15),
    "efficiency": Repeats(0.0, 0.015),
}


def repeats_of(name: str) -> Repeats:
    """How well the quantity repeats."""
    return REPEATS.get(name, Repeats())


def readings_of(name: str, trials: Sequence[Trial], *, caught: bool = True) -> list[Reading]:
    """Readings of a quantity (a name of FIGURES). caught False: waste as reckoned, though it was caught."""
    found: list[Reading] = []
    for trial in trials:
        if name in ("delivery_flow_m3_s", "waste_flow_m3_s") and caught:
            side = "delivery" if name == "delivery_flow_m3_s" else "waste"
            found += [
                Reading(math.log(each.flow_m3_s), each.relative_u, trial.number, each.vessel, each.vessel_u)
                for each in trial.of_side(side)
            ]
        elif name == "delivered_per_stroke_m3":
            found += [r for each in trial.of_side("delivery") if (r := _per_stroke(trial, each)) is not None]
        elif name == "robust_cv":
            found += _evenness(trial)
        elif (figure := trial.figure(name)) is not None and figure.value > 0:
            u = _efficiency_u(trial) if name == "efficiency" and caught else None
            own = (figure.u or 0.0) / figure.value
            found.append(Reading(math.log(figure.value), own if u is None else u, trial.number))
    return found


def _per_stroke(trial: Trial, caught: Caught) -> Reading | None:
    volume_u = caught.volume_u_m3 / caught.volume_m3
    rate = trial.figure("rate_per_min")
    if caught.n_slams:
        value, u = caught.volume_m3 / caught.n_slams, math.hypot(volume_u, COUNT_U / caught.n_slams)
    elif rate is not None:
        value = caught.volume_m3 / (caught.time_s * rate.value / 60)
        u = math.hypot(caught.relative_u, (rate.u or 0.0) / rate.value)
    else:
        return None
    return Reading(math.log(value), u, trial.number, caught.vessel, caught.vessel_u)


def _evenness(trial: Trial) -> list[Reading]:
    figure = trial.figure("robust_cv")
    if figure is None or figure.value <= 0 or trial.recording is None:
        return []
    pumps = trial.recording.heard.get("pumps") or [{}]
    n_cycles = max(int(pumps[0].get("n_cycles") or 0), 2)
    u = math.sqrt(1 / (2 * MAD_EFFICIENCY * (n_cycles - 1)))
    return [Reading(math.log(figure.value), u, trial.number)]


def _efficiency_u(trial: Trial) -> float | None:
    """Standard uncertainty of the efficiency without heads, which two trials at one site share; None without a waste
    catch. η = q h / ((q + w) H), so d ln η = (1 - f)(d ln q - d ln w), f the delivered share."""
    delivered, wasted = trial.of_side("delivery"), trial.of_side("waste")
    if not delivered or not wasted:
        return None
    flows = [sum(each.flow_m3_s for each in side) / len(side) for side in (delivered, wasted)]
    share = flows[0] / (flows[0] + flows[1])
    u_sides = []
    for side in (delivered, wasted):
        weight = sum(1 / (each.relative_u**2 + Repeats().reading_u ** 2) for each in side)
        u_sides.append(math.hypot(math.sqrt(1 / weight), side[0].vessel_u))
    return (1 - share) * math.hypot(*u_sides)

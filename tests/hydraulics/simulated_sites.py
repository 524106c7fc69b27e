"""Sites and catches whose truth is known, read with the errors people make. Independent of the code under test where
it can be: the beat comes from the drive column's closed forms written out again here, with plain floats."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from clackcount.hydraulics import Catch, Heard, Site
from clackcount.units import Quantity

G = 9.80665
RHO = 998.2
SIZES = (
    (15.76e-3, "1/2 in sch 40"),
    (20.96e-3, "3/4 in sch 40"),
    (26.64e-3, "1 in sch 40"),
    (52.48e-3, "2 in sch 40"),
)


@dataclass(frozen=True)
class Truth:
    """What is really so, in SI."""

    delivery_flow_m3_s: float
    waste_flow_m3_s: float
    delivered_per_stroke_m3: float
    wasted_per_stroke_m3: float
    drive_flow_m3_s: float
    efficiency_daubuisson: float
    efficiency_rankine: float
    delivered_fraction: float
    closing_velocity_m_s: float
    power_in_w: float
    power_out_w: float
    energy_in_per_stroke_j: float
    column_energy_j: float
    delivered_per_day_m3: float
    terminal_velocity_m_s: float
    loss_coefficient: float
    rate_per_min: float


def bounded(rng: np.random.Generator, true: float, half: float) -> float:
    """A reading whose error is anywhere within ± half."""
    return true + rng.uniform(-half, half)


def scattered(rng: np.random.Generator, median: float, relative: float) -> float:
    return median * math.exp(rng.normal(0, relative))


def one(rng: np.random.Generator, *, waste: bool, stated: bool) -> tuple[Truth, Site, list[Catch], Heard]:
    """A random site: its truth, and the site file, catches and sound that somebody got from it.

    stated: whether the tape readings carry their ±; else the usual reading error happens unsaid.
    """
    head = rng.uniform(0.8, 5.0)
    above = head * rng.uniform(4, 15)
    length = head * rng.uniform(3, 9)
    nominal_bore, size = SIZES[rng.integers(len(SIZES))]
    bore = nominal_bore * (1 + rng.normal(0, 0.015))
    area = math.pi / 4 * bore**2
    loss = (
        0.57 * (1 + rng.normal(0, 0.3))
        + 1
        + 4 * math.exp(rng.normal(0, 0.5))
        + friction(head, length, bore) * length / bore * (1 + rng.normal(0, 0.15))
    )
    terminal = math.sqrt(2 * G * head / loss)
    tau = length * terminal / (G * head)
    share = scattered(rng, 0.62, 0.3)
    velocity = terminal * math.tanh(share)
    wasted = area * terminal * tau * math.log(math.cosh(share))
    delivered = min(scattered(rng, 0.6, 0.28), 1.2) * area * length * velocity**2 / (2 * G * (above - head))
    lost = max(rng.normal(0.07, 0.05), 0.0)
    open_s = share * tau / (1 - lost)
    rate = 1 / (open_s + 0.6 * length * velocity / (G * (above - head)) + scattered(rng, 0.05, 0.4))
    truth = Truth(
        delivery_flow_m3_s=rate * delivered,
        waste_flow_m3_s=rate * wasted,
        delivered_per_stroke_m3=delivered,
        wasted_per_stroke_m3=wasted,
        drive_flow_m3_s=rate * (wasted + delivered),
        efficiency_daubuisson=delivered * above / ((wasted + delivered) * head),
        efficiency_rankine=delivered * (above - head) / (wasted * head),
        delivered_fraction=delivered / (wasted + delivered),
        closing_velocity_m_s=velocity,
        power_in_w=RHO * G * rate * (wasted + delivered) * head,
        power_out_w=RHO * G * rate * delivered * above,
        energy_in_per_stroke_j=RHO * G * (wasted + delivered) * head,
        column_energy_j=RHO * area * length * velocity**2 / 2,
        delivered_per_day_m3=rate * delivered * 86400,
        terminal_velocity_m_s=terminal,
        loss_coefficient=loss,
        rate_per_min=60 * rate,
    )
    site = read_site(rng, head, above, length, size, stated)
    catches = caught(rng, rate * delivered, "delivery")
    if waste:
        catches += caught(rng, rate * wasted, "waste")
    ci = rng.uniform(0.001, 0.01) * 60 * rate
    heard_rate = 60 * rate + rng.normal(0, ci / 1.96)
    heard_open = open_s + rng.normal(0, max(0.01 * open_s, 0.004))
    heard = Heard(heard_rate, (heard_rate - ci, heard_rate + ci), open_s=max(heard_open, 0.01))
    return truth, site, catches, heard


def friction(head: float, length: float, bore: float) -> float:
    """Swamee & Jain's friction factor for commercial steel at half the top speed, by a few rounds."""
    factor = 0.03
    for _ in range(5):
        speed = 0.5 * math.sqrt(2 * G * head / (5.57 + factor * length / bore))
        factor = 0.25 / math.log10(4.6e-5 / (3.7 * bore) + 5.74 / (speed * bore / 1.14e-6) ** 0.9) ** 2
    return factor


def read_site(rng: np.random.Generator, head: float, above: float, length: float, size: str, stated: bool) -> Site:
    """The site as its keeper wrote it down, with the delivery head asked either way."""

    def tape(true: float, relative: float) -> Quantity:
        if stated:
            half = rng.uniform(0.5, 2.0) * relative * true
            return Quantity(bounded(rng, true, half), half / math.sqrt(3), "m")
        return Quantity(true + rng.normal(0, max(relative * true, 0.02)), None, "m")

    if rng.random() < 0.5:
        asked = {"delivery_head_above_ram": tape(above, 0.02)}
    else:
        asked = {"delivery_head_above_source": tape(above - head, 0.02)}
    pipe = {"length": tape(length, 0.01), "size": size}
    return Site(drive_head=tape(head, 0.02), drive_pipe=pipe, **asked)


def caught(rng: np.random.Generator, flow: float, side: str) -> list[Catch]:
    """One to three catches of one side in one jug or bucket, with its own error, read by eye and by a watch."""
    vessel = 1 + rng.normal(0, 0.02)
    time_s = rng.uniform(30, 90)
    return [catch(rng, flow, time_s, vessel, side) for _ in range(rng.integers(1, 4))]


def catch(rng: np.random.Generator, flow: float, time_s: float, vessel: float, side: str) -> Catch:
    litres = 1e3 * flow * (time_s + rng.normal(0, 0.3)) * vessel
    mark = next(m for up_to, m in ((0.1, 0.01), (0.5, 0.025), (3.0, 0.05), (math.inf, 0.5)) if litres <= up_to)
    reading = max(bounded(rng, litres, mark / 2), 0.3 * litres)
    text = f"{reading} L"
    return Catch(Quantity(reading * 1e-3, None, "m³", text), Quantity(time_s, None, "s"), side)  # type: ignore[arg-type]

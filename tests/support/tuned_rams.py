"""Rams whose answer to valve stroke or weight is known: plain physics written out again, with numbers of their own.

The column speeds up to v = v∞ tanh(t/τ) until drag in the gap lifts the valve; the gap is the mantle of a cylinder as
high as the stroke, but never more than the seat (its drag falls off smoothly). What the drive column's energy lifts,
less leaks, is delivered; the open gap adds its loss. Beyond about v∞ the valve does not shut: the ram does not run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from clackcount.logbook.records import Caught, Recording, Setting, Trial

G = 9.80665
MARKS_L = ((0.1, 0.01), (0.5, 0.025), (3.0, 0.05), (math.inf, 0.5))


@dataclass(frozen=True)
class TunedRam:
    """A site and its valve, SI. drag: v_gap at which a weight of 1 kg is lifted. leak: share that goes astray.
    jugs: what the delivery and the waste jug read over what is in them."""

    head: float
    above: float
    length: float
    bore: float
    loss: float
    seat: float
    lift_speed: float
    weight: float
    gap_loss: float
    idle_s: float
    yielded: float
    leak: float
    travel: tuple[float, float]
    jugs: tuple[float, float] = (1.0, 1.0)

    def flows_m3_s(self, stroke: float, weight: float | None = None) -> tuple[float, float] | None:
        """(delivered, wasted); None where it does not run."""
        area = math.pi / 4 * self.bore**2
        opening = math.pi * self.seat * stroke
        full = math.pi / 4 * self.seat**2
        gap = opening * full / math.hypot(opening, full)
        speed = self.lift_speed * math.sqrt(weight or self.weight) * gap / area
        loss = self.loss + self.gap_loss * (area / gap) ** 2
        terminal = math.sqrt(2 * G * self.head / loss)
        share = speed / terminal
        if share > 0.985:
            return None
        tau = self.length * terminal / (G * self.head)
        theta = math.atanh(share)
        wasted = area * terminal * tau * math.log(math.cosh(theta))
        delivered = self.yielded * area * self.length * speed**2 / (2 * G * (self.above - self.head)) - self.leak * (
            area * self.length * 0.01
        )
        if delivered <= 0:
            return None
        pumping = self.yielded * self.length * speed / (G * (self.above - self.head))
        period = theta * tau + pumping + self.idle_s
        return delivered / period, wasted / period

    def best_m3_s(self) -> float:
        """The most it can deliver within the valve's travel."""
        strokes = np.geomspace(*self.travel, 400)
        return max((found[0] for s in strokes if (found := self.flows_m3_s(float(s)))), default=0.0)

    def site_text(self, rng: np.random.Generator, stroke: float) -> str:
        """The site file that a keeper with a tape measure would write."""

        def read(value: float, u: float, unit: str = "m") -> str:
            return f'"{value * math.exp(rng.normal(0, u)):.4f} {unit}"'

        return (
            f"drive_head = {read(self.head, 0.02)}\ndelivery_head_above_ram = {read(self.above, 0.02)}\n"
            f"[drive_pipe]\nlength = {read(self.length, 0.01)}\nbore = {read(self.bore, 0.015)}\n"
            f"[waste_valve]\nstroke = {read(stroke, 0)}\nweight = {read(self.weight, 0.03, 'kg')}\n"
            f"seat_bore = {read(self.seat, 0.02)}\n"
        )

    def trial(
        self, rng: np.random.Generator, number: int, stroke: float, *, n: int = 3, reset_u: float = 0.015
    ) -> Trial:
        """A trial at a stroke as it would be stored: n catches a side, read with the errors people make."""
        at = f"2026-03-{1 + number:02d}T10:00:00Z"
        setting = Setting("stroke", f"{1e3 * stroke:.1f} mm", stroke, None, "m")
        flows = self.flows_m3_s(stroke)
        silent = Recording("silent.wav", "0" * 64, 1, {"rate_per_min": None, "slam_times_s": []})
        if flows is None:
            return Trial(f"trial-{number}", "Fern Hollow", at, number, settings=(setting,), recording=silent)
        anew = math.exp(rng.normal(0, reset_u))
        caught = [
            each
            for side, flow, jug in zip(("delivery", "waste"), flows, self.jugs, strict=True)
            for each in _caught(rng, side, flow * anew, jug, n)
        ]
        return Trial(f"trial-{number}", "Fern Hollow", at, number, settings=(setting,), catches=tuple(caught))


def _caught(rng: np.random.Generator, side: str, flow: float, jug: float, n: int) -> list[Caught]:
    found = []
    for _ in range(n):
        litres = 1e3 * flow * math.exp(rng.normal(0, 0.01)) * (60 + rng.normal(0, 0.3)) * jug
        mark = next(m for up_to, m in MARKS_L if litres <= up_to)
        reading = max(litres + rng.uniform(-mark / 2, mark / 2), 0.3 * litres)
        u = mark / 2 / math.sqrt(3)
        found.append(Caught(f"{reading:.3f} L in 60 s", side, reading / 1e3, u / 1e3, 60.0, 0.3, f"{side} jug", 0.02))  # type: ignore[arg-type]
    return found


def random_tuned_ram(rng: np.random.Generator) -> TunedRam:
    """A ram that runs somewhere inside its travel, drawn over wide ranges."""
    while True:
        bore = float(np.exp(rng.uniform(math.log(0.015), math.log(0.06))))
        head = rng.uniform(0.8, 4.0)
        low = bore * rng.uniform(0.05, 0.12)
        seat = bore * rng.uniform(0.85, 1.2)
        ram = TunedRam(
            head=head,
            above=head * rng.uniform(4, 14),
            length=head * rng.uniform(3, 9),
            bore=bore,
            loss=1.6 + rng.uniform(0.02, 0.035) * 5 * head / bore + rng.uniform(0, 3),
            seat=seat,
            lift_speed=math.sqrt(
                2 * G * 0.87 / (1.3 * math.exp(rng.normal(0, 0.4)) * 998 * 1.3 * math.pi / 4 * seat**2)
            ),
            weight=1200 * bore**2 * math.exp(rng.normal(0, 0.6)),
            gap_loss=1.5 * math.exp(rng.normal(0, 0.4)),
            idle_s=0.05 * math.exp(rng.normal(0, 0.4)),
            yielded=min(0.6 * math.exp(rng.normal(0, 0.28)), 1.1),
            leak=rng.uniform(0, 0.02),
            travel=(low, low * rng.uniform(3.0, 6.0)),
            jugs=(1 + rng.normal(0, 0.02), 1 + rng.normal(0, 0.02)),
        )
        strokes = np.geomspace(*ram.travel, 40)
        runs = [ram.flows_m3_s(float(s)) is not None for s in strokes]
        if sum(runs) > 15:
            return ram


def share_of_best(rng: np.random.Generator, *, forecast: bool, n_trials: int = 6) -> float:
    """Follow the advice from a stroke at random for so many trials; what the stroke then advised delivers, as a share
    of the most that the ram could. forecast: whether there is a site file."""
    from clackcount.cli.reckoning import forecast_of
    from clackcount.logbook.advice import advise

    ram = random_tuned_ram(rng)
    stroke = 0.0
    while stroke == 0 or ram.flows_m3_s(stroke) is None:
        stroke = round(math.exp(rng.uniform(math.log(ram.travel[0]), math.log(ram.travel[1]))), 5)
    text = ram.site_text(rng, stroke) if forecast else ""
    trials: list[Trial] = []
    for number in range(1, n_trials + 1):
        trials.append(ram.trial(rng, number, stroke))
        advice = advise(trials, "stroke", travel=ram.travel, forecast=forecast_of(trials, text, "stroke"))
        assert advice.next is None or ram.travel[0] * 0.999 <= advice.next <= ram.travel[1] * 1.001
        if advice.next is None:
            break
        stroke = round(advice.next, 5)
    assert advice.best is not None
    flows = ram.flows_m3_s(advice.best)
    return flows[0] / ram.best_m3_s() if flows else 0.0

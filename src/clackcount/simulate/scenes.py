"""Whole scenarios drawn at random: what tests and benchmarks are made of.

`random_scene` draws a ram, a place and a phone under one condition; `random_acts` draws what the ram does. Everything
comes from the generator that is handed in, so a benchmark is a list of seeds.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from clackcount.errors import SettingError
from clackcount.model import Cause
from clackcount.simulate.acts import Act, Hand, Quiet, Running, Rushing
from clackcount.simulate.backgrounds import MAKERS
from clackcount.simulate.channel import Phone, Place, random_phone
from clackcount.simulate.ram import Ram, random_ram
from clackcount.simulate.scenario import Layer, Part, Scenario

# Besides the backgrounds by name: circumstances that change the way to the phone, or the number of valves and rams.
CIRCUMSTANCES = ("clean", "pump-house", "far", "automatic-gain", "narrow-band", "clipped", "stacked", "two-rams")
CONDITIONS = (*MAKERS, *CIRCUMSTANCES)

STORIES = ("steady", "start-up", "open-stall", "shut-stall", "starved", "restart", "rushing", "quiet")


def random_scene(
    condition: str,
    rng: np.random.Generator,
    *,
    duration_s: float = 60.0,
    snr_db: float | None = 6.0,
    story: str = "steady",
    rush_snr_db: float | None = None,
    layers: tuple[Layer, ...] | None = None,
    sample_rate_hz: int | None = None,
    **ram: Any,
) -> Scenario:
    """A scenario under one of CONDITIONS, with one of STORIES. **ram goes to random_ram.

    layers: lay these under it instead of the made backgrounds (real recordings, say).

    Raises:
        SettingError: no such condition or story.
    """
    if condition not in CONDITIONS:
        raise SettingError(f"no condition is called {condition!r}", hint="one of " + ", ".join(CONDITIONS))
    parts = [Part(pump := random_ram(rng, second_valve=condition == "stacked", **ram), ())]
    parts[0] = Part(pump, random_acts(story, pump, duration_s, rng))
    if condition == "two-rams":
        parts.append(Part(_another_ram(rng, pump), (Running(),), level_db=float(rng.uniform(-8, -2))))
    under = [Layer(condition)] if condition in MAKERS else [Layer(str(rng.choice(["stream", "room"])))]
    if condition in MAKERS and condition not in ("room", "stream"):
        under.append(Layer(str(rng.choice(["stream", "room"])), float(rng.uniform(-20, -8))))
    if condition == "clean":
        under = []
    return Scenario(
        duration_s=duration_s,
        parts=tuple(parts),
        layers=layers if layers is not None else tuple(under),
        snr_db=snr_db,
        rush_snr_db=rush_snr_db,
        place=_place(condition, rng),
        phone=_phone(condition, rng),
        sample_rate_hz=sample_rate_hz or (8000 if condition == "narrow-band" else int(rng.choice([44100, 48000]))),
    )


def without_ram(
    backgrounds: tuple[str, ...], rng: np.random.Generator, *, duration_s: float = 60.0, sample_rate_hz: int = 48000
) -> Scenario:
    """A place without a ram, the backgrounds at levels drawn at random."""
    layers = tuple(Layer(name, float(rng.uniform(-10, 0))) for name in backgrounds)
    return Scenario(duration_s, (), layers, phone=random_phone(rng), sample_rate_hz=sample_rate_hz)


def random_acts(story: str, ram: Ram, duration_s: float, rng: np.random.Generator) -> tuple[Act, ...]:
    """What a ram does over duration_s, by the name of the story (one of STORIES).

    Raises:
        SettingError: no such story.
    """
    period_s = ram.column.period_s
    runs_s = max(rng.uniform(0.4, 0.7) * duration_s, 6 * period_s)
    fading_s = max(rng.uniform(0.25, 0.6) * runs_s, 4 * period_s)
    match story:
        case "steady":
            return (Running(),)
        case "start-up":
            before: Act = Quiet(rng.uniform(1, 5)) if rng.random() < 0.6 else Rushing(rng.uniform(1, 5))
            return (before, _hand(rng), Running(settling=True))
        case "open-stall":
            return (Running(runs_s, Cause.OPEN_STALL), Rushing(flow=rng.uniform(0.7, 1.6)))
        case "shut-stall":
            return (Running(runs_s, Cause.SHUT_STALL), Quiet())
        case "starved":
            trickle = Rushing(flow=rng.uniform(0.2, 0.8), gurgling=rng.uniform(1, 6))
            after = trickle if rng.random() < 0.6 else Quiet()
            return (Running(runs_s, Cause.STARVED, fading_s=fading_s), after)
        case "restart":
            cause = Cause.OPEN_STALL if rng.random() < 0.5 else Cause.SHUT_STALL
            pause_s = rng.uniform(3, 0.15 * duration_s + 3)
            pause: Act = Rushing(pause_s, flow=rng.uniform(0.7, 1.6)) if cause is Cause.OPEN_STALL else Quiet(pause_s)
            return (Running(0.5 * runs_s, cause), pause, _hand(rng, most=6), Running())
        case "rushing":
            return (Rushing(flow=rng.uniform(0.7, 1.6)),)
        case "quiet":
            return (Quiet(),)
    raise SettingError(f"no story is called {story!r}", hint="one of " + ", ".join(STORIES))


def _hand(rng: np.random.Generator, most: int = 14) -> Hand:
    strokes = int(rng.integers(3, most + 1))
    return Hand(
        strokes=strokes,
        failed_attempts=int(rng.integers(0, 3)) if strokes > 5 else 0,
        mean_gap_s=float(rng.uniform(0.9, 2.6)),
        gap_cv=float(rng.uniform(0.15, 0.5)),
        push_db=float(rng.uniform(-14, -2)),
    )


def _another_ram(rng: np.random.Generator, first: Ram) -> Ram:
    """A second ram whose rate is not close to the first one's, nor to its double or half."""
    rate = first.column.rate_per_min
    while True:
        other = random_ram(rng, rate_per_min=(max(15.0, rate / 2.5), min(400.0, rate * 2.5)))
        octaves = np.log2(other.column.rate_per_min / rate)
        if np.abs(octaves - np.round(octaves)) > 0.07:
            return other


def _place(condition: str, rng: np.random.Generator) -> Place:
    if condition == "pump-house":
        return Place(rng.uniform(0.5, 4), rng.uniform(0.3, 1.5), rng.uniform(-6, 6))
    return Place(rng.uniform(15, 80)) if condition == "far" else Place(rng.uniform(0.3, 5))


def _phone(condition: str, rng: np.random.Generator) -> Phone:
    if condition == "automatic-gain":
        attack_s, release_s = rng.uniform(0.005, 0.05), rng.uniform(0.3, 2)
        return Phone(agc=rng.uniform(0.5, 0.9), attack_s=attack_s, release_s=release_s, knee_db=-6)
    if condition == "clipped":
        return Phone(level_db=rng.uniform(6, 16))
    return random_phone(rng)

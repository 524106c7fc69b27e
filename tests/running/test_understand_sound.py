"""The running room on rendered sound, with a perfect ear for slams: every state and cause in several noises."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from heard import flow_of, train_of

from clackcount.model import Beats, Cause, FlowTrack, Running, SlamTrain, State, Stretch
from clackcount.running import understand
from clackcount.simulate import (
    Hand,
    Layer,
    Part,
    Phone,
    Quiet,
    Ram,
    Rendered,
    Rush,
    Rushing,
    Scenario,
    random_ram,
    render,
)
from clackcount.simulate import Running as Runs
from support.speed import in_references

NOISES = ("stream", "rain", "wind", "speech", "birds")


def a_ram(seed: int, rate_per_min: float) -> Ram:
    """A ram whose rush is well heard before its slams: the valve shuts near the top speed of the water."""
    rng = np.random.default_rng(seed)
    for _ in range(200):
        ram = random_ram(rng, rate_per_min=rate_per_min, pattern="even")
        if ram.column.closing_velocity_m_s > 0.6 * ram.column.terminal_velocity_m_s:
            return replace(ram, rush=Rush(level_db=-16, colour_hz=(400, 5000), leak_db=-60, closing_db=0))
    raise AssertionError("no such ram among 200")


def told(made: Rendered, seed: int) -> Running:
    train = train_of(made, np.random.default_rng(seed))
    return understand(Beats(train), flow_of(made.samples, made.sample_rate_hz), made.truth.duration_s)


def right_share(running: Running, timeline: tuple[Stretch, ...]) -> float:
    at_s = np.arange(0.05, timeline[-1].end_s, 0.1)

    def states(stretches: tuple[Stretch, ...]) -> list[State]:
        ends_s = np.array([stretch.end_s for stretch in stretches])
        where = np.minimum(np.searchsorted(ends_s, at_s, side="right"), len(ends_s) - 1)
        return [stretches[i].state for i in where]

    return float(np.mean([a is b for a, b in zip(states(running.timeline), states(timeline), strict=True)]))


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("cause", [Cause.OPEN_STALL, Cause.SHUT_STALL])
def test_a_start_a_run_and_a_stall_in_noise(noise: str, cause: Cause) -> None:
    seed = 10 * NOISES.index(noise) + (cause is Cause.OPEN_STALL)
    after = Rushing(9) if cause is Cause.OPEN_STALL else Quiet(9)
    acts = (Quiet(5), Hand(6), Runs(28, ends=cause), after)
    scenario = Scenario(
        52, (Part(a_ram(seed, 60), acts),), (Layer(noise),), snr_db=12, rush_snr_db=12, sample_rate_hz=16000
    )
    made = render(scenario, seed)
    running = told(made, seed)
    assert right_share(running, made.truth.timeline) >= 0.9
    (stop,) = running.stops
    assert stop.time_s == pytest.approx(made.truth.stops[0].time_s, abs=1)
    assert stop.cause is cause
    assert running.startup.hand_strokes == pytest.approx(6, abs=1)
    first_own_s = made.truth.startup.self_cycling_from_s
    assert running.startup.self_cycling_from_s == pytest.approx(first_own_s, abs=2.1)


def test_a_phone_that_rides_its_gain_does_not_turn_quiet_into_rushing() -> None:
    phone = Phone(agc=0.7, release_s=1.5)
    acts = (Runs(30, ends=Cause.SHUT_STALL), Quiet(15))
    scenario = Scenario(
        45,
        (Part(a_ram(5, 70), acts),),
        (Layer("stream"),),
        snr_db=15,
        rush_snr_db=14,
        phone=phone,
        sample_rate_hz=16000,
    )
    made = render(scenario, 5)
    running = told(made, 5)
    assert [stop.cause for stop in running.stops] == [Cause.SHUT_STALL]
    assert right_share(running, made.truth.timeline) >= 0.95


@pytest.mark.parametrize("noise", ["rain", "speech", "wind"])
def test_steady_running_in_noise_never_stops(noise: str) -> None:
    scenario = Scenario(
        240, (Part(a_ram(3, 80), (Runs(),)),), (Layer(noise),), snr_db=6, rush_snr_db=3, sample_rate_hz=8000
    )
    made = render(scenario, 9)
    train = train_of(made, np.random.default_rng(1), miss=0.05)
    running = understand(Beats(train), flow_of(made.samples, 8000), 240.0)
    assert running.stops == ()
    assert right_share(running, made.truth.timeline) == 1.0


def test_a_day_of_slams_is_understood_in_seconds() -> None:
    rng = np.random.default_rng(0)
    n, day_s = 86_000, 86_400.0
    time_s = np.cumsum(1.0 + 0.01 * rng.standard_normal(n))
    time_s *= (day_s - 1) / time_s[-1]
    nothing = np.full(n, np.nan)
    train = SlamTrain(
        time_s, np.full(n, 15.0), np.full(n, 0.9), time_s + 0.2, nothing, np.ones(n), np.ones(n, bool), day_s
    )
    level_db = rng.normal(-50, 1, (int(day_s / 0.05), 8)).astype(np.float32)
    flow = FlowTrack(0.05, level_db, np.geomspace(100, 12000, 9))
    n_references, running = in_references(lambda: understand(Beats(train), flow, day_s))
    assert n_references < 50  # some 15
    assert running.stops == ()
    assert 24 <= len(running.trend) <= 48

"""Which of the sounds of a cycle is the slam: not the splash, the delivery valve or the reopening after it.

That the waste valve stays shut for some 60 to 350 ms, that the delivery valve shuts and the waste valve falls open in
that time, and that the water rushes until the slam: common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from clackcount import pipeline
from clackcount.beats.cycle import breadth
from support.made_sound import Sound

RATE_HZ = 16000
DURATION_S = 24.0


def knock(rng: np.random.Generator, pitches_hz: tuple[float, ...], decay_s: float) -> np.ndarray:
    """A struck thing: damped tones, float64 (n,), of energy 1."""
    t = np.arange(int(6 * decay_s * RATE_HZ)) / RATE_HZ
    phase = rng.uniform(0, 2 * np.pi, len(pitches_hz))
    tones = np.sin(2 * np.pi * np.array(pitches_hz)[:, None] * t + phase[:, None]).sum(axis=0)
    struck = np.exp(-t / decay_s) * (tones + 0.3 * rng.standard_normal(len(t)))
    return struck / np.linalg.norm(struck)


def cycles(
    period_s: float, others: dict[float, tuple[tuple[float, ...], float, float]], seed: int, rush_db: float = -60.0
) -> tuple[np.ndarray, np.ndarray]:
    """(samples, slam times): a thump and, at lags in s, other sounds of (pitches, decay s, level dB re the slam)."""
    rng = np.random.default_rng(seed)
    n = int(DURATION_S * RATE_HZ)
    samples = 10 ** (-50 / 20) * rng.standard_normal(n)
    at_s = 0.7 + np.cumsum(period_s * (1 + 0.01 * rng.standard_normal(int(DURATION_S / period_s))))
    at_s = at_s[at_s < DURATION_S - 1]
    shut_s = max(others, default=0.1)
    for i, slam_s in enumerate(at_s):
        open_s = at_s[i - 1] + shut_s if i else 0.1
        first, last = int(open_s * RATE_HZ), int(slam_s * RATE_HZ)
        grows = np.linspace(0, 1, last - first) ** 2
        samples[first:last] += 10 ** (rush_db / 20) * grows * rng.standard_normal(last - first)
        for lag_s, (pitches_hz, decay_s, level_db) in {0.0: ((180.0, 410.0, 660.0), 0.02, 0.0), **others}.items():
            lag_s *= 1 + 0.01 * rng.standard_normal()
            struck = 10 ** ((level_db + rng.normal(0, 1)) / 20) * knock(rng, pitches_hz, decay_s)
            start = int((slam_s + lag_s) * RATE_HZ)
            samples[start : start + len(struck)] += struck[: n - start]
    return (0.3 * samples).astype(np.float32), at_s


CLICK = ((2100.0, 3300.0, 4700.0), 0.004)
SPLASH = (tuple(np.linspace(500, 6000, 40)), 0.03)
THUD = ((150.0, 370.0, 590.0), 0.02)


@pytest.mark.parametrize("seed", [1])
@pytest.mark.parametrize(
    "others",
    [
        {},
        {0.04: (*CLICK, -6.0)},
        {0.055: (*CLICK, -6.0), 0.075: (*THUD, -8.0)},
        {0.023: (*SPLASH, -10.0), 0.15: (*CLICK, -12.0), 0.2: (*THUD, -4.0)},
        {0.11: (*CLICK, -10.0), 0.15: (*THUD, -4.0)},
    ],
    ids=["alone", "click", "click and reopening", "splash, click and reopening", "reopening nearly as loud"],
)
@pytest.mark.parametrize("period_s", [0.64, 1.3])
def test_the_first_of_a_group_is_the_slam(
    period_s: float, others: dict[float, tuple[tuple[float, ...], float, float]], seed: int
) -> None:
    samples, slam_s = cycles(period_s, others, seed)
    found_s = pipeline.listen(Sound(samples, RATE_HZ, RATE_HZ)).beats.train.time_s
    assert np.mean(np.abs(found_s[:, None] - slam_s).min(axis=1) < 0.005) > 0.95
    assert np.mean(np.abs(slam_s[:, None] - found_s).min(axis=1) < 0.005) > 0.95


def test_the_rush_of_water_tells_the_slam_from_a_reopening_as_loud() -> None:
    others = {0.25: ((300.0, 900.0, 1500.0), 0.02, 0.0)}
    samples, slam_s = cycles(0.66, others, 3, rush_db=-38)
    found_s = pipeline.listen(Sound(samples, RATE_HZ, RATE_HZ)).beats.train.time_s
    assert np.mean(np.abs(found_s[:, None] - slam_s).min(axis=1) < 0.005) > 0.95


def test_the_breadth_of_a_sound_is_the_number_of_bands_it_is_heard_in() -> None:
    assert breadth(np.array([0.0, 3.0, 0.0])) == pytest.approx(1)
    assert breadth(np.full(36, 0.7)) == pytest.approx(36)
    assert breadth(np.zeros(5)) == 0

"""Runs that fade out: a pump that starves slows down and grows softer (common practice, no source)."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from clackcount.beats.fading import fading

PERIOD = 200  # frames, a second
END = 7200
RUN = np.arange(400, 400 + 20 * PERIOD, PERIOD)


def noise(seed: int, after: float = 1.0) -> np.ndarray:
    """Scores of a passage without slams, as wide as a knock; after: how much louder it is past the run."""
    z = gaussian_filter1d(np.random.default_rng(seed).normal(size=END), 3)
    z /= z.std()
    z[RUN[-1] + 40 :] *= after
    return z.astype(np.float32)


def with_slams(z: np.ndarray, frames: np.ndarray, height: np.ndarray) -> np.ndarray:
    z = z.copy()
    for frame, high in zip(frames, height, strict=True):
        z[frame - 4 : frame + 5] = np.maximum(
            z[frame - 4 : frame + 5], high * np.exp(-0.5 * (np.arange(-4, 5) / 2) ** 2)
        )
    return z


def test_beats_that_slow_and_soften_are_followed_to_the_last() -> None:
    last, found, n = [], 0, 30
    interval = PERIOD * 1.05 ** np.arange(1, 9)
    tail = RUN[-1] + np.cumsum(interval).astype(int)
    for seed in range(n):
        rng = np.random.default_rng(100 + seed)
        z = with_slams(noise(seed), RUN, rng.normal(14, 2, len(RUN)))
        got = fading(with_slams(z, tail, np.linspace(9, 4.5, len(tail))), RUN, END)
        found += sum(np.abs(got - frame).min(initial=99) <= 4 for frame in tail)
        last.append(got[-1] if len(got) else RUN[-1])
    assert found > 0.9 * n * len(tail)
    assert np.mean(np.abs(np.array(last) - tail[-1]) < 200) > 0.9


def test_of_noise_no_beats_are_made_be_it_rushing_water_that_is_louder_than_before() -> None:
    for after in (1.0, 3.0):
        made = [
            len(fading(with_slams(noise(seed, after), RUN, np.full(len(RUN), 14.0)), RUN, END)) for seed in range(60)
        ]
        assert np.mean(np.array(made) > 0) < 0.05


def test_strokes_as_loud_as_slams_after_a_stop_are_no_beats_that_fade() -> None:
    strokes = RUN[-1] + np.array([900, 1230, 1480, 1830, 2100])
    for seed in range(20):
        z = with_slams(noise(seed), RUN, np.full(len(RUN), 14.0))
        assert len(fading(with_slams(z, strokes, np.full(5, 20.0)), RUN, END)) == 0


def test_a_few_slams_show_nothing_of_how_they_go_on() -> None:
    z = with_slams(noise(1), RUN[:4], np.full(4, 14.0))
    assert len(fading(z, RUN[:4], END)) == 0
    assert len(fading(z, RUN[:0], END)) == 0

"""The width of a rate's interval: against closed forms, and by how often it holds the rate of a known rhythm.

Closed forms: Student's t for independent intervals (any handbook); the effective number of a first-order
autoregression, n (1 - r) / (1 + r) (Bartlett 1946, J. R. Stat. Soc. Suppl. 8, 27-41); the mean of n intervals
between n + 1 points, each misplaced on its own, varies by 2 s^2 / n^2 (algebra: all but two errors cancel).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import t as student

from clackcount.beats.regularity import measure_rate
from clackcount.beats.wander import STEPS, half_width95, makeups


def times(interval_s: np.ndarray) -> np.ndarray:
    return np.cumsum(np.append(0.0, interval_s))


def wander(rng: np.random.Generator, n: int, share: float, memory: float) -> np.ndarray:
    keep = np.exp(-1 / memory)
    kicks = share * np.sqrt(1 - keep**2) * rng.standard_normal(n)
    return np.asarray(lfilter([1.0], [1.0, -keep], kicks, zi=[keep * share * rng.standard_normal()])[0])


@pytest.mark.parametrize("n", [60, 200, 1000])
def test_independent_intervals_get_students_width(n: int) -> None:
    ratio = []
    for seed in range(40):
        interval = np.random.default_rng(seed).normal(1, 0.01, n)
        ratio.append(half_width95(interval) / (student.ppf(0.975, n - 1) * interval.std(ddof=1) / np.sqrt(n)))
    assert np.median(ratio) == pytest.approx(1, abs=0.06)


def test_the_mean_of_a_wander_varies_as_bartlett_says() -> None:
    n = 2000
    shape, of_mean, prior = makeups(n)
    assert prior.sum() == pytest.approx(1)
    white = of_mean[0]
    assert white == pytest.approx(1 / n)
    # rows in order: scatter alone, then for each memory, half the train first, one row a size
    memories = 0.5 * n * 0.5 ** np.arange(20)
    for row, memory in enumerate(memories[memories >= 1.5]):
        keep = np.exp(-1 / memory)
        variance = STEPS[-1] / (1 - keep**2)
        effective = n * (1 - keep) / (1 + keep)
        if effective > 50:
            found = of_mean[1 + row * len(STEPS) + len(STEPS) - 1] - white
            assert found == pytest.approx(variance / effective, rel=0.05)
    assert of_mean[-1] > 0
    assert shape.shape == (len(of_mean), n - 1)


def test_the_spectra_are_those_of_made_series() -> None:
    from scipy.fft import dct

    n, rng = 64, np.random.default_rng(4)
    shape, _, _ = makeups(n)
    keep = np.exp(-1 / (0.5 * n * 0.5**2))  # the third memory, the last size
    made = np.array(
        [rng.standard_normal(n) + wander(rng, n, np.sqrt(STEPS[-1] / (1 - keep**2)), 8.0) for _ in range(4000)]
    )
    power = np.mean(dct(made, axis=1, norm="ortho")[:, 1:] ** 2, axis=0)
    assert power[1:] == pytest.approx(shape[1 + 3 * len(STEPS) - 1][1:], rel=0.25)


RHYTHMS: dict[str, Callable[[np.random.Generator, int], np.ndarray]] = {
    "scatter": lambda rng, n: times(1 + rng.normal(0, 0.03, n)),
    "scatter and placing": lambda rng, n: times(1 + rng.normal(0, 0.01, n)) + rng.normal(0, 0.003, n + 1),
    "wander of a tenth of the train": lambda rng, n: times(1 + wander(rng, n, 0.05, n / 10) + rng.normal(0, 0.01, n)),
    "wander of a fifth of the train": lambda rng, n: times(1 + wander(rng, n, 0.05, n / 5) + rng.normal(0, 0.01, n)),
}


@pytest.mark.parametrize("rhythm", RHYTHMS)
@pytest.mark.parametrize("n", [30, 150])
def test_the_interval_holds_the_mean_rate_of_the_rhythm(rhythm: str, n: int) -> None:
    rng = np.random.default_rng(n)
    held = 0
    for _ in range(300):
        low, high = measure_rate(RHYTHMS[rhythm](rng, n)).ci95_per_min
        held += low <= 60.0 <= high
    # 300 draws of 95 in 100 scatter by 1.3
    assert 0.92 <= held / 300 <= 1.0


@pytest.mark.parametrize("memory", [3.0, 100.0])
@pytest.mark.parametrize("share", [0.05, 0.10])
def test_beats_gone_unheard_slip_no_number_in_a_wander(memory: float, share: float) -> None:
    for seed in range(40):
        rng = np.random.default_rng([seed, int(memory)])
        time_s = times(0.6 * (1 + wander(rng, 100, 0.02 if memory < 10 else 0.06, memory) + rng.normal(0, 0.01, 100)))
        keep = np.append(True, np.append(rng.random(99) > share, True))
        rate = measure_rate(time_s[keep], np.zeros(int(keep.sum()) - 1, dtype=bool)).per_min
        assert rate == pytest.approx(60 * 100 / time_s[-1], rel=1e-6)


def test_beats_left_out_by_chance_widen_the_interval_as_counting_says() -> None:
    # 10 of 400 left out: the standard deviation of the count is sqrt(10), by Poisson
    time_s = np.delete(times(np.random.default_rng(5).normal(1, 0.005, 400)), np.arange(20, 400, 40))
    rate = measure_rate(time_s)
    assert rate.per_min == pytest.approx(60 * 390 / 400, rel=1e-3)
    assert np.ptp(rate.ci95_per_min) / 2 / rate.per_min == pytest.approx(1.96 * np.sqrt(10) / 400, rel=0.05)


@pytest.mark.parametrize("end", [0, -1])
def test_a_slam_misplaced_at_an_end_does_not_shift_the_rate(end: int) -> None:
    rng = np.random.default_rng(8)
    for off_s in (-0.2, -0.05, 0.05, 0.2):
        time_s = times(rng.normal(1, 0.005, 40))
        true = measure_rate(time_s).per_min
        time_s[end] += off_s
        assert measure_rate(time_s).per_min == pytest.approx(true, rel=1e-3)


def test_a_train_of_a_day_costs_no_more_than_its_intervals() -> None:
    interval = np.random.default_rng(3).normal(0.7, 0.02, 120_000)
    half = half_width95(interval)
    assert half == pytest.approx(1.96 * 0.02 / np.sqrt(120_000), rel=0.1)

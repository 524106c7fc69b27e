"""What an interval costs: a Gaussian of its logarithm, held to SciPy's; or a shape learned from those before."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as rules
from hypothesis import strategies as st
from scipy.stats import norm

from clackcount.beats.gaps import FEW, FRAME_ERROR, GRID, MISSED_MAX, STEP, USUAL_SPREAD, Gaps

MISSED, CHANGE = 3.0, 4.0


def cost(gaps: Gaps, periods: float) -> float:
    return float(gaps.of(np.array(periods * gaps.period)))


@given(st.floats(20, 800), st.floats(0.01, 0.1), st.floats(0.7, 1.4), st.floats(0.5, 20))
@rules(max_examples=60)
def test_about_one_period_the_cost_is_gaussian(period: float, spread: float, periods: float, missed: float) -> None:
    gaps = Gaps.even(period, spread, missed)
    both = float(np.hypot(spread, FRAME_ERROR / period))  # of the pump and of the frame numbers
    # between two points of the grid of costs the interval may be taken for a little longer or shorter
    near = np.log(periods) + np.array([-STEP / 2, STEP / 2])
    wanted = np.sort(norm.logpdf(0, 0, both) - norm.logpdf(near, 0, both))
    low = 0.0 if near[0] < 0 < near[1] else wanted[0]
    # far out, two intervals of which one went unheard may be cheaper
    two = 0.5 * ((np.abs(np.log(periods / 2)) + STEP) / both) ** 2 * 2 + missed
    assert min(low, two) - 1e-9 <= cost(gaps, periods) <= wanted[1] + 1e-9


@pytest.mark.parametrize("n", [2, 3])
def test_missed_beats_are_paid_each_and_their_sum_strays_as_a_sum_of_intervals_does(n: int) -> None:
    gaps = Gaps.even(1000.0, 0.04, MISSED)
    assert cost(gaps, n) == pytest.approx((n - 1) * MISSED, abs=0.05)
    # n intervals drawn one by one: a sum that lies one of its own deviations off costs half a nat more
    sums = np.random.default_rng(n).lognormal(0, 0.04, (20_000, n)).sum(axis=1)
    away = float(np.std(np.log(sums)))
    assert cost(gaps, n * np.exp(away)) == pytest.approx((n - 1) * MISSED + 0.5, abs=0.2)


@given(st.floats(20, 800), st.floats(0.01, 0.1), st.floats(0.5, 20), st.floats(0.01, 20))
def test_no_cost_is_negative_and_what_is_out_of_reach_has_no_price(
    period: float, spread: float, missed: float, periods: float
) -> None:
    gaps = Gaps.even(period, spread, missed)
    found = cost(gaps, periods)
    assert found >= 0
    if not 0.24 < periods < 2.55 * (MISSED_MAX + 1):
        assert found == np.inf
    elif 0.26 < periods < 2.45 * (MISSED_MAX + 1):
        assert np.isfinite(found)


def frames_at(intervals: np.ndarray) -> np.ndarray:
    return np.cumsum(np.concatenate([[50], intervals])).astype(np.intp)


def test_two_rates_are_both_free_and_what_lies_between_is_a_change() -> None:
    rng = np.random.default_rng(4)
    intervals = np.repeat([150.0, 250.0], 15) + rng.normal(0, 2, 30)
    gaps = Gaps.learned(frames_at(intervals), 200.0, MISSED, CHANGE)
    assert cost(gaps, 150 / 200) < 0.3
    assert cost(gaps, 250 / 200) < 0.3
    assert cost(gaps, 1.0) == CHANGE  # 200 frames: never seen
    assert cost(gaps, 500 / 200) == pytest.approx(MISSED, abs=0.3)  # one of the slow ones went unheard
    # one period that is to serve for both makes each of them as dear as a slam missed
    even = Gaps.even(200.0, USUAL_SPREAD, MISSED)
    assert min(cost(even, 150 / 200), cost(even, 250 / 200)) > MISSED


@given(
    st.lists(st.floats(45, 200), min_size=FEW, max_size=40),
    st.floats(0.41, 2.19),
    st.floats(0.5, 20),
    st.floats(1, 20),
)
@rules(max_examples=80)
def test_whatever_it_learned_from_an_interval_costs_no_more_than_a_change(
    intervals: list[float], periods: float, missed: float, change: float
) -> None:
    frames = frames_at(np.array(intervals))
    gaps = Gaps.learned(frames, 100.0, missed, change)
    assert 0 <= cost(gaps, periods) <= change
    # seen once is never dearer than never seen, and twice what was seen is at most a slam missed on top
    seen = np.diff(frames) / 100
    assert all(cost(gaps, 2 * each) <= change + missed + 1e-9 for each in seen)
    single = [cost(gaps, each) for each in seen]
    assert min(single, default=0.0) <= min(change, cost(gaps, periods)) + 0.5  # the densest place is among those seen
    assert len(gaps.cost) == len(GRID)


@given(st.integers(2, 200), st.integers(1, 99))
@rules(max_examples=40)
def test_the_order_of_the_intervals_teaches_nothing(n: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    intervals = np.round(100 * np.exp(rng.normal(0, 0.2, n)))
    one = Gaps.learned(frames_at(intervals), 100.0, MISSED, CHANGE)
    other = Gaps.learned(frames_at(rng.permutation(intervals)), 100.0, MISSED, CHANGE)
    np.testing.assert_allclose(one.cost, other.cost)


def test_from_too_few_intervals_nothing_is_learned() -> None:
    few = Gaps.learned(frames_at(np.array([90.0, 140.0, 60.0])), 100.0, MISSED, CHANGE)
    np.testing.assert_array_equal(few.cost, Gaps.even(100.0, USUAL_SPREAD, MISSED).cost)

"""The path against trying all paths; what it bridges, and what not."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import settings as rules
from hypothesis import strategies as st

from clackcount.beats.gaps import GRID, Gaps
from clackcount.beats.path import best_path

STEPS = st.lists(st.tuples(st.floats(0.11, 1.6), st.floats(-3, 5)), min_size=1, max_size=8)


def any_cost(seed: int) -> np.ndarray:
    """Costs of no shape at all, some of them beyond reach."""
    rng = np.random.default_rng(seed)
    cost = rng.uniform(0, 6, len(GRID))
    cost[rng.random(len(GRID)) < 0.2] = np.inf
    return cost


@given(
    STEPS,
    st.tuples(st.floats(0.02, 0.15), st.floats(0.5, 5)) | st.integers(0, 1000),
    st.floats(2, 10),
    st.floats(5, 300),
)
@rules(max_examples=150, deadline=None)
def test_best_path_is_the_best_of_all_paths(
    steps: list[tuple[float, float]], costs: tuple[float, float] | int, restart_cost: float, period: float
) -> None:
    time = np.cumsum([gap for gap, _ in steps])
    assume(not np.any(np.abs(np.subtract.outer(time, time) - 0.5) < 1e-6))  # on the border rounding decides
    gains = np.array([worth for _, worth in steps])
    gaps = Gaps(period, any_cost(costs)) if isinstance(costs, int) else Gaps.even(period, *costs)
    time = time * period

    def step_cost(interval: float) -> float:
        cost = float(gaps.of(np.array(interval)))
        return min(cost, restart_cost) if interval > 0.5 * period else cost

    def total(pick: tuple[int, ...]) -> float:
        return float(gains[list(pick)].sum() - sum(step_cost(time[b] - time[a]) for a, b in pairwise(pick)))

    best = max(total(pick) for size in range(1, len(time) + 1) for pick in combinations(range(len(time)), size))
    path, found = best_path(time, gains, gaps, restart_cost)
    assert found == pytest.approx(max(best, 0.0), abs=1e-7)
    if len(path):
        assert total(tuple(path)) == pytest.approx(found, abs=1e-7)
    else:
        assert gains.max() <= 0


def test_a_path_bridges_missed_beats_and_a_stop_but_not_for_little() -> None:
    time = 100 * np.concatenate([np.arange(10.0), [11, 12, 13], 20.4 + np.arange(8)])
    gaps = Gaps.even(100.0, 0.05, 3.0)
    path, found = best_path(time, np.full(len(time), 3.0), gaps, 8.0)
    assert len(path) == len(time)
    assert found == pytest.approx(3.0 * len(time) - 3.0 - 8.0, abs=0.1)  # intervals are costed in steps of 1 %
    # two faint knocks after the stop do not pay for the restart
    path, _found = best_path(time[:15], np.full(15, 3.0), gaps, 8.0)
    assert len(path) == 13


def test_intervals_as_they_were_lead_on_through_a_hop_where_one_period_does_not() -> None:
    hop = np.repeat([100.0, 140.0], 12)
    time = np.cumsum(np.concatenate([hop, hop]))
    gains = np.full(len(time), 3.0)
    learned = Gaps.learned(time.astype(np.intp), 120.0, 3.0, 4.0)
    path, found = best_path(time, gains, learned, 8.0)
    assert len(path) == len(time)
    _path, one_period = best_path(time, gains, Gaps.even(120.0, 0.06, 3.0), 8.0)
    assert found > one_period + 3.0 * 12

"""The rate of any knocks: through strays, gaps, tick and tock, and a stop; a clock ticks 60 times a minute."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as rules
from hypothesis import strategies as st

from clackcount.beats import rate_of
from clackcount.errors import TimesError


@given(st.floats(15, 400), st.integers(3, 200), st.floats(0, 1e5))
@rules(max_examples=40, deadline=None)
def test_even_knocks_have_their_rate(rate_per_min: float, n: int, start_s: float) -> None:
    rate = rate_of(start_s + np.arange(n) * 60 / rate_per_min)
    assert rate.per_min == pytest.approx(rate_per_min, rel=1e-6)
    assert rate.ci95_per_min[0] <= rate.per_min <= rate.ci95_per_min[1]


@pytest.mark.parametrize("seed", range(20))
def test_strays_and_gaps_change_little(seed: int) -> None:
    rng = np.random.default_rng(seed)
    true_s = np.cumsum(rng.normal(1.0, 0.01, 60))
    times_s = np.sort(
        np.append(np.delete(true_s, rng.choice(np.arange(1, 59), 4, replace=False)), rng.uniform(1, 60, 8))
    )
    rate = rate_of(times_s)
    assert rate.per_min == pytest.approx(60 * 59 / (true_s[-1] - true_s[0]), rel=3e-3)


@pytest.mark.parametrize("uneven", [0.0, 0.1, 0.25])
def test_tick_and_tock_are_two_knocks(uneven: float) -> None:
    # a seconds pendulum: one beat a second, of which an uneven hanging shortens every other
    interval_s = np.tile([1 - uneven, 1 + uneven], 10)
    assert rate_of(np.cumsum(interval_s)).per_min == pytest.approx(60, rel=0.02)
    assert rate_of(np.cumsum(np.append(0, interval_s))).per_min == pytest.approx(60)


def test_the_longest_run_before_or_after_a_stop_counts() -> None:
    times_s = np.concatenate([np.arange(10) * 1.0, 40 + np.arange(60) * 0.8])
    assert rate_of(times_s).per_min == pytest.approx(75)


@pytest.mark.parametrize("times_s", [[], [1.0], [1.0, 2.0], [3.0, 2.0, 4.0, 5.0], [1.0, np.nan, 3.0], [0, 100, 300]])
def test_what_has_no_rate_is_said(times_s: list[float]) -> None:
    with pytest.raises(TimesError):
        rate_of(times_s)

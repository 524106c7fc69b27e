"""The settling of the interval after a start."""

from __future__ import annotations

import numpy as np
import pytest

from clackcount.running.startup import fit_settling


def test_an_exponential_approach_is_found() -> None:
    at_s = np.arange(0.0, 90.0, 0.9)
    noise = np.random.default_rng(4).normal(0, 0.003, len(at_s))
    settling = fit_settling(at_s, 0.9 * (1 + 0.3 * np.exp(-at_s / 12) + noise), 0.02)
    assert settling is not None
    assert settling.constant_s == pytest.approx(12, rel=0.1)
    assert settling.within_s == pytest.approx(12 * np.log(0.3 / 0.02), rel=0.1)


@pytest.mark.parametrize("times", [3.5, 5.0, 20.0])
def test_intervals_that_begin_many_times_as_long_do_not_fail(times: float) -> None:
    at_s = np.arange(0.0, 60.0, 1.0)
    interval_s = np.where(at_s < 8, times, 1.0) * (1 + 0.01 * np.random.default_rng(5).normal(size=len(at_s)))
    settling = fit_settling(at_s, interval_s, 0.02)
    assert settling is None or settling.within_s > 0

"""The quick median and the robust spreads are those of numpy and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from clackcount.middle import median, middle_and_spread, robust_spread


@pytest.mark.parametrize("n", [1, 2, 7, 40])
def test_middle_and_spread_are_those_of_numpy_and_scipy(n: int) -> None:
    """scipy.stats.median_abs_deviation scales to a normal's standard deviation by 0.67449."""
    values = np.random.default_rng(n).normal(3, 2, (n, 5))
    middle, spread = middle_and_spread(values)
    np.testing.assert_array_equal(middle, np.median(values, axis=0))
    np.testing.assert_allclose(spread, median_abs_deviation(values, axis=0, scale="normal"), rtol=1e-4)
    for column, its_middle, its_spread in zip(values.T, middle, spread, strict=True):
        assert median(column) == its_middle
        assert robust_spread(column) == pytest.approx(its_spread)

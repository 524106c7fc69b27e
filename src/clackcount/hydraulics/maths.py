"""The few functions the formulas need, for plain numbers, arrays and uncertain numbers alike.

A *numeric* below is a float, a float64 array of any shape (arrays of one call broadcast against each other), a list
of numbers, or an uncertain number of the uncertainties library (or an array of those). What goes in decides what
comes out, so that one formula serves a single pump, a sweep of settings and the propagation of errors.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from clackcount.errors import QuantityError

Numeric = Any


def numeric(value: Numeric) -> Numeric:
    """value, with lists and tuples made arrays."""
    return np.asarray(value) if isinstance(value, (list, tuple)) else value


def positive(name: str, value: Numeric, *, or_zero: bool = False) -> Numeric:
    """value as a numeric, once it is known to be positive everywhere.

    Raises:
        QuantityError: a value that is not positive (negative, with or_zero), or not a number.
    """
    value = numeric(value)
    best = nominal(value)
    good = best >= 0 if or_zero else best > 0
    if not np.all(good):
        raise QuantityError(f"{name} must be {'zero or more' if or_zero else 'more than zero'}, got {value}")
    return value


def _uncertain(x: Numeric) -> bool:
    return hasattr(x, "std_dev") or (isinstance(x, np.ndarray) and x.dtype == object)


def _both(plain: Callable[[Any], Any], name: str) -> Callable[[Numeric], Numeric]:
    def function(x: Numeric) -> Numeric:
        if not _uncertain(x):
            return plain(x)
        from uncertainties import umath, unumpy

        return getattr(unumpy if isinstance(x, np.ndarray) else umath, {"arctanh": "atanh"}.get(name, name))(x)

    function.__name__ = name
    function.__doc__ = f"{name} of a numeric."
    return function


sqrt = _both(np.sqrt, "sqrt")
exp = _both(np.exp, "exp")
log = _both(np.log, "log")
tanh = _both(np.tanh, "tanh")


def arctanh(x: Numeric) -> Numeric:
    """Inverse hyperbolic tangent; infinite at 1 and above (a speed that is never reached)."""
    if _uncertain(x):
        return 0.5 * log((1 + x) / (1 - x))
    x = np.asarray(x, dtype=float)
    below = x < 1
    return np.where(below, np.arctanh(np.where(below, x, 0.0)), np.inf)[()]


def log_cosh(x: Numeric) -> Numeric:
    """ln cosh x, without the overflow of cosh."""
    if _uncertain(x):
        return x + log((1 + exp(-2 * x)) / 2)
    x = np.abs(x)
    return x + np.log1p(np.exp(-2 * x)) - np.log(2.0)


def nominal(x: Numeric) -> Numeric:
    """The value of x without its uncertainty."""
    if isinstance(x, np.ndarray) and x.dtype == object:
        from uncertainties import unumpy

        return unumpy.nominal_values(x)
    return getattr(x, "nominal_value", x)

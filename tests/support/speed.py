"""How long something takes, in units of a fixed piece of work timed beside it: a slow or busy machine slows both."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np

T = TypeVar("T")


def reference_s() -> float:
    """Processor time of a fixed piece of work, half of it Python and half NumPy: about 0.2 s."""
    began_s = time.process_time()
    total = 0
    for i in range(1_500_000):
        total += i & 7
    values = np.random.default_rng(0).random(total // 4)
    np.sort(values)
    return time.process_time() - began_s


def in_references(work: Callable[[], T]) -> tuple[float, T]:
    """(how many times the reference some work takes, timed before and after it; what the work gives)."""
    before_s = reference_s()
    began_s = time.process_time()
    result = work()
    taken_s = time.process_time() - began_s
    return 2 * taken_s / (before_s + reference_s()), result

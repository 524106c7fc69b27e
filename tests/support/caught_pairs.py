"""Pairs of trials whose true ratio is known, read with the errors people make."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from clackcount.logbook.contrast import Reading, contrast

MARKS_L = ((0.1, 0.01), (0.5, 0.025), (3.0, 0.05), (math.inf, 0.5))


@dataclass(frozen=True)
class Repeating:
    """How well the made-up ram repeats: from catch to catch, and set anew."""

    catch_u: float = 0.01
    reset_u: float = 0.015


def _side(
    rng: np.random.Generator, flow_l_s: float, trial: int, vessel: float, n: int, time_s: float, catch_u: float
) -> list[Reading]:
    found = []
    for _ in range(n):
        litres = flow_l_s * math.exp(rng.normal(0, catch_u)) * (time_s + rng.normal(0, 0.3)) * vessel
        mark = next(m for up_to, m in MARKS_L if litres <= up_to)
        reading = max(litres + rng.uniform(-mark / 2, mark / 2), 0.3 * litres)
        u = math.hypot(mark / 2 / math.sqrt(3) / reading, 0.3 / time_s)
        found.append(Reading(math.log(reading / time_s), u, trial, "jug", 0.02))
    return found


def coverage(n_pairs: int, seed: int, repeating: Repeating = Repeating()) -> float:
    """Share of pairs (one to three catches a side, one trial a side) whose interval holds the true ratio."""
    rng = np.random.default_rng(seed)
    n_held = 0
    for _ in range(n_pairs):
        flow_l_s = math.exp(rng.uniform(math.log(2e-3), math.log(0.2)))
        ratio = math.exp(rng.normal(0, 0.2))
        vessel, time_s = 1 + rng.normal(0, 0.02), rng.uniform(30, 90)
        anew = np.exp(rng.normal(0, repeating.reset_u, 2))
        n = rng.integers(1, 4, 2)
        first = _side(rng, flow_l_s * anew[0], 1, vessel, n[0], time_s, repeating.catch_u)
        second = _side(rng, flow_l_s * ratio * anew[1], 2, vessel, n[1], time_s, repeating.catch_u)
        low, high = contrast(first, second).interval()
        n_held += low <= ratio <= high
    return n_held / n_pairs

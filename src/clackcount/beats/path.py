"""Which of the candidate moments are the beat: a path through them, chosen by dynamic programming.

The idea is that of Ellis 2007 (J. New Music Research 36, 51-60): a score for each moment, a cost for each
interval that strays from the period. Added here: missed beats, restarts, and a period that may wander.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.gaps import Gaps

PREDECESSORS = 24  # candidates are at least a tenth of a period apart, so these reach back over two periods


def best_path(
    time: NDArray[np.float64],
    gain: NDArray[np.float64],
    gaps: Gaps,
    restart_cost: float,
) -> tuple[NDArray[np.intp], float]:
    """Indices of the candidates on the best path, and its total gain.

    time (n,), increasing, frames. gain (n,): log-likelihood ratio of each candidate being a beat. gaps: what the
    intervals cost, in the same unit. The path may begin and end anywhere; its total is 0 and it is empty where no
    candidate has a positive gain.
    """
    n = len(time)
    if n == 0 or float(gain.max()) <= 0:
        return np.zeros(0, dtype=np.intp), 0.0
    cost = interval_cost(time, gaps)
    total = np.full(n + PREDECESSORS, -np.inf)  # the front is padding, so that every slice has full length
    came_from = np.full(n, -1, dtype=np.intp)
    restart_total, restart_index, oldest = 0.0, -1, 0
    half_period = 0.5 * gaps.period
    at, gained = time.tolist(), gain.tolist()  # one by one, plain numbers are quicker than those of an array
    totals: list[float] = []
    for i in range(n):
        while at[oldest] < at[i] - half_period:
            if totals[oldest] > restart_total:
                restart_total, restart_index = totals[oldest], oldest
            oldest += 1
        reached = total[i : i + PREDECESSORS] - cost[i]
        k = int(reached.argmax())
        best, origin = 0.0, -1
        if restart_total - restart_cost > best:
            best, origin = restart_total - restart_cost, restart_index
        if (stepped := float(reached[k])) > best:
            best, origin = stepped, i - PREDECESSORS + k
        total[PREDECESSORS + i] = best + gained[i]
        totals.append(best + gained[i])
        came_from[i] = origin
    last = int(np.argmax(total[PREDECESSORS:]))
    path = []
    i = last
    while i >= 0:
        path.append(i)
        i = int(came_from[i])
    return np.array(path[::-1], dtype=np.intp), float(total[PREDECESSORS + last])


def interval_cost(time: NDArray[np.float64], gaps: Gaps) -> NDArray[np.float64]:
    """Cost of stepping to candidate i from each of the PREDECESSORS before it, oldest first: float64 (n, k)."""
    index = np.arange(len(time))[:, None] + np.arange(-PREDECESSORS, 0)[None, :]
    cost = gaps.of(time[:, None] - time[np.maximum(index, 0)])
    return np.where(index >= 0, cost, np.inf)

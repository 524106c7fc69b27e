"""Which periods are worth trying: the best chain of rare moments for each period and voice, on a coarse grid.

An autocorrelation asks whether moments two beats apart are alike; a chain asks whether a whole row of moments,
each about a period after the last, stands out. It follows a period that wanders, and a slow ram that slams twenty
times in a passage stands out as well as a fast one. The idea is that of Ellis 2007 (J. New Music Research 36, 51-60),
run for all voices at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clackcount.middle import median

GRID_STEP = 0.08  # of log period: a chain stretches by more than half of it for nearly nothing
CELLS = 12  # in which a period is cut: enough to part a beat from its neighbours
LAGS = np.arange(10, 15)  # cells from beat to beat
LAG_COST = (0.5 * (np.log(LAGS / CELLS) / 0.07) ** 2).astype(np.float32)
STRAYS = [(int(lag), np.array(cost)) for lag, cost in zip(LAGS, LAG_COST, strict=True) if lag != CELLS]
# a step gains its rarity less this: a little more than the best of five cells by chance
TOLL = np.array(2.5, np.float32)
PER_CLUSTER = 5  # voices tried for one period
USUAL = 0.75  # of the periods, up to which a voice is taken for usual


@dataclass(frozen=True, slots=True, eq=False)
class Rhythm:
    """How far the best chain of each voice stands out at each period.

    period: float64 (n_periods,), frames. strength: float32 (n_periods, n_voices), 1 is what chance gives.
    """

    period: NDArray[np.float64]
    strength: NDArray[np.float32]

    def weights_at(self, period: float, n_first: int) -> NDArray[np.float64]:
        """How far each of the first n_first voices stands out at this period, summing to 1.

        float64 (n_voices,), 0 for the others. Squared, so that the one octave that hears the slam outvotes the many
        that hear the brook.
        """
        nearest = int(np.argmin(np.abs(self.period - period)))
        excess = self.strength[max(0, nearest - 1) : nearest + 2, :n_first].max(axis=0).astype(np.float64)
        excess = np.maximum(excess - max(1.0, float(median(excess))), 0) ** 2
        weights = np.zeros(self.strength.shape[1])
        weights[:n_first] = excess / excess.sum() if excess.sum() > 0 else 1 / n_first
        return weights

    def guesses(self, most: int) -> list[tuple[float, int]]:
        """Pairs of period and voice that stand out most, best first, at most PER_CLUSTER for neighbouring periods.

        By turns those that stand out most of all, and those that stand out most over what is usual of their voice: in
        the bands of a dog that barks a chain of any period is strong.
        """
        taken = np.zeros(len(self.period) + 2, dtype=int)
        found: list[tuple[float, int]] = []
        if not len(self.period):
            return []  # too little sound for any beat
        own = self.strength / np.maximum(np.quantile(self.strength, USUAL, axis=0), 1)
        orders = [np.argsort(-one, axis=None, kind="stable") for one in (own, self.strength)]
        order = np.stack(orders, axis=1).ravel()
        order = order[self.strength.ravel()[order] >= 1]
        for at in dict.fromkeys(order.tolist()):  # each once
            i, voice = divmod(at, self.strength.shape[1])
            if len(found) >= most:
                break
            if taken[i : i + 3].sum() < PER_CLUSTER:
                taken[i + 1] += 1
                found.append((float(self.period[i]), voice))
        return found


def measure_rhythm(onsets: NDArray[np.float32], shortest: float, longest: float) -> Rhythm:
    """Rhythm of rectified rises, float32 (n_frames, n_voices), over periods from shortest to longest, frames."""
    n_frames, n_voices = onsets.shape
    period = np.exp(np.arange(np.log(shortest), np.log(min(longest, n_frames / 5)), GRID_STEP))
    rarity_of = [_rarity_by_rank(n_frames, frames / CELLS) for frames in period]
    # some voices at a time: their ranks and chains would be the largest things in memory
    parts = [_strength(onsets[:, first : first + VOICES], period, rarity_of) for first in range(0, n_voices, VOICES)]
    return Rhythm(period, np.concatenate(parts, axis=1))


VOICES = 48


def _strength(
    onsets: NDArray[np.float32], period: NDArray[np.float64], rarity_of: list[NDArray[np.float32]]
) -> NDArray[np.float32]:
    """How far the best chain of each voice stands out at each period, float32 (n_periods, n_voices).

    rarity_of: see _rarity_by_rank, by period.
    """
    n_frames, n_voices = onsets.shape
    # by rank, so that chance gives every voice the same, and one dropped tool is no more than a rare moment
    rank = np.empty((n_frames, n_voices), np.int32)
    for voice in range(n_voices):  # one at a time: the order of all of them would be larger still
        rank[in_order(onsets[:, voice]), voice] = np.arange(n_frames, dtype=np.int32)
    strength = np.zeros((len(period), n_voices), np.float32)
    highest, span = rank, 1  # of the frames from each one on, as many as span
    for first in range(0, len(period), TOGETHER):
        group = period[first : first + TOGETHER]
        n_steps = int(n_frames / (group[0] / CELLS)) // NEAREST + 1
        rarity = np.zeros((LONGEST + n_steps * NEAREST, len(group), n_voices), np.float32)
        for i, frames in enumerate(group):
            while 2 * span <= frames / CELLS:
                np.maximum(highest[:-span], highest[span:], out=highest[:-span])
                span *= 2
            cells = rarity_of[first + i][_highest_in_cells(highest, span, frames / CELLS)]
            # of mean 1
            np.divide(cells, cells.mean(axis=0), out=rarity[LONGEST : LONGEST + len(cells), i])
        chance = np.array([_by_chance(n_frames / frames) for frames in group], np.float32)
        strength[first : first + len(group)] = _best_chains(rarity) / chance[:, None]
    return strength


TOGETHER = 6  # neighbouring periods whose chains are reckoned in one go


def in_order(onsets: NDArray[np.float32]) -> NDArray[np.intp]:
    """The order of rectified rises of one voice, earlier ones first where they are the same, int (n_frames,).

    As a stable argsort gives it, at a quarter of its time: floats that are not negative sort as their bits do.
    """
    bits = (onsets + np.float32(0)).view(np.uint32).astype(np.uint64)  # plus 0, for the bits of -0 are large
    key = bits << np.uint64(32) | np.arange(len(onsets), dtype=np.uint64)
    key.sort()
    return (key & np.uint64(0xFFFFFFFF)).astype(np.intp)


def _rarity_by_rank(n_frames: int, frames_per_cell: float) -> NDArray[np.float32]:
    """Minus the log of how often chance gives a cell a highest rank of so much or more: float32 (n_frames,)."""
    share = ((np.arange(n_frames) + 0.5) / n_frames).astype(np.float32)
    # as if each frame were another chance, which neighbours are not: what is very rare counts the more
    power = np.float32(max(1.0, frames_per_cell))
    result: NDArray[np.float32] = -np.log1p(-np.minimum(share**power, np.float32(1 - 1e-6)))
    return result


def _highest_in_cells(highest: NDArray[np.int32], span: int, frames_per_cell: float) -> NDArray[np.int32]:
    """Highest rank in each cell, int32 (n_cells, n_voices).

    highest: the highest rank of each frame and those after it, span in all; two of these cover a cell.
    """
    edge = (np.arange(int(len(highest) / frames_per_cell) + 1) * frames_per_cell).astype(np.intp)
    first, last = edge[:-1], edge[1:]
    return np.maximum(highest[first], highest[np.maximum(last - span, first)])


def _best_chains(rarity: NDArray[np.float32]) -> NDArray[np.float32]:
    """Total of the best chain at each period in each voice, float32 (n_periods, n_voices).

    rarity: float32 (LONGEST + n_steps * NEAREST, n_periods, n_voices), nothing in the first LONGEST cells nor past
    the end of a period with fewer cells; overwritten.
    """
    total = rarity.reshape(len(rarity), -1)
    best, step = np.empty((2, NEAREST, total.shape[1]), np.float32)
    for first in range(LONGEST, len(total), NEAREST):  # no cell depends on one so near to it
        np.maximum(total[first - CELLS : first - CELLS + NEAREST], 0, out=best)  # on time costs nothing
        for lag, cost in STRAYS:
            np.subtract(total[first - lag : first - lag + NEAREST], cost, out=step)
            np.maximum(best, step, out=best)
        now = total[first : first + NEAREST]
        now += best
        now -= TOLL
    return np.asarray(rarity.max(axis=0))


NEAREST, LONGEST = int(LAGS[0]), int(LAGS[-1])


def best_chain(score: NDArray[np.float32], period: float) -> NDArray[np.intp]:
    """Frames of the best chain of a score, float32 (n_frames,), not below 0, at this period: int (n,), increasing."""
    n_frames, frames_per_cell = len(score), period / CELLS
    rank = np.empty(n_frames, np.int32)
    rank[in_order(score)] = np.arange(n_frames, dtype=np.int32)
    edge = (np.arange(int(n_frames / frames_per_cell) + 1) * frames_per_cell).astype(np.intp)
    highest = np.maximum.reduceat(rank[: edge[-1]], edge[:-1])
    rarity = _rarity_by_rank(n_frames, frames_per_cell)[highest]
    n_steps = -(-len(rarity) // NEAREST)
    total = np.zeros((LONGEST + n_steps * NEAREST, 1), np.float32)
    total[LONGEST : LONGEST + len(rarity), 0] = rarity / rarity.mean()
    _best_chains(total)
    at_rank = np.empty(n_frames, np.intp)
    at_rank[rank] = np.arange(n_frames)
    cell = LONGEST + int(np.argmax(total[LONGEST : LONGEST + len(rarity), 0]))
    chain: list[int] = []
    while True:
        chain.append(int(at_rank[highest[cell - LONGEST]]))
        before = [float(total[cell - lag, 0] - cost) for lag, cost in zip(LAGS, LAG_COST, strict=True)]
        came = int(np.argmax(before))
        if before[came] <= 0 or cell - int(LAGS[came]) < LONGEST:
            return np.array(chain[::-1], dtype=np.intp)
        cell -= int(LAGS[came])


def _by_chance(n_beats: float) -> float:
    """About what the best chain totals in noise, 11 to 320 beats."""
    return float(max(1.5 * np.log(n_beats) - 0.14, 1.0))

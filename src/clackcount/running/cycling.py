"""Whether the rush goes on coming and going where no slam is heard: a beat that only drowned, or one that stopped."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from clackcount.running.rush import DWELL_INDEX

if TYPE_CHECKING:
    from clackcount.running.reading import Reading

CLEAR_SEPARATION = 2.0  # the flow alone shows whether cycles go on under the noise
BLIND_CYCLES, BLIND_S = 30.0, 30.0  # without it, a ram that beats on unpushed is taken to have run on so long
USUAL_SLAMS = 20  # beats ahead of a gap from which it is known how many go unheard
UNHEARD_LOG, UNHEARD_MIN = 18.4, 8.0  # beats in a row that are missed once in a hundred million times, but at least
LOUD_DB = 2.0  # over the loudest tenth of those beats' time: a slam may drown in it
STUCK_PERIODS = 0.8
IN_STEP_PERIODS, IN_STEP = 4.5, 0.05  # a pause so short that ends so near to the beat


def stood_before(reading: Reading) -> NDArray[np.bool_]:
    """Whether the sound is clear that the pump stood still ahead of each slam, bool (n,)."""
    stood = np.zeros(len(reading.train), np.bool_)
    for i in np.flatnonzero(reading.interval_s[1:] > reading.strokes.limit_s[:-1]) + 1:
        stood[i] = not ran_on(reading, int(i))
    return stood


def ran_on(reading: Reading, i: int) -> bool:
    """Whether the ram beat on unheard between slams i - 1 and i, neither of them pushed."""
    gap_s, period_s = float(reading.interval_s[i]), float(reading.strokes.period_s[i - 1])
    spanned = gap_s / period_s
    if spanned < IN_STEP_PERIODS and abs(spanned - round(spanned)) < IN_STEP:
        return True  # by chance one restart in ten would be
    if reading.separation < CLEAR_SEPARATION:
        return gap_s < max(BLIND_CYCLES * period_s, BLIND_S) and not _would_be_heard(reading, i)
    start_s, end_s = float(reading.train.time_s[i - 1]), float(reading.train.time_s[i])
    if stuck(reading, start_s, end_s, i):
        return False
    return low_share_fits(reading, low_share(reading, start_s, end_s, i), i)


def _would_be_heard(reading: Reading, i: int) -> bool:
    """Whether so many beats in a row ahead of slam i would hardly go unheard, for it was not louder than before."""
    time_s = reading.train.time_s
    first = max(0, i - 1 - USUAL_SLAMS)
    period_s = float(reading.strokes.period_s[i - 1])
    n_due = (float(time_s[i - 1]) - float(time_s[first])) / period_s
    unheard = (max(0.0, n_due - (i - 1 - first)) + 0.5) / (n_due + 2)
    cells = [int(float(t) / reading.step_s) for t in (time_s[first], time_s[i - 1], time_s[i])]
    usual, gap = reading.loud_db[cells[0] : cells[1]], reading.loud_db[cells[1] : cells[2]]
    if len(usual) == 0 or len(gap) == 0:
        return False
    n_silent = np.count_nonzero(gap < np.quantile(usual, 0.9) + LOUD_DB) * reading.step_s / period_s
    return bool(n_silent > max(UNHEARD_MIN, UNHEARD_LOG / -np.log(unheard)))


def stuck(reading: Reading, start_s: float, end_s: float, i: int) -> bool:
    """Whether water ran, or stood, in the gap [start_s, end_s) ahead of slam i for longer than in any cycle."""
    first = max(0, i - 21)
    stops = np.flatnonzero(reading.interval_s[first + 1 : i] > reading.strokes.limit_s[first : i - 1])
    first_s = float(reading.train.time_s[first + 1 + int(stops[-1]) if len(stops) else first])
    period_s = float(reading.strokes.period_s[i - 1])
    return any(
        longest > usual + STUCK_PERIODS * period_s
        for longest, usual in zip(
            longest_s(reading, start_s, end_s, i), longest_s(reading, first_s, start_s, i), strict=True
        )
    )


def longest_s(reading: Reading, start_s: float, end_s: float, i: int) -> tuple[float, float]:
    """How long at most water ran, and stood, without a break in [start_s, end_s), s."""
    cells = reading.index[int(start_s / reading.step_s) : max(int(end_s / reading.step_s), 1)]
    runs = median_filter(cells - reading.shut[i - 1], size=3, mode="nearest") > DWELL_INDEX
    edges = np.flatnonzero(np.diff(runs.astype(np.int8))) + 1
    lengths = np.diff(np.concatenate([[0], edges, [len(runs)]])) * reading.step_s
    starts_high = bool(runs[0]) if len(runs) else False
    high, low = lengths[::2], lengths[1::2]
    if not starts_high:
        high, low = low, high
    return float(high.max(initial=0.0)), float(low.max(initial=0.0))


def low_share(reading: Reading, start_s: float, end_s: float, i: int) -> float:
    """Share of the cells in [start_s, end_s), ahead of slam i, in which no water runs.

    None when the valve is stalled open, all when it is stalled shut, between the two while it beats.
    """
    cells = reading.index[int(start_s / reading.step_s) : max(int(end_s / reading.step_s), 1)]
    return float(np.mean(cells - reading.shut[i - 1] < DWELL_INDEX)) if len(cells) else 0.5


def low_share_fits(reading: Reading, share: float, i: int) -> bool:
    """Whether a gap ahead of slam i with this share sounds as the cycles before it did."""
    first_s, last_s = float(reading.train.time_s[max(0, i - 21)]), float(reading.train.time_s[i - 1])
    usual = low_share(reading, first_s, last_s, i)
    return 0.6 * usual < share < usual + 0.5 * (1 - usual)

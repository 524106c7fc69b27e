"""Rate over time as points, thinned where there are too many for an eye, and the band they lie in. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clackcount.model import FloatArray, Listening, Pattern, State
from clackcount.report import cycles
from clackcount.report.words import UNSURE

MANY = 600  # more points than this on one strip only make a smear
BAND = (0.1, 0.9)
_BAND_BEATS = 12  # beats in the window of the band, at least
_BAND_WINDOWS = 60  # windows side by side over the whole recording, at most
_LEAST = 4  # points that a band needs
_ODD = (0.6, 1.6, 0.15)  # of the intervals around it: shorter, longer; and how well two pieces make a whole beat
_AROUND = 4  # intervals to either side


@dataclass(frozen=True, slots=True, eq=False)
class Rates:
    """Cycle by cycle, one pump: float64 (n,) time_s (middle of the cycle), interval_s; bool (n,) doubtful, odd.

    odd: so long or so short beside its neighbours that a beat was missed, or one too many heard. It is shown, but
    says nothing about how even the pump is.
    """

    pump: int
    time_s: FloatArray
    interval_s: FloatArray
    doubtful: NDArray[np.bool_]
    odd: NDArray[np.bool_]

    @property
    def rate_per_min(self) -> FloatArray:
        """float64 (n,), cycles a minute."""
        return 60.0 / self.interval_s


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """Where most of the points lie, float64 (n,) each; NaN where nothing beats, so that a line breaks there."""

    time_s: FloatArray
    low: FloatArray
    high: FloatArray


def of(listening: Listening) -> list[Rates]:
    """The rates of each pump that beats, the loudest first; only cycles in which it runs by itself.

    The timeline tells the story of the loudest pump, so other pumps are judged by their slams alone.
    """
    running = listening.running
    first = listening.beats.pumps[0].pump if listening.beats.pumps else None
    selves = [
        (stretch.start_s, stretch.end_s)
        for stretch in (running.timeline if running else ())
        if stretch.state is State.SELF
    ]
    rows: dict[int, list[tuple[float, float, bool]]] = {beat.pump: [] for beat in listening.beats.pumps}
    for row in cycles.of(listening.beats.train, running):
        if row.interval_s is None or row.pump not in rows or not row.beating:
            continue
        middle_s = row.slam_s - row.interval_s / 2
        if row.pump == first and selves and not any(start_s <= middle_s < end_s for start_s, end_s in selves):
            continue
        rows[row.pump].append((middle_s, row.interval_s, row.confidence < UNSURE))
    found = []
    for beat in listening.beats.pumps:
        table = np.array(rows[beat.pump], dtype=np.float64).reshape(-1, 3)
        odd = _odd(table[:, 1], beat.regularity.pattern)
        found.append(Rates(beat.pump, table[:, 0], table[:, 1], table[:, 2].astype(bool), odd))
    return found


def _odd(interval_s: FloatArray, pattern: Pattern) -> NDArray[np.bool_]:
    """bool (n,). Of a pump that hops, or beats long and short by turns, none is odd for being unlike the next."""
    if len(interval_s) < _LEAST or pattern in (Pattern.HOPPING, Pattern.ALTERNATING):
        return np.zeros(len(interval_s), dtype=bool)
    padded = np.pad(interval_s, _AROUND, constant_values=np.nan)
    around = np.nanmedian(np.lib.stride_tricks.sliding_window_view(padded, 2 * _AROUND + 1), axis=1)
    short = interval_s < _ODD[0] * around
    odd = short | (interval_s > _ODD[1] * around)
    whole = np.abs(interval_s[:-1] + interval_s[1:] - around[:-1]) < _ODD[2] * around[:-1]
    odd[1:] |= short[:-1] & whole  # the other piece of a beat that a knock cut in two
    odd[:-1] |= short[1:] & whole
    return odd


def thinned(rates: Rates, duration_s: float, most: int = MANY) -> Rates:
    """The same, as medians of short equal times where there are more than so many cycles."""
    if len(rates.time_s) <= most:
        return rates
    window = np.minimum((rates.time_s / duration_s * most).astype(np.int64), most - 1)
    starts = np.flatnonzero(np.diff(window, prepend=-1))
    groups = [slice(first, last) for first, last in zip(starts, [*starts[1:], len(window)], strict=True)]
    return Rates(
        rates.pump,
        np.array([np.mean(rates.time_s[group]) for group in groups]),
        np.array([np.median(rates.interval_s[group]) for group in groups]),
        np.array([np.mean(rates.doubtful[group]) > 0.5 for group in groups], dtype=bool),
        np.array([np.mean(rates.odd[group]) > 0.5 for group in groups], dtype=bool),
    )


def band(rates: Rates, duration_s: float) -> Band:
    """The middle four fifths of the rates that are not odd, in windows that slide over the recording."""
    time_s, interval_s = rates.time_s[~rates.odd], rates.interval_s[~rates.odd]
    if len(time_s) < _LEAST:
        return Band(*(np.empty(0) for _ in range(3)))
    middle_s = float(np.median(interval_s))
    width_s = max(_BAND_BEATS * middle_s, duration_s / _BAND_WINDOWS)
    middles_s = np.arange(time_s[0], time_s[-1] + width_s / 8, width_s / 4)
    firsts = np.searchsorted(time_s, middles_s - width_s / 2)
    lasts = np.searchsorted(time_s, middles_s + width_s / 2)
    rate = 60.0 / interval_s
    low, high = np.full(len(middles_s), np.nan), np.full(len(middles_s), np.nan)
    for index, (first, last) in enumerate(zip(firsts, lasts, strict=True)):
        near = last > first and np.min(np.abs(time_s[first:last] - middles_s[index])) < 2 * middle_s
        if near and last - first >= _LEAST:
            low[index], high[index] = np.quantile(rate[first:last], BAND)
    return Band(middles_s, low, high)

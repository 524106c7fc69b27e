"""How often, how evenly: rate with its interval, scatter, missed beats, and the pattern of the intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from clackcount.model import FloatArray, Pattern, Regularity

BREAK_PERIODS = 3.6  # a longer gap ends a stretch: two beats may be missed, a third is a stop
PLACE_S = 0.001  # standard error of a slam's place, for the width of the rate's interval
EVEN_CV, RAGGED_CV = 0.03, 0.10  # robust; from pressure logs of one rig (Cornell AguaClara 2019): 1.1 to 1.6 % steady


@dataclass(frozen=True, slots=True)
class Rate:
    """Rate over a stretch, per minute, with its 95 % interval."""

    per_min: float
    ci95_per_min: tuple[float, float]


def longest_stretch(time_s: FloatArray) -> tuple[int, int]:
    """First and one past the last index of the longest run without a stop, (0, 0) where there is none.

    time_s float64 (n,), increasing. A stop is a gap of more than BREAK_PERIODS of the intervals around it.
    """
    if len(time_s) < 2:
        return 0, 0
    interval = np.diff(time_s)
    usual = local_period(interval)
    cuts = np.flatnonzero(interval > BREAK_PERIODS * usual) + 1
    edges = np.concatenate([[0], cuts, [len(time_s)]])
    spans = time_s[edges[1:] - 1] - time_s[edges[:-1]]
    best = int(np.argmax(spans))
    return int(edges[best]), int(edges[best + 1])


def local_period(interval: FloatArray) -> FloatArray:
    """Median of the nine intervals around each one, float64 (n,)."""
    padded = np.pad(interval, 4, mode="reflect" if len(interval) > 4 else "edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 9), axis=1))


def beats_of(interval: FloatArray) -> NDArray[np.int64]:
    """How many periods each interval spans: 1, or more where beats are missing between two slams."""
    usual = local_period(interval)
    beats = np.maximum(1, np.round(interval / usual)).astype(np.int64)
    # between 1.5 and 1.7 periods it is a long beat rather than a short pair
    beats[(beats == 2) & (interval < 1.7 * usual)] = 1
    return beats


def count_beats(
    interval: FloatArray, audible: NDArray[np.bool_] | None
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Beats that each interval spans, and of the missing ones those that happened unheard; int64 (n,) each.

    A slam missing where it would surely have been heard was missed by the pump; elsewhere by the listener.
    """
    beats = beats_of(interval)
    unheard = np.zeros(len(beats), dtype=np.int64) if audible is None else np.where(audible, 0, beats - 1)
    return beats, unheard


def measure_rate(time_s: FloatArray, audible: NDArray[np.bool_] | None = None) -> Rate:
    """Slams a minute over the whole of time_s, float64 (n,), n >= 3.

    The rate is slams over time: a beat that the pump left out does not count, one that went unheard (audible False,
    bool (n - 1,), for its interval) does. The interval is that of a mean of
    correlated intervals: their long-run variance by the Newey-West estimator (Newey & West 1987, Econometrica 55,
    703-708; bandwidth 4 (n/100)^(2/9)), Student's t, and the error of placing the first and the last slam.
    """
    interval = np.diff(time_s)
    _beats, unheard = count_beats(interval, audible)
    # an interval with an unheard slam in it stands for that many equal ones
    interval = np.repeat(interval / (1 + unheard), 1 + unheard)
    n = len(interval)
    mean = float(interval.mean())
    deviation = interval - mean
    lags = min(n - 1, max(1, int(4 * (n / 100) ** (2 / 9))))
    variance = float(deviation @ deviation) / n
    for lag in range(1, lags + 1):
        variance += 2 * (1 - lag / (lags + 1)) * float(deviation[lag:] @ deviation[:-lag]) / n
    # placing errors make intervals that undo each other, which may push the estimate below what is known of them
    variance = max(variance, float(deviation @ deviation) / n / n)
    error = np.sqrt(variance / max(n - 1, 1) + 2 * (PLACE_S / n) ** 2)
    half = float(stdtrit(max(n - 1, 1), 0.975) * error)
    rate = 60 / mean
    return Rate(rate, (60 / (mean + half), 60 / max(mean - half, 1e-9 + mean / 10)))


def measure_regularity(time_s: FloatArray, audible: NDArray[np.bool_] | None = None) -> Regularity:
    """Scatter and pattern of the intervals of time_s, float64 (n,), n >= 3, one stretch without a stop."""
    interval = np.diff(time_s)
    beats, unheard = count_beats(interval, audible)
    missed = int((beats - 1 - unheard).sum())
    single = interval[beats == 1]
    if len(single) < 2:
        single = interval / beats
    middle = float(np.median(single))
    robust = float(1.4826 * np.median(np.abs(single - middle)) / middle)
    plain = float(np.std(single, ddof=1) / np.mean(single)) if len(single) > 1 else 0.0
    return Regularity(plain, robust, missed, pattern_of(interval, beats, robust))


def pattern_of(interval: FloatArray, beats: NDArray[np.int64], robust_cv: float) -> Pattern:
    """The pattern; two clusters of intervals are looked for before anything is called ragged.

    A hop or an alternation is not scatter: two readable pressure logs of one rig hopped between two periods at an
    unchanged setting, which gave them plain CVs of 18 to 33 %.
    """
    single = beats == 1
    if single.sum() < 6:
        return Pattern.EVEN if robust_cv < EVEN_CV else Pattern.RAGGED if robust_cv > RAGGED_CV else Pattern.WANDERING
    clusters = two_clusters(np.log(interval[single]))
    if clusters is not None:
        changes = float(np.mean(clusters[1:] != clusters[:-1]))
        return Pattern.ALTERNATING if changes > 0.75 else Pattern.HOPPING
    if robust_cv < EVEN_CV:
        return Pattern.EVEN
    lag1 = _lag1(interval[single])
    # slow wander leaves neighbours alike: what is left between neighbours must be small
    between = float(1.4826 * np.median(np.abs(np.diff(interval[single]))) / np.sqrt(2) / np.median(interval))
    if robust_cv <= RAGGED_CV or (lag1 > 0.5 and between < EVEN_CV * 2):
        return Pattern.WANDERING
    return Pattern.RAGGED


def two_clusters(log_interval: FloatArray) -> NDArray[np.bool_] | None:
    """Membership of the longer of two clusters, bool (n,), or None where one cluster describes them as well.

    The best cut of the sorted values (least within-cluster variance: Fisher 1958, JASA 53, 789-798); it counts when
    the clusters lie more than five of their own robust deviations and 4 % apart, and each holds a sixth.
    """
    order = np.sort(log_interval)
    n = len(order)
    total, square = np.cumsum(order), np.cumsum(order**2)
    k = np.arange(1, n)
    within = square[:-1] - total[:-1] ** 2 / k
    within += (square[-1] - square[:-1]) - (total[-1] - total[:-1]) ** 2 / (n - k)
    cut = int(np.argmin(within)) + 1
    low, high = order[:cut], order[cut:]
    if min(len(low), len(high)) < max(3, n / 6):
        return None
    distance = float(np.median(high) - np.median(low))
    deviation = max(_mad(low), _mad(high), 0.002)
    if distance < 0.04 or distance < 5 * deviation:
        return None
    middle = 0.5 * (np.median(high) + np.median(low))
    if np.mean(np.abs(order - middle) < 0.15 * distance) > 0.06:
        return None  # no empty land between them: one broad cluster
    member: NDArray[np.bool_] = log_interval > middle
    return member


def _mad(values: FloatArray) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _lag1(values: FloatArray) -> float:
    deviation = values - values.mean()
    power = float(deviation @ deviation)
    return float(deviation[1:] @ deviation[:-1]) / power if power > 0 else 0.0


def on_grid(time_s: FloatArray) -> NDArray[np.bool_]:
    """False for a slam that two regular neighbours leave no room for, bool (n,).

    Where a gust hid a slam, the likeliest sound near its time was taken; when it lies well off the beat while the
    slams before and after it are a whole number of periods apart, it was something else.
    """
    keep = np.ones(len(time_s), dtype=bool)
    if len(time_s) < 8:
        return keep
    interval = np.diff(time_s)
    period = local_period(interval)[1:]
    before, after = interval[:-1], interval[1:]

    def stray(span: FloatArray) -> FloatArray:
        return np.asarray(np.abs(span - np.maximum(1, np.round(span / period)) * period) / period)

    even = 1.4826 * np.median(np.abs(interval - np.median(interval))) / np.median(interval) < EVEN_CV
    if even:
        keep[1:-1] = ~((stray(before) > 0.1) & (stray(after) > 0.1) & (stray(before + after) < 0.06))
    return keep


def locally_even(time_s: FloatArray, spread: float = 0.12, least: int = 4) -> NDArray[np.bool_]:
    """Whether each slam lies in a run of at least ``least`` intervals that follow from one another, bool (n,).

    An interval follows from the one before it when they differ by less than ``spread``, or when one of them spans two
    or three of the other (a missed beat); long and short in turn follow from the one before last.
    """
    n = len(time_s)
    even = np.zeros(n, dtype=bool)
    if n < least + 1:
        return even
    log = np.log(np.diff(time_s))
    follows = np.zeros(len(log), dtype=bool)
    for back in (1, 2):
        step = np.abs(log[back:] - log[:-back])
        near = np.min([np.abs(step - np.log(m)) for m in (1, 2, 3)], axis=0) < spread
        if back == 2:
            near &= step < spread
        follows[back:] |= near
    edges = np.flatnonzero(np.diff(np.concatenate([[False], follows, [False]]).astype(np.int8)))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        # intervals first - 1 .. last - 1 belong together: the one that the first follows from counts too
        if last - first + 1 >= least:
            even[first - 1 : last + 1] = True
    return even

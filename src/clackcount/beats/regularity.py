"""How often, how evenly: rate with its interval, scatter, missed beats, and the pattern of the intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.wander import half_width95
from clackcount.middle import median, robust_spread, spread_about_0
from clackcount.model import FloatArray, Pattern, Regularity

BREAK_PERIODS = 3.6  # a longer gap ends a stretch: two beats may be missed, a third is a stop
STAYS, TURNS = 0.5, 0.75  # share of long intervals followed by a long one in hops; of changes where they take turns
PLACE_S = 0.001  # standard error of a slam's place, for the width of the rate's interval
WIDE = 12  # intervals on either side, far enough that most are single beats and near enough for a wander
NEAR = 0.1  # an interval this close to whole periods is taken for them
EVEN_CV = 0.03  # robust; from pressure logs of one rig (Cornell AguaClara 2019): 1.1 to 1.6 % steady
RAGGED_CV = 0.07  # between neighbours; logs and simulated rams wander by more, but not from one beat to the next


@dataclass(frozen=True, slots=True)
class Rate:
    """Rate over a stretch, per minute, with its 95 % interval."""

    per_min: float
    ci95_per_min: tuple[float, float]


def unevenness(time_s: FloatArray) -> float:
    """How far an interval strays from the last one, or from the one before that, as a share of it; robust.

    time_s float64 (n,), increasing. The lesser of the two, so that tick and tock are as even as ticks; infinite for
    fewer than eight. Breaks and missed beats hardly count.
    """
    if len(time_s) < 8:
        return float("inf")
    log = np.log(np.diff(time_s))
    return min(spread_about_0(log[back:] - log[:-back]) / float(np.sqrt(2)) for back in (1, 2))


def folded(time_s: FloatArray) -> FloatArray:
    """The same slams, float64 (n,), as if none were missing: an interval of two or three beats is one of its mean.

    Where another pump slams at the same moment, one of the two goes unheard.
    """
    interval = np.diff(time_s)
    if not len(interval):
        return time_s
    n_beats = np.clip(np.round(interval / median(interval)), 1, FOLDED_MOST)
    result: FloatArray = np.concatenate([[0.0], np.cumsum(interval / n_beats)])
    return result


FOLDED_MOST = 3


def of_two_rates(time_s: FloatArray, spread: float = 0.12) -> NDArray[np.bool_]:
    """Whether each slam ends or begins an interval of one of two rates between which the beat hops, bool (n,).

    However soon it hops back. Nowhere where the intervals are not of two kinds.
    """
    found = np.zeros(len(time_s), dtype=bool)
    log = np.log(np.diff(time_s))
    single = np.abs(log - median(log)) < np.log(HOP_MAX) if len(log) else log > 0
    slow = two_clusters(log[single])
    if slow is None:
        return found
    rates = [float(median(log[single][kind])) for kind in (slow, ~slow)]
    near = np.min([np.abs(log - rate) for rate in rates], axis=0) < spread
    found[:-1] |= near
    found[1:] |= near
    return found


HOP_MAX = 2.2


def longest_stretch(time_s: FloatArray, even: NDArray[np.bool_] | None = None) -> tuple[int, int]:
    """First and one past the last index of the longest run without a stop, (0, 0) where there is none.

    time_s float64 (n,), increasing. A stop is a gap of more than BREAK_PERIODS of the intervals around it. even: bool
    (n,), the slams that follow from one another: a run begins and ends with such, and few in a row within it are not.
    """
    index = np.arange(len(time_s)) if even is None else np.flatnonzero(even)
    if len(index) < 2:
        return 0, 0
    interval = np.diff(time_s)
    stops = np.concatenate([[0], np.cumsum(interval > BREAK_PERIODS * local_period(interval))])
    cuts = np.flatnonzero((np.diff(stops[index]) > 0) | (np.diff(index) > UNEVEN_MAX)) + 1
    edges = np.concatenate([[0], cuts, [len(index)]])
    firsts, lasts = index[edges[:-1]], index[edges[1:] - 1]
    best = int(np.argmax(time_s[lasts] - time_s[firsts]))
    return int(firsts[best]), int(lasts[best]) + 1


UNEVEN_MAX = 6  # beats that do not follow from one another within a run: some were misheard


def local_period(interval: FloatArray, side: int = 4) -> FloatArray:
    """Median of the intervals around each one, ``side`` on either side, float64 (n,)."""
    padded = np.pad(interval, side, mode="reflect" if len(interval) > side else "edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * side + 1), axis=1))


def beats_of(interval: FloatArray) -> NDArray[np.int64]:
    """How many periods each interval spans: 1, or more where beats are missing between two slams, int64 (n,).

    A jump to a slower beat that lasts is no row of missed beats, nor is the longer of long and short in turn.
    """
    beats, strays = _periods(interval, local_period(interval))
    slow = two_clusters(np.log(interval))
    if slow is not None and np.mean(slow[1:][slow[:-1]]) > STAYS:
        own = np.empty(len(interval))
        own[slow], own[~slow] = local_period(interval[slow]), local_period(interval[~slow])
        of_own, strays_from_own = _periods(interval, own)
        return np.where(strays_from_own < strays - TIE, of_own, beats)
    # where many are missing the nearest intervals mislead; those further away, counted already, do not
    of_wide, strays_from_wide = _periods(interval, local_period(interval / beats, WIDE))
    beats = np.where(strays_from_wide < np.maximum(strays, NEAR) - TIE, of_wide, beats)
    if _turns(interval, beats) > TURNS:
        pair = np.flatnonzero((beats[1:] == 1) & (beats[:-1] == 1))
        period = local_period((interval[pair] + interval[pair + 1]) / 2)
        return _periods(interval, np.interp(np.arange(len(interval)), pair, period))[0]
    return beats


TIE = 1e-9  # the last bit of a time decides nothing: a slower clock must not count another beat


def _periods(interval: FloatArray, usual: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """Whole periods in each interval, 1 at least, and the share by which it strays from as many."""
    beats = np.maximum(1, np.round(interval / usual - TIE)).astype(np.int64)
    # between 1.5 and 1.7 periods it is a long beat rather than a short pair
    beats[(beats == 2) & (interval / usual < 1.7 - TIE)] = 1
    return beats, np.abs(interval / usual / beats - 1)


def _turns(interval: FloatArray, beats: NDArray[np.int64]) -> float:
    """How often the cluster changes from one single interval to the next, as a share; 0 without two clusters."""
    single = np.flatnonzero(beats == 1)
    slow = two_clusters(np.log(interval[single]))
    next_to = np.diff(single) == 1
    if slow is None or not next_to.any():
        return 0.0
    return float(np.mean((slow[1:] != slow[:-1])[next_to]))


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
    bool (n - 1,), for its interval) does. A first or last slam that is misplaced is left out. The interval is that of
    the pump's own mean, if it goes on as it did: wander and scatter of the beats by ``half_width95``, the error of
    placing the first and the last slam, and beats left out by chance, at moments that do not depend on one another
    (the variance of a compound Poisson count is the sum of the squared gaps: any textbook).
    """
    interval = np.diff(time_s)
    beats, unheard = count_beats(interval, audible)
    first, last = placed_ends(interval, beats)
    interval, beats, unheard = interval[first:last], beats[first:last], unheard[first:last]
    total_s, n_beats = float(interval.sum()), int(beats.sum())
    left_out = beats - 1 - unheard
    rate = 60 * (n_beats - int(left_out.sum())) / total_s
    # an interval of several beats stands for that many equal ones
    half_s = n_beats * half_width95(np.repeat(interval / beats, beats))
    share = np.sqrt(half_s**2 + 2 * (1.96 * PLACE_S) ** 2) / total_s
    by_chance = 1.96 * float(np.sqrt(left_out @ left_out)) / n_beats
    slower = float(np.hypot(1 - 1 / (1 + share), by_chance))
    faster = float(np.hypot(1 / max(1 - share, 0.1) - 1, by_chance))
    low, high = rate * max(1 - slower, 0.1), rate * (1 + faster)
    single = interval[beats == 1]
    slow = two_clusters(np.log(single))
    if slow is not None and not left_out.any():  # it may stay at either of its two rates, and beyond neither
        low = min(rate, max(low, 60 / float(median(single[slow]))))
        high = max(rate, min(high, 60 / float(median(single[~slow]))))
    return Rate(rate, (low, high))


def placed_ends(interval: FloatArray, beats: NDArray[np.int64]) -> tuple[int, int]:
    """The intervals [first, last) whose outer slams lie where their neighbours want them.

    An interval at an end that is off by more than five robust deviations of all, and less than half a beat, ends in
    a misplaced slam, unless the next one makes up for it: then the slam between them is.
    """
    n = len(interval)
    if n < 8:
        return 0, n
    single = interval / beats
    slow = two_clusters(np.log(single))
    off = np.empty(n)
    for kind in (np.ones(n, dtype=bool),) if slow is None else (slow, ~slow):
        off[kind] = single[kind] - local_period(single[kind])  # of two rates either may be that of the end
    far = max(5 * robust_spread(off), 5 * PLACE_S)

    def misplaced(end: int, next_: int) -> bool:
        return bool(
            far < abs(off[end]) < 0.5 * single[next_]
            and beats[end] == 1
            and abs(off[end] + off[next_]) > 0.5 * abs(off[end])
        )

    return int(misplaced(0, 1)), n - int(misplaced(-1, -2))


def measure_regularity(time_s: FloatArray, audible: NDArray[np.bool_] | None = None) -> Regularity:
    """Scatter and pattern of the intervals of time_s, float64 (n,), n >= 3, one stretch without a stop."""
    interval = np.diff(time_s)
    beats, unheard = count_beats(interval, audible)
    missed = int((beats - 1 - unheard).sum())
    single = interval[beats == 1]
    if len(single) < 2:
        single = interval / beats
    middle = float(median(single))
    robust = robust_spread(single) / middle
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
    singles = interval[single]
    steps = np.abs(np.diff(singles))
    slow = two_clusters(np.log(singles))
    if slow is not None:
        if _turns(interval, beats) > TURNS:
            return Pattern.ALTERNATING
        apart = float(median(singles[slow]) - median(singles[~slow]))
        if median(steps[slow[1:] != slow[:-1]]) > 0.6 * apart:  # a slow wander crosses over in small steps
            return Pattern.HOPPING
    # a robust deviation passes over an excursion of less than half the beats
    if robust_cv < EVEN_CV and np.std(local_period(singles)) < EVEN_CV * median(singles):
        return Pattern.EVEN
    # slow wander leaves neighbours alike, however far it goes
    between = float(1.4826 * median(steps) / np.sqrt(2) / median(singles))
    return Pattern.RAGGED if between > RAGGED_CV else Pattern.WANDERING


def two_clusters(log_interval: FloatArray) -> NDArray[np.bool_] | None:
    """Membership of the longer of two clusters, bool (n,), or None where one cluster describes them as well.

    The best cut of the sorted values (least within-cluster variance: Fisher 1958, JASA 53, 789-798); it counts when
    the clusters lie more than five of their own robust deviations and 4 % apart, and each holds a sixth.
    """
    order = np.sort(log_interval)
    n = len(order)
    if n < 6:
        return None
    total, square = np.cumsum(order), np.cumsum(order**2)
    k = np.arange(1, n)
    within = square[:-1] - total[:-1] ** 2 / k
    within += (square[-1] - square[:-1]) - (total[-1] - total[:-1]) ** 2 / (n - k)
    cut = int(np.argmin(within)) + 1
    low, high = order[:cut], order[cut:]
    if min(len(low), len(high)) < max(3, n / 6):
        return None
    distance = float(median(high) - median(low))
    deviation = max(robust_spread(low), robust_spread(high), 0.002)
    if distance < 0.04 or distance < 5 * deviation:
        return None
    middle = 0.5 * (median(high) + median(low))
    if np.mean(np.abs(order - middle) < 0.15 * distance) > 0.06:
        return None  # no empty land between them: one broad cluster
    member: NDArray[np.bool_] = log_interval > middle
    return member


def on_grid(time_s: FloatArray) -> NDArray[np.bool_]:
    """False for a slam that two regular neighbours leave no room for, bool (n,).

    Where a gust hid a slam, the likeliest sound near its time was taken; when it lies well off the beat while the
    slams before and after it are a whole number of periods apart, it was something else.
    """
    keep = np.ones(len(time_s), dtype=bool)
    if len(time_s) < 8:
        return keep
    interval = np.diff(time_s)
    usual = local_period(interval)
    period = usual[1:]
    before, after = interval[:-1], interval[1:]

    def stray(span: FloatArray, beat: FloatArray) -> FloatArray:
        return np.asarray(np.abs(span - np.maximum(1, np.round(span / beat)) * beat) / beat)

    # even here and now, whatever is missing: a start with its pushes says nothing of the beat an hour later
    scatter = 1.4826 * local_period(stray(interval, usual))[1:]
    # one within a single period needs less: no beat is twice as fast for one beat
    within = np.abs((before + after) / period - 1) < 0.1
    off = (
        (scatter < np.where(within, 2 * EVEN_CV, EVEN_CV))
        & (stray(before, period) > 0.1)
        & (stray(after, period) > 0.1)
        & (stray(before + after, period) < 0.1)
    )
    # and where the beat goes on to either side: strokes of a hand are apart by a whole number of periods now and then
    single = np.append(np.append(True, np.abs(interval / usual - 1) < 0.1), True)
    keep[1:-1] = ~(off & single[:-3] & single[3:])
    return keep


def locally_even(time_s: FloatArray, spread: float = 0.12, least: int = 4) -> NDArray[np.bool_]:
    """Whether each slam lies in a run of at least ``least`` intervals that follow from one another, bool (n,).

    An interval follows from the one before it when they differ by less than ``spread``, or when one of them spans two
    or three of the other (a missed beat); long and short in turn follow from the one before last, or, where that is
    the rule and one of them went unheard, from the two before together and from the third before.
    """
    n = len(time_s)
    even = np.zeros(n, dtype=bool)
    if n < least + 1:
        return even
    interval = np.diff(time_s)
    log = np.log(interval)
    back = np.zeros(len(log), dtype=np.int64)  # how far back the interval lies that this one follows from, 0: none
    if len(log) > 3 and median(np.abs(log[2:] - log[:-2])) < spread < median(np.abs(np.diff(log))):
        back[3:][np.abs(log[3:] - log[:-3]) < spread] = 3
        back[2:][np.abs(log[2:] - np.log(interval[:-2] + interval[1:-1])) < spread] = 2
    back[2:][np.abs(log[2:] - log[:-2]) < spread] = 2
    step = np.abs(np.diff(log))
    back[1:][np.min([np.abs(step - np.log(m)) for m in (1, 2, 3)], axis=0) < spread] = 1
    follows = back > 0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], follows, [False]]).astype(np.int8)))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        # intervals first - 1 .. last - 1 belong together: the one that the first follows from counts too
        if last - first + 1 >= least:
            even[first - back[first] : last + 1] = True
    return even

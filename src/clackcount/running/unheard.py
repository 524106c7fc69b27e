"""Beats that go unheard while their water comes and goes as before: a run that fades, or drowns for a while.

Where the rush of a pump tells a slam from other moments (see cutoff), the likeliest beats are followed through each
gap that a run leaves: a period apart, each with a rush that ends. Those that lead to the next slam heard bridge the
gap; those that end before are the last of a run that faded.
"""

from __future__ import annotations

import numpy as np

from clackcount.middle import median, robust_spread
from clackcount.model import FloatArray, SlamTrain
from clackcount.running.cutoff import CutOff

RUN_MIN, BEATING_MIN = 8, 6  # slams of a run that may go on, and how many of them on its beat
GAP, GAP_BRIDGED = 1.6, 2.4  # periods: a shorter one hides no beat, and one that is no pause needs no bridge
SOONEST, LATEST = 0.65, 1.6  # periods from beat to beat
SCATTER_MIN, SCATTER_MAX = 0.05, 0.25  # of log intervals
SLOWER, COST_MAX = 0.15, 3.0  # a run that fails turns slow and ragged
ALIKE_S = 0.15  # the share changes little in less
WEAKER = 0.7  # of its usual rush ends at a beat that is too soft to be heard
BEST_OF_NOISE = 1.2  # standard deviations: the mean of the largest of five, of which one comes up in each cycle
ODDS_MAX, ODDS_MIN = 2.5, -4.0  # log odds of one beat: no gust vouches for a run by itself
FADED_MIN, BRIDGED_MIN = 6.0, 3.0  # log odds of all
HOPELESS = 16.0  # log odds below the best: nothing that follows makes up for that


def with_unheard(train: SlamTrain, cut_off: CutOff | None) -> SlamTrain:
    """The train with the beats that only their water tells of, as soft as the softest heard; the same without any."""
    if cut_off is None:
        return train
    added: list[float] = []
    for last in _ends(train):
        until = last + 1 if last + 1 < len(train) else None
        added += _followed(train, cut_off, last, until)
    return _joined(train, np.array(added)) if added else train


def _ends(train: SlamTrain) -> list[int]:
    """The slams of runs after which a beat may have gone unheard."""
    if len(train) < RUN_MIN:
        return []
    follows_s = np.diff(train.time_s, append=train.duration_s)
    period_s = _periods(train)
    bridged = np.append(train.beating[1:], False) & (follows_s < GAP_BRIDGED * period_s)
    ends = (follows_s > GAP * period_s) & ~bridged
    return [int(i) for i in np.flatnonzero(ends) if i >= RUN_MIN - 1]


def _periods(train: SlamTrain) -> FloatArray:
    """Median of the last intervals up to each slam, float64 (n,), inf where they are not those of a run."""
    interval_s = np.diff(train.time_s)
    period_s = np.full(len(train), np.inf)
    view = np.lib.stride_tricks.sliding_window_view(interval_s, RUN_MIN - 1)
    beats = np.lib.stride_tricks.sliding_window_view(train.beating, RUN_MIN).sum(axis=1)
    period_s[RUN_MIN - 1 :] = np.where(beats >= BEATING_MIN, np.median(view, axis=1), np.inf)
    return period_s


def _followed(train: SlamTrain, cut_off: CutOff, last: int, until: int | None) -> list[float]:
    """The beats after slam last, up to slam until (None: the end of the recording), s."""
    log_s = np.log(np.diff(train.time_s[last - RUN_MIN + 1 : last + 1]))
    period_s = float(np.exp(median(log_s)))
    scatter = robust_spread(log_s)
    scatter = float(np.clip(2 * scatter, max(SCATTER_MIN, 0.5 * cut_off.step_s / period_s), SCATTER_MAX))
    start_s = float(train.time_s[last])
    end_s = float(train.time_s[until]) if until is not None else train.duration_s
    step_s = cut_off.step_s
    soonest, latest = max(1, int(SOONEST * period_s / step_s)), int(np.ceil(LATEST * period_s / step_s))
    apart = np.arange(soonest, latest + 1)
    off = np.log(apart * step_s / period_s)
    cost = np.minimum(0.5 * (off / np.where(off > 0, np.maximum(scatter, SLOWER), scatter)) ** 2, COST_MAX)
    cost += np.log(max(1.0, np.exp(-cost).sum() * step_s / ALIKE_S))  # so many places to find a likely one in
    n = int((end_s - start_s) / step_s)
    if n <= soonest:
        return []
    odds = _odds(cut_off, np.asarray(start_s + np.arange(n + 1) * step_s, np.float64))
    best = np.full(n + 1 + latest, -np.inf)  # latest places ahead of the start, so that none lies outside
    best[latest] = 0.0
    back = np.zeros(n + 1, np.int64)
    reached = n
    for i in range(soonest, n + 1):
        before = best[latest + i - apart] - cost
        back[i] = i - apart[(k := int(np.argmax(before)))]
        best[latest + i] = before[k] + odds[i]
        if i > 2 * latest and best[i : latest + i + 1].max() < best[: latest + i + 1].max() - HOPELESS:
            reached = i
            break
    best, odds = best[latest : latest + reached + 1], odds[: reached + 1]
    if until is not None and reached == n:
        to_next = best[n] - odds[n]  # the slam there was heard
        if to_next >= BRIDGED_MIN:
            return _back(start_s, step_s, back, int(back[n]))
    # A beat that was heard comes after these: none of them may be as near to it as to be the same.
    free = best[: max(0, len(best) - soonest)] if until is not None and reached == n else best
    if len(free) == 0 or free.max() < FADED_MIN:
        return []
    return _back(start_s, step_s, back, int(np.argmax(free)))


def _odds(cut_off: CutOff, time_s: FloatArray) -> FloatArray:
    """Log odds of a beat at each time (n,), against the best that noise offers within a cycle."""
    share = np.nan_to_num(cut_off.share(time_s))
    even = 0.5 * (WEAKER + BEST_OF_NOISE * cut_off.anywhere)
    return np.clip((share - even) * WEAKER / cut_off.anywhere**2, ODDS_MIN, ODDS_MAX)


def _back(start_s: float, step_s: float, back: np.ndarray, at: int) -> list[float]:
    """The beats of the path that ends with cell at, in order of time."""
    beats: list[float] = []
    while at > 0:
        beats.append(start_s + at * step_s)
        at = int(back[at])
    return beats[::-1]


def _joined(train: SlamTrain, added_s: FloatArray) -> SlamTrain:
    """The train with slams at added_s, as soft as the softest that was heard."""
    n = len(added_s)
    none = np.full(n, np.nan)
    softest = np.full(n, train.strength_db.min())
    beats = np.ones(n, np.bool_)
    pump = np.full(n, train.pump[0])
    return train.joined(SlamTrain(added_s, softest, np.full(n, 0.5), none, none, pump, beats, train.duration_s))

"""Which slams were pushed by a hand, and which the pump made by itself.

Three things tell them apart. A hand has human spacing, uneven and rarely below half a second, while a ram keeps its
period. After a hand stroke the valve stays shut until it is pushed again, while a running ram reopens a fixed short
time after the slam. And a ram that has stopped does not start again without a push. The most likely story is found by
dynamic programming over the slams (Viterbi, IEEE Trans. Inf. Theory 13, 1967) with two states, pushed and by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

from clackcount.model import FloatArray, SlamTrain
from clackcount.settings import RunningSettings

HAND_SPACING_S = 1.8  # typical; log-normal with the spread below (common practice, no source)
HAND_SPACING_SPREAD = 0.55
HAND_DWELL_S = 0.8  # shut time between a hand stroke's slam and the next push
HAND_DWELL_SPREAD = 0.8
EVEN_CHANGE = 0.10  # intervals of a running ram rarely change more than this from one to the next
EVEN_RUN = 5  # so many even intervals in a row are no accident of a hand
MISSED_SHARE = (0.93, 0.045, 0.015)  # of the intervals of a running ram that span 1, 2, 3 periods
STRANGE = 0.01  # share of intervals and knocks that fit no story
EVIDENCE_MAX = (2.0, 3.0)  # of one interval, of one dwell: no single sound decides
ALONE, TOGETHER = -1.5, 0.5  # evidence of a slam that beats found alone, or on the even beat

# Costs of changing the story between two slams, in units of log likelihood.
STARTS = 2.0  # a hand lets go and it runs
RESTARTS_ALONE = 4.0  # the same after a long pause
RUNS_ON = 2.5  # it slams on by itself after a pause in which it should have slammed
DIES_LATE, DIES_EARLY = 3.0, 8.0  # a hand pushes a running ram: after a beat was overdue, or before it was due
PUSHED_AGAIN = 0.5  # a hand pushes after a long pause
OVERDUE = 1.3


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """One judgement a slam. pushed: bool (n,). period_s: float64 (n,), the ram's own period around each slam (inf
    where no running was heard at all). limit_s: float64 (n,), the silence after this slam that means a stop."""

    pushed: NDArray[np.bool_]
    period_s: FloatArray
    limit_s: FloatArray


def judge_strokes(
    train: SlamTrain, dwells_s: tuple[FloatArray, ...], settings: RunningSettings, *, was_pushed: bool | None = None
) -> Strokes:
    """Judge the slams of one pump.

    dwells_s: each float64 (n,), a measure of the time the valve stayed shut before each slam, NaN where not heard.
    was_pushed: how the first slam is known to have been made, from earlier listening.
    """
    n = len(train)
    if n == 0:
        return Strokes(np.zeros(0, np.bool_), np.empty(0), np.empty(0))
    interval_s = np.diff(train.time_s, prepend=np.nan)
    period_s, scatter = own_period(interval_s)
    limit_s = stop_limit(period_s, settings)
    paused = np.concatenate([[False], interval_s[1:] > limit_s[:-1]])
    evidence = _from_interval(interval_s, period_s, scatter)
    evidence[paused] = -0.5
    of_dwell = sum(_from_dwell(np.where(paused, np.nan, dwell_s), period_s, scatter) for dwell_s in dwells_s)
    evidence += np.clip(of_dwell, -EVIDENCE_MAX[1], EVIDENCE_MAX[1])
    evidence += np.where(train.beating, TOGETHER, ALONE)
    evidence[0] = {None: 1.0, True: -20.0, False: 20.0}[was_pushed] + (TOGETHER if train.beating[0] else ALONE)
    overdue = interval_s > OVERDUE * period_s
    return Strokes(_likeliest(evidence, paused, overdue), period_s, limit_s)


def stop_limit(period_s: FloatArray, settings: RunningSettings) -> FloatArray:
    """The silence after a slam that means a stop; hand_gap_s where no period is known."""
    limit_s = np.maximum(settings.stop_cycles * period_s, period_s + settings.stop_wait_s)
    return np.where(np.isfinite(limit_s), limit_s, settings.hand_gap_s)


def own_period(interval_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(period of the ram around each slam, float64 (n,), inf where it never ran; relative scatter around it, (n,)).

    Within even runs it is the running median of nine; elsewhere that of the run that follows, else of the one before.
    interval_s: float64 (n,), the interval before each slam, NaN for the first.
    """
    n = len(interval_s)
    log_s = np.log(interval_s)
    change = np.minimum(_abs_change(log_s, 1), _abs_change(log_s, 2))  # two back: long and short beats in turn
    even = _runs_of(change < EVEN_CHANGE, EVEN_RUN)
    if not even.any():
        return _without_even_runs(log_s)
    members = np.flatnonzero(even)
    local = median_filter(log_s[members], size=9, mode="nearest")
    log_period = np.empty(n)
    log_period[members] = local
    others = np.flatnonzero(~even)
    following = np.searchsorted(members, others)
    nearest = np.where(following < len(members), following, len(members) - 1)
    log_period[others] = local[nearest]
    apart = np.abs(log_s[members] - local)
    scatter = np.empty(n)
    scatter[members] = 1.25 * uniform_filter1d(np.minimum(apart, 0.3), size=15, mode="nearest")  # of a mean deviation
    scatter[others] = scatter[members][nearest]
    return np.exp(log_period), np.clip(1.5 * scatter, 0.03, 0.15)


def _without_even_runs(log_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A ragged ram, or a hand only: the running median has to do, with wide scatter."""
    n = len(log_s)
    if n < EVEN_RUN + 1:
        return np.full(n, np.inf), np.full(n, 0.15)
    filled = np.where(np.isnan(log_s), np.nanmedian(log_s), log_s)
    return np.exp(median_filter(filled, size=9, mode="nearest")), np.full(n, 0.15)


def _abs_change(log_s: FloatArray, back: int) -> FloatArray:
    change = np.full(len(log_s), np.inf)
    if len(log_s) > back:
        change[back:] = np.abs(log_s[back:] - log_s[:-back])
    change[np.isnan(change)] = np.inf
    return change


def _runs_of(flag: NDArray[np.bool_], at_least: int) -> NDArray[np.bool_]:
    """flag, with runs shorter than at_least put out, and the slam before each kept run put in."""
    edge = np.diff(np.concatenate([[False], flag, [False]]).astype(np.int8))
    starts, ends = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    kept = np.zeros(len(flag), np.bool_)
    for start, end in zip(starts, ends, strict=True):
        if end - start >= at_least - 1:
            kept[start - 1 if start > 1 else start : end] = True
    return kept


def _from_interval(interval_s: FloatArray, period_s: FloatArray, scatter: FloatArray) -> FloatArray:
    """Log likelihood ratio, by itself against pushed, of each interval."""
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.log(interval_s / period_s)
    own = sum(
        share * _normal(off - np.log(spanned), scatter) for spanned, share in enumerate(MISSED_SHARE, start=1)
    )
    hand = _normal(np.log(interval_s / HAND_SPACING_S), HAND_SPACING_SPREAD)
    ratio = np.log((own + STRANGE) / (hand + STRANGE))
    ratio = np.where(np.isfinite(period_s), ratio, -0.5)
    return np.nan_to_num(np.clip(ratio, -EVIDENCE_MAX[0], EVIDENCE_MAX[0]), nan=0.0)


def _from_dwell(dwell_s: FloatArray, period_s: FloatArray, scatter: FloatArray) -> FloatArray:
    """Log likelihood ratio, by itself against pushed, of how long the valve stayed shut before each slam."""
    steady = (scatter < 0.1) & np.isfinite(dwell_s) & np.isfinite(period_s) & (dwell_s < period_s)
    if np.count_nonzero(steady) < EVEN_RUN:
        return np.zeros(len(dwell_s))
    usual_s = float(np.median(dwell_s[steady]))
    spread_s = np.maximum(0.04, 0.1 * np.where(np.isfinite(period_s), period_s, 1.0))
    own = _normal((dwell_s - usual_s) / spread_s, 1.0) / spread_s
    hand = _normal(np.log(np.maximum(dwell_s, 1e-3) / HAND_DWELL_S), HAND_DWELL_SPREAD) / np.maximum(dwell_s, 1e-3)
    ratio = np.log((own + 0.05) / (hand + 0.05))
    return np.nan_to_num(np.clip(ratio, -EVIDENCE_MAX[1], EVIDENCE_MAX[1]), nan=0.0)


def _normal(off: FloatArray, spread: FloatArray | float) -> FloatArray:
    return np.asarray(np.exp(-0.5 * (off / spread) ** 2) / (spread * np.sqrt(2 * np.pi)))


def _likeliest(evidence: FloatArray, paused: NDArray[np.bool_], overdue: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The likeliest story: bool (n,), True where the slam was pushed."""
    own, hand = float(evidence[0]), 0.0
    from_hand: list[tuple[bool, bool]] = [(False, False)]  # whether the best way into (own, hand) came from a hand
    for gain, pause, late in zip(evidence[1:].tolist(), paused[1:].tolist(), overdue[1:].tolist(), strict=True):
        stay = own - (RUNS_ON if pause else 0.0)
        begin = hand - (RESTARTS_ALONE if pause else STARTS)
        pushed = own - (PUSHED_AGAIN if pause else DIES_LATE if late else DIES_EARLY)
        from_hand.append((begin > stay, hand >= pushed))
        own, hand = max(stay, begin) + gain, max(hand, pushed)
    state = hand > own
    story = np.empty(len(evidence), np.bool_)
    for i in range(len(evidence) - 1, -1, -1):
        story[i] = state
        state = from_hand[i][1] if state else from_hand[i][0]
    return story

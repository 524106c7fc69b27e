"""Which slams were pushed by a hand, and which the pump made by itself.

Three things tell them apart. A hand has human spacing, uneven and rarely below half a second, while a ram keeps its
period, and even the few beats of a start that fails follow from one another. After a hand stroke the valve stays
shut until it is pushed again, while a running ram reopens a fixed short time after the slam. And a ram that has
stopped does not start again without a push. The most likely story is found by dynamic programming over the slams
(Viterbi, IEEE Trans. Inf. Theory 13, 1967, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

from clackcount.middle import median
from clackcount.model import FloatArray, SlamTrain
from clackcount.settings import RunningSettings

HAND_SPACING_S = 1.8  # typical; log-normal with the spread below (common practice, no source)
HAND_SPACING_SPREAD = 0.55
HAND_DWELL_S = 0.8  # shut time between a hand stroke's slam and the next push
HAND_DWELL_SPREAD = 0.8
OWN_DWELL_S = 0.17  # from slam to reopening of a ram that runs (delivery and recoil, 50..350 ms)
OWN_DWELL_SPREAD = 0.5
EVEN_CHANGE = 0.10  # intervals of a running ram rarely change more than this from one to the next
EVEN_RUN = 6  # so many even intervals in a row are no accident of a hand
OWN_DWELL_MAX_S = (
    0.55  # no ram takes longer to deliver and recoil; a valve that stays shut longer is waiting for a hand
)
MISSED_SHARE = (0.93, 0.045, 0.015)  # of the intervals of a running ram that span 1, 2, 3 periods
FIRST, BEFORE_FIRST_S = 1.0, 15.0  # evidence of the first slam; somebody who is about to push records so long before
STRANGE = 0.01  # share of intervals and knocks that fit no story
INTERVAL_MAX = 2.0  # evidence of one interval: no single sound decides
# Of the shut time between two knocks, and of that read from the rush; against a ram that runs, and for it. Reopenings
# are listened for where they are due, and something is often heard there: that it was is weighed by itself. What is
# read from the rush goes with the interval, for a push lets the water run about as long as the ram does.
DWELL_RANGE = ((-3.0, 0.2), (-1.5, 0.7))
# How often something is heard where a reopening is due though none came: as a share of how often the ram's are, and
# besides, for a push knocks, too. What that may say.
BY_CHANCE, PUSH_HEARD, HEARD_MAX = 0.35, 0.1, 1.5
IN_TIME = 0.3  # a ram reopens no further off its usual time, as a share of it
AFTER_STRAY = (0.8, 0.1)  # the same two after a slam off the beat, where reopenings are looked for less
ALONE = -1.0  # evidence of a slam that lies on no even beat

# Costs of changing the story between two slams, in units of log likelihood. A start may die within a few beats and be
# pushed again; a ram that has run for a while is left alone until it has been silent for long.
STARTS = 2.0  # a hand lets go and it runs
RESTARTS_ALONE = 4.0  # the same after a long pause
FAILING_SLOWER, FAILING_SCATTER = 1.15, 0.2  # a run that fails turns slow and ragged
FRESH_SLOWER, FRESH_SCATTER = 1.1, 0.15  # a start that fails slows down from its first beat
ANY_LENGTH = 0.5  # share of its intervals that do not follow from the one before
FRESH_CHANGE, FRESH_BEATS = 0.1, 4  # from one interval to the next; no run is for good before so many
HOLDS, FRESH = 1.5, 0.1  # it runs for good; each beat that it has not yet done so
RUNS_ON = 4.0  # it slams on by itself after a pause in which it should have slammed
IN_STEP, OUT_OF_STEP = 3.0, -2.0  # at most, if the pause is, or is not, a whole number of periods
STOOD, STOOD_A_BEAT = 12.0, 2.5  # the water is heard to have run on, or to have stood: at most, and for each beat due
IN_STEP_SHARE, IN_STEP_PERIODS = 0.1, 12.0
DIES_LATE, DIES_EARLY = 7.0, 14.0  # a hand pushes a running ram: after a beat was overdue, or before it was due
DIES_FRESH = 1.0  # a hand pushes again after a few beats
AT_ONCE, NOTICED_S, ACTED_S = 4.0, 3.5, 1.0  # besides, sooner than it takes to notice that it has stopped, and to act
PUSHED_AGAIN = 0.5  # a hand pushes after a long pause
OVERDUE, NO_PAUSE = 1.3, 2.0
SURELY_OWN = 2  # beats more than make a run, after which it is for sure one


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """One judgement a slam. pushed: bool (n,). period_s: float64 (n,), the ram's own period around each slam (inf
    where no running was heard at all). limit_s: float64 (n,), the silence after this slam that means a stop."""

    pushed: NDArray[np.bool_]
    period_s: FloatArray
    limit_s: FloatArray


def judge_strokes(
    train: SlamTrain,
    dwells_s: tuple[FloatArray, ...],
    of_drop: FloatArray,
    settings: RunningSettings,
    *,
    was_pushed: bool | None = None,
    stood: NDArray[np.bool_] | None = None,
    stopped_s: FloatArray | None = None,
) -> Strokes:
    """Judge the slams of one pump.

    dwells_s: measures of the time the valve stayed shut before each slam, each float64 (n,), NaN where not heard;
    first that between knocks, then that read from the rush. of_drop: float64 (n,), what the water cut off at each
    slam says for its running by itself; counts only until it runs evenly, for a starving ram cuts off little, too.
    was_pushed: how the first slam is known to have been made, from earlier listening. stood: bool (n,), whether the
    pump is known to have stood still ahead of each slam. stopped_s: float64 (n,), the silence after each slam by
    which it was known that the pump had stopped, inf where it had not.
    """
    n = len(train)
    if n == 0:
        return Strokes(np.zeros(0, np.bool_), np.empty(0), np.empty(0))
    interval_s = np.diff(train.time_s, prepend=np.nan)
    even = even_members(interval_s, dwells_s[0] if dwells_s else np.full(n, np.nan))
    period_s, earlier_s, scatter, has_run = own_period(interval_s, even)
    limit_s = stop_limit(period_s, settings)
    limit_s = limit_s if stopped_s is None else np.minimum(limit_s, stopped_s)
    paused = np.concatenate([[False], interval_s[1:] > limit_s[:-1]])
    firm = np.maximum(*(_from_interval(interval_s, own_s, scatter) for own_s in (period_s, earlier_s)))
    fresh = _from_interval(interval_s, period_s * FRESH_SLOWER, np.maximum(scatter, FRESH_SCATTER))
    failing = _from_interval(interval_s, earlier_s * FAILING_SLOWER, np.full(n, FAILING_SCATTER))
    firm = np.where(has_run, np.maximum(firm, failing), firm)
    fresh = np.maximum(fresh, firm)  # a start that holds goes as it will go
    firm[paused] = fresh[paused] = 0.0
    of_dwell = np.zeros(n)
    for dwell_s, (least, most), between_knocks in zip(dwells_s, DWELL_RANGE, (True, False), strict=False):
        dwell_s = np.where(paused, np.nan, dwell_s)
        of_dwell += np.clip(_from_dwell(dwell_s, period_s, scatter, between_knocks=between_knocks), least, most)
    evidence = np.where(train.beating, 0.0, ALONE) + of_dwell + np.where(_starting(even, paused), of_drop, 0.0)
    if dwells_s:
        of_hearing = np.clip(_from_being_heard(dwells_s[0], scatter, train.beating), -HEARD_MAX, HEARD_MAX)
        evidence += np.where(paused, 0.0, of_hearing)  # after a pause none is looked for
    evidence[0] = {None: _running_already(train, period_s), True: -20.0, False: 20.0}[was_pushed]
    evidence[0] += 0.0 if train.beating[0] else ALONE
    firm[0] = fresh[0] = 0.0
    with np.errstate(invalid="ignore"):
        overdue = interval_s > OVERDUE * period_s
    resume = _in_step(interval_s, period_s, scatter) - RUNS_ON
    if stood is not None:
        n_due = np.nan_to_num(interval_s / period_s, nan=0.0, posinf=0.0) - 1
        resume = resume - np.clip(STOOD_A_BEAT * n_due, 0.0, STOOD) * stood
    going = np.where(paused, fresh, _following(interval_s, fresh))
    noticed_s = np.where(paused, np.maximum(NOTICED_S, np.roll(limit_s, 1) + ACTED_S), NOTICED_S)
    pushed = _likeliest(
        evidence + fresh, evidence + going, evidence + firm, paused, overdue, resume, interval_s < noticed_s
    )
    return Strokes(
        _left_alone(pushed, interval_s, period_s, limit_s, settings.self_cycles_min + SURELY_OWN), period_s, limit_s
    )


def _left_alone(
    pushed: NDArray[np.bool_], interval_s: FloatArray, period_s: FloatArray, limit_s: FloatArray, n_run: int
) -> NDArray[np.bool_]:
    """pushed, but for what comes without a pause in a run of n_run beats: nobody pushes a ram that runs, (n,)."""
    pushed, n_own = pushed.copy(), 0
    at_most_s = np.minimum(NO_PAUSE * period_s, NOTICED_S)
    for i in range(len(pushed)):
        if n_own >= n_run and interval_s[i] <= at_most_s[i - 1]:
            pushed[i] = False
        stood = i > 0 and interval_s[i] > limit_s[i - 1]
        n_own = 0 if pushed[i] else 1 if stood else n_own + 1
    return pushed


def _running_already(train: SlamTrain, period_s: FloatArray) -> float:
    """Log odds that the first slam was none of a hand: a run has one within its first period, a hand at any time."""
    first_period_s = float(period_s[0])
    if train.time_s[0] > first_period_s or not np.isfinite(first_period_s):
        return FIRST
    return max(FIRST, float(np.log(BEFORE_FIRST_S / first_period_s)))


def stop_limit(period_s: FloatArray, settings: RunningSettings) -> FloatArray:
    """The silence after a slam that means a stop; hand_gap_s where no period is known."""
    limit_s = np.maximum(settings.stop_cycles * period_s, period_s + settings.stop_wait_s)
    return np.where(np.isfinite(limit_s), limit_s, settings.hand_gap_s)


def even_members(interval_s: FloatArray, dwell_s: FloatArray) -> NDArray[np.bool_]:
    """Whether each slam belongs to an even run, bool (n,).

    interval_s, dwell_s: float64 (n,), the interval, and the shut time, before each slam, NaN where not known.
    """
    log_s = np.log(interval_s)
    waited = dwell_s > OWN_DWELL_MAX_S
    # Against the interval before, and against the last but one: long and short beats in turn are even, too.
    one, two = (_runs_of((_abs_change(log_s, back) < EVEN_CHANGE) & ~waited, EVEN_RUN) for back in (1, 2))
    return np.asarray(one | two)


def _starting(even: NDArray[np.bool_], paused: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether each slam comes before the first even run of the recording, or after a pause before the next, (n,)."""
    at = np.arange(len(even))
    last_even = np.maximum.accumulate(np.where(even, at, -1))
    last_pause = np.maximum.accumulate(np.where(paused, at, 0))
    return np.asarray(~even & (last_even < last_pause) | (last_even < 0))


def own_period(
    interval_s: FloatArray, even: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """(period of the ram around each slam, the same as it was last heard before it, relative scatter, whether it has
    run before), each (n,).

    Within even runs it is the running median of nine; elsewhere that of the run that follows (a ram that is being
    started), and that of the run before (one that is failing). inf where it never ran.
    interval_s: float64 (n,), before each slam, NaN where not known. even: see even_members.
    """
    n = len(interval_s)
    log_s = np.log(interval_s)
    members = np.flatnonzero(even)
    if len(members) == 0:
        return _without_even_runs(log_s)
    local = median_filter(log_s[members], size=9, mode="nearest")
    apart = np.minimum(np.abs(log_s[members] - local), 0.3)
    scatter = 1.25 * uniform_filter1d(apart, size=15, mode="nearest")  # of a mean deviation
    after = np.minimum(np.searchsorted(members, np.arange(n)), len(members) - 1)
    before = np.maximum(np.searchsorted(members, np.arange(n), side="right") - 1, 0)
    has_run = np.arange(n) > members[min(EVEN_RUN, len(members) - 1)]
    return np.exp(local[after]), np.exp(local[before]), np.clip(1.5 * scatter[after], 0.03, 0.15), has_run


def _without_even_runs(log_s: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """A ragged ram, or a hand only: the running median has to do, with wide scatter."""
    n = len(log_s)
    if n < EVEN_RUN + 1:
        return np.full(n, np.inf), np.full(n, np.inf), np.full(n, 0.15), np.zeros(n, np.bool_)
    filled = np.where(np.isnan(log_s), np.nanmedian(log_s), log_s)
    period_s = np.exp(median_filter(filled, size=9, mode="nearest"))
    return period_s, period_s, np.full(n, 0.15), np.zeros(n, np.bool_)


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
    own = sum(share * _normal(off - np.log(spanned), scatter) for spanned, share in enumerate(MISSED_SHARE, start=1))
    hand = _normal(np.log(interval_s / HAND_SPACING_S), HAND_SPACING_SPREAD)
    ratio = np.log((own + STRANGE) / (hand + STRANGE))
    ratio = np.where(np.isfinite(period_s), ratio, -0.5)
    return np.asarray(np.nan_to_num(np.clip(ratio, -INTERVAL_MAX, INTERVAL_MAX), nan=0.0))


def _following(interval_s: FloatArray, fresh: FloatArray) -> FloatArray:
    """Log likelihood ratio (n,) of an interval that follows another of a start: as long as that, or as any of it.

    fresh: the same for any interval of a start.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        change = np.diff(np.log(interval_s), prepend=np.nan)
        like = _normal(change, FRESH_CHANGE) / _normal(np.log(interval_s / HAND_SPACING_S), HAND_SPACING_SPREAD)
    ratio = np.log(ANY_LENGTH * np.exp(fresh) + (1 - ANY_LENGTH) * np.nan_to_num(like, nan=1.0))
    return np.asarray(np.clip(ratio, -INTERVAL_MAX, INTERVAL_MAX))


def _from_dwell(
    dwell_s: FloatArray, period_s: FloatArray, scatter: FloatArray, *, between_knocks: bool
) -> FloatArray:
    """Log likelihood ratio, by itself against pushed, of how long the valve stayed shut before each slam.

    Measured against the usual of this pump; where it never ran yet, against any ram's, if between_knocks. (Read from
    the rush it is longer by as much as the rush takes to grow, and has no usual of its own.)
    """
    steady = (scatter < 0.1) & np.isfinite(dwell_s) & np.isfinite(period_s) & (dwell_s < period_s)
    hand = _normal(np.log(np.maximum(dwell_s, 1e-3) / HAND_DWELL_S), HAND_DWELL_SPREAD) / np.maximum(dwell_s, 1e-3)
    if np.count_nonzero(steady) >= EVEN_RUN:
        usual_s = float(median(dwell_s[steady]))
        spread_s = np.maximum(0.04, 0.1 * np.where(np.isfinite(period_s), period_s, 1.0))
        missed = np.where(np.isfinite(period_s), period_s, 0.0)  # slams unheard in between lengthen it by periods
        own = sum(
            share * _normal((dwell_s - usual_s - n_missed * missed) / spread_s, 1.0) / spread_s
            for n_missed, share in enumerate(MISSED_SHARE)
        )
    elif not between_knocks:
        return np.zeros(len(dwell_s))
    else:  # it never ran: any ram reopens soon
        own = _normal(np.log(np.maximum(dwell_s, 1e-3) / OWN_DWELL_S), OWN_DWELL_SPREAD) / np.maximum(dwell_s, 1e-3)
    return np.asarray(np.nan_to_num(np.log((own + 0.05) / (hand + 0.05)), nan=0.0))


def _from_being_heard(dwell_s: FloatArray, scatter: FloatArray, beating: NDArray[np.bool_]) -> FloatArray:
    """Log likelihood ratio (n,) of an opening being heard at all: where a ram reopens softly, a knock was a hand.

    After a slam off the beat reopenings are heard less often, be they there or not.
    """
    steady = (scatter < 0.1) & (np.arange(len(dwell_s)) > 0)
    if np.count_nonzero(steady) < 3 * EVEN_RUN:
        return np.zeros(len(dwell_s))
    share = float(np.clip(np.mean(np.isfinite(dwell_s[steady])), 0.03, 0.97))
    after_beat = np.concatenate([[True], beating[:-1]])
    own = np.where(after_beat, 1.0, AFTER_STRAY[0]) * share
    pushed = np.where(after_beat, BY_CHANCE, AFTER_STRAY[1]) * share + PUSH_HEARD
    usual_s = float(median(dwell_s[steady & np.isfinite(dwell_s)])) if share > 0.03 else 0.0
    in_time = np.abs(dwell_s - usual_s) < IN_TIME * usual_s  # one that came at another time was a push
    heard = np.where(in_time, np.log(own / pushed), 0.0)
    return np.asarray(np.where(np.isfinite(dwell_s), heard, np.log((1 - own) / (1 - pushed))))


def _in_step(interval_s: FloatArray, period_s: FloatArray, scatter: FloatArray) -> FloatArray:
    """Evidence (n,) that beats went on unheard in each interval: it is a whole number of periods, if not too many.

    That it is none says nothing where the beat may have strayed as far by then. scatter: float64 (n,), of one beat.
    """
    spanned = np.nan_to_num(interval_s / period_s, nan=0.0, posinf=0.0)
    wide = scatter * np.sqrt(np.maximum(spanned, 1.0))
    off = np.abs(spanned - np.round(spanned))
    near = np.minimum(np.log(1 / (wide * np.sqrt(2 * np.pi))) - 0.5 * (off / wide) ** 2, IN_STEP)
    evidence = np.maximum(near, np.where(scatter * spanned > IN_STEP_SHARE, 0.0, OUT_OF_STEP))
    return np.where((spanned > IN_STEP_PERIODS) | (spanned <= 0), 0.0, evidence)


def _normal(off: FloatArray, spread: FloatArray | float) -> FloatArray:
    return np.asarray(np.exp(-0.5 * (off / spread) ** 2) / (spread * np.sqrt(2 * np.pi)))


def _likeliest(
    as_first: FloatArray,
    as_fresh: FloatArray,
    as_firm: FloatArray,
    paused: NDArray[np.bool_],
    overdue: NDArray[np.bool_],
    resume: FloatArray,
    at_once: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """The likeliest story: bool (n,), True where the slam was pushed.

    States: HAND, then FRESH_BEATS of a start that may die any time, and FIRM (it runs for good). as_first, as_fresh,
    as_firm: float64 (n,), evidence against HAND of the first beat without a push, of those that follow, and of FIRM.
    resume: float64 (n,), gain (mostly negative) of running on through a pause. at_once: whether a pause was too short
    for somebody to notice that it had stopped.
    """
    last_fresh = FRESH_BEATS
    firm_state = FRESH_BEATS + 1
    score = [0.0, *[float(as_first[0]) - HOLDS] * FRESH_BEATS, float(as_firm[0])]
    came_from: list[list[int]] = [[0] * len(score)]  # the best state before each
    columns = (as_first, as_fresh, as_firm, paused, overdue, resume, at_once)
    for first, fresh, firm, pause, late, on, soon in zip(*(column[1:].tolist() for column in columns), strict=True):
        step = on if pause else 0.0
        young = score[1:firm_state]
        best_young = max(young)
        to_hand = (
            score[0],
            best_young - (PUSHED_AGAIN if pause else DIES_FRESH),
            score[-1] - (PUSHED_AGAIN if pause else DIES_LATE if late else DIES_EARLY) - AT_ONCE * soon,
        )
        from_hand = to_hand.index(max(to_hand))
        sources = [(0, 1 + young.index(best_young), firm_state)[from_hand], 0, *range(1, last_fresh)]
        after = [max(to_hand), score[0] - (RESTARTS_ALONE if pause else STARTS) + first]
        after += [value + step - FRESH + fresh for value in young[:-1]]
        if score[last_fresh] > score[last_fresh - 1]:
            after[-1] += score[last_fresh] - score[last_fresh - 1]
            sources[-1] = last_fresh
        to_firm = (score[last_fresh] + step - HOLDS, score[-1] + step)
        after.append(max(to_firm) + firm)
        sources.append(last_fresh if to_firm[0] > to_firm[1] else firm_state)
        came_from.append(sources)
        score = after
    state = score.index(max(score))
    story = np.empty(len(as_firm), np.bool_)
    for i in range(len(as_firm) - 1, -1, -1):
        story[i] = state == 0
        state = came_from[i][state]
    return story

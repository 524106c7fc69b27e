"""Knocks that cannot belong to any story of a pump are left out before it is told.

Slams found by their sound alone, off any beat, may be a hand's strokes; they may also be bubbles, birds or a door. A
slam shuts the water off, and no stroke of a hand stands out much more than the pump's own slams do. Beats that were
only reckoned on through a stop shut nothing off either. One or two knocks by themselves, without the knock of an
opening before them, are not taken for strokes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clackcount.middle import median, robust_spread
from clackcount.model import FloatArray, SlamTrain
from clackcount.running.cutoff import BEATS_MIN, CutOff
from clackcount.running.strokes import even_members
from clackcount.settings import RunningSettings

STROKES_MIN, STROKES_MAX = 3, 30  # of one spell of pushing
STROKE_DROP, STROKE_SPREAD = 0.8, 0.3  # of the rush at a hand's stroke, in units of that at the pump's own slams
OWN_SPREAD = 0.15  # the same at the pump's own slams
PUSHED_MAX = 1.5  # what little water cut off may say for a hand; much says nothing, for some let it run long
ODD = 0.01  # likelihood of any drop at all: a gust, a passing car
ODDS_MIN, BEAT_ODDS_MIN = -1.0, -2.0  # the even beat vouches for a slam
LOUDEST, LOUDER = 0.98, 2.0  # a knock may stand out so many times further over the usual than the loudest slams
PUSH_S = 0.7  # a hand's stroke lets the water run no longer; in a slow pump that is little
SOONER = 0.65  # of the period of the ram itself, in which its water can't gather speed again
# beats in a row at which water ran on; log odds of all, of one
RECKONED_RUN, RECKONED_MIN, RECKONED_MAX = 2, 5.0, 3.0
SOME_ENDS = 2.5  # standard deviations of the sum of the shares of a row, where none ends
OWN_FOR_SURE, HEARD_FOR_SURE = -2.0, 0.98  # log odds; confidence
NONE_SPREAD, RECKONED_GAP = 0.2, 3.5  # of the share where nothing ends; periods
SKIPPED, SKIPS = 1.5, 1.0  # periods since the beat before, and log odds of such a one
OFF_BEAT, ON_BEAT = 0.5, -0.5  # of one that lies off the beat, or on it
A_PERIOD = 0.35  # share by which an interval of a ragged ram, too, is off its usual
IN_STEP = 0.12  # an interval no further off the usual
SOFTEST_DB, LOUDEST_DB = -6.0, 2.0  # strokes against slams; their median, which strays less than each
SPREAD_MIN_DB, SPREAD_MOST = 2.5, 1.5  # of strokes, at least, and times that of the slams
RUN_GAP, EVEN_SHARE = 3.0, 0.7  # periods in which a run that goes on is heard again; of its slams
CONTINUES = 2.2  # of the last intervals: a knock so soon after a run goes on with it


def plausible(train: SlamTrain, cut_off: CutOff | None, settings: RunningSettings) -> SlamTrain:
    """The train without knocks that are no strokes; the same object where there are none."""
    if len(train) == 0:
        return train
    keep = train.beating | ~_too_loud(train)
    keep &= _shuts_water_off(train, cut_off) if cut_off is not None else train.beating | ~_pushes(train)
    group = np.cumsum(np.diff(train.time_s, prepend=train.time_s[0]) > settings.hand_gap_s).astype(np.intp)
    if cut_off is None:
        keep &= ~_leads_to_no_run(train, settings)
    group += np.cumsum(_after_a_run(train, keep, group))
    certain = (train.beating | np.isfinite(train.opened_s)) & keep
    large = np.bincount(group, weights=keep) >= STROKES_MIN
    backed = np.bincount(group, weights=certain) > 0
    keep &= large[group] | backed[group]
    return train if keep.all() else _with_pushes(train, keep).where(keep)


def with_water_ended(train: SlamTrain, perhaps: SlamTrain, cut_off: CutOff) -> SlamTrain:
    """The train with those knocks that sound somewhat like its slams and at which its water ends."""
    share = np.nan_to_num(cut_off.share(perhaps.time_s))
    ends = share > max(ENDS_SHARE, ENDS_SPREADS * cut_off.anywhere)
    heard_s = np.concatenate([[-np.inf], train.time_s, [np.inf]])
    after = np.searchsorted(train.time_s, perhaps.time_s)
    apart_s = np.minimum(perhaps.time_s - heard_s[after], heard_s[after + 1] - perhaps.time_s)
    return train.joined(perhaps.where(ends & (apart_s > APART_S)))


ENDS_SHARE, ENDS_SPREADS, APART_S = 0.4, 2.0, 0.15  # of the rush at its slams; its scatter where nothing happens


def _with_pushes(train: SlamTrain, keep: NDArray[np.bool_]) -> SlamTrain:
    """The train, a knock that is no slam being the opening of the slam that follows it at once."""
    opens = ~keep & np.append(keep[1:], False) & _pushes(train)
    opened_s = train.opened_s.copy()
    opened_s[1:][opens[:-1]] = train.time_s[:-1][opens[:-1]]
    return replace(train, opened_s=opened_s)


def by_itself_or_pushed(train: SlamTrain, cut_off: CutOff | None) -> FloatArray:
    """Log odds (n,) from the water cut off at each slam: in a slow pump a hand lets it run a shorter time."""
    period_s, stroke_drop = _stroke_drop(train)
    if cut_off is None or period_s <= PUSH_S:
        return np.zeros(len(train))
    drop = np.nan_to_num(np.minimum(cut_off.share(train.time_s), 1.0), nan=1.0)
    # After a short interval the water has not got up its speed.
    gathered = np.nan_to_num(np.clip(np.diff(train.time_s, prepend=np.nan) / period_s, 0.0, 1.0), nan=1.0)
    own = _normal(drop - gathered, OWN_SPREAD, cut_off.at_slams)
    pushed = _normal(drop - stroke_drop, STROKE_SPREAD, cut_off.at_slams)
    return np.asarray(np.clip(np.log(own / pushed), -PUSHED_MAX, 0.0))


def ends_water_odds(train: SlamTrain, cut_off: CutOff) -> FloatArray:
    """Log odds (n,) that water ends with each knock, as at a stroke of a hand, rather than going on or setting in."""
    _, stroke_drop = _stroke_drop(train)
    # more is no sign against
    drop = np.nan_to_num(np.minimum(cut_off.share(train.time_s), stroke_drop), nan=stroke_drop)
    noise = max(cut_off.at_slams, cut_off.anywhere)  # a stroke's rush has a shape of its own
    slam, opening = (_normal(drop - usual, STROKE_SPREAD, noise) for usual in (stroke_drop, -stroke_drop))
    return np.asarray(np.log(slam / np.maximum(opening, _normal(drop, 0.0, noise))))


def _shuts_water_off(train: SlamTrain, cut_off: CutOff) -> NDArray[np.bool_]:
    """Whether water ends with each knock, rather than going on as it was or setting in, bool (n,)."""
    period_s, _ = _stroke_drop(train)
    odds = ends_water_odds(train, cut_off)
    if period_s > PUSH_S:  # too soon before the next to be a stroke of its own, it may be the push that made it
        odds = odds - _pushes(train)
    # that it beats evenly vouches for a slam a period from the one before it or the next, not for any knock in a row
    a_period = np.abs(np.diff(train.time_s) / max(period_s, 1e-9) - 1) < A_PERIOD
    vouched = train.beating & (np.append(False, a_period) | np.append(a_period, False))
    enough = (odds >= np.where(vouched, BEAT_ODDS_MIN, ODDS_MIN)) | _in_step(train, period_s)
    return enough & ~_reckoned(train, cut_off.share(train.time_s), cut_off, period_s)


def _normal(off: FloatArray, spread: float, noise: float) -> FloatArray:
    wide = float(np.hypot(spread, noise))
    return np.asarray(np.exp(-0.5 * (off / wide) ** 2) / (wide * np.sqrt(2 * np.pi)) + ODD)


def _pushes(train: SlamTrain) -> NDArray[np.bool_]:
    """Whether a knock comes so soon before the next that it may be the push that made it, bool (n,).

    For where no rush tells: a push opens the valve, and is heard as a knock itself; no hand pushes twice so soon.
    """
    period_s, _ = _stroke_drop(train)
    return np.asarray(np.diff(train.time_s, append=np.inf) < min(PUSH_S, SOONER * period_s))


def _leads_to_no_run(train: SlamTrain, settings: RunningSettings) -> NDArray[np.bool_]:
    """Whether a knock belongs to no run of an even pump and leads to none, bool (n,).

    For where no rush tells: there a talker, steps or barks sound as much like strokes as strokes do, and what would
    be told of them is a guess. What leads to a run is a start; what stands out as a hand's strokes do, a little less
    than the pump's slams and all alike, may be one. Of a run that fades, what follows as its beats do is kept.
    """
    even = even_members(np.diff(train.time_s, prepend=np.nan), np.full(len(train), np.nan))
    if not even.any():
        return even
    period_s = float(median(np.diff(train.time_s)[even[1:]]))
    apart_s = max(settings.hand_gap_s, RUN_GAP * period_s)
    follows_s = np.diff(train.time_s, prepend=train.time_s[0])
    after_run = np.append(False, even[:-1]) & (follows_s > CONTINUES * period_s)
    group = np.cumsum((follows_s > apart_s) | after_run).astype(np.intp)
    n_even, n = np.bincount(group, weights=even), np.bincount(group)
    longest = int(np.argmax(n_even))
    if n_even[longest] < EVEN_SHARE * n[longest]:
        return np.zeros(len(train), np.bool_)  # a ragged pump: its beats are no more even than knocks by chance
    usual_db = train.strength_db[even]
    middle_db, most_db = float(median(usual_db)), max(SPREAD_MIN_DB, SPREAD_MOST * robust_spread(usual_db))
    alike = np.array(
        [
            SOFTEST_DB <= float(median(own_db)) - middle_db <= LOUDEST_DB and robust_spread(own_db) <= most_db
            for own_db in (train.strength_db[group == number] for number in range(len(n)))
        ]
    )
    nowhere = (n_even[group] == 0) & ~(alike & (n <= STROKES_MAX))[group]
    for number in np.flatnonzero(n_even):
        here = np.flatnonzero(group == number)
        last = int(here[even[here]][-1])
        too_soon = np.flatnonzero(np.diff(train.time_s[last : here[-1] + 1]) < SOONER * period_s)
        if len(too_soon):
            nowhere[last + 1 + too_soon[0] : here[-1] + 1] = True
    return np.asarray(nowhere & ~train.beating)  # for what lies on a beat that beat vouches


def _in_step(train: SlamTrain, period_s: float) -> NDArray[np.bool_]:
    """Whether a beat comes a period after the one before it and a period before the next, bool (n,)."""
    near = np.abs(np.diff(train.time_s) / max(period_s, 1e-9) - 1) < IN_STEP
    return np.asarray(train.beating & np.append(True, near) & np.append(near, True))


def _stroke_drop(train: SlamTrain) -> tuple[float, float]:
    """(usual interval of the pump's own beats in s, how much of its rush a hand's stroke cuts off)."""
    own_s = np.diff(train.time_s[train.beating])
    period_s = float(median(own_s)) if len(own_s) else 0.0
    return period_s, STROKE_DROP * min(1.0, PUSH_S / max(period_s, PUSH_S))


def _reckoned(train: SlamTrain, share: FloatArray, cut_off: CutOff, period_s: float) -> NDArray[np.bool_]:
    """Whether a beat is one of several in a row at which the water went on, bool (n,)."""
    beat = np.flatnonzero(train.beating)
    share = np.nan_to_num(share[beat], nan=1.0)
    own = _normal(np.minimum(share, 1.0) - 1.0, OWN_SPREAD, cut_off.at_slams)
    odds = np.clip(np.log(_normal(share, NONE_SPREAD, cut_off.anywhere) / own), -RECKONED_MAX, RECKONED_MAX)
    spanned = np.diff(train.time_s[beat], prepend=train.time_s[:1]) / max(period_s, 1e-9)
    odds += np.where(spanned > SKIPPED, SKIPS, np.where(np.abs(spanned - 1) > IN_STEP, OFF_BEAT, ON_BEAT))
    found = np.zeros(len(train), np.bool_)
    # A row goes on from a run, to the first beat that shuts the water off for sure; what lies between its best two
    # cuts is meant. What was heard for sure before there was any run was pushed, and is not reckoned.
    even = even_members(np.diff(train.time_s, prepend=np.nan), np.full(len(train), np.nan))
    before_run = beat < (np.argmax(even) if even.any() else len(train))
    sure = (odds < OWN_FOR_SURE) | (before_run & (train.confidence[beat] > HEARD_FOR_SURE))
    paused = spanned > RECKONED_GAP
    for row in np.split(np.arange(len(beat)), np.flatnonzero(sure | paused)):
        row = row[1:] if len(row) and (sure[row[0]] or paused[row[0]]) else row
        if len(row) < RECKONED_RUN:
            continue
        total = np.concatenate([[0.0], np.cumsum(odds[row])])
        rise = total - np.minimum.accumulate(total)
        last = int(np.argmax(rise))
        first = int(np.argmin(total[: last + 1]))
        row = row[first:last]
        strokes = share[row].sum() > SOME_ENDS * cut_off.anywhere * np.sqrt(len(row))  # little water, but some, ends
        if rise[last] >= RECKONED_MIN and len(row) >= RECKONED_RUN and not strokes:
            found[beat[row]] = True
    return found


def _too_loud(train: SlamTrain) -> NDArray[np.bool_]:
    """Whether a knock is louder than the pump's slams ever are, bool (n,)."""
    own_db = train.strength_db[train.beating]
    if len(own_db) < BEATS_MIN:
        return np.zeros(len(train), np.bool_)
    usual_db, loudest_db = np.quantile(own_db, [0.5, LOUDEST])
    return np.asarray(train.strength_db > usual_db + LOUDER * (loudest_db - usual_db))


def _after_a_run(train: SlamTrain, keep: NDArray[np.bool_], group: NDArray[np.intp]) -> NDArray[np.bool_]:
    """True at the first knock of each group after its last beat, where it comes too late to go on with it."""
    late = np.zeros(len(train), np.bool_)
    for number in np.unique(group[train.beating]):
        here = np.flatnonzero((group == number) & keep)
        beats = here[train.beating[here]]
        rest = here[here > beats[-1]] if len(beats) > 2 else here[:0]
        if len(rest) and train.time_s[rest[0]] - train.time_s[beats[-1]] > CONTINUES * median(
            np.diff(train.time_s[beats[-BEATS_MIN:]])
        ):
            late[rest[0]] = True
    return late

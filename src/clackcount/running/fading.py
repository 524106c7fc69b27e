"""The last beats of a run that fades away: too soft to be heard, but their water still comes and goes.

Where the rush of a pump is clear, each slam shows in it as a sudden end. After the last slam that was heard such ends
are followed on, a beat at a time, until none comes any more.
"""

from __future__ import annotations

import numpy as np

from clackcount.model import FloatArray, SlamTrain
from clackcount.running.cutoff import CutOff

RUN_MIN = 8  # beats of a run that may fade
NOISE_MAX = 0.25
DROP_MIN, DROP_NOISES = 0.35, 3.2  # the least that ends with a slam that counts, and against the scatter of it
SHUT_MAX = 0.4  # the index after it, above that of the shut phase
ALIKE_MIN = 0.7  # of what ends and the pump's own rush
SOONEST, LATEST = 0.55, 2.6  # periods after the beat before
UNHEARD = 1.6  # periods to the next slam heard, in which one may have gone unheard
CHAIN_MIN = 3  # fewer may be a talker or a gust


def with_faded(train: SlamTrain, cut_off: CutOff | None) -> SlamTrain:
    """The train with the beats that only the rush tells of at the ends of its runs; the same object without any."""
    if cut_off is None or cut_off.anywhere > NOISE_MAX:
        return train
    added: list[float] = []
    for last in range(RUN_MIN - 1, len(train)):
        if not train.beating[last - RUN_MIN + 1 : last + 1].all():
            continue
        own_s = np.diff(train.time_s[last - RUN_MIN + 1 : last + 1])
        period_s = float(np.median(own_s))
        until_s = float(train.time_s[last + 1]) if last + 1 < len(train) else train.duration_s
        if until_s - train.time_s[last] > UNHEARD * period_s and own_s.max() < 2 * UNHEARD * period_s:
            chain = _chain(cut_off, float(train.time_s[last]), until_s, period_s)
            added += chain if len(chain) >= CHAIN_MIN else []
    return _joined(train, np.array(added)) if added else train


def _chain(cut_off: CutOff, from_s: float, until_s: float, period_s: float) -> list[float]:
    """The ends of rush that follow one another after from_s and before until_s, s."""
    chain: list[float] = []
    at_s = from_s
    while True:
        time_s = np.arange(
            at_s + SOONEST * period_s, min(at_s + LATEST * period_s, until_s - SOONEST * period_s), 0.01
        )
        share = np.nan_to_num(cut_off.share(time_s))
        found = share > max(DROP_MIN, DROP_NOISES * cut_off.anywhere)
        found &= np.nan_to_num(cut_off.after(time_s), nan=np.inf) < cut_off.shut + SHUT_MAX * cut_off.usual
        found &= np.nan_to_num(cut_off.likeness(time_s), nan=-1.0) > max(ALIKE_MIN, cut_off.alike)
        if not found.any():
            return chain
        first = int(np.argmax(found))
        end = first + int(np.argmin(np.append(found[first:], False)))
        at_s = float(time_s[first + int(np.argmax(share[first:end]))])
        chain.append(at_s)


def _joined(train: SlamTrain, added_s: FloatArray) -> SlamTrain:
    """The train with slams at added_s, as soft as the softest that was heard."""
    order = np.argsort(np.concatenate([train.time_s, added_s]), kind="stable")

    def column(values: np.ndarray, more: float) -> np.ndarray:
        return np.concatenate([values, np.full(len(added_s), more, values.dtype)])[order]

    return SlamTrain(
        np.concatenate([train.time_s, added_s])[order],
        column(train.strength_db, float(train.strength_db.min())),
        column(train.confidence, 0.5),
        column(train.reopen_s, np.nan),
        column(train.opened_s, np.nan),
        column(train.pump, int(train.pump[0])),
        column(train.beating, True),
        train.duration_s,
    )

"""When the silence after a slam means that the run has stopped.

Two beats that were due and surely did not come are enough, and a second or so. Where it is not sure that they did not
come (a faint pump, a gust) it takes longer, but where water runs on, or stands, longer than in any cycle; and longer
still where it comes and goes as in the cycles before.
"""

from __future__ import annotations

import numpy as np

from clackcount.model import Due, FlowTrack, SlamTrain
from clackcount.running.cycling import CLEAR_SEPARATION, low_share, low_share_fits, stuck
from clackcount.running.reading import Reading, read
from clackcount.settings import RunningSettings

MISSED_MIN = 2
SURE_ODDS, LIKELY_ODDS = 7.0, 4.5  # log odds that the beats due did not come
CAME_ODDS, HARDLY_ODDS = -3.0, 2.0
LATE, LATE_S = 0.08, 0.1  # share of a period by which a beat may come late, and until it is known for a slam
WAIT_S = 1.0  # past the beat that was due, however fast the ram: part of the two seconds goes into hearing it
MASKED_DB = 6.0  # a gust this much above the usual may hide slams
LONGEST_LIMITS, LONGEST_S = 2.5, 8.0  # nothing hides a beat for longer


def last_known(due: Due | None, last_s: float) -> float:
    """When the last beat came, s, that is known to have come, be it a slam, at last_s, or one too soft to be one.

    What comes after beats that surely did not is noise, and so is one by itself after one that hardly did.
    """
    if due is None:
        return last_s
    known_s, missing, came = last_s, 0.0, False
    for time_s, odds in zip(due.time_s.tolist(), due.odds.tolist(), strict=True):
        if time_s <= last_s:
            continue
        came, came_before = odds < CAME_ODDS, came
        if came and (came_before or missing < HARDLY_ODDS):
            known_s, missing = time_s, 0.0
        elif not came:
            missing = max(0.0, missing + odds)
        if missing >= LIKELY_ODDS:
            break
    return known_s


def missing_odds(due: Due | None, last_s: float) -> float | None:
    """Log odds that the beats due since last_s did not come; None where that is not known of two of them.

    However the later ones sound: those that surely did not come, one after the other, count.
    """
    if due is None:
        return None
    odds = due.odds[due.time_s > last_s]
    return float(np.cumsum(odds)[MISSED_MIN - 1 :].max()) if len(odds) >= MISSED_MIN else None


def came_again(due: Due | None) -> bool:
    """Whether the last beat due did come, though it is not known for a slam yet."""
    return due is not None and len(due.odds) > 0 and float(due.odds[-1]) < CAME_ODDS


def stopped(silence_s: float, period_s: float, limit_s: float, odds: float | None) -> bool | None:
    """Whether it has stopped, after such a silence; None: if nothing hides the beat (see may_be_hidden).

    limit_s: the silence that means a stop where nothing else is known. odds: see missing_odds.
    """
    if silence_s > max(LONGEST_LIMITS * limit_s, LONGEST_S):
        return True
    if silence_s <= max(MISSED_MIN * period_s * (1 + LATE) + LATE_S, period_s + WAIT_S):
        return False  # or one beat that is really left out, as rams do, would be a stop
    return True if odds is not None and odds >= SURE_ODDS else None


def may_be_hidden(
    reading: Reading,
    train: SlamTrain,
    flow: FlowTrack,
    limit_s: float,
    odds: float | None,
    settings: RunningSettings,
) -> bool:
    """Whether a beat may go on unheard: its rush still comes and goes, or that can't be told and neither can a slam.

    reading: up to the last slam. train, flow: the window up to now. limit_s, odds: as in stopped; where the odds are
    not known, a gust may hide slams.
    """
    n, now_s = len(train), len(flow) * flow.step_s
    long_ago = n == 0 or now_s - float(train.time_s[-1]) > limit_s
    if reading.separation >= CLEAR_SEPARATION:
        heard = read(train, flow, settings, scale=reading.scale)
        if (n := len(heard.train)) == 0:
            return False
        last_s = float(heard.train.time_s[-1])
        if stuck(heard, last_s, now_s, n):
            return False
        return not long_ago or low_share_fits(heard, low_share(heard, last_s, now_s, n), n)
    if not long_ago:
        return True
    if odds is not None:
        return odds < LIKELY_ODDS
    level_db = flow.level_db.mean(axis=1)
    recent = level_db[-max(1, round(1 / flow.step_s)) :]
    return bool(len(level_db) and np.median(recent) > np.median(level_db) + MASKED_DB)

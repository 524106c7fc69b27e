"""How much a series of knocks behaves as a ram running by itself does, whatever it sounds like."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from clackcount.beats.gaps import FRAME_ERROR, is_single
from clackcount.beats.regularity import BREAK_PERIODS, unevenness
from clackcount.beats.series import Series, fullness
from clackcount.beats.template import PEAK_REACH, Frames, distance, local_maxima
from clackcount.middle import median

# A logistic regression on what the search finds in made and recorded places with and without a ram, of signs that
# need no learning of any sound; rounded. Footsteps, birds, drips and talk are what it was held against, clocks were
# left out: a clock is as even as a ram; and ragged rams, for no sign here parts them from barks.
CONSTANT, PER_GAIN, PER_LOG_MEMBER, PER_LOG_EVEN, PER_FILL, PER_SPAN = -17.9, 0.45, 1.0, 2.0, 8.0, 6.0
ROUGH_MIN, ROUGH_USUAL, ROUGH_MAX = 0.005, 0.06, 0.3
SPAN_S = 20.0
# Steps differ from one to the next by 3 to 10 %, a ram that wanders hardly; a ragged ram shows itself by its
# reopening valve.
STEPS_ROUGH, STEPS_ROUGHER, STEPS_COST = 0.025, 0.045, 1.25
WILD, WILDER, WILD_COST = 0.2, 0.3, 2.0  # no ram is so ragged; barks are, each with a second sound to it
WALK_PER_MIN, NO_WALK = (60.0, 150.0), 2.0  # steps a minute (common practice, no source); beyond, limits as wide
# A heel on a path is heard in two or three bands: of 110 made and recorded rams that stand out at 500 Hz or above the
# narrowest was heard in 3.8. Lower ones may be as narrow, but are even.
NARROW_BANDS, NARROW_COST = 3.5, 3.3
# A beat no more even than that, or of so few members, of a sound that is heard at any other time as well, is picked
# out of barks or drips. Slow rams among birds are heard so, too, but 13 times and more in a minute.
CROWD_ROUGH, CROWD_ROUGHER, CROWD_ALONE, CROWD_COST = 0.03, 0.05, (0.5, 0.25), 7.0
CROWD_FEW = 12
SURELY_REOPENS = 1.0  # a ragged beat with its reopening valve
# Published rams go up to 375 a minute, few beyond 250; engines and rotors begin there.
FAST_PER_MIN, FASTER_PER_MIN, FAST_COST = 250.0, 400.0, 2.0
# Water that is louder after the knock than before it is no ram's.
AGAINST_FIRST_T, AGAINST_LAST_T, AGAINST_COST = -4.0, -12.0, 3.0
# Water that is louder before the knock is hardly anything else's, but few made rams at 6 dB let it be heard.
RUSH_FIRST_T, RUSH_LAST_T, RUSHES = 3.0, 8.0, 2.0


def ram_odds(
    series: Series,
    frames_per_s: float,
    *,
    reopens: bool,
    surely: bool = False,
    rush_t: float,
    n_bands: float = np.inf,
    hidden: float = 0.0,
    hoped: bool = False,
) -> float:
    """Log odds that these are the slams of a ram and not steps, a bird's phrases, drips or chance.

    The signs: how clearly each member stands out on its beat (gain), how many there are, how alike neighbouring
    intervals are (or every second one: long and short in turn), how few beats are missing, how long it goes on.
    reopens: whether a second sound follows at a constant lag. surely: whether nearly always, and loud. rush_t: see
    water.rush_contrast.
    n_bands: how many bands the knocks are heard in, see cycle.breadth.
    hidden: share of the time in which nothing could be heard, another pump's knocks having been taken out.
    hoped: whether water and reopening are only hoped for; with water much that is none would be a ragged ram's.
    """
    whole = series.frames
    gain = float(np.clip(series.evidence / len(whole), -1, 8))
    against = AGAINST_COST * float(np.clip((rush_t - AGAINST_FIRST_T) / (AGAINST_LAST_T - AGAINST_FIRST_T), 0, 1))
    rate_per_min = 60 * frames_per_s / series.period
    fast = np.log(rate_per_min / FAST_PER_MIN) / np.log(FASTER_PER_MIN / FAST_PER_MIN)
    against += FAST_COST * float(np.clip(fast, 0, 3))
    # a pump that was pushed first, or stops, is one for as long as it runs without a gap
    run = longest_run(whole, series.period)
    enough = len(run) >= RUN_MEMBERS and run[-1] - run[0] >= RUN_S * frames_per_s
    stretches = [whole, run] if enough else [whole]
    steady = max(_steadiness(frames, series.period, frames_per_s, reopens, hidden) for frames in stretches)
    rough = scatter(whole, series.period, frames_per_s)
    if n_bands < NARROW_BANDS:
        against += NARROW_COST * _like_steps(rough, rate_per_min)
    crowd = np.clip((rough - CROWD_ROUGH) / (CROWD_ROUGHER - CROWD_ROUGH), 0, 1) if len(whole) >= CROWD_FEW else 1.0
    if crowd > 0:
        none, full = CROWD_ALONE
        against += CROWD_COST * float(crowd * np.clip((none - alone(series)) / (none - full), 0, 1))
    rushes = RUSHES * float(np.clip((rush_t - RUSH_FIRST_T) / (RUSH_LAST_T - RUSH_FIRST_T), 0, 1))
    odds = rushes + CONSTANT + PER_GAIN * gain + steady - against + SURELY_REOPENS * surely
    if odds < RAGGED_ODDS and goes_raggedly(series, frames_per_s, 0.0 if hoped else rush_t):
        return RAGGED_ODDS
    return odds


def at_best(series: Series, frames_per_s: float) -> float:
    """The log odds of a series, had it all that speaks for a ram beside its rhythm: water and a reopening valve."""
    return ram_odds(series, frames_per_s, reopens=True, rush_t=RUSH_LAST_T, hoped=True)


def goes_raggedly(series: Series, frames_per_s: float, rush_t: float = 0.0) -> bool:
    """Whether the beat is ragged, and yet goes on as a ragged ram's does, in a sound of its own.

    A logistic regression, too, on what the search finds that scatters: its intervals are about one length, some a
    little longer, hardly any shorter, where those of barks, talk and typing come in spells; what sounds like it is on
    the beat, and none is missing.
    """
    whole = series.frames
    run = longest_run(whole, series.period)  # it may have been pushed before, or have stopped
    stretches = [whole, run] if RUN_SHARE * len(whole) < len(run) < len(whole) else [whole]
    return any(_goes_raggedly(series, frames, frames_per_s, rush_t) for frames in stretches)


def _goes_raggedly(series: Series, frames: Frames, frames_per_s: float, rush_t: float) -> bool:
    time_s = frames / frames_per_s
    if len(time_s) < RAGGED_MEMBERS or time_s[-1] - time_s[0] < SPAN_S:
        return False
    interval = np.diff(time_s)
    period_s = float(median(interval))
    walks = WALK_PER_MIN[0] <= 60 / period_s <= WALK_PER_MIN[1]
    if scatter(frames, series.period, frames_per_s) < (RAGGED_WALKING if walks else RAGGED_SCATTER):
        return False  # even enough for the other signs, or as people walk
    share = interval / period_s
    single = share[is_single(np.log(share))]
    odds = (
        RAGGED_CONSTANT
        + RAGGED_PER_LOG_CV * float(np.log(np.clip(np.std(interval) / np.mean(interval), 0.003, 1)))
        + RAGGED_PER_ALONE * alone(series)
        + RAGGED_PER_FILL * min(fullness(replace(series, frames=frames)), RAGGED_FULL)
        + RAGGED_PER_GAIN * float(np.clip(series.evidence / len(series.frames), -1, 8))
        + RAGGED_PER_EARLY * float(np.mean(single < EARLY))
        + RAGGED_PER_LATE * float(np.mean(single > LATE))
        + RAGGED_PER_RUSH * float(np.clip(rush_t, AGAINST_LAST_T, RUSH_LAST_T))
    )
    return bool(odds > 0)


# Fitted to 65 made ragged rams and 150 made and recorded places without a ram, 24 of another make. At this limit 38
# of the rams pass, and none of the places that no other sign lets pass. The weight of the rush was 0.3, and is
# a sixth less since it is told band by band, for it stands out further so.
RAGGED_MEMBERS, RAGGED_FULL, EARLY, LATE = 15, 1.05, 0.8, 1.25
RAGGED_SCATTER, RAGGED_WALKING = 0.045, 0.09
RAGGED_CONSTANT, RAGGED_PER_LOG_CV, RAGGED_PER_ALONE, RAGGED_PER_FILL = -8.5, -0.8, 2.9, 4.1
RAGGED_PER_GAIN, RAGGED_PER_EARLY, RAGGED_PER_LATE, RAGGED_PER_RUSH = 0.2, -6.9, -3.3, 0.25
RAGGED_ODDS = 2.2  # no more than barely: hammering may go like this


def alone(series: Series) -> float:
    """Of all that sounds as the members do, or half as much so, the share that are members."""
    peaks = local_maxima(series.z, PEAK_REACH)
    alike = peaks[series.z[peaks] > 0.5 * median(series.z[series.frames])]
    return float(np.mean(distance(alike, series.frames - series.late) <= PEAK_REACH)) if len(alike) else 0.0


RUN_MEMBERS, RUN_S, RUN_SHARE = 12, 15.0, 0.85


def _steadiness(frames: Frames, period: float, frames_per_s: float, reopens: bool, hidden: float) -> float:
    """What the number of members, their intervals and the time they go on add to the log odds."""
    n = len(frames)
    span = float(frames[-1] - frames[0])
    # one break is a stop; what chance or birds string together has many
    longest = float(np.max(np.diff(frames), initial=0))
    span -= longest - period if longest > BREAK_PERIODS * period else 0.0
    fill = min(n / (1 + span / period) / (1 - hidden), 1.0)
    span_s = span / frames_per_s
    rough = scatter(frames, period, frames_per_s)
    steps = 0.0 if reopens else _like_steps(rough, 60 * frames_per_s / period)
    return (
        PER_LOG_MEMBER * float(np.log(n))
        + PER_LOG_EVEN * float(np.log(ROUGH_USUAL / np.clip(rough, ROUGH_MIN, ROUGH_MAX)))
        + PER_FILL * fill
        + PER_SPAN * min(span_s / SPAN_S, 1.0)
        - STEPS_COST * steps
        - WILD_COST * float(np.clip((rough - WILD) / (WILDER - WILD), 0, 1))
    )


def _like_steps(rough: float, rate_per_min: float) -> float:
    """0 for intervals that go as a ram's do, 1 for those of steps; beyond the pace of a walk, of calls."""
    scale = 1.0 if WALK_PER_MIN[0] <= rate_per_min <= WALK_PER_MIN[1] else NO_WALK
    return float(np.clip((rough / scale - STEPS_ROUGH) / (STEPS_ROUGHER - STEPS_ROUGH), 0, 1))


def longest_run(frames: Frames, period: float) -> Frames:
    """The longest row of members without a missing one."""
    runs = np.split(frames, np.flatnonzero(np.diff(frames) > 1.6 * period) + 1)
    return max(runs, key=len)


def scatter(frames: Frames, period: float, frames_per_s: float) -> float:
    """The unevenness of all intervals, those of missed beats among them, the error of frame numbers taken out.

    What strings some even pairs of moments together has other intervals between them.
    """
    uneven = unevenness(frames / frames_per_s)
    return float(np.sqrt(max(min(uneven, 1.0) ** 2 - (FRAME_ERROR / period) ** 2, 0.0)))


def roughness(frames: np.ndarray, period: float) -> float:
    """How much an interval differs from the last one, or from the one before that, whichever is less; robust.

    As a share of the period, the error of frame numbers taken out. Intervals of missed beats don't count.
    """
    log = np.log(np.diff(frames).astype(np.float64) / period)
    log = log[is_single(log)]
    found = [
        1.4826 / np.sqrt(2) * float(median(np.abs(log[back:] - log[:-back])))
        for back in (1, 2)
        if len(log) > back + 2
    ]
    if not found:
        return ROUGH_MAX
    return float(np.sqrt(max(min(found) ** 2 - (FRAME_ERROR / period) ** 2, 0.0)))

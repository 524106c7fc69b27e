"""Where a run ended, what changed before it, and the cause that the sound supports.

The cause rests on what is heard after the last slam (water that keeps rushing: stalled open; no more water: stalled
shut) and on the minute before (a beat that slows, turns ragged and soft: starved). Basis: inference from the fault
rows on stopping open and stopping shut; no published acoustic rule was found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clackcount.middle import median, robust_spread
from clackcount.model import Cause, FloatArray, State, Stop
from clackcount.running.reading import Reading
from clackcount.running.timeline import GATHERS_MAX_S, Spell, opened_by_s, pieces_after
from clackcount.settings import RunningSettings

LAST_BEATS = 5  # what counts as the very end of a run
USUAL_BEATS_MIN, USUAL_BEATS = 6, 16  # beats needed, and taken, to say what was usual
FADING_S = 22.0  # a ram starves within some seconds to half a minute: what was usual lies before that
AFTER_S = 4.0  # how much of what follows tells the cause
SLOWER, SOFTER_DB, RAGGED = 0.08, 3.5, 0.05  # changes that each speak once for a starved ram
PART_MAX = 1.4  # and none of them alone is enough
STARVED_SCORE, NEARLY = 0.9, 0.28  # stalls reach the half of it to all of it too: so much less sure is one that does
IN_TURN = 0.5  # the change to the interval after the next is so much smaller where long and short come in turn
TOLD = 0.05  # smaller changes of rate are not worth a word


@dataclass(frozen=True, slots=True)
class Ending:
    """How the last beats of a run differ from those before. Shares of the interval; None where too few beats.

    known_rate: whether it had beaten as slowly before, as a ram does that hops between two rates.
    """

    slower: float | None = None
    known_rate: bool = False
    ragged_from: float | None = None
    ragged_to: float | None = None
    softer_db: float | None = None
    spread: float = 0.0
    spread_db: float = 0.0
    missed: int = 0
    over_s: float = 0.0

    @property
    def starved_score(self) -> float:
        """About 0 for a run that ends out of the blue; above STARVED_SCORE for one that faded away."""
        if self.slower is None or self.softer_db is None:
            return 0.0
        # A ram that hops, wanders or is ragged by nature has slow and uneven beats at any time, and in speech or wind
        # every slam stands differently over what is heard besides: only what goes beyond that counts.
        usual = self.ragged_from or 0.0
        slower = 0.0 if self.known_rate else self.slower / max(SLOWER, 2.5 * self.spread)
        ragged = ((self.ragged_to or 0.0) - 2.0 * usual) / max(RAGGED, usual)
        softer = self.softer_db / max(SOFTER_DB, 1.5 * self.spread_db)
        parts = (slower, ragged, softer)
        return sum(min(max(part, 0.0), PART_MAX) for part in parts) / 2


def find_stops(
    reading: Reading, spells: list[Spell], duration_s: float, settings: RunningSettings
) -> tuple[Stop, ...]:
    """The stops, in order of time: every end of a run before the end of the recording."""
    stops = []
    for number, spell in enumerate(spells):
        if spell.state is not State.SELF or spell.goes_on:
            continue
        following = spells[number + 1] if number + 1 < len(spells) else None
        restart = next((later.start_s for later in spells[number + 1 :] if later.state is State.SELF), None)
        ending = look_back(reading, spell, settings.before_s)
        cause, sure = judge_cause(reading, spell, following, ending, duration_s, settings)
        stops.append(Stop(spell.end_s, cause, round(sure, 3), describe(reading, ending), restart))
    return tuple(stops)


def judge_cause(
    reading: Reading,
    spell: Spell,
    following: Spell | None,
    ending: Ending,
    duration_s: float,
    settings: RunningSettings,
) -> tuple[Cause, float]:
    """The cause of the stop after spell, and how sure; UNKNOWN below settings.rush_sure."""
    if ending.starved_score >= STARVED_SCORE:
        return Cause.STARVED, float(min(0.95, 0.5 + 0.3 * ending.starved_score))
    open_after_s = opened_by_s(reading, spell)
    until_s = min(following.start_s if following else duration_s, open_after_s + 2 * AFTER_S)
    pieces = pieces_after(reading, spell.end_s, until_s, spell)
    rushing = [p for p in pieces if p.state is State.RUSHING and p.start_s < open_after_s + GATHERS_MAX_S]
    rushing_s = sum(piece.end_s - max(piece.start_s, open_after_s) for piece in rushing)
    state = State.RUSHING if rushing_s > min(2.0, 0.5 * (until_s - open_after_s)) else State.QUIET
    sure = max((piece.confidence for piece in pieces if piece.state is state), default=0.5)
    if until_s - open_after_s < 0.5:
        sure = min(sure, 0.7)
    # A run that faded a little fits a starved ram as well as a stall: the nearer to that, the less sure.
    sure *= 1 - NEARLY * ending.starved_score / STARVED_SCORE
    if sure < settings.rush_sure:
        return Cause.UNKNOWN, round(1 - sure, 3)
    return (Cause.OPEN_STALL if state is State.RUSHING else Cause.SHUT_STALL), sure


def look_back(reading: Reading, spell: Spell, before_s: float) -> Ending:
    """Compare the last beats of the spell with those of the before_s seconds ahead of them."""
    time_s = reading.train.time_s
    first = max(spell.first + 1, int(np.searchsorted(time_s, spell.end_s - before_s)))
    slam = np.arange(first, spell.last + 1)
    if len(slam) < LAST_BEATS + USUAL_BEATS_MIN:
        return Ending()
    spanned = np.maximum(1, np.round(reading.interval_s[slam] / np.maximum(reading.strokes.period_s[slam], 1e-9)))
    single_s = reading.interval_s[slam] / spanned
    until = max(
        USUAL_BEATS_MIN, min(int(np.searchsorted(time_s[slam], spell.end_s - FADING_S)), len(slam) - LAST_BEATS)
    )
    usual, last = slice(max(0, until - USUAL_BEATS), until), slice(-LAST_BEATS, None)
    pair_s = (
        single_s + np.concatenate([single_s[:1], single_s[:-1]])
    ) / 2  # long and short beats in turn are no change
    middle_s = float(median(pair_s[usual]))
    strength_db = reading.train.strength_db[slam]
    last_s = float(median(pair_s[last]))
    back = 1 if _raggedness(single_s[usual], 2) > IN_TURN * _raggedness(single_s[usual], 1) else 2
    return Ending(
        slower=last_s / middle_s - 1,
        known_rate=_went_back(pair_s[:until], middle_s, last_s),
        spread=float(np.std(np.log(pair_s[:until]))),
        ragged_from=_raggedness(single_s[usual], back),
        ragged_to=_raggedness(single_s[-2 * LAST_BEATS :], back),
        softer_db=float(median(strength_db[usual]) - median(strength_db[last])),
        spread_db=robust_spread(strength_db[:until]),
        missed=int(np.sum(spanned - 1)),
        over_s=float(time_s[slam[-1]] - time_s[slam[max(0, until - 1)]]),
    )


def _went_back(interval_s: FloatArray, usual_s: float, last_s: float) -> bool:
    """Whether it had gone over from its usual rate to the last one before; slow beats at a start are none of that."""
    usual = np.abs(np.log(interval_s / usual_s)) < TOLD
    since = interval_s[int(np.argmax(usual)) :] if usual.any() else interval_s
    return int(np.sum(np.abs(np.log(since / last_s)) < TOLD)) >= LAST_BEATS


def _raggedness(interval_s: FloatArray, back: int) -> float:
    """Robust relative change from one interval to the next, or to the one after it (back 2: long and short in turn).

    Blind to slow drift.
    """
    change = np.log(interval_s[back:] / interval_s[:-back])
    return float(1.4826 * median(np.abs(change)) / np.sqrt(2)) if len(change) else 0.0


def describe(reading: Reading, ending: Ending) -> tuple[str, ...]:
    """What changed before the stop, in words; empty when the beat went on as before to the last slam."""
    if ending.slower is None or ending.softer_db is None:
        return ("too few beats to compare",)
    words = []
    if ending.known_rate and abs(ending.slower) > TOLD:
        words.append("the beat went over to a rate that it had had before")
    elif ending.slower > TOLD:
        words.append(f"the beat slowed by {100 * ending.slower:.0f} % in the last {ending.over_s:.0f} s")
    elif ending.slower < -TOLD:
        words.append(f"the beat quickened by {-100 * ending.slower:.0f} % in the last {ending.over_s:.0f} s")
    if ending.softer_db > SOFTER_DB:
        words.append(f"the slams grew softer by {ending.softer_db:.0f} dB")
    if (ending.ragged_to or 0) > max(0.03, 2 * (ending.ragged_from or 0)):
        share = (100 * (ending.ragged_from or 0), 100 * (ending.ragged_to or 0))
        words.append(f"the beat turned uneven (from {share[0]:.1f} % to {share[1]:.1f} %)")
    if ending.missed:
        words.append(f"{ending.missed} beat{'s' if ending.missed > 1 else ''} missed")
    return tuple(words)

"""Pushing that leads to no run is told only where the water says so, or the knocks are much like the pump's slams.

What leads to a run is a start, whatever it sounded like. What leads to none may as well be gurgling, talk or rain
that sounds like a slam now and then.
"""

from __future__ import annotations

import numpy as np

from clackcount.middle import median, robust_spread
from clackcount.model import State
from clackcount.running.reading import Reading
from clackcount.running.strays import STROKES_MIN
from clackcount.running.timeline import Spell

BEFORE_RUN_S = 30.0  # somebody who rests so long between two spells has given up
WATER_SAYS = 2.0  # log odds of all the knocks of a spell
AS_LOUD_DB, SPREAD_DB = 3.0, 2.5  # no further from the slams; at least so much may any knocks spread
SOONEST_S = 0.5  # no hand pushes twice so soon (common practice, no source)


def without_vain(reading: Reading, spells: list[Spell]) -> list[Spell]:
    """The spells, in order of time, without pushing that leads to no run and that nothing else tells of."""
    own = [i for spell in spells if spell.state is State.SELF for i in range(spell.first, spell.last + 1)]
    own_db = reading.train.strength_db[np.array(own, dtype=np.intp)]
    kept: list[Spell] = []
    runs_from_s = np.inf  # the run, or the pushing that leads to one, that follows
    for spell in reversed(spells):
        if spell.state is State.SELF or runs_from_s - spell.end_s < BEFORE_RUN_S:
            runs_from_s = spell.start_s
        elif not _told(reading, slice(spell.first, spell.last + 1), own_db):
            continue
        kept.append(spell)
    return kept[::-1]


def _told(reading: Reading, knocks: slice, own_db: np.ndarray) -> bool:
    """Whether these knocks are told to be strokes; own_db: how loud the pump's slams are, float32 (n,)."""
    water = reading.ends_water[knocks]
    if water.any() or len(own_db) == 0:
        return float(water.sum()) > WATER_SAYS
    own_db, strength_db = own_db.astype(np.float64), reading.train.strength_db[knocks].astype(np.float64)
    return bool(
        len(strength_db) >= STROKES_MIN
        and np.diff(reading.train.time_s[knocks]).min() > SOONEST_S
        and abs(median(strength_db) - median(own_db)) < AS_LOUD_DB
        and robust_spread(strength_db) <= max(SPREAD_DB, robust_spread(own_db))
    )

"""Whether what is followed live is a ram: judged over all that is in hearing, again and again, as a recording is."""

from __future__ import annotations

import numpy as np

from clackcount.beats.assemble import TOO_FEW, Collector
from clackcount.beats.known import Known
from clackcount.model import Verdict
from clackcount.settings import BeatsSettings

# All that is still in hearing is looked at again when it has grown by so much, and when it has been replaced.
GROWN, AGAIN_MIN_S = 1.4, 8.0
GROWN_DOUBTED = 1.15  # a little more may show its water or its reopening valve
MARGIN_S = 8.0  # at the beginning of what is in hearing, where slams have no surroundings
LOOKS_MAX = 8  # of a minute each, whose mean tells whether it is a ram: a pump may be exchanged
# Steps that were once taken for a ram will be again: there the bar lies higher, in log odds, for some minutes.
WARY_ODDS, WARY_HALF_S = 2.0, 300.0
PAUSE_MIN_S, PAUSE_MAX_S = 4.0, 30.0  # before what was refused is searched again: first, and after many times
UNHEARD = "what was taken for its beat is not heard as one any more"
HASTY = "it was not heard for long enough yet"
HASTY_S, HASTY_SURE = 12.0, 0.5  # so long after it was taken up
# Water that is louder before the knock than after it speaks for a ram, and the sooner one is known, the better: here
# this sign counts for more than in a whole recording (see signs).
RUSH_ODDS, RUSH_SURE_T = 2.5, 4.0
REFUSALS_MAX = 4  # in a row, after which what was told is taken back in any case
LIFTED = 0.75  # so sure, a doubt is taken back
DOUBTFUL = 0.6  # as in Beat


class Trust:
    """The looks at one pump so far, and how wary earlier mistakes have made."""

    def __init__(self) -> None:
        self.sure = 0.0
        self._doubt: str | None = None
        self._refusals = self._n_sure = 0  # looks, in a row, and in all
        self.ended = False
        self._looks: list[tuple[float, float]] = []  # (log odds, t value of the rush)
        self._begun_s = self._again_s = 0.0  # when it was taken up, and when the next look is due
        self._wary, self._wary_s = 0.0, 0.0  # log odds, as of then
        self._pause_s, self._search_s = PAUSE_MIN_S / 2, 0.0

    def begin(self, sure: float, heard_s: float) -> None:
        """Another pump is followed."""
        self.sure, self._looks, self._again_s, self._begun_s = sure, [], 0.0, heard_s
        self._doubt, self._refusals, self._n_sure = None, 0, 0

    def due(self, heard_s: float) -> bool:
        """Whether it is time to look at all that is in hearing."""
        return heard_s >= self._again_s

    def look(
        self, known: Known, collector: Collector, from_s: float, heard_s: float, settings: BeatsSettings
    ) -> Verdict | None:
        """What all that is in hearing, from from_s on, says of a pump; None: nothing new."""
        grows, first = from_s <= 0.0, not self._looks
        length_s = heard_s - from_s
        self._again_s = heard_s + (max((GROWN - 1) * length_s, AGAIN_MIN_S) if grows else length_s - 2 * MARGIN_S)
        if known.n_passages == 0:
            return self._refuse_or_doubt(UNHEARD, heard_s, first=first)
        now = known.odds / known.n_passages, known.rush_t / known.n_passages
        # what grows holds all that was looked at before
        self._looks = [now] if grows else [*self._looks, now][-LOOKS_MAX:]
        known.n_passages = len(self._looks)
        known.odds, known.rush_t = (float(total) for total in np.sum(self._looks, axis=0))
        found = collector.beats([known], heard_s, settings, live=True)
        hasty = not found.pumps and heard_s <= self._begun_s + HASTY_S and TOO_FEW not in found.doubts
        if hasty:
            known.odds += rush_odds(known)
            found = collector.beats([known], heard_s, settings, live=True)
        if found.pumps:
            self._refusals, self._pause_s = 0, PAUSE_MIN_S / 2
            self._n_sure += not hasty
            beat = found.pumps[0]
            self.sure = min(beat.confidence, HASTY_SURE) if hasty else beat.confidence
            if self.sure < DOUBTFUL:
                self._doubt = HASTY if hasty else beat.doubts[0]
            elif self.sure >= LIFTED or self._doubt == HASTY:
                self._doubt = None
            if self._doubt is not None and grows:
                self._again_s = heard_s + max((GROWN_DOUBTED - 1) * length_s, PAUSE_MIN_S)
            return Verdict(self.sure, self._doubt)
        if TOO_FEW in found.doubts or not found.doubts:
            return None
        return self._refuse_or_doubt(found.doubts[0], heard_s, first=first)

    def _refuse_or_doubt(self, why: str, heard_s: float, *, first: bool) -> Verdict:
        """One look may go astray: it takes as many in a row as took it for a ram, and one more, and some time."""
        self._refusals += 1
        if not first and (self._refusals <= min(self._n_sure, REFUSALS_MAX) or heard_s <= self._begun_s + HASTY_S):
            self.sure, self._doubt = min(self.sure, HASTY_SURE), why
            self._again_s = heard_s + PAUSE_MIN_S
            return Verdict(self.sure, self._doubt)
        return Verdict(0.0, why)

    def refuse(self, heard_s: float, *, told: bool) -> None:
        """It is no ram; told: it has been told as one."""
        if told:
            self._wary, self._wary_s = self.wary(heard_s) + WARY_ODDS, heard_s
        self._pause_s = min(2 * self._pause_s, PAUSE_MAX_S)
        self._search_s = heard_s + self._pause_s

    def may_search(self, heard_s: float) -> bool:
        """Whether it is time to look for a pump again after one was refused."""
        return heard_s >= self._search_s

    def end(self) -> None:
        """No more sound will come; where there is a doubt, the next look is the last."""
        self._again_s = 0.0 if self._doubt is not None else self._again_s
        self.ended = True

    @property
    def afresh(self) -> bool:
        """Whether to hear it as if nothing were known: the last look did not take it for a ram, or it is the last."""
        return self._refusals > 0 or self.ended

    def wary(self, heard_s: float) -> float:
        """By how much the log odds of another ram must lie higher."""
        return float(self._wary * 0.5 ** ((heard_s - self._wary_s) / WARY_HALF_S))


def rush_odds(known: Known) -> float:
    """What the rush says for a ram, log odds, besides all else."""
    return RUSH_ODDS * float(np.clip(known.rush_t / known.n_passages / RUSH_SURE_T - 1, 0, 1))

"""One pump followed while the sound comes in: short steps over a window that slides, and searches when they are due.

The slams are those that the Tracker finds in each window, so what is told live is what a whole recording gives, but
for what only the future could have shown. Memory is that of one window.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.assemble import Collector
from clackcount.beats.heard import Heard
from clackcount.beats.knocks import ALONE_S, beats_evenly, loud_knocks
from clackcount.beats.known import Known
from clackcount.beats.missing import FELLOWS, missing_beats
from clackcount.beats.regularity import locally_even
from clackcount.beats.tracker import Tracker
from clackcount.beats.trust import MARGIN_S, Trust, rush_odds
from clackcount.middle import median
from clackcount.model import Due, FloatArray, Passage, SlamTrain, Verdict, Wanted
from clackcount.settings import BeatsSettings, LiveSettings

SAME_SLAM = 0.3  # of a period: what is found again so close to a slam that has been told is that slam
SAME_SLAM_S = 0.06
REVIEW_CYCLES = 10.0  # looked at again, so that a new slam is judged and placed beside its fellows
HOLD_MAX_S = 0.6  # no valve stays shut longer by itself
HOLD_CYCLES = 0.12  # a louder moment so soon after it would be the slam
AT_ONCE_S = 0.1
BEATS_ON_S = 20.0  # after loud knocks that were even
# How far back searches look in turn, as shares of the longest window, and for how many pumps: a ram that has only
# just been started is plainest without the strokes before, a slow or faint one needs many cycles, and a bird may be
# louder than the ram.
SEARCHED = ((0.2, 1), (0.4, 1), (0.2, 1), (0.4, 1), (0.2, 1), (0.4, 2), (0.2, 1), (1.0, 1))
LEAST_S = 4.0  # in less sound there is nothing to find
OVERDUE, LONG_OVERDUE = 1.2, 4.0  # periods since the last slam between which looks are more frequent
RARELY = 36  # steps between searches for another pump
EVEN_RUN = 6  # slams in an even run, known by their sound alone, that give the period of a pump that starts again

Placed = tuple[Heard, FloatArray, FloatArray]  # a pump's slams, when they and the reopenings after them were, s


@dataclass(slots=True)
class _Candidate:
    """A pump that is known but not told.

    since_s: since when it has been judged a ram. from_s: where the passage in which it was found began.
    """

    known: Known
    since_s: float
    from_s: float


class LiveTracker:
    """Finds one ram and follows it.

    Ask wanted() for the passage to be heard next, feed() it, and tell() gives the slams that are new. What beats is
    not told before it has shown itself as a ram; then all of the window is told at once. From then on it is known by
    its sound, through stops and starts by hand, unless another ram is heard while it is not, or it proves to be none.

    verdict: what is new of how surely it is a ram, after tell(). again_s: what tell() gave takes the place of all
    that was told from then to then; None: it follows on it.
    """

    def __init__(self, settings: BeatsSettings, live: LiveSettings) -> None:
        self._settings = settings
        self._live = live
        self._tracker = Tracker(settings)
        self._candidates: list[_Candidate] = []
        self._told: Known | None = None
        self._trust = Trust()
        self.verdict: Verdict | None = None
        self.again_s: tuple[float, float] | None = None
        self._known_from_s = 0.0  # what was heard before is heard better once more of the pump is
        self._told_s: list[float] = []  # the last slams told
        self._told_to_s = -np.inf  # the last of any pump
        self._knocked_to_s = -np.inf
        self._on_beat = False  # the told pump was heard beating in the last passage
        self._lost = False  # for the first time
        self._shut_s = 0.0  # how long its valve stays shut, 0 where that is not heard
        self._frames_per_s = 200.0
        self._n_steps = self._n_searches = 0
        self._searches: list[bool] = []  # to be made in the next passage, see Tracker.feed
        self._brief = False  # the last passage was looked at briefly
        self._fresh = False  # the pump has been chosen, but not told yet
        self._whole = False  # the passage is all that is still in hearing
        self._credit_s = 2 * live.window_max_s  # of sound that may be searched: at first, soon and often
        self._awake_to_s = live.awake_s
        self._heard_s = 0.0
        self._first_frame = 0  # of the last passage
        self._wanted = self._plan()

    def finish(self) -> None:
        """No more sound will come: what is doubted is looked at a last time."""
        self._trust.end()
        self._wanted = self._plan()

    def wanted(self) -> Wanted:
        """The passage to be heard next."""
        return self._wanted

    def _plan(self) -> Wanted:
        """What to hear next, and whether to search it."""
        live = self._live
        self._whole = self._fresh or (self._may_be_judged() and self._trust.due(self._heard_s))
        if self._whole:  # everything that is still in hearing is told of it
            soon_s = live.window_max_s if self._trust.ended else AT_ONCE_S
            wanted = Wanted(soon_s, live.window_max_s, live.window_max_s, self._hold_s())
        elif self._told is None:
            if self._candidates:  # in all that was heard since, and what it was found in
                window_s = self._heard_s + live.step_max_s - min(c.from_s for c in self._candidates)
                window_s = min(window_s, live.window_max_s)
            else:
                window_s = SEARCHED[self._n_searches % len(SEARCHED)][0] * live.window_max_s
            wanted = Wanted(live.step_max_s, window_s, window_s, 0.0)
        else:
            period_s = self._told.period / self._frames_per_s
            twice = 2.0 if self._told.expected_z < live.faint_z else 1.0
            window_s = max(live.window_cycles * period_s, live.window_min_s)
            step_s = float(np.clip(live.step_cycles * period_s, twice * live.step_min_s, live.step_max_s))
            silence_s = self._heard_s - self._told_s[-1] if self._told_s else 0.0
            if OVERDUE * period_s < silence_s < LONG_OVERDUE * period_s + live.step_max_s:
                step_s = live.step_min_s / 2
            wanted = Wanted(
                step_s=step_s,
                window_s=min(twice * window_s, live.window_max_s),
                review_s=REVIEW_CYCLES * period_s,
                hold_s=self._hold_s(),
            )
        self._plan_search(wanted)
        return wanted

    def _may_be_judged(self) -> bool:
        """Whether all that is in hearing tells more of the pump: it beats, or its first minute is not over.

        What has stopped since can't be judged any better. What was once taken for a beat, and is none, must be.
        """
        if self._told is None or self._heard_s < self._live.window_max_s:
            return self._told is not None
        silence_s = self._heard_s - self._told_s[-1] if self._told_s else np.inf
        return self._on_beat and silence_s < LONG_OVERDUE * self._told.period / self._frames_per_s

    def _hold_s(self) -> float:
        """How long before now it can't be said yet which sounds are slams."""
        if self._told is None or not self._on_beat:
            return 0.0
        period_s = self._told.period / self._frames_per_s
        return min(HOLD_MAX_S, max(HOLD_CYCLES * period_s, 1.2 * self._shut_s))

    def _plan_search(self, wanted: Wanted) -> None:
        """Whether to search the next passage: as often as the share of the work that searches may take allows."""
        live = self._live
        share = live.search_share if self._heard_s < self._awake_to_s else live.search_share_later
        self._credit_s = min(self._credit_s + share * wanted.step_s, 2 * live.window_max_s)
        cost_s = min(wanted.window_s, self._heard_s + wanted.step_s)  # of one search
        if self._told is not None:
            # what is loud will be known again by its sound
            rarely = self._told.expected_z >= live.faint_z and not self._lost
            idle = not self._on_beat and (self._n_steps % RARELY == 0 or not rarely)
        else:
            idle = not self._candidates or self._n_steps % RARELY == 0
            idle &= self._trust.may_search(self._heard_s + wanted.step_s)
        n_pumps = SEARCHED[self._n_searches % len(SEARCHED)][1] if self._told is None else 1
        cost_s *= n_pumps
        self._searches = [False] * n_pumps if idle and self._credit_s >= cost_s >= LEAST_S else []
        if self._searches:
            self._credit_s -= cost_s
            self._n_searches += 1

    def feed(self, passage: Passage) -> list[Heard]:
        """The slams in this passage, of all that may be rams, to be placed on the waveform and given to tell()."""
        self._frames_per_s, self._first_frame = passage.frames_per_s, passage.first_frame
        for known in self._tracker.known:  # windows overlap: the last one has all the evidence there is
            known.rush_t, known.odds, known.n_passages = 0.0, 0.0, 0
        self._brief = self._n_steps % self._live.settle_every > 0 and not self._whole
        self._n_steps += 1
        if self._whole and self._trust.afresh:
            return self._feed_afresh(passage)
        return self._tracker.feed(passage, self._searches, brief=self._brief, strict=not self._whole)

    def _feed_afresh(self, passage: Passage) -> list[Heard]:
        """As a recording of this passage is heard, of which nothing is known: following may have gone astray."""
        followed, self._tracker.known = self._tracker.known, []
        heard = self._tracker.feed(passage, [False], brief=False)
        if not self._tracker.known:
            self._tracker.known = followed
            return []
        self._told = self._tracker.known[0]
        return heard

    def tell(self, heard: list[Placed], heard_s: float) -> SlamTrain | None:
        """The slams up to heard_s that were not told before; None where there are none."""
        self.verdict, self.again_s = None, None
        new = self._new(heard, heard_s)
        self._wanted = self._plan()
        return new

    def due(self) -> Due | None:
        """What is missing in the last passage since the last slam told; None where that cannot be said."""
        scene, told, per_s = self._tracker.scene, self._told, self._frames_per_s
        if scene is None or told is None or self._fresh:
            return None
        frames = np.round(np.array(self._told_s) * per_s).astype(np.intp) - self._first_frame
        frames = frames[(frames >= 0) & (frames < scene.n_frames)]
        due, odds = missing_beats(scene.field, told.weights, told.late, frames, told.expected_z)
        if len(due) == 0:
            return None
        return Due((due + self._first_frame) / per_s, odds, (self._first_frame + scene.n_frames) / per_s)

    def knocks(self) -> FloatArray:
        """New knocks in the last passage that may be pushes, s, float64 (n,): none once a pump is known."""
        scene = self._tracker.scene
        if scene is None or self._told is not None or self._candidates:
            return np.empty(0)
        time_s = loud_knocks(scene)
        if len(time_s) and beats_evenly(time_s):
            self._knocked_to_s = self._heard_s + BEATS_ON_S  # what goes on so is no push, be it heard or not
        time_s = time_s[time_s > self._knocked_to_s + ALONE_S]
        if len(time_s):
            self._knocked_to_s = float(time_s[-1])
            self._awake_to_s = self._heard_s + self._live.awake_s
        return time_s

    def _new(self, heard: list[Placed], heard_s: float) -> SlamTrain | None:
        before_s, self._heard_s = self._heard_s if self._told_s else -np.inf, heard_s
        collector = Collector()
        for part, time_s, reopen_s in heard:
            collector.add(part, time_s, reopen_s)
        was_on_beat, self._on_beat = self._on_beat, self._told is not None and self._told.n_passages > 0
        self._lost = was_on_beat and not self._on_beat
        if self._lost and self._told is not None and len(self._told_s) > EVEN_RUN:
            # what led astray must not be looked for, but the beat as it was
            usual = float(median(np.diff(self._told_s))) * self._frames_per_s
            self._told.period = self._told.pace = usual
        fresh, self._fresh = self._fresh, not self._on_beat and self._choose(collector, heard_s)
        if self._told is None or self._fresh:
            return None
        if self._whole:
            self._look(collector, heard_s, fresh=fresh)
            if self._told is None:
                return None
        train = collector.slams(self._told, heard_s, self._trust.sure)
        train = replace(train, beating=_beating(train, on_beat=self._on_beat))
        if self._on_beat:
            shut_s = train.reopen_s - train.time_s
            self._shut_s = float(np.nanmedian(shut_s)) if np.isfinite(shut_s).any() else 0.0
        elif train.beating[-EVEN_RUN:].sum() == EVEN_RUN:
            self._told.period = float(median(np.diff(train.time_s[-EVEN_RUN:]))) * self._frames_per_s
        new = self._unheard(train, before_s)
        if self.again_s is not None:
            again = (train.time_s >= self.again_s[0]) & (train.time_s <= self.again_s[1])
            # what lies before stays as it was told, though of another pump that was none
            new = again | (new & (train.time_s > self._told_to_s))
        if not new.any():
            return None
        told_s = np.array(self._told_s)
        if self.again_s is not None:
            told_s = told_s[(told_s < self.again_s[0]) | (told_s > self.again_s[1])]
        self._told_s = np.sort(np.concatenate([told_s, train.time_s[new]]))[-FELLOWS:].tolist()
        self._told_to_s = self._told_s[-1]
        self._awake_to_s = heard_s + self._live.awake_s
        return train.where(new)

    def _unheard(self, train: SlamTrain, before_s: float) -> NDArray[np.bool_]:
        """Which slams were not told before, bool (n,); before_s: up to when was heard then."""
        assert self._told is not None
        apart_s = max(SAME_SLAM_S, SAME_SLAM * self._told.period / self._frames_per_s)
        new = train.time_s > (self._told_s[-1] if self._told_s else -np.inf) + apart_s
        # what lies off the beat is known by its sound alone, at once or never: each look is another chance to err
        return np.asarray(new & (train.beating | (train.time_s > before_s - SAME_SLAM_S)))

    def _look(self, collector: Collector, heard_s: float, *, fresh: bool) -> None:
        """At all that is in hearing: is it a ram? The strokes it began with are heard better than they were then."""
        assert self._told is not None
        from_s = self._first_frame / self._frames_per_s
        self.verdict = self._trust.look(self._told, collector, from_s, heard_s, self._settings)
        from_s += MARGIN_S if from_s > 0 else 0.0
        self._known_from_s = heard_s if fresh else self._known_from_s
        self.again_s = (from_s, self._known_from_s) if from_s < self._known_from_s else None
        if self.verdict is not None and self.verdict.sure == 0:
            self._told, self._told_s, self._on_beat = None, [], False
            self._trust.refuse(heard_s, told=not fresh)
            self.verdict = None if fresh else self.verdict
            self._keep([])

    def _choose(self, collector: Collector, heard_s: float) -> bool:
        """Take up what has shown itself as a ram, the loudest first, and let go of what has not; whether one was."""
        before = {id(candidate.known): candidate for candidate in self._candidates}
        from_s = self._first_frame / self._frames_per_s
        wary = self._trust.wary(heard_s)
        candidates: list[_Candidate] = []
        rams: list[tuple[float, float, Known]] = []
        for known in self._tracker.known:
            long_s = max(heard_s, 2 * self._settings.span_min_s)  # or a few knocks would do at the beginning
            if known is self._told or not known.n_passages:
                continue
            known.odds += rush_odds(known) - wary
            found = collector.beats([known], long_s, self._settings, live=True)
            if not found.pumps:
                continue
            candidate = before.get(id(known)) or _Candidate(known, heard_s, from_s)
            candidates.append(candidate)
            sure = found.pumps[0].confidence
            if heard_s - candidate.since_s >= self._live.proving_s * (1 - sure / self._live.sure_at_once):
                rams.append((float(np.mean(found.train.strength_db)), sure, known))
        if rams:
            _, sure, self._told = max(rams, key=lambda ram: ram[0])
            self._trust.begin(sure, heard_s)
            candidates = []
        self._keep(candidates)
        return bool(rams)

    def _keep(self, candidates: list[_Candidate]) -> None:
        """Let go of all but the told pump and these."""
        self._candidates = candidates
        self._tracker.known = [self._told] if self._told else []
        self._tracker.known += [candidate.known for candidate in candidates]
        for number, known in enumerate(self._tracker.known, start=1):
            known.pump = number


def _beating(train: SlamTrain, *, on_beat: bool) -> NDArray[np.bool_]:
    """Which slams lie on a beat, bool (n,); on_beat: the pump was heard beating.

    In the little that is heard at once strokes by hand and their pushes easily make a beat of two rates, but a pump
    that hops runs at one of them before and after; and knocks known by their sound alone are even by chance.
    """
    if not on_beat:
        return train.beating & locally_even(train.time_s, least=EVEN_RUN - 1)
    even = locally_even(train.time_s)
    runs = np.maximum.accumulate(even) & np.maximum.accumulate(even[::-1])[::-1]
    return train.beating & runs if even.any() else train.beating

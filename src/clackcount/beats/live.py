"""One pump followed while the sound comes in: short steps over a window that slides, and searches when they are due.

The slams are those that the Tracker finds in each window, so what is told live is what a whole recording gives, but
for what only the future could have shown. Memory is that of one window.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clackcount.beats.assemble import Collector
from clackcount.beats.tracker import Heard, Known, Tracker
from clackcount.model import FloatArray, Passage, SlamTrain, Wanted
from clackcount.settings import BeatsSettings, LiveSettings

SAME_SLAM = 0.3  # of a period: what is found again so close to a slam that has been told is that slam
SAME_SLAM_S = 0.06
REVIEW_CYCLES = 10.0  # looked at again, so that a new slam is judged and placed beside its fellows
HOLD_MAX_S = 0.6  # no valve stays shut longer by itself
HOLD_CYCLES = 0.12  # a louder moment so soon after it would be the slam
LEAST_S = 4.0  # in less sound there is nothing to find
RARELY = 36  # steps between searches for another pump
EVEN_RUN = 6  # slams in an even run, known by their sound alone, that give the period of a pump that starts again

Placed = tuple[Heard, FloatArray, FloatArray]  # a pump's slams, when they and the reopenings after them were, s


@dataclass(slots=True)
class _Candidate:
    """A pump that is known but not told: since when, and since when it has been judged a ram."""

    known: Known
    since_s: float
    ram_since_s: float | None = None


class LiveTracker:
    """Finds one ram and follows it.

    Ask wanted() for the passage to be heard next, feed() it, and tell() gives the slams that are new. What beats is
    not told before it has shown itself as a ram; then all of the window is told at once. From then on it is known by
    its sound, through stops and starts by hand, unless another ram is heard while it is not.
    """

    def __init__(self, settings: BeatsSettings, live: LiveSettings) -> None:
        self._settings = settings
        self._live = live
        self._tracker = Tracker(settings)
        self._candidates: list[_Candidate] = []
        self._told: Known | None = None
        self._sure = 0.0
        self._told_to_s = -np.inf
        self._on_beat = False  # the told pump was heard beating in the last passage
        self._shut_s = 0.0  # how long its valve stays shut, 0 where that is not heard
        self._frames_per_s = 200.0
        self._n_steps = self._n_searches = 0
        self._search = False  # the next passage is searched
        self._brief = False  # the last passage was looked at briefly
        self._credit_s = 0.0  # of sound that may be searched
        self._heard_s = 0.0
        self._wanted = self._plan()

    def wanted(self) -> Wanted:
        """The passage to be heard next."""
        return self._wanted

    def _plan(self) -> Wanted:
        """What to hear next, and whether to search it."""
        live = self._live
        if self._told is None:
            deep = bool(self._candidates) or self._n_searches % live.deep_every == live.deep_every - 1
            window_s = live.window_max_s if deep else live.search_window_s
            wanted = Wanted(live.step_max_s, window_s, window_s, 0.0)
        else:
            period_s = self._told.period / self._frames_per_s
            twice = 2.0 if self._told.expected_z < live.faint_z else 1.0
            window_s = max(live.window_cycles * period_s, live.window_min_s)
            wanted = Wanted(
                step_s=float(np.clip(live.step_cycles * period_s, twice * live.step_min_s, live.step_max_s)),
                window_s=min(twice * window_s, live.window_max_s),
                review_s=REVIEW_CYCLES * period_s,
                hold_s=min(HOLD_MAX_S, max(HOLD_CYCLES * period_s, 1.2 * self._shut_s)) if self._on_beat else 0.0,
            )
        self._plan_search(wanted)
        return wanted

    def _plan_search(self, wanted: Wanted) -> None:
        """Whether to search the next passage: as often as the share of the work that searches may take allows."""
        live = self._live
        self._credit_s = min(self._credit_s + live.search_share * wanted.step_s, 2 * live.window_max_s)
        cost_s = min(wanted.window_s, self._heard_s + wanted.step_s)
        if self._told is not None:
            # what is loud will be known again by its sound
            idle = not self._on_beat and (self._told.expected_z < live.faint_z or self._n_steps % RARELY == 0)
        else:
            idle = not any(c.known.n_passages for c in self._candidates) or self._n_steps % RARELY == 0
        self._search = idle and self._credit_s >= cost_s >= LEAST_S
        if self._search:
            self._credit_s -= cost_s
            self._n_searches += 1

    def feed(self, passage: Passage) -> list[Heard]:
        """The slams in this passage, of all that may be rams, to be placed on the waveform and given to tell()."""
        self._frames_per_s = passage.frames_per_s
        if self._search:  # a candidate that was not heard beating again may have been taken for something it is not
            self._keep([candidate for candidate in self._candidates if candidate.known.n_passages])
        for known in self._tracker.known:
            known.rush_t, known.n_passages = 0.0, 0  # windows overlap: the last one has all the evidence there is
        self._brief = self._n_steps % self._live.settle_every > 0
        heard = self._tracker.feed(passage, [False] if self._search else [], brief=self._brief)
        self._n_steps += 1
        return heard

    def tell(self, heard: list[Placed], heard_s: float) -> SlamTrain | None:
        """The slams up to heard_s that were not told before; None where there are none."""
        new = self._new(heard, heard_s)
        self._wanted = self._plan()
        return new

    def _new(self, heard: list[Placed], heard_s: float) -> SlamTrain | None:
        self._heard_s = heard_s
        collector = Collector()
        for part, time_s, reopen_s in heard:
            collector.add(part, time_s, reopen_s)
        self._on_beat = self._told is not None and self._told.n_passages > 0
        if not self._on_beat:
            self._choose(collector, heard_s)
        if self._told is None:
            return None
        train = collector.slams(self._told, heard_s, self._sure)
        if self._on_beat:
            if not self._brief:
                judged = collector.beats([self._told], heard_s, self._settings)
                self._sure = max([self._sure, *(beat.confidence for beat in judged.pumps)])
            shut_s = train.reopen_s - train.time_s
            self._shut_s = float(np.nanmedian(shut_s)) if np.isfinite(shut_s).any() else 0.0
        elif train.beating[-EVEN_RUN:].sum() == EVEN_RUN:
            self._told.period = float(np.median(np.diff(train.time_s[-EVEN_RUN:]))) * self._frames_per_s
        apart_s = max(SAME_SLAM_S, SAME_SLAM * self._told.period / self._frames_per_s)
        new = train.time_s > self._told_to_s + apart_s
        if not new.any():
            return None
        self._told_to_s = float(train.time_s[-1])
        return SlamTrain(
            train.time_s[new],
            train.strength_db[new],
            train.confidence[new],
            train.reopen_s[new],
            train.opened_s[new],
            train.pump[new],
            train.beating[new],
            heard_s,
        )

    def _choose(self, collector: Collector, heard_s: float) -> None:
        """Take up what has shown itself as a ram, the loudest first; let go of what has not in all that time."""
        before = {id(candidate.known): candidate for candidate in self._candidates}
        self._candidates = [
            before.get(id(known)) or _Candidate(known, heard_s)
            for known in self._tracker.known
            if known is not self._told
        ]
        rams: list[tuple[float, float, Known]] = []
        for candidate in self._candidates:
            known = candidate.known
            long_s = max(heard_s, 2 * self._settings.span_min_s)  # or a few knocks would do at the beginning
            found = collector.beats([known], long_s, self._settings) if known.n_passages else None
            if found is None or not found.pumps:
                candidate.ram_since_s = None
                continue
            sure = found.pumps[0].confidence
            if candidate.ram_since_s is None:
                candidate.ram_since_s = heard_s
            if heard_s - candidate.ram_since_s >= self._live.proving_s * (1 - sure / self._live.sure_at_once):
                rams.append((float(np.mean(found.train.strength_db)), sure, known))
        if rams:
            _, self._sure, self._told = max(rams, key=lambda ram: ram[0])
            self._on_beat = True
            self._keep([])
        else:
            self._keep([c for c in self._candidates if heard_s - c.since_s < self._live.candidate_s])

    def _keep(self, candidates: list[_Candidate]) -> None:
        """Let go of all but the told pump and these."""
        self._candidates = candidates
        self._tracker.known = [self._told] if self._told else []
        self._tracker.known += [candidate.known for candidate in candidates]
        for number, known in enumerate(self._tracker.known, start=1):
            known.pump = number

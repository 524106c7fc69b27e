"""A gap followed while it lasts, step by step, as gaps.follow_gap does with a gap that is all there."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from clackcount.middle import median
from clackcount.model import State
from clackcount.running.gaps import LONG_S, STEADY_STEPS, STEP_S, GapFollower, steady
from clackcount.running.rush import RushScale
from clackcount.running.window import Window


@dataclass(slots=True)
class LiveGap:
    """shut_s: see timeline.last_shut_s. fresh: nothing has been told of it yet."""

    start_s: float
    follower: GapFollower
    shut_s: float
    fresh: bool = True
    # the last steps; the follower takes them in when the next are known
    _raw: list[float] = field(default_factory=list)
    _n_raw: int = 0
    _n_followed: int = 0
    _state: State | None = None
    _since: int = 0
    _above: float = 0.0

    def follow(self, window: Window, scale: RushScale, now_s: float) -> tuple[State, float, float] | None:
        """(state, since, how sure) once it has lasted; None as long as nothing can be said."""
        width = max(1, round(STEP_S / window.step_s))
        first = int(np.ceil(self.start_s / window.step_s - 1e-9))
        while (first + (self._n_raw + 1) * width) * window.step_s <= now_s + 1e-9:
            a = max(first + self._n_raw * width - window.first_cell, 0)
            self._raw.append(float(median(window.cells[a : a + width] @ scale.weight)))
            self._n_raw += 1
            self._settle_steps()
        if self._state is None or (self._n_followed - self._since) * width * window.step_s < LONG_S:
            return None
        since_s = self.start_s + self._since * width * window.step_s
        if self.fresh and since_s - self.start_s < self.shut_s:
            since_s = self.start_s
        self.fresh = False
        return self._state, since_s, self.follower.confidence(self._state, self._above)

    def _settle_steps(self) -> None:
        half = STEADY_STEPS // 2
        while self._n_raw - self._n_followed > half:
            at = len(self._raw) - (self._n_raw - self._n_followed)
            value = float(steady(np.array(self._raw))[at])
            above = self.follower.feed(value)
            state = State.RUSHING if self.follower.rushing else State.QUIET
            if state is not self._state:
                self._state, self._since, self._above = state, self._n_followed, above
            self._above += 0.2 * (above - self._above)
            self._n_followed += 1
        self._raw = self._raw[-STEADY_STEPS:]

"""What is heard while nothing slams: water rushing through the open valve, or quiet.

The flow index (see rush) is followed in quarter-second steps. Rain, wind and automatic gain move it slowly, so the
level that counts as quiet follows slowly too; water starts and stops within a second, and that is what is looked for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.ndimage import percentile_filter
from scipy.special import ndtr

from clackcount.middle import median
from clackcount.model import Cells, FloatArray, State

STEP_S = 0.25
STEADY_STEPS = 7  # what lasts as long as this without a pause is water (or weather)
DRIFT_S = 6.0  # how fast the quiet level follows; slower than a valve, faster than weather and gain
DRIFT_STEP_MAX = 0.05  # an outburst moves it no more than this in a step
LONG_S = 0.8  # shorter changes of state are splashes and knocks
FIRST_S = 4.0  # of a gap, in which water that is to be heard sets in
DEAD_BAND = 0.05
CLEAR, FAINT = 2.0, 0.7  # standard deviations of one cell, of which a step has many
SURE_MAX, SURE_MAX_FAINT = 0.99, 0.9  # no sound is surer than this, and none surer than that which was hardly heard


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of a gap, [start_s, end_s), rushing or quiet, and how sure the sound is of that."""

    state: State
    start_s: float
    end_s: float
    confidence: float


class GapFollower:
    """Follows the index through a gap, one step of STEP_S at a time; the same in a file and live.

    shut: the index that counts as quiet to begin with. separation: see RushScale. hold_s: for so long it stays as it
    is, for the water of a valve that has just fallen open gathers speed as slowly as weather changes.
    """

    def __init__(self, shut: float, separation: float, hold_s: float = 0.0) -> None:
        self.shut = shut
        self.n_held = round(hold_s / STEP_S)
        self.separation = separation
        # Half way between quiet and rushing errs least, but a starved rush lies lower: go as low as the scatter
        # allows. Where it is wide, only what rises out of it counts: a stalled valve rushes louder than usual.
        clear = separation >= CLEAR
        self.threshold = float(np.clip(1.6 / separation, 0.3, 0.5) if clear else FAINT / max(separation, 0.1))
        self.rushing: bool | None = None

    def feed(self, value: float) -> float:
        """Take in one step; returns how far it lies above (rushing) or below the threshold."""
        above = value - self.shut - self.threshold
        if self.rushing is None or abs(above) > DEAD_BAND:
            self.rushing = above > 0
        self.n_held -= 1
        if self.n_held >= 0:
            return above
        level = 1.0 if self.rushing else 0.0
        off = (value - self.shut - level) * STEP_S / DRIFT_S
        self.shut += min(max(off, -DRIFT_STEP_MAX), DRIFT_STEP_MAX)
        return above

    def confidence(self, state: State, mean_above: float) -> float:
        """How sure a piece is whose steps lie mean_above over the threshold (negative: under it)."""
        level = mean_above + self.threshold
        over = level - 0.5 if state is State.RUSHING else 0.5 - max(level, 0.0)
        return float(
            min(SURE_MAX if self.separation > 1.5 else SURE_MAX_FAINT, ndtr(self.separation * max(0.0, over)))
        )


def follow_gap(
    index: Cells,
    step_s: float,
    start_s: float,
    end_s: float,
    shut: float,
    separation: float,
    *,
    hold_s: float = 0.0,
    backward: bool = False,
) -> list[Piece]:
    """The pieces of the gap [start_s, end_s), in order; backward: follow it from its end, where shut is known.

    hold_s: see GapFollower.
    """
    steps, step_of = _steps(index, step_s, start_s, end_s)
    if separation <= 0 or len(steps) == 0:
        return [Piece(State.QUIET, start_s, end_s, 0.5)]
    follower = GapFollower(shut, separation, hold_s)
    above = np.empty(len(steps))
    rushing = np.empty(len(steps), np.bool_)
    for i in range(len(steps) - 1, -1, -1) if backward else range(len(steps)):
        above[i] = follower.feed(float(steps[i]))
        rushing[i] = bool(follower.rushing)
    pieces = _pieces(rushing, above, follower, start_s, end_s, step_of)
    if pieces[0].state is State.QUIET and not backward:
        # A rise that stayed below the threshold was followed as weather; it may have been water.
        risen = steps[round(hold_s / step_of) :][: max(1, round(FIRST_S / step_of))] - shut
        if len(risen):
            sure = follower.confidence(State.QUIET, float(risen.mean()) - follower.threshold)
            pieces[0] = replace(pieces[0], confidence=min(pieces[0].confidence, sure))
    return pieces


def _steps(index: Cells, step_s: float, start_s: float, end_s: float) -> tuple[FloatArray, float]:
    """The steady part of the index in steps of the gap, and the length of a step.

    Medians over a step leave knocks out; a low quantile over some steps leaves out what has pauses in it, as speech,
    birdsong and dripping have and rushing water has not.
    """
    cells = index[int(np.ceil(start_s / step_s - 1e-9)) : int(end_s / step_s + 1e-9)]
    width = max(1, round(STEP_S / step_s))
    if len(cells) < width:
        return np.array([median(cells)]) if len(cells) else np.empty(0), max(end_s - start_s, 1e-9)
    n = len(cells) // width
    return steady(np.median(cells[: n * width].reshape(n, width), axis=1)), width * step_s


def steady(steps: FloatArray) -> FloatArray:
    """float64 (n,): of each step and its three neighbours on either side, the lower quartile."""
    lower: FloatArray = percentile_filter(steps, 25, size=STEADY_STEPS, mode="nearest")
    return lower


def _pieces(
    rushing: np.ndarray, above: FloatArray, follower: GapFollower, start_s: float, end_s: float, step_s: float
) -> list[Piece]:
    """Runs of one state, the short ones given to their neighbours."""
    cuts = [0, *(np.flatnonzero(np.diff(rushing.astype(np.int8))) + 1).tolist(), len(rushing)]
    runs = [[bool(rushing[a]), a, b] for a, b in pairwise(cuts)]
    short = LONG_S / step_s
    kept: list[list[int]] = []
    for state, a, b in runs:
        if kept and (b - a < short or kept[-1][0] == state):
            kept[-1][2] = b
        elif kept and kept[-1][2] - kept[-1][1] < short and len(kept) == 1:
            kept[-1] = [state, kept[-1][1], b]  # a short first run belongs to what follows
        else:
            kept.append([state, a, b])
    pieces = []
    for i, (state, a, b) in enumerate(kept):
        heard = State.RUSHING if state else State.QUIET
        pieces.append(
            Piece(
                heard,
                start_s if i == 0 else start_s + a * step_s,
                end_s if i == len(kept) - 1 else start_s + b * step_s,
                follower.confidence(heard, float(above[a:b].mean())),
            )
        )
    return pieces

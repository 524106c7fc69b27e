"""One pump's slams and flow put on common ground: everything the later steps ask again and again, worked out once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.ndimage import median_filter

from clackcount.model import Cells, FloatArray, FlowTrack, SlamTrain
from clackcount.running.cutoff import CutOff
from clackcount.running.cycling import stood_before
from clackcount.running.rush import (
    CELLS_AT_ONCE,
    RushScale,
    dwell_from_rush,
    learn_from_pause,
    learn_scale,
    rush_height,
    rush_index,
    shut_index,
)
from clackcount.running.strays import by_itself_or_pushed, ends_water_odds, plausible, with_water_ended
from clackcount.running.strokes import Strokes, judge_strokes
from clackcount.running.unheard import with_unheard
from clackcount.settings import RunningSettings

FAINT_SEPARATION = 2.0  # below this what is heard after a stop may tell more than what is heard in the cycles
PAUSES_MAX = 50
LOUD_CELLS = 11
SAME_SLAM_S = 0.03
DWELL_SEPARATION = 2.5  # the rush must stand out so far in a single cell before it is used to time the valve


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """The slams of one pump with what the flow says around them.

    scale: None where rushing and quiet cannot be told apart. index: float32 (n_cells,), see rush.rush_index; zeros
    without a scale. shut, height: float64 (n_slams,), the index in the shut phase after each slam, and how far it had
    risen before it. interval_s: float64 (n_slams,), before each slam, NaN for the first. loud_db: float32 (n_cells,),
    how far the band that is loudest against its usual lies above it. ends_water: float64 (n_slams,), log odds that
    water ends with the knock, as at a stroke; zeros where that cannot be heard.
    """

    train: SlamTrain
    strokes: Strokes
    scale: RushScale | None
    index: Cells
    step_s: float
    shut: FloatArray
    height: FloatArray
    interval_s: FloatArray
    loud_db: Cells
    ends_water: FloatArray

    @property
    def separation(self) -> float:
        return self.scale.separation if self.scale else 0.0


def read(
    train: SlamTrain,
    flow: FlowTrack,
    settings: RunningSettings,
    *,
    perhaps: SlamTrain | None = None,
    scale: RushScale | None = None,
    was_pushed: bool | None = None,
    stops_s: tuple[tuple[float, float], ...] = (),
) -> Reading:
    """Read one pump's slams against the flow.

    perhaps: knocks of it that are slams only where the water says so.
    scale, was_pushed, stops_s: known from earlier listening, see Watcher; of each stop from when to when nothing was
    heard until it was known.
    """
    learned = learn_scale(train.time_s, flow, settings)
    if learned is not None and (scale is None or learned.separation >= FAINT_SEPARATION):
        scale = learned
    index = _index(flow, scale)
    cut_off = CutOff.learn(train, index, scale, flow.step_s)
    if perhaps is not None and cut_off is not None:
        train = with_water_ended(train, perhaps, cut_off)
    train = with_unheard(plausible(train, cut_off, settings), cut_off)
    shut, height = _along(index, scale, train, flow.step_s)
    dwells_s = [train.opened_s - np.concatenate([[np.nan], train.time_s[:-1]])] if len(train) else []
    if scale is not None and scale.separation >= DWELL_SEPARATION:
        dwells_s.append(dwell_from_rush(index, train.time_s, shut, flow.step_s))
    judge = partial(
        judge_strokes,
        train,
        tuple(dwells_s),
        by_itself_or_pushed(train, cut_off),
        settings,
        was_pushed=was_pushed,
        stopped_s=_silences_s(train, stops_s),
    )
    strokes = judge()
    interval_s, loud_db = np.diff(train.time_s, prepend=np.nan), _loud_db(flow)
    ends_water = np.zeros(len(train)) if cut_off is None else ends_water_odds(train, cut_off)
    first_look = Reading(train, strokes, scale, index, flow.step_s, shut, height, interval_s, loud_db, ends_water)
    if (stood := stood_before(first_look)).any():
        strokes = judge(stood=stood)
    if scale is None or scale.separation < FAINT_SEPARATION:
        scale = _from_pauses(train, strokes, flow, settings) or scale
        index = _index(flow, scale)
        shut, height = _along(index, scale, train, flow.step_s)
    return Reading(train, strokes, scale, index, flow.step_s, shut, height, interval_s, loud_db, ends_water)


def _silences_s(train: SlamTrain, stops_s: tuple[tuple[float, float], ...]) -> FloatArray:
    """The silence after each slam by which a stop was known, float64 (n,), inf where none followed."""
    silence_s = np.full(len(train), np.inf)
    for last_s, known_s in stops_s:
        i = int(np.searchsorted(train.time_s, last_s + SAME_SLAM_S)) - 1
        if i >= 0 and abs(train.time_s[i] - last_s) <= SAME_SLAM_S:
            silence_s[i] = known_s - last_s
    return silence_s


def _loud_db(flow: FlowTrack) -> Cells:
    """See Reading; smoothed over half a second."""
    if len(flow) == 0:
        return np.zeros(0, dtype=np.float32)
    # band by band: a day of cells is not copied whole
    usual_db = np.array([np.median(band) for band in flow.level_db.T])
    over_db = np.empty(len(flow), dtype=np.float32)
    for first in range(0, len(flow), CELLS_AT_ONCE):
        part = slice(first, first + CELLS_AT_ONCE)
        over_db[part] = (flow.level_db[part] - usual_db).max(axis=1)
    smooth: Cells = median_filter(over_db, size=LOUD_CELLS, mode="nearest")
    return smooth


def _index(flow: FlowTrack, scale: RushScale | None) -> Cells:
    """See Reading."""
    return np.zeros(len(flow), dtype=np.float32) if scale is None else rush_index(flow, scale)


def _along(index: Cells, scale: RushScale | None, train: SlamTrain, step_s: float) -> tuple[FloatArray, FloatArray]:
    """(shut, height) of a Reading."""
    if scale is None or len(index) == 0:
        return np.zeros(len(train)), np.full(len(train), np.nan)
    shut = shut_index(index, train.time_s, scale, step_s)
    return shut, rush_height(index, train.time_s, shut, step_s)


def _from_pauses(train: SlamTrain, strokes: Strokes, flow: FlowTrack, settings: RunningSettings) -> RushScale | None:
    """The clearest scale that any pause after a run gives."""
    if len(train) == 0:
        return None
    silence_s = np.diff(np.append(train.time_s, len(flow) * flow.step_s))
    ends = np.flatnonzero((silence_s > strokes.limit_s) & ~strokes.pushed & np.isfinite(strokes.period_s))
    found = [learn_from_pause(train.time_s, i, float(strokes.period_s[i]), flow, settings) for i in ends[:PAUSES_MAX]]
    return max((scale for scale in found if scale is not None), key=lambda scale: scale.separation, default=None)

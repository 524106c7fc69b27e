"""One pump's slams and flow put on common ground: everything the later steps ask again and again, worked out once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clackcount.model import FloatArray, FlowTrack, SlamTrain
from clackcount.running.rush import (
    RushScale,
    dwell_from_rush,
    learn_scale,
    rush_height,
    rush_index,
    shut_index,
)
from clackcount.running.strokes import Strokes, judge_strokes
from clackcount.settings import RunningSettings

DWELL_SEPARATION = 2.5  # the rush must stand out so far in a single cell before it is used to time the valve


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """The slams of one pump with what the flow says around them.

    scale: None where rushing and quiet cannot be told apart. index: float64 (n_cells,), see rush.rush_index; zeros
    without a scale. shut, height: float64 (n_slams,), the index in the shut phase after each slam, and how far it had
    risen before it. interval_s: float64 (n_slams,), before each slam, NaN for the first.
    """

    train: SlamTrain
    strokes: Strokes
    scale: RushScale | None
    index: FloatArray
    step_s: float
    shut: FloatArray
    height: FloatArray
    interval_s: FloatArray

    @property
    def separation(self) -> float:
        return self.scale.separation if self.scale else 0.0


def read(
    train: SlamTrain,
    flow: FlowTrack,
    settings: RunningSettings,
    *,
    scale: RushScale | None = None,
    was_pushed: bool | None = None,
) -> Reading:
    """Read one pump's slams against the flow. scale, was_pushed: known from earlier listening, see Watcher."""
    scale = learn_scale(train.time_s, flow, settings) or scale
    interval_s = np.diff(train.time_s, prepend=np.nan)
    if scale is None or len(flow) == 0:
        index, shut, height = np.zeros(len(flow)), np.zeros(len(train)), np.full(len(train), np.nan)
    else:
        index = rush_index(flow, scale)
        shut = shut_index(index, train.time_s, scale, flow.step_s)
        height = rush_height(index, train.time_s, shut, flow.step_s)
    dwells_s = [train.opened_s - np.concatenate([[np.nan], train.time_s[:-1]])] if len(train) else []
    if scale is not None and scale.separation >= DWELL_SEPARATION:
        dwells_s.append(dwell_from_rush(index, train.time_s, shut, flow.step_s))
    strokes = judge_strokes(train, tuple(dwells_s), settings, was_pushed=was_pushed)
    return Reading(train, strokes, scale, index, flow.step_s, shut, height, interval_s)

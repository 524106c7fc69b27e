"""A day of flow cells is read in parts, and the parts don't show."""

from __future__ import annotations

import numpy as np
import pytest

from clackcount.model import FlowTrack
from clackcount.running import rush

STEP_S = 0.05


@pytest.mark.parametrize("at_once", [1, 7, 100])
def test_parts_of_any_length_give_what_the_whole_gives(at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    flow = FlowTrack(STEP_S, rng.normal(-50, 4, (1000, 3)).astype(np.float16), np.array([100.0, 200, 400, 800]))
    scale = rush.RushScale(np.array([0.1, 0.05, 0.02]), 3.0, np.ones(3), 1)
    time_s = np.cumsum(rng.uniform(0.6, 1.4, 45)) + 0.5

    def read() -> tuple[np.ndarray, np.ndarray]:
        index = rush.rush_index(flow, scale)
        shut = rush.shut_index(index, time_s, scale, STEP_S)
        return index, rush.dwell_from_rush(index, time_s, shut, STEP_S)

    whole = read()
    assert np.isfinite(whole[1]).sum() > 20
    monkeypatch.setattr(rush, "CELLS_AT_ONCE", at_once)
    for one, other in zip(read(), whole, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-12)

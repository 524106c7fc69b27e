"""Recordings whose result is known, because it was made by hand."""

from __future__ import annotations

import numpy as np
import pytest
from handmade import FINDING, beat_of, listening_of, train_of

from clackcount import model


@pytest.fixture
def no_ram() -> model.Listening:
    return listening_of(train_of([], duration_s=60.0))


@pytest.fixture
def steady() -> model.Listening:
    train = train_of(np.arange(1.0, 61.0, 60.0 / 62.4))
    return listening_of(train, pumps=(beat_of(train),))


@pytest.fixture
def stopped() -> model.Listening:
    """Quiet, twelve strokes by hand, runs by itself, then stays open; with one finding to act on and one to know."""
    hand_s = np.arange(4.2, 33.0, 2.4)
    self_s = np.arange(33.2, 41.8, 60.0 / 62.4)
    train = train_of(np.concatenate([hand_s, self_s]), duration_s=61.3)
    state, stretch = model.State, model.Stretch
    running = model.Running(
        timeline=(
            stretch(state.QUIET, 0.0, 4.1, 0, 0.9),
            stretch(state.HAND, 4.1, 33.2, 12, 0.9),
            stretch(state.SELF, 33.2, 41.7, 9, 0.95),
            stretch(state.RUSHING, 41.7, 61.3, 0, 0.4),
        ),
        stops=(model.Stop(41.7, model.Cause.OPEN_STALL, 0.9, before=("slower by 4 %",)),),
        startup=model.Startup(12, 1, 33.2, 38.0, 2.5, (1.0, 4.0)),
        trend=(),
    )
    note = model.Finding("short-run", model.Severity.INFO, "A short run", "9 beats", "", 0.99, model.Basis.INFERENCE)
    beat = beat_of(train, start_s=33.2, end_s=41.7, n_cycles=8, rate_per_min=62.4, rate_ci95_per_min=(62.1, 62.9))
    return listening_of(train, pumps=(beat,), running=running, findings=(note, FINDING))

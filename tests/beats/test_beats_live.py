"""Which slams are told live as lying on a beat: strokes by hand and knocks by chance are none."""

from __future__ import annotations

import numpy as np

from clackcount.beats.live import EVEN_RUN, _beating
from clackcount.model import FloatArray, SlamTrain


def train_of(time_s: FloatArray) -> SlamTrain:
    """Slams at these times, each taken for one on a beat."""
    n, nothing = len(time_s), np.full(len(time_s), np.nan)
    whole_s = float(time_s[-1]) + 1.0
    return SlamTrain(time_s, np.full(n, 12.0), np.ones(n), nothing, nothing, np.ones(n), np.ones(n, bool), whole_s)


def test_strokes_and_their_pushes_ahead_of_a_run_make_no_beat_of_two_rates() -> None:
    strokes_s = np.cumsum([0.0, 0.6, 1.2, 0.6, 2.1, 0.6, 1.5, 0.6, 1.0, 0.6])
    run_s = strokes_s[-1] + 1.0 * np.arange(1, 12)
    beating = _beating(train_of(np.concatenate([strokes_s, run_s])), on_beat=True)
    assert beating[-10:].all()
    assert not beating[:6].any()


def test_a_pump_that_hops_soon_again_beats_all_the_while() -> None:
    hops_s = np.cumsum([0.0, *[1.0] * 6, *[0.7] * 3, *[1.0] * 2, *[0.7] * 3, *[1.0] * 6])
    assert _beating(train_of(hops_s), on_beat=True).all()


def test_knocks_known_by_their_sound_alone_beat_only_in_a_long_even_row() -> None:
    few_s = np.array([0.0, 1.0, 2.0, 3.0, 4.0])
    assert len(few_s) < EVEN_RUN
    assert not _beating(train_of(few_s), on_beat=False).any()
    assert _beating(train_of(np.arange(8.0)), on_beat=False).all()

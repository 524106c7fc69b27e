"""A passage's samples are the ones it says, and the first floor does not hang on the caller's block."""

from __future__ import annotations

import numpy as np
import pytest

from clackcount.hearing.ear import in_steps
from clackcount.model import Wanted
from clackcount.settings import HearingSettings
from support.made_sound import knocks, live_passages_of, passages_of

SETTINGS = HearingSettings(passage_s=20.0, margin_s=3.0)


@pytest.mark.parametrize("live", [False, True])
@pytest.mark.parametrize("block", [4096, 50_000, 800_000])
def test_a_passage_holds_the_samples_it_says(block: int, live: bool) -> None:
    samples = np.random.default_rng(1).standard_normal(8000 * 90).astype(np.float32)
    wanted = Wanted(step_s=0.7, window_s=20.0, review_s=5.0, hold_s=0.2)
    passages = (
        live_passages_of(samples, 8000, SETTINGS, wanted, block=block)
        if live
        else passages_of(samples, 8000, SETTINGS, block=block)
    )
    for passage in passages:
        last = passage.first_sample + len(passage.samples)
        true = samples[passage.first_sample : last]
        step = np.abs(true).max() / 32767
        np.testing.assert_allclose(passage.samples * step, true, atol=0.51 * step)
        kept = [(passage.first_frame + frame) * passage.hop for frame in passage.keep]
        assert passage.first_sample <= max(0, kept[0] - 800)
        assert last >= min(len(samples), kept[1] + 800) or live
    assert len(passages) > 2


@pytest.mark.parametrize("block", [30_011, 10**6])
def test_blocks_longer_than_a_batch_change_nothing(block: int) -> None:
    samples = knocks(np.arange(0.5, 40, 0.9), 40.0, 8000, np.random.default_rng(4))[0]
    short, long = (passages_of(samples, 8000, SETTINGS, block=n) for n in (4096, block))
    for one, two in zip(short, long, strict=True):
        assert np.array_equal(one.rises, two.rises)


def test_steps_keep_the_shape_at_any_loudness() -> None:
    samples = np.random.default_rng(2).standard_normal(70_000).astype(np.float32)
    steps = in_steps(samples)
    assert np.abs(steps).max() == 32767
    for loudness in (2.0**-30, 2.0**60):
        np.testing.assert_array_equal(in_steps(samples * np.float32(loudness)), steps)
    assert not in_steps(np.full(5, 1e-40, np.float32)).any()
    assert len(in_steps(samples[:0])) == 0

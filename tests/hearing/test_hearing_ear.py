"""Passages cover a recording once, do not depend on the blocks, and are the same heard whole or live."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as rules
from hypothesis import strategies as st

from clackcount.hearing.ear import Ear, LiveEar, Tail
from clackcount.hearing.flow import CELL_FRAMES, FlowMeter
from clackcount.hearing.novelty import REACH
from clackcount.model import Passage, Wanted
from clackcount.settings import HearingSettings
from support.made_sound import knocks, live_passages_of, passages_of

RATE_HZ = 8000
# short passages, so that a short sound has many
SETTINGS = HearingSettings(passage_s=20.0, margin_s=3.0)
SOUND, TRUE_S = knocks(np.arange(0.5, 90, 0.9), 90.0, RATE_HZ, np.random.default_rng(4))


LIVE = Wanted(step_s=0.8, window_s=20.0, review_s=0.0, hold_s=0.3)


def heard_of(samples: np.ndarray, *, live: bool, block: int = 50_000) -> list[Passage]:
    if live:
        return live_passages_of(samples, RATE_HZ, SETTINGS, LIVE, block=block)
    return passages_of(samples, RATE_HZ, SETTINGS, block=block)


@given(st.floats(0.01, 90), st.booleans())
@rules(max_examples=25)
def test_every_frame_is_kept_once_and_in_order(duration_s: float, live: bool) -> None:
    samples = SOUND[: int(duration_s * RATE_HZ)]
    passages = heard_of(samples, live=live)
    kept = [(p.first_frame + p.keep[0], p.first_frame + p.keep[1]) for p in passages]
    assert kept[0][0] == 0
    assert all(before[1] == after[0] for before, after in pairwise(kept))
    assert kept[-1][1] == (len(samples) - 1) // 40 + 1
    for p in passages:
        assert 0 <= p.keep[0] < p.keep[1] <= len(p.rises)
        assert len(p.rises) == len(p.level_db)


def test_what_is_kept_has_its_surrounding() -> None:
    passages = passages_of(SOUND, RATE_HZ, SETTINGS)
    assert len(passages) > 4
    for i, p in enumerate(passages):
        assert i == 0 or p.keep[0] == 600
        assert p is passages[-1] or len(p.rises) - p.keep[1] == 600


def test_nothing_in_nothing_out() -> None:
    ear = Ear(RATE_HZ, SETTINGS)
    assert ear.feed(np.zeros(0, dtype=np.float32)) == []
    assert ear.finish() == []
    assert len(ear.flow()) == 0


@pytest.mark.parametrize("live", [False, True])
@pytest.mark.parametrize("block", [397, 9973])
def test_blocks_of_another_size_make_the_same_passages(block: int, live: bool) -> None:
    samples = SOUND[: 40 * RATE_HZ]
    some, other = (heard_of(samples, live=live, block=n) for n in (4096, block))
    assert len(some) == len(other)
    for one, two in zip(some, other, strict=True):
        assert (one.first_frame, one.keep, one.first_sample) == (two.first_frame, two.keep, two.first_sample)
        assert np.array_equal(one.rises, two.rises)
        assert np.array_equal(one.level_db, two.level_db)


def test_live_and_whole_hear_the_same_in_what_they_keep() -> None:
    n = len(SOUND) // 40
    heard = {}
    for live in (False, True):
        rise = np.full(
            (n, passages_of(SOUND[:800], RATE_HZ, SETTINGS)[0].rises.shape[1], 4), np.nan, dtype=np.float32
        )
        level = np.full(rise.shape[:2], np.nan, dtype=np.float32)
        for p in heard_of(SOUND, live=live):
            part = slice(p.first_frame + p.keep[0], p.first_frame + p.keep[1])
            rise[part], level[part] = p.rises[slice(*p.keep)], p.level_db[slice(*p.keep)]
        heard[live] = rise, level
    # a whole recording comes in longer batches, and a matrix product may round differently for another length
    np.testing.assert_allclose(heard[False][1], heard[True][1], atol=1e-4)
    # the running sums behind a mean begin elsewhere: equal to rounding, once the floor has forgotten its first guess
    np.testing.assert_allclose(heard[False][0][1000:], heard[True][0][1000:], atol=1e-4)


def test_live_news_come_at_once() -> None:
    ear = LiveEar(RATE_HZ, SETTINGS, longest_s=20.0)
    late_s = []
    for first in range(0, 30 * RATE_HZ, 800):
        ear.feed(SOUND[first : first + 800])
        while (p := ear.passage(LIVE)) is not None:
            late_s.append((first + 800) / RATE_HZ - (p.first_frame + p.keep[0]) / p.frames_per_s)
    # a step, what is held back, the reach, a batch of 32 frames, and the block
    assert max(late_s) < LIVE.step_s + LIVE.hold_s + REACH / 200 + 32 / 200 + 0.1


def test_live_memory_does_not_grow() -> None:
    ear = LiveEar(RATE_HZ, SETTINGS, longest_s=20.0)
    held = []
    for _ in range(4):
        for first in range(0, len(SOUND), 2000):
            ear.feed(SOUND[first : first + 2000])
            while ear.passage(LIVE) is not None:
                ear.cells()
        memory = ear._memory
        held.append(
            (memory.end_frame - memory.first_frame, len(memory._samples._buffer), len(memory.flow.track(1.0)))
        )
    assert held[0][0] == pytest.approx(20 * 200, abs=200)
    assert held[-1] == pytest.approx(held[0], abs=64)


def test_live_cells_follow_on_one_another_and_are_those_of_the_whole() -> None:
    ear, parts = LiveEar(RATE_HZ, SETTINGS, longest_s=20.0), []
    for first in range(0, len(SOUND), 3001):
        ear.feed(SOUND[first : first + 3001])
        while ear.passage(LIVE) is not None:
            parts.append(ear.cells())
    whole = Ear(RATE_HZ, SETTINGS)
    whole.feed(SOUND)
    joined = np.concatenate([part.level_db for part in parts])
    assert len(joined) > 1700
    cells = whole.flow().level_db[: len(joined)]
    # equal to rounding, and where that falls on the edge between two float16, to the next one
    assert np.mean(joined == cells) > 0.999
    np.testing.assert_allclose(joined.astype(float), cells.astype(float), atol=0.0625)


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(0, 60)), max_size=20))
def test_tail_holds_what_was_not_let_go(steps: list[tuple[int, int]]) -> None:
    tail, heard, forgotten = Tail(16), np.zeros(0, dtype=np.float32), 0
    for n, forget in steps:
        more = np.arange(len(heard), len(heard) + n, dtype=np.float32)
        heard = np.append(heard, more)
        tail.append(more)
        forgotten = max(forgotten, min(forgotten + forget, len(heard)))
        tail.forget(forgotten)
        assert tail.end == len(heard)
        assert np.array_equal(tail.between(0, len(heard) + 5), heard[forgotten:])
        assert np.array_equal(tail.between(forgotten + 2, forgotten + 9), heard[forgotten + 2 : forgotten + 9])


def test_no_sample_is_too_loud_to_be_held() -> None:
    tail = Tail(8)
    tail.append(np.array([0.5, 1e6, -1e6], dtype=np.float32))
    held = tail.between(0, 3)
    assert held[0] == 0.5
    assert np.all(np.isfinite(held))


def test_flow_is_the_same_from_any_pieces_and_leaves_knocks_out() -> None:
    def flow(samples: np.ndarray, block: int):
        ear = Ear(RATE_HZ, SETTINGS)
        for first in range(0, len(samples), block):
            ear.feed(samples[first : first + block])
        ear.finish()
        return ear.flow()

    with_knocks, again = flow(SOUND, 4096), flow(SOUND, 50_000)
    assert with_knocks.step_s == pytest.approx(CELL_FRAMES * 0.005)
    assert len(with_knocks) == 90 / with_knocks.step_s
    assert np.array_equal(with_knocks.level_db, again.level_db)
    noise = knocks(np.zeros(0), 90.0, RATE_HZ, np.random.default_rng(4))[0]
    without = flow(noise, 4096)
    difference_db = with_knocks.level_db.astype(float) - without.level_db.astype(float)
    # a knock of 80 ms touches two or three of the 18 cells between knocks, by up to 50 dB
    assert np.abs(np.median(difference_db)) < 0.1
    assert np.mean(np.abs(difference_db) < 1) > 0.8


def test_flow_follows_a_louder_stream() -> None:
    rng = np.random.default_rng(9)
    sound = rng.normal(0, 0.01, 20 * RATE_HZ)
    sound[10 * RATE_HZ :] *= 10 ** (6 / 20)
    ear = Ear(RATE_HZ, SETTINGS)
    ear.feed(sound.astype(np.float32))
    ear.finish()
    level_db = ear.flow().level_db.astype(float)
    before, after = level_db[20:180].mean(axis=0), level_db[220:380].mean(axis=0)
    np.testing.assert_allclose(after - before, 6, atol=0.5)


def test_flow_bands_are_octaves_or_so_that_the_rate_can_carry() -> None:
    meter = FlowMeter(np.geomspace(60, 3500, 25))
    edges_hz = meter.track(0.005).band_hz
    assert np.all(np.diff(edges_hz) > 0)
    assert edges_hz[0] == pytest.approx(100)
    assert edges_hz[-2] < 3500

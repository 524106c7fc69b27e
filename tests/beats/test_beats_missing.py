"""Beats that are due: silence is evidence where a slam would have been heard, and none where it would not."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from clackcount.beats.missing import ODDS_MAX, UNHEARD_ODDS, due_between, missing_beats, unheard
from clackcount.beats.template import Field, learn, standardise

N_BANDS, N_SPANS, PERIOD = 6, 4, 180


def passage(slams: NDArray[np.intp], n: int, slam: float, gust: slice | None = None) -> Field:
    """Noise of deviation 1 with slams of this height; under a gust what rises is divided, as the floor is higher."""
    rng = np.random.default_rng(7)
    rises = rng.normal(0, 1, (n, N_BANDS, N_SPANS)).astype(np.float32)
    rises[slams] += slam * (1 + 0.1 * rng.normal(size=(len(slams), 1, 1))).astype(np.float32)
    floor_db = np.zeros((n, N_BANDS), np.float32)
    if gust is not None:
        floor_db[gust] += 40
    return Field(rises, floor_db)


def odds_of(slam: float, gust: slice | None = None, strays: tuple[int, ...] = ()) -> NDArray[np.float64]:
    slams = np.arange(100, 100 + 14 * PERIOD, PERIOD)
    heard = np.append(slams, slams[-1] + np.array(strays, np.intp))
    field = passage(heard, slams[-1] + 4 * PERIOD, slam, gust)
    due, odds = missing_beats(field, learn(field, slams), 0, slams, 20.0)
    assert due == pytest.approx(slams[-1] + PERIOD * np.arange(1, len(due) + 1))
    return odds


def test_two_loud_beats_that_do_not_come_are_enough() -> None:
    odds = odds_of(slam=4.0)
    assert len(odds) == 3
    assert odds[:2].sum() > 7.0
    assert odds.max() <= ODDS_MAX


def test_a_faint_beat_says_less_than_a_loud_one() -> None:
    assert 0 < odds_of(slam=0.8)[:2].mean() < odds_of(slam=4.0)[:2].mean()


def test_under_a_gust_silence_says_nothing() -> None:
    last = 100 + 13 * PERIOD
    assert odds_of(slam=4.0, gust=slice(last + PERIOD // 2, None)) == pytest.approx(np.zeros(3), abs=1.0)


def test_a_beat_that_came_is_not_missing() -> None:
    assert odds_of(slam=4.0, strays=(PERIOD + 3,))[0] == -ODDS_MAX


def test_a_beat_that_came_and_went_on_faster_or_slower_is_not_missing() -> None:
    odds = odds_of(slam=4.0, strays=(PERIOD + 3, int(2.3 * PERIOD)))
    assert odds[:2] == pytest.approx([-ODDS_MAX, -ODDS_MAX])
    assert odds_of(slam=4.0, strays=(int(2.3 * PERIOD),))[0] > 3.0
    assert odds_of(slam=4.0, strays=(int(1.3 * PERIOD),))[0] == -ODDS_MAX  # at once


def test_of_a_few_slams_nothing_is_said() -> None:
    slams = np.arange(100, 100 + 5 * PERIOD, PERIOD)
    field = passage(slams, slams[-1] + 4 * PERIOD, 4.0)
    due, odds = missing_beats(field, learn(field, slams), 0, slams, 20.0)
    assert len(due) == len(odds) == 0


def between_of(
    slam: float, soft: float | None = None, gust: slice | None = None, *, taken: bool = False
) -> NDArray[np.float64]:
    """Of 20 beats the tenth was not told: it did not come or, soft, came so much softer; its gap's odds among all.

    taken: whether another pump was taken out just there.
    """
    slams = np.arange(100, 100 + 20 * PERIOD, PERIOD)
    told = np.delete(slams, 9)
    field = passage(told, slams[-1] + PERIOD, slam, gust)
    if soft is not None:
        field.features[slams[9]] += soft
    weights = learn(field, told)
    out = np.zeros(len(field.features), dtype=bool)
    out[slams[9] - 10 : slams[9] + 10] = taken
    odds = np.zeros(len(told))
    for i, _at, absent in due_between(field, weights, standardise(field.features @ weights, told), told, out):
        odds[i] = absent.min()
    return odds


def test_a_beat_left_out_is_told_from_one_unheard() -> None:
    odds = between_of(slam=3.0)
    assert odds[8] > 4.0
    assert not np.any(np.delete(odds, 8))
    assert between_of(slam=3.0, soft=1.5)[8] < 2.0
    assert abs(between_of(slam=3.0, gust=slice(100 + 9 * PERIOD - 60, 100 + 9 * PERIOD + 60))[8]) < 2.0
    assert between_of(slam=3.0, taken=True)[8] == 0.0


def gap_after(
    i: int, slams: NDArray[np.intp], n: int, odds: float
) -> list[tuple[int, NDArray[np.float64], NDArray[np.float64]]]:
    """n beats due between slam i and the next, each with these log odds of not having come."""
    return [(i, np.linspace(slams[i], slams[i + 1], n + 2)[1:-1], np.full(n, odds))]


@pytest.mark.parametrize("n", [1, 2, 3])
def test_a_slam_unheard_in_an_even_beat_is_put_where_it_was_due(n: int) -> None:
    rng = np.random.default_rng(n)
    came = 100 + np.cumsum(np.round(rng.normal(PERIOD, 0.01 * PERIOD, 40))).astype(np.intp)
    told = np.delete(came, slice(20, 20 + n))
    at, odds = unheard(told, gap_after(19, told, n, 1.0))
    assert np.all(np.abs(at - came[20 : 20 + n]) <= 3)  # 15 ms
    assert np.all(odds == 1.0)


def test_none_is_put_where_it_surely_did_not_come_or_nobody_can_say_when() -> None:
    even = 100 + PERIOD * np.arange(40)
    told = np.delete(even, 20)
    assert len(unheard(told, gap_after(19, told, 1, UNHEARD_ODDS + 0.1))[0]) == 0
    long = np.delete(even, slice(20, 24))
    assert len(unheard(long, gap_after(19, long, 4, 0.0))[0]) == 0
    # one beat half as long again is a slower one, none that went unheard
    hops = np.concatenate([even[:20], even[20:] + round(0.6 * PERIOD)])
    assert len(unheard(hops, gap_after(19, hops, 1, 0.0))[0]) == 0
    ragged = 100 + np.cumsum(np.random.default_rng(2).normal(PERIOD, 0.15 * PERIOD, 40)).astype(np.intp)
    gone = np.delete(ragged, 20)
    assert len(unheard(gone, gap_after(19, gone, 1, 0.0))[0]) == 0
    assert len(unheard(even[:4], [])[0]) == 0

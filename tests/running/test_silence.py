"""When silence is a stop: at once where two beats surely did not come, later where a slam may have drowned."""

from __future__ import annotations

import numpy as np
import pytest

from clackcount.model import Due
from clackcount.running.silence import LONGEST_S, SURE_ODDS, came_again, last_known, missing_odds, stopped


def due(*odds: float) -> Due:
    return Due(10.0 + np.arange(1, len(odds) + 1), np.array(odds), 10.0 + len(odds) + 0.3)


def test_one_beat_is_not_enough_and_what_comes_later_takes_nothing_back() -> None:
    assert missing_odds(None, 10.0) is None
    assert missing_odds(due(6.0), 10.0) is None
    assert missing_odds(due(5.0, 4.0), 10.0) == 9.0
    assert missing_odds(due(5.0, 4.0, -6.0), 10.0) == 9.0
    assert missing_odds(due(-6.0, 5.0), 10.0) == -1.0
    assert missing_odds(due(5.0, 4.0, 3.0), 11.5) == 7.0  # since a later slam


@pytest.mark.parametrize("period_s", [0.3, 1.0, 3.0])
def test_surely_missing_beats_are_a_stop_within_two_cycles_or_two_seconds_of_when_the_first_was_due(
    period_s: float,
) -> None:
    limit_s = max(3 * period_s, period_s + 2)
    assert stopped(period_s + max(2 * period_s, 2.0), period_s, limit_s, SURE_ODDS) is True
    assert stopped(1.9 * period_s, period_s, limit_s, 2 * SURE_ODDS) is False


@pytest.mark.parametrize("period_s", [1.1, 1.6, 3.0])
def test_one_beat_that_was_left_out_is_no_stop_though_the_next_comes_a_little_late(period_s: float) -> None:
    limit_s = max(3 * period_s, period_s + 2)
    assert stopped(2.05 * period_s + 0.1, period_s, limit_s, 2 * SURE_ODDS) is False


def test_without_being_sure_it_waits_and_then_asks_what_hides_the_beat_but_not_for_ever() -> None:
    assert stopped(1.9, 1.0, 3.0, None) is False
    assert stopped(3.5, 1.0, 3.0, 1.0) is None
    assert stopped(LONGEST_S + 0.1, 1.0, 3.0, -20.0) is True


def test_a_last_beat_that_came_is_waited_for_until_it_is_known_for_a_slam() -> None:
    assert came_again(due(5.0, -6.0))
    assert not came_again(due(-6.0, 5.0))
    assert not came_again(due(-1.0))
    assert not came_again(None)


def test_a_beat_too_soft_to_be_told_ends_the_silence_but_noise_after_a_stop_does_not() -> None:
    assert last_known(None, 10.0) == 10.0
    assert last_known(due(1.0, -5.0, 2.0), 10.0) == 12.0
    assert last_known(due(1.0, -5.0, 1.0, -4.0, 3.0), 10.0) == 14.0
    assert last_known(due(2.5, 2.5, -6.0), 10.0) == 10.0  # by then two had surely not come
    assert last_known(due(3.0, -6.0, 2.0), 10.0) == 10.0  # one by itself after one that hardly came
    assert last_known(due(3.0, -6.0, -4.0), 10.0) == 13.0  # and two that beat on
    assert last_known(due(-6.0, -6.0), 12.5) == 12.5  # those before the last slam

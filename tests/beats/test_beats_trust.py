"""Whether what is followed live is a ram: hasty at first, told by all the looks later, wary after a mistake."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace

import pytest

from clackcount.beats.assemble import TOO_FEW
from clackcount.beats.trust import (
    HASTY,
    HASTY_S,
    LOOKS_MAX,
    MARGIN_S,
    PAUSE_MAX_S,
    PAUSE_MIN_S,
    RUSH_ODDS,
    UNHEARD,
    WARY_HALF_S,
    WARY_ODDS,
    Trust,
)
from clackcount.model import Verdict
from clackcount.settings import BeatsSettings

SETTINGS = BeatsSettings()
BAR = SETTINGS.ram_odds_min
REFUSED = "nothing that says they come from a ram"


class Collected:
    """Judges by the log odds alone, as a Collector does among other things."""

    confidence = 0.9

    def beats(self, known, duration_s, settings, *, live):  # type: ignore[no-untyped-def]
        (pump,) = known
        if pump.odds / pump.n_passages < settings.ram_odds_min:
            return SimpleNamespace(pumps=(), doubts=(REFUSED,))
        beat = SimpleNamespace(confidence=self.confidence, doubts=("no water was heard",))
        return SimpleNamespace(pumps=(beat,), doubts=())


def look(trust: Trust, odds: float, heard_s: float, from_s: float = 0.0, rush_t: float = 0.0) -> Verdict | None:
    known = SimpleNamespace(odds=odds, rush_t=rush_t, n_passages=1)
    return trust.look(known, Collected(), from_s, heard_s, SETTINGS)  # type: ignore[arg-type]


def begun(at_s: float) -> Trust:
    trust = Trust()
    trust.begin(0.9, at_s)
    return trust


def test_what_goes_like_a_ram_is_told_so_and_looked_at_ever_more_seldom() -> None:
    trust, heard_s, looked_s = begun(10.0), 10.0, []
    while heard_s < 300:
        if trust.due(heard_s):
            assert look(trust, BAR + 1, heard_s, max(0.0, heard_s - 60)) == Verdict(0.9)
            looked_s.append(heard_s)
        heard_s += 1
    between = [b - a for a, b in pairwise(looked_s)]
    assert between[0] <= 10
    assert between[-1] == 60 - 2 * MARGIN_S
    assert sorted(between) == between


def test_what_only_its_rush_makes_a_ram_is_told_with_a_doubt_at_first_and_refused_later() -> None:
    trust = begun(10.0)
    assert look(trust, BAR - 1, 10.0, rush_t=100.0) == Verdict(0.5, HASTY)
    assert trust.due(10.0 + PAUSE_MIN_S)
    assert look(trust, BAR - 1, 10.1 + HASTY_S, rush_t=100.0) == Verdict(0.0, REFUSED)
    assert look(begun(10.0), BAR - 1 - RUSH_ODDS, 10.0, rush_t=100.0) == Verdict(0.0, REFUSED)


def test_a_low_confidence_carries_its_doubt() -> None:
    class Doubted(Collected):
        confidence = 0.3

    known = SimpleNamespace(odds=BAR + 1, rush_t=0.0, n_passages=1)
    verdict = begun(0.0).look(known, Doubted(), 0.0, 20.0, SETTINGS)  # type: ignore[arg-type]
    assert verdict == Verdict(0.3, "no water was heard")


def test_one_look_that_goes_astray_is_a_doubt_and_no_more() -> None:
    trust = begun(0.0)
    odds = (BAR + 1, BAR - 9, BAR + 1, BAR - 9, BAR - 9, BAR - 9)
    told = [look(trust, one, 20.0 + 10 * i) for i, one in enumerate(odds)]
    assert [verdict.sure for verdict in told if verdict] == [0.9, 0.5, 0.9, 0.5, 0.5, 0.0]
    assert [verdict.doubt for verdict in told if verdict] == [None, REFUSED, None, REFUSED, REFUSED, REFUSED]


def test_what_is_not_heard_beating_again_is_doubted_and_then_taken_back() -> None:
    trust = begun(0.0)
    assert look(trust, BAR + 1, 20.0) == Verdict(0.9)
    silent = SimpleNamespace(odds=0.0, rush_t=0.0, n_passages=0)
    told = [trust.look(silent, Collected(), 0.0, at_s, SETTINGS) for at_s in (28.0, 32.0)]  # type: ignore[arg-type]
    assert told == [Verdict(0.5, UNHEARD), Verdict(0.0, UNHEARD)]


def test_a_doubt_stays_until_it_is_surely_a_ram() -> None:
    class Between(Collected):
        confidence = 0.3

    trust, collected, told = begun(0.0), Between(), []
    for heard_s, sure in ((20.0, 0.5), (30.0, 0.65), (40.0, 0.8), (60.0, 0.65)):
        collected.confidence = sure
        known = SimpleNamespace(odds=BAR + 1, rush_t=0.0, n_passages=1)
        told.append(trust.look(known, collected, 0.0, heard_s, SETTINGS))  # type: ignore[arg-type]
    assert [verdict.doubt is not None for verdict in told] == [True, True, False, False]
    assert told[1] == Verdict(0.65, "no water was heard")


def test_the_mean_of_many_minutes_decides_not_the_last() -> None:
    trust = begun(0.0)
    for minute in range(1, LOOKS_MAX):
        assert look(trust, BAR + 2, 60.0 * minute, 60.0 * minute - 60) == Verdict(0.9)
    assert look(trust, BAR - 5, 600.0, 540.0) == Verdict(0.9)
    verdict = None
    for minute in range(11, 11 + LOOKS_MAX):
        verdict = look(trust, BAR - 5, 60.0 * minute, 60.0 * minute - 60)
    assert verdict == Verdict(0.0, REFUSED)


def test_too_few_knocks_say_nothing() -> None:
    class Few(Collected):
        def beats(self, known, duration_s, settings, *, live):  # type: ignore[no-untyped-def]
            return SimpleNamespace(pumps=(), doubts=(TOO_FEW,))

    known = SimpleNamespace(odds=-9.0, rush_t=0.0, n_passages=1)
    assert begun(0.0).look(known, Few(), 0.0, 20.0, SETTINGS) is None  # type: ignore[arg-type]


def test_a_mistake_makes_wary_for_some_minutes_a_refusal_before_telling_does_not() -> None:
    trust = begun(0.0)
    trust.refuse(100.0, told=False)
    assert trust.wary(100.0) == 0.0
    trust.refuse(100.0, told=True)
    trust.refuse(100.0, told=True)
    assert trust.wary(100.0) == 2 * WARY_ODDS
    assert trust.wary(100.0 + WARY_HALF_S) == WARY_ODDS


def test_the_same_sound_is_searched_less_and_less_often() -> None:
    trust, heard_s, pauses = begun(0.0), 0.0, []
    for _ in range(6):
        trust.refuse(heard_s, told=False)
        first_s = heard_s
        while not trust.may_search(heard_s):
            heard_s += 1
        pauses.append(heard_s - first_s)
    assert pauses[0] == PAUSE_MIN_S
    assert pauses[-1] == pytest.approx(PAUSE_MAX_S)
    assert sorted(pauses) == pauses

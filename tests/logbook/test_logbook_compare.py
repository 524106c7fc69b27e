"""Intervals and power against statsmodels, scipy and published examples; then what is said about trials."""

from __future__ import annotations

import math
from dataclasses import replace

import made_trials
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from clackcount.errors import LogbookError
from clackcount.logbook.comparison import compare
from clackcount.logbook.confounders import confounders
from clackcount.logbook.contrast import POWER, Reading, Repeats, contrast, plan, power
from clackcount.logbook.records import Event, Setting
from support.caught_pairs import Repeating, coverage

# Student 1908, "The probable error of a mean", Biometrika 6, p. 20: hours of sleep gained by two drugs.
SLEEP = (
    (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0),
    (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4),
)
NO_REPEATS = Repeats(0.0, 0.0)


def equal(values: tuple[float, ...] | list[float], first_trial: int = 0) -> list[Reading]:
    """Readings of equal worth, each a trial of its own."""
    return [Reading(value, 1.0, first_trial + i) for i, value in enumerate(values)]


def test_without_a_prior_it_is_students_t_on_students_own_data():
    found = contrast(equal(SLEEP[0]), equal(SLEEP[1], 100), NO_REPEATS, prior_dof=0)
    low, high = (math.log(end) for end in found.interval())
    # Student's data as analysed in the manual of R's t.test, var.equal = TRUE (printed figures, from memory):
    # 95 per cent interval of first - second: -3.363874 to 0.203874, t = -1.8608, df = 18.
    assert (-high, -low) == pytest.approx((-3.363874, 0.203874), abs=1e-6)
    assert (found.dof, -found.log_ratio / found.u) == (18, pytest.approx(-1.8608, abs=5e-5))
    theirs = CompareMeans(DescrStatsW(SLEEP[1]), DescrStatsW(SLEEP[0])).tconfint_diff(usevar="pooled")
    assert (low, high) == pytest.approx(theirs, abs=1e-12)
    assert found.log_ratio / found.u == pytest.approx(stats.ttest_ind(SLEEP[1], SLEEP[0]).statistic)


@given(
    st.lists(st.floats(-3, 3), min_size=2, max_size=6), st.lists(st.floats(-3, 3), min_size=2, max_size=6),
    st.floats(0.1, 3), st.floats(-5, 5),
)  # fmt: skip
def test_scale_and_shift_go_through_and_sides_swap(first, second, scale, shift):
    usual = contrast(equal(first), equal(second, 100))
    swapped = contrast(equal(second, 100), equal(first))
    assert swapped.log_ratio == pytest.approx(-usual.log_ratio, abs=1e-9)
    assert swapped.u == pytest.approx(usual.u, rel=1e-9)
    moved = contrast(equal([v + shift for v in first]), equal([v + shift for v in second], 100))
    assert (moved.log_ratio, moved.u) == pytest.approx((usual.log_ratio, usual.u), abs=1e-6)


def test_an_error_of_one_vessel_cancels_and_of_two_does_not():
    def side(trial: int, vessel: str) -> list[Reading]:
        return [Reading(0.0, 0.01, trial, vessel, 0.05)] * 3

    same = contrast(side(1, "jug"), side(2, "jug"))
    other = contrast(side(1, "jug"), side(2, "bucket"))
    assert other.u**2 - same.u**2 == pytest.approx(2 * 0.05**2 * 8 / 12, rel=0.01)  # 8 of 12: no scatter seen


def test_catches_of_one_trial_are_no_trials_anew():
    one = contrast(*[[Reading(0.0, 0.01, trial)] * 6 for trial in (1, 2)])
    six = contrast(*[[Reading(0.0, 0.01, 10 * trial + i) for i in range(6)] for trial in (1, 2)])
    assert one.u > 1.8 * six.u


# Cohen 1988, Statistical Power Analysis for the Behavioral Sciences, 2nd ed., table 2.4.1, two-sided 0.05, power
# 0.80: n a group for d = 0.2, 0.5, 0.8 (from memory).
@pytest.mark.parametrize(("d", "n"), [(0.2, 393), (0.5, 64), (0.8, 26)])
def test_power_reaches_four_in_five_where_cohens_table_says(d, n):
    def ours(size: int) -> float:
        return power(d, math.sqrt(2 / size), 2 * size - 2)

    assert ours(n) >= 0.7995  # the table is rounded
    assert ours(n - 1) < 0.8005


@given(st.floats(0.05, 2.5), st.integers(3, 200))
def test_power_is_that_of_statsmodels(d, n):
    theirs = TTestIndPower().power(d, n, 0.05)
    assume(not math.isnan(theirs))  # far out scipy's cdf, which it uses, gives up
    assert power(d, math.sqrt(2 / n), 2 * n - 2) == pytest.approx(theirs, abs=1e-7)


def test_the_plan_asks_for_as_many_catches_as_statsmodels_does():
    u = 0.05
    sides = [[Reading(0.0, u, 2 * i + side) for i in range(4)] for side in (0, 1)]
    needed = math.ceil(TTestIndPower().solve_power(math.log(1.05) / u, None, 0.05, POWER))
    # With the errors known (a prior of great weight) the t of many degrees of freedom asks for one or two fewer.
    found = plan(*sides, 1.05, NO_REPEATS, prior_dof=1e6, lengths=(1.0,))
    assert found.of == "catches"
    assert needed - 2 <= 4 + found.n <= needed


def test_done_by_the_plan_four_trials_in_five_show_it():
    rng = np.random.default_rng(4)
    u, sides = 0.04, [[Reading(0.0, 0.04, side)] * 2 for side in (1, 2)]
    more = plan(*sides, 1.06, Repeats(0.0, 0.0), lengths=(1.0,))
    n = 2 + more.n
    shown = 0
    for _ in range(500):
        first, second = (
            [Reading(v, u, trial) for v in rng.normal(mean, u, n)] for trial, mean in ((1, 0), (2, math.log(1.06)))
        )
        shown += contrast(first, second, Repeats(0.0, 0.0)).interval()[0] > 1
    assert 0.74 < shown / 500 < 0.92


@pytest.mark.parametrize(
    "repeating", [Repeating(), Repeating(0.02, 0.015), Repeating(0.03, 0.0), Repeating(0.01, 0.03)], ids=str
)
def test_the_interval_of_the_delivered_ratio_covers_93_in_100_of_2000_pairs(repeating):
    assert 0.93 <= coverage(2000, seed=11, repeating=repeating) <= 0.998


# --- in words ---


def pair(first_flow: float, second_flow: float, n: int = 3, **more):
    first = made_trials.trial([first_flow] * n, number=1, at="2026-03-01T10:00:00Z", **more)
    second = made_trials.trial([second_flow] * n, number=2, at="2026-03-01T11:00:00Z", stroke_mm=12, **more)
    return [first], [second]


def row(found, name):
    return next(each for each in found.rows if each.quantity.name == name)


@pytest.mark.parametrize(("flow", "verdict"), [(0.9, "better"), (0.4, "worse"), (0.605, "not shown")])
def test_delivered_water_is_judged(flow, verdict):
    found = row(compare(*pair(0.6, flow)), "delivery_flow_m3_s")
    assert found.verdict == verdict
    assert found.found.ratio == pytest.approx(flow / 0.6, rel=1e-6)
    low, high = found.found.interval()
    assert (low > 1, high < 1) == (verdict == "better", verdict == "worse")


def test_more_waste_is_worse_and_more_efficiency_is_better():
    first, second = pair(0.6, 0.6, wastes_l_min=[6.0, 6.1])
    second = [replace(second[0], catches=tuple(
        replace(c, volume_m3=1.5 * c.volume_m3) if c.side == "waste" else c for c in second[0].catches))]  # fmt: skip
    figures = [{"efficiency": (eff, 0.05)} for eff in (0.5, 0.35)]
    sides = [
        [replace(side[0], result=made_trials.trial(figures=f).result)]
        for side, f in zip((first, second), figures, strict=True)
    ]
    found = compare(*sides)
    assert row(found, "waste_flow_m3_s").verdict == "worse"
    assert row(found, "efficiency").verdict == "worse"


def test_what_could_not_be_shown_says_what_would_settle_it():
    found = row(compare(*pair(0.6, 0.605, n=1, relative_u=0.05)), "delivery_flow_m3_s")
    assert "no difference that these catches could show" in found.sentence
    assert found.plan.n > 0
    assert (
        f"To show a difference of 5.0 %: {'set each up anew' if found.plan.of == 'trials' else found.plan.n}"
        in found.sentence
    )
    assert any("single reading on a side" in said for said in found.assumed)


def test_repeats_make_the_interval_narrower():
    widths = []
    for n in (1, 3, 9):
        low, high = row(compare(*pair(0.6, 0.7, n=n, relative_u=0.05)), "delivery_flow_m3_s").found.interval()
        widths.append(high / low)
    assert widths[0] > widths[1] > widths[2]


REMOVED = replace(made_trials.trial([0.6], number=2), removed_at="2026")


@pytest.mark.parametrize(("sides", "words"), [
    (([], [made_trials.trial([0.6], number=1)]), "each side needs a trial"),
    (([made_trials.trial([0.6], number=1)], [made_trials.trial([0.6], number=1)]), "is on both sides"),
    (([made_trials.trial([0.6], number=1)], [made_trials.trial(number=2)]), "nothing was measured on both sides"),
    (([made_trials.trial([0.6], number=1)], [REMOVED]), "was removed"),
])  # fmt: skip
def test_what_cannot_be_compared_is_named(sides, words):
    with pytest.raises(LogbookError, match=words):
        compare(*sides)


def condition(given: str, name: str, value: float | None) -> Setting:
    return Setting(name, given, value, None, "m")


@pytest.mark.parametrize(("first", "second", "events", "words"), [
    ({}, {"site": "Lower weir"}, (), "different sites"),
    ({"conditions": (condition("1.6 m", "head", 1.6),)}, {"conditions": (condition("1.5 m", "head", 1.5),)}, (),
     r"drive head differed \(1.6 m and 1.5 m\)"),
    ({"conditions": (condition("5 L/min", "supply", 5.0),)}, {"conditions": (condition("3 L/min", "supply", 3.0),)},
     (), "supply differed"),
    ({"conditions": (condition("first", "fill", None),)}, {}, (), "delivery line was filling"),
    ({}, {}, (), "came before those of the other"),
    ({}, {"at": "2026-04-01T10:00:00Z"}, (), "31 days lie between"),
    ({}, {"at": "2026-03-03T10:00:00Z"}, (Event("u", "Fern Hollow", "2026-03-02T00:00:00Z", "repair", "new rubber"),),
     "2026-03-02: repair, new rubber"),
])  # fmt: skip
def test_confounders_are_named(first, second, events, words):
    sides = (
        [made_trials.trial([0.6], number=1, **first)],
        [made_trials.trial([0.6], number=2, **({"at": "2026-03-01T11:00:00Z"} | second))],
    )
    import re

    assert re.search(words, " ".join(confounders(*sides, events)))


def test_two_things_changed_at_once_are_named_and_a_fair_order_is_not():
    heavy = replace(made_trials.trial([0.6], number=2, stroke_mm=12), settings=(
        Setting("stroke", "12 mm", 0.012, None, "m"), Setting("weight", "90 g", 0.09, None, "kg")))  # fmt: skip
    said = " ".join(confounders([made_trials.trial([0.6], number=1)], [heavy]))
    assert "More than one thing was changed (stroke, weight)" in said
    days = [f"2026-03-0{day}T10:00:00Z" for day in (1, 2, 3, 4)]
    trials = [made_trials.trial([0.6], number=i, at=at) for i, at in enumerate(days)]
    assert confounders([trials[0], trials[3]], trials[1:3]) == []

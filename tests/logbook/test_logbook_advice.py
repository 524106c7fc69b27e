"""What to try next, on rams whose best setting is known; and the response curve itself."""

from __future__ import annotations

import math
from dataclasses import replace

import made_trials
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clackcount.errors import LogbookError
from clackcount.logbook.advice import REACH, advise
from clackcount.logbook.records import Recording, Setting
from clackcount.logbook.response import Forecast, Point, respond
from support.tuned_rams import random_tuned_ram, share_of_best


def trials_at(strokes_mm, flow=lambda mm: 0.7 - 0.004 * (mm - 12) ** 2, waste=lambda mm: 0.8 * mm, n=3):
    return [
        made_trials.trial([flow(mm)] * n, stroke_mm=mm, wastes_l_min=[waste(mm)] * n, number=i + 1)
        for i, mm in enumerate(strokes_mm)
    ]


@pytest.mark.parametrize("forecast", [False, True], ids=["no site file", "site file"])
def test_after_six_trials_the_advice_is_within_5_percent_of_the_best_in_9_of_10_sites(forecast):
    rng = np.random.default_rng(21)
    shares = np.array([share_of_best(rng, forecast=forecast) for _ in range(40)])
    assert np.mean(shares >= 0.95) >= 0.90


def test_the_curve_finds_the_top_and_its_band_holds_it():
    found = advise(trials_at([8, 10, 12, 14, 16]), "stroke", travel=(0.003, 0.02))
    assert found.best == pytest.approx(0.012, rel=0.08)
    value, low, high = (60e3 * each for each in found.best_value)
    assert low < 0.7 < high
    assert value == pytest.approx(0.7, rel=0.03)
    assert [curve.quantity for curve in found.curves] == [
        "delivery_flow_m3_s", "waste_flow_m3_s", "delivered_over_wasted",
    ]  # fmt: skip


def test_the_band_holds_the_true_curve_and_widens_beyond_what_was_tried():
    rng = np.random.default_rng(3)
    held, n = 0, 0
    for _ in range(120):
        ram = random_tuned_ram(rng)
        middle = math.sqrt(ram.travel[0] * ram.travel[1])
        strokes = [middle / 1.3, middle, middle * 1.3]
        if any(ram.flows_m3_s(s) is None for s in strokes):
            continue
        found = advise([ram.trial(rng, i + 1, s) for i, s in enumerate(strokes)], "stroke", travel=ram.travel)
        curve = found.curves[0]
        for at, low, high in zip(curve.at, curve.low, curve.high, strict=True):
            if curve.tried[0] <= at <= curve.tried[1] and (flows := ram.flows_m3_s(at)) is not None:
                held += low <= flows[0] <= high
                n += 1
        widths = [math.log(h / w) for w, h in zip(curve.low, curve.high, strict=True)]
        assert widths[-1] >= widths[len(widths) // 2]
    assert n > 1000
    assert held / n >= 0.93


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(3, 20), min_size=1, max_size=6), st.floats(3, 10), st.floats(1.1, 3),
    st.sampled_from(["most-water", "least-waste", "within-supply"]),
)  # fmt: skip
def test_advice_never_leaves_the_travel_nor_jumps_beyond_a_step(strokes_mm, low_mm, ratio, aim):
    travel = (low_mm / 1e3, low_mm * ratio / 1e3)
    trials = trials_at(strokes_mm, flow=lambda mm: 0.05 * mm)
    found = advise(trials, "stroke", aim, travel=travel, supply_m3_s=1.2e-4)
    if found.next is not None:
        assert travel[0] * (1 - 1e-6) <= found.next <= travel[1] * (1 + 1e-6)
        inside = travel[0] <= min(strokes_mm) / 1e3 and max(strokes_mm) / 1e3 <= travel[1]
        if inside:
            assert min(strokes_mm) / 1e3 / REACH * 0.999 <= found.next <= max(strokes_mm) / 1e3 * REACH * 1.001
    if found.best is not None:
        assert min(strokes_mm) * 0.999 <= 1e3 * found.best <= max(strokes_mm) * 1.001


def test_a_step_beyond_what_was_tried_is_said_aloud():
    found = advise(trials_at([8, 9, 10], flow=lambda mm: 0.06 * mm), "stroke", travel=(0.003, 0.02))
    assert found.next > 0.010
    assert any("beyond what was tried" in said for said in found.said)


def test_a_curve_that_still_rises_at_its_end_is_followed_while_the_valve_has_room():
    """Three trials that flatten in the logarithm look like a top to a curve: the end must be looked past."""
    flows = {3.31: 0.067, 4.14: 0.320, 5.17: 0.528}
    trials = trials_at(list(flows), flow=flows.get)
    found = advise(trials, "stroke", travel=(0.0023, 0.0085))
    assert found.best == pytest.approx(0.00517)
    assert 0.00517 * 1.1 < found.next <= 0.00517 * REACH
    assert any("beyond what was tried" in said for said in found.said)
    assert advise(trials, "stroke", travel=(0.0033, 0.0052)).next is None


def test_within_the_supply_the_best_takes_less_than_it_gives():
    trials = trials_at([6, 8, 10, 12, 14], flow=lambda mm: 0.06 * mm)
    free = advise(trials, "stroke", "most-water", travel=(0.003, 0.02))
    held = advise(trials, "stroke", "within-supply", travel=(0.003, 0.02), supply_m3_s=8 / 60e3)
    assert free.best == pytest.approx(0.014, rel=0.01)
    assert 0.86 * 1e3 * held.best < 8  # 0.8 wasted and 0.06 delivered for each millimetre
    assert 1e3 * held.best > 8
    dry = advise(trials, "stroke", "within-supply", travel=(0.003, 0.02), supply_m3_s=3 / 60e3)
    assert dry.best is None
    assert dry.next < 0.006
    with pytest.raises(LogbookError, match="what the supply gives is not known"):
        advise(trials, "stroke", "within-supply")


def test_least_waste_wants_most_delivered_for_each_litre_wasted():
    found = advise(trials_at([6, 8, 10, 12, 14], flow=lambda mm: 0.05 * mm, waste=lambda mm: mm**1.5 / 4), "stroke",
                   "least-waste", travel=(0.006, 0.014))  # fmt: skip
    assert found.best == pytest.approx(0.006, rel=0.02)


def test_with_the_heads_known_the_efficiency_has_a_curve_of_its_own():
    """q h / ((q + w) H), D'Aubuisson's definition, worked out here for the point that was tried."""
    found = advise(trials_at([8, 10, 12, 14]), "stroke", "least-waste", lift_over_fall=(5.8, 0.02))
    assert [each.quantity for each in found.curves] == ["delivery_flow_m3_s", "waste_flow_m3_s", "efficiency"]
    efficiency = found.curves[2]
    at = int(np.argmin(np.abs(np.array(efficiency.at) - 0.010)))
    delivered, wasted = 0.7 - 0.004 * 4, 0.8 * 10
    assert efficiency.middle[at] == pytest.approx(5.8 * delivered / (delivered + wasted), rel=0.02)
    assert efficiency.points[1] == pytest.approx((0.010, 5.8 * delivered / (delivered + wasted)), rel=0.01)
    assert found.best_in == "efficiency"
    assert found.best == advise(trials_at([8, 10, 12, 14]), "stroke", "least-waste").best
    sure = advise(trials_at([8, 10, 12, 14]), "stroke", "least-waste", lift_over_fall=(5.8, 0.0)).curves[2]
    for low, low_too, middle, high_too, high in zip(
        efficiency.low, sure.low, sure.middle, sure.high, efficiency.high, strict=True
    ):
        assert low < low_too < middle < high_too < high


def test_where_it_did_not_run_is_a_limit():
    silent = Recording("a.wav", "0" * 64, 1, {"rate_per_min": None})
    stuck = replace(made_trials.trial(stroke_mm=14, number=9), recording=silent)
    found = advise([*trials_at([8, 10, 12], flow=lambda mm: 0.06 * mm), stuck], "stroke", travel=(0.003, 0.03))
    assert found.limits[1] < 0.0131
    assert found.next <= found.limits[1] * (1 + 1e-9)
    assert any("did not run by itself" in said for said in found.said)


@pytest.mark.parametrize(("strokes", "flows", "aim", "way"), [
    ([10], {10: 0.6}, "most-water", +1),
    ([10], {10: 0.6}, "least-waste", -1),
    ([10, 12], {10: 0.6, 12: 0.7}, "most-water", +1),
    ([10, 12], {10: 0.7, 12: 0.6}, "most-water", -1),
])  # fmt: skip
def test_with_too_few_settings_the_trade_says_one_careful_step(strokes, flows, aim, way):
    found = advise(trials_at(strokes, flow=flows.get), "stroke", aim, travel=(0.003, 0.03))
    edge = (max if way > 0 else min)(strokes) / 1e3
    assert found.next == pytest.approx(edge * 1.25**way)
    assert any("a curve needs three. Basis: common practice" in said for said in found.said)
    assert found.curves == ()


def test_trials_with_other_settings_are_left_out_and_that_is_said():
    trials = trials_at([8, 10, 12])
    odd = replace(trials[0], settings=(*trials[0].settings, Setting("weight", "90 g", 0.09, None, "kg")))
    found = advise([odd, *trials[1:]], "stroke")
    assert found.n_trials == 2
    assert any("is different: 1 trial." in said for said in found.said)


@pytest.mark.parametrize(("trials", "aim", "words"), [
    ([], "most-water", "no trial of this site"),
    ([replace(made_trials.trial([0.6], number=1), settings=())], "most-water", "no trial has a stroke"),
    ([made_trials.trial([0.6], number=1)], "least-waste", "nothing is known of the waste"),
])  # fmt: skip
def test_what_advice_needs_is_named(trials, aim, words):
    with pytest.raises(LogbookError, match=words):
        advise(trials, "stroke", aim)


def test_with_a_forecast_of_the_right_shape_three_points_say_more():
    shape = [(mm / 1e3, math.log((0.7 - 0.004 * (mm - 12) ** 2) / 60e3)) for mm in np.linspace(5, 18, 20)]
    forecast = Forecast(tuple(at for at, _ in shape), tuple(2.0 + log for _, log in shape))  # wrong by a factor of 7
    points = [Point(at, log, 0.02) for at, log in shape[6:12:2]]
    at = np.linspace(0.006, 0.017, 30)
    truth = np.interp(at, [p for p, _ in shape], [v for _, v in shape])
    with_it, without = respond(points, at, forecast), respond(points, at)
    assert np.abs(with_it.log_mean - truth).max() < 0.05
    assert with_it.log_sd.mean() < without.log_sd.mean()


def test_exact_points_are_gone_through_and_the_covariance_is_one():
    at = np.geomspace(0.005, 0.02, 15)
    points = [Point(float(x), float(math.sin(3 * math.log(x))), 1e-4) for x in at]
    found = respond(points, at)
    assert found.log_mean == pytest.approx([point.log_value for point in points], abs=1e-3)
    assert np.all(np.linalg.eigvalsh(found.log_cov) > -1e-8)

"""A site over months: control limits against the handbook, declines seen, and no alarm where there is nothing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import made_trials
import numpy as np
import pytest

from clackcount.errors import LogbookError
from clackcount.logbook.history import LEAST_HISTORY, individuals_limits, watch
from clackcount.logbook.records import Event
from clackcount.model import Severity


def test_limits_of_individuals_are_those_of_the_handbook():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, worked example (flow rate of ten batches; figures from
    # memory): centre 50.81, limits 45.8159 and 55.8041.
    flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    limits = individuals_limits(flow)
    assert (limits.centre, limits.low, limits.high) == pytest.approx((50.81, 45.8159, 55.8041), abs=1e-4)


def months(rates, strokes=None, **more):
    begun = datetime(2026, 1, 10, 10, tzinfo=UTC)
    return [
        made_trials.trial(
            at=(begun + timedelta(days=30 * i)).isoformat().replace("+00:00", "Z"), number=i + 1,
            figures={"rate_per_min": (float(rate), 0.1)}
            | ({"delivered_per_stroke_m3": (float(strokes[i]) * 1e-6, 1e-7)} if strokes is not None else {}),
            **more,
        )
        for i, rate in enumerate(rates)
    ]  # fmt: skip


def test_a_slow_decline_is_found_and_named():
    rng = np.random.default_rng(1)
    rates = 62 * (1 - 0.01 * np.arange(10)) * np.exp(rng.normal(0, 0.004, 10))
    found = watch(months(rates))
    (finding,) = found.findings
    assert (finding.code, finding.severity) == ("beat-drift-down", Severity.WATCH)
    assert "from 2026-01-10 to 2026-10-07 over 10 trials" in finding.evidence
    assert "strainer" in finding.next
    assert found.series[0].change == pytest.approx(-0.09, abs=0.015)


def test_less_water_a_beat_at_a_steady_beat_points_to_the_delivery_side():
    strokes = 10 * np.exp(-0.03 * np.arange(9))
    found = watch(months(62 + 0.1 * np.cos(np.arange(9)), strokes))
    assert [finding.code for finding in found.findings] == ["stroke-drift-down"]
    assert found.findings[0].severity is Severity.ACT
    assert "delivery valve" in found.findings[0].next


def test_a_sudden_step_of_the_last_trial_is_found():
    found = watch(months([62.0, 62.2, 61.9, 62.1, 62.0, 57.0]))
    assert [finding.code for finding in found.findings] == ["beat-step-down"]
    assert found.series[0].outside


def test_false_alarms_are_rare():
    rng = np.random.default_rng(7)
    n_alarms = sum(bool(watch(months(62 * np.exp(rng.normal(0, 0.01, 10)))).findings) for _ in range(400))
    assert n_alarms / 400 < 0.04  # two looks, one in a hundred and one in fifty


def test_settings_and_repairs_begin_a_new_history():
    trials = months([50.0] * 5) + months([62.0, 62.1, 61.9, 62.0, 62.2], stroke_mm=12)
    for i, trial in enumerate(trials):
        object.__setattr__(trial, "at", f"2026-02-{i + 1:02d}T10:00:00Z")
    found = watch(trials)
    assert len(found.series[0].values) == 5
    assert any("with other settings: 5 trials" in said for said in found.said)
    repair = Event("u", "Fern Hollow", "2026-02-07T00:00:00Z", "repair", "")
    found = watch(trials, [repair])
    assert found.series == ()
    assert any("before the repair of 2026-02-07" in said for said in found.said)
    assert any(f"{LEAST_HISTORY + 1} with the same settings" in said for said in found.said)


def test_no_trials_is_an_error():
    with pytest.raises(LogbookError, match="no trials to watch"):
        watch([])

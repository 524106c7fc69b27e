"""Findings from made nouns: each rule where it belongs, silent where it does not, and in order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from clackcount.diagnosis import CODES, RULES, find
from clackcount.model import (
    Basis,
    Beat,
    Beats,
    Cause,
    Finding,
    FlowTrack,
    Pattern,
    RecordingInfo,
    Regularity,
    Running,
    Severity,
    SlamTrain,
    Startup,
    State,
    Stop,
    Stretch,
    TrendRow,
)

NO_FLOW = FlowTrack(0.05, np.empty((0, 8), np.float32), np.geomspace(100, 12000, 9))


def info(duration_s: float = 600.0) -> RecordingInfo:
    return RecordingInfo("hollow-spring.wav", duration_s, 48000, 1, "wav", "pcm")


def a_train(rate_per_min: float = 60.0, duration_s: float = 600.0, strength_db: float = 15.0) -> SlamTrain:
    time_s = np.arange(0.5, duration_s, 60 / rate_per_min)
    n = len(time_s)
    nothing = np.full(n, np.nan)
    return SlamTrain(
        time_s, np.full(n, strength_db), np.full(n, 0.9), nothing, nothing, np.ones(n), np.ones(n, bool), duration_s
    )


def a_beat(train: SlamTrain, pattern: Pattern = Pattern.EVEN, *, missed: int = 0, confidence: float = 0.95) -> Beat:
    rate = 60 * (len(train) - 1) / (train.time_s[-1] - train.time_s[0])
    robust_cv = 0.15 if pattern is Pattern.RAGGED else 0.01
    regularity = Regularity(robust_cv, robust_cv, missed, pattern)
    return Beat(
        1, float(train.time_s[0]), float(train.time_s[-1]), len(train) - 1, float(rate), (rate - 0.1, rate + 0.1),
        regularity, None, None, confidence,
    )  # fmt: skip


def a_trend(rates: list[float], strengths_db: list[float] | None = None) -> tuple[TrendRow, ...]:
    return tuple(
        TrendRow(60.0 * i, 60.0 * (i + 1), rate, 0.01, (strengths_db or [15.0] * len(rates))[i], 6.0, 0)
        for i, rate in enumerate(rates)
    )


def running_all_along(duration_s: float = 600.0, trend: tuple[TrendRow, ...] = ()) -> Running:
    return Running((Stretch(State.SELF, 0.0, duration_s, 100, 0.9),), trend=trend)


def findings(
    pattern: Pattern = Pattern.EVEN,
    *,
    running: Running | None = None,
    rate: float = 60.0,
    missed: int = 0,
    confidence: float = 0.95,
    strength_db: float = 15.0,
) -> tuple[Finding, ...]:
    train = a_train(rate, strength_db=strength_db)
    beat = a_beat(train, pattern, missed=missed, confidence=confidence)
    return find(Beats(train, (beat,)), running or running_all_along(), NO_FLOW, info())


def codes(found: tuple[Finding, ...]) -> list[str]:
    return [finding.code for finding in found]


def stopped(cause: Cause, confidence: float = 0.9, *, restarted_s: float | None = None) -> Running:
    after = Stretch(State.SELF, 500.0, 600.0, 90, 0.9) if restarted_s else Stretch(State.QUIET, 400.0, 600.0, 0, 0.9)
    timeline = (Stretch(State.SELF, 0.0, 400.0, 400, 0.9), after)
    if restarted_s:
        timeline = (timeline[0], Stretch(State.HAND, 400.0, 500.0, 5, 0.9), after)
    return Running(timeline, (Stop(400.0, cause, confidence, ("the beat slowed by 12 %",), restarted_s),))


@pytest.mark.parametrize("rate", [15, 45, 60, 110, 260, 380])
@pytest.mark.parametrize("pattern", [Pattern.EVEN, Pattern.WANDERING])
def test_a_steady_pump_gives_nothing_above_info(rate: float, pattern: Pattern) -> None:
    found = findings(pattern, rate=rate, running=running_all_along(trend=a_trend([rate] * 10)))
    assert "steady-beat" in codes(found)
    assert {finding.severity for finding in found} == {Severity.INFO}


@pytest.mark.parametrize(
    ("cause", "code"),
    [
        (Cause.OPEN_STALL, "stopped-open"),
        (Cause.SHUT_STALL, "stopped-shut"),
        (Cause.STARVED, "starved"),
        (Cause.UNKNOWN, "stopped"),
    ],
)
def test_a_stop_comes_first_with_its_time_and_its_cautions(cause: Cause, code: str) -> None:
    first = findings(running=stopped(cause))[0]
    assert (first.code, first.severity) == (code, Severity.ACT)
    assert "06:40" in first.evidence
    assert "slowed by 12 %" in first.evidence
    assert first.listen_at_s == (400.0,)
    assert any("fingers" in caution for caution in first.cautions)
    assert any("local codes" in caution for caution in first.cautions)


def test_a_stop_that_was_restarted_is_no_longer_a_call_to_act() -> None:
    found = findings(running=stopped(Cause.SHUT_STALL, restarted_s=500.0))
    assert next(f for f in found if f.code == "stopped-shut").severity is Severity.WATCH


def test_the_cause_of_the_last_stop_stands_above_other_causes() -> None:
    running = Running(
        (Stretch(State.SELF, 0, 200, 200, 0.9), Stretch(State.HAND, 200, 300, 5, 0.9),
         Stretch(State.SELF, 300, 500, 200, 0.9), Stretch(State.RUSHING, 500, 600, 0, 0.9)),
        (Stop(200.0, Cause.SHUT_STALL, 0.95, (), 300.0), Stop(500.0, Cause.OPEN_STALL, 0.8)),
    )  # fmt: skip
    found = findings(running=running)
    assert codes(found)[0] == "stopped-open"
    assert codes(found).index("stopped-open") < codes(found).index("stops-again")
    assert codes(found).index("stopped-open") < codes(found).index("stopped-shut")


@pytest.mark.parametrize(
    ("pattern", "code"),
    [(Pattern.RAGGED, "uneven-beat"), (Pattern.ALTERNATING, "long-short"), (Pattern.HOPPING, "two-rates")],
)
def test_a_pattern_is_watched_and_silences_the_word_that_all_is_well(pattern: Pattern, code: str) -> None:
    found = findings(pattern)
    assert codes(found)[0] == code
    assert "steady-beat" not in codes(found)


def test_alternation_names_both_intervals() -> None:
    time_s = np.cumsum(np.tile([0.8, 1.2], 200))
    n = len(time_s)
    nothing = np.full(n, np.nan)
    train = SlamTrain(
        time_s, np.full(n, 15), np.full(n, 0.9), nothing, nothing, np.ones(n), np.ones(n, bool), float(time_s[-1] + 1)
    )
    found = find(
        Beats(train, (a_beat(train, Pattern.ALTERNATING),)), running_all_along(time_s[-1] + 1), NO_FLOW, info(401)
    )
    assert "0.80 s and 1.20 s" in found[0].evidence


def test_drift_is_told_in_the_right_direction_with_figures() -> None:
    slower = findings(running=running_all_along(trend=a_trend(np.linspace(60, 54, 10).tolist())))
    assert codes(slower)[0] == "slowing"
    assert "60.0 to 54.0" in slower[0].evidence
    quicker = findings(running=running_all_along(trend=a_trend(np.linspace(60, 66, 10).tolist())))
    assert codes(quicker)[0] == "quickening"
    noise = np.random.default_rng(1).normal(60, 1, 10).tolist()
    assert "slowing" not in codes(findings(running=running_all_along(trend=a_trend(noise))))


def test_a_drift_over_a_minute_or_two_is_no_drift() -> None:
    short = tuple(
        replace(row, start_s=row.start_s / 6, end_s=row.end_s / 6) for row in a_trend([60.0, 59, 58, 57, 56, 55])
    )
    assert "slowing" not in codes(findings(running=running_all_along(60.0, trend=short)))


def test_a_step_is_a_jump_and_not_a_drift() -> None:
    found = findings(running=running_all_along(trend=a_trend([60.0] * 5 + [72.0] * 5)))
    assert codes(found)[0] == "rate-jump"
    assert "05:00" in found[0].evidence
    assert "quickening" not in codes(found)


@pytest.mark.parametrize(("last_db", "code"), [(8.0, "softer-slams"), (22.0, "louder-slams")])
def test_strength_is_compared_only_within_the_recording(last_db: float, code: str) -> None:
    found = findings(running=running_all_along(trend=a_trend([60.0] * 10, np.linspace(15, last_db, 10).tolist())))
    assert codes(found)[0] == code
    assert "phone" in found[0].question or "phone" in found[0].causes[0]


def test_slams_that_grow_louder_within_two_minutes_are_no_reason_to_watch() -> None:
    strengths_db = np.linspace(12, 20, 12).tolist()
    rows = tuple(
        replace(row, start_s=row.start_s / 6, end_s=row.end_s / 6) for row in a_trend([60.0] * 12, strengths_db)
    )
    found = findings(running=running_all_along(120.0, trend=rows))
    assert next(f for f in found if f.code == "louder-slams").severity is Severity.INFO


def test_missing_beats_are_doubted_where_the_slams_are_faint() -> None:
    assert next(f for f in findings(missed=30) if f.code == "missed-beats").severity is Severity.WATCH
    faint = next(f for f in findings(missed=30, strength_db=4) if f.code == "missed-beats")
    assert faint.severity is Severity.INFO
    assert "unheard" in faint.evidence


def test_pushing_without_success_asks_for_back_pressure() -> None:
    running = Running((Stretch(State.HAND, 0, 60, 12, 0.9),), startup=Startup(12, 3, None, None))
    found = find(Beats(a_train(30, 60)), running, NO_FLOW, info(60))
    assert codes(found)[0] == "will-not-run"
    assert "12 hand strokes" in found[0].evidence


def test_after_a_start_the_line_may_still_be_filling() -> None:
    running = replace(running_all_along(), startup=Startup(5, 0, 20.0, 60.0))
    first_fill = next(f for f in findings(running=running) if f.code == "first-fill")
    assert first_fill.basis is Basis.COMMON_PRACTICE
    assert "delivery line" in first_fill.question
    unsettled = replace(running_all_along(), startup=Startup(5, 0, 20.0, None))
    assert "still-settling" in codes(findings(running=unsettled))


def test_knocks_that_may_be_no_ram_send_nobody_to_the_pump() -> None:
    found = findings(Pattern.RAGGED, confidence=0.3, running=stopped(Cause.OPEN_STALL))
    assert {finding.severity for finding in found} == {Severity.INFO}
    assert "maybe-no-ram" in codes(found)
    assert all(finding.confidence <= 0.7 for finding in found)


def test_a_recording_without_a_beat_asks_about_the_valve() -> None:
    empty = SlamTrain(*([np.empty(0)] * 5), np.empty(0), np.empty(0), 30.0)
    running = Running((Stretch(State.QUIET, 0, 30, 0, 0.5),))
    (finding,) = find(Beats(empty), running, NO_FLOW, info(30))
    assert finding.code == "silent"
    assert finding.severity is Severity.INFO
    assert "open or shut" in finding.question


def test_two_rams_are_named_with_their_rates() -> None:
    one, other = a_train(60), a_train(45)
    beats = Beats(one, (a_beat(one), replace(a_beat(other), pump=2)))
    two = next(f for f in find(beats, running_all_along(), NO_FLOW, info()) if f.code == "two-rams")
    assert "60.0 and 45.0" in two.evidence


def test_hiss_after_each_slam_is_heard_in_the_high_bands_only() -> None:
    train = a_train(60, 100)
    rng = np.random.default_rng(0)
    level_db = rng.normal(-60, 0.5, (2000, 8)).astype(np.float32)
    for t in train.time_s[:-1]:
        at = int(t / 0.05) + 1
        level_db[at : at + 3, 6:] += 8
    flow = FlowTrack(0.05, level_db, np.geomspace(100, 12000, 9))
    beats = Beats(train, (a_beat(train),))
    assert "hiss" in codes(find(beats, running_all_along(100), flow, info(100)))
    level_db[:, :6] = level_db[:, 6:7]  # the whole band rises: that is the slam's own tail
    assert "hiss" not in codes(find(beats, running_all_along(100), flow, info(100)))


# --- the rows themselves


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.code)
def test_every_row_is_complete(rule) -> None:  # type: ignore[no-untyped-def]
    assert rule.code == rule.code.lower()
    assert rule.title
    assert rule.means.endswith(".")
    assert rule.next.endswith((".", "?"))
    assert set(rule.yields_to) <= set(CODES)
    assert rule.code not in rule.yields_to
    if rule.basis is Basis.PUBLISHED:
        assert rule.source
    if rule.severity is Severity.ACT:
        assert rule.cautions
        assert rule.checks
    assert len(rule.title) < 70


def test_codes_are_unique_and_explained() -> None:
    assert len(set(CODES)) == len(CODES)
    for rule in RULES:
        text = rule.explained()
        assert text.startswith(f"{rule.code}: ")
        assert "Basis: " in text


def test_checks_follow_the_order_of_the_trade() -> None:
    """Order of checking: common practice, no source."""
    order = ("source level", "strainer", "air", "valve", "delivery valve", "air vessel", "delivery pipe")
    for rule in RULES:
        named = [max((w for w in order if check.startswith(w)), key=len, default=None) for check in rule.checks]
        places = [order.index(word) for word in named if word]
        assert places == sorted(places), (rule.code, rule.checks)

"""Findings from made nouns: each rule where it belongs, silent where it does not, and in order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from clackcount.diagnosis import CODES, RULES, find, joined
from clackcount.hydraulics import meanings
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


def a_beat_of_two_rates(*beats: int) -> tuple[Finding, ...]:
    """So many beats at 60 and at 75 a minute in turn, as they are found."""
    interval_s = np.concatenate([np.full(n, (1.0, 0.8)[i % 2]) for i, n in enumerate(beats)])
    time_s = 0.5 + np.cumsum(interval_s)
    n, nothing = len(time_s), np.full(len(time_s), np.nan)
    end_s = float(time_s[-1] + 0.5)
    train = SlamTrain(time_s, np.full(n, 15), np.full(n, 0.9), nothing, nothing, np.ones(n), np.ones(n, bool), end_s)
    return find(Beats(train, (a_beat(train, Pattern.HOPPING),)), running_all_along(end_s), NO_FLOW, info(end_s))


def test_a_rate_that_changes_once_and_stays_is_a_jump_and_no_hop() -> None:
    (finding,) = a_beat_of_two_rates(100, 125)
    assert finding.code == "rate-jump"
    assert finding.evidence == "From 60.0 to 75.0 beats a minute at 01:40."
    assert finding.listen_at_s == pytest.approx((90.5,), abs=1)


def test_a_rate_that_goes_to_and_fro_hops_and_says_how_often_and_when() -> None:
    (finding,) = a_beat_of_two_rates(50, 50, 50, 60)
    assert finding.code == "two-rates"
    assert "between about 60 and 75 a minute, 3 times" in finding.evidence
    assert finding.listen_at_s == pytest.approx((50.5, 90.5, 140.5), abs=1)


def test_a_rate_that_has_just_changed_may_hop_back() -> None:
    assert codes(a_beat_of_two_rates(100, 25)) == ["two-rates"]


def test_a_rate_that_wanders_as_far_as_it_steps_does_not_jump() -> None:
    rates = [60.0, 63, 58, 62, 59, 60, 60, 60, 65, 65, 65, 61, 58, 63, 60, 64]
    assert "rate-jump" not in codes(findings(Pattern.WANDERING, running=running_all_along(960, a_trend(rates))))


@pytest.mark.parametrize("before", [4, 5])
def test_a_rate_that_wandered_off_for_half_a_minute_has_not_jumped(before: int) -> None:
    found = findings(Pattern.WANDERING, running=running_all_along(700, a_trend([60.0] * before + [66.0] * 6)))
    assert ("rate-jump" in codes(found)) is (before == 5)


def test_a_drift_within_one_run_is_told_though_the_next_run_begins_afresh() -> None:
    trend = a_trend([*np.linspace(62, 56, 14), *[62.0] * 8])
    runs = (Stretch(State.SELF, 0, 850, 800, 0.9), Stretch(State.HAND, 860, 870, 5, 0.9),
            Stretch(State.SELF, 870, 1320, 400, 0.9))  # fmt: skip
    running = Running(runs, (Stop(850.0, Cause.OPEN_STALL, 0.9, (), 870.0),), trend=trend)
    slowing = next(f for f in findings(running=running) if f.code == "slowing")
    assert "62.0 to 56." in slowing.evidence
    assert "00:00 and 13:00" in slowing.evidence


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


def test_slams_that_grow_louder_within_two_minutes_are_the_weather() -> None:
    strengths_db = np.linspace(12, 20, 12).tolist()
    rows = tuple(
        replace(row, start_s=row.start_s / 6, end_s=row.end_s / 6) for row in a_trend([60.0] * 12, strengths_db)
    )
    assert codes(findings(running=running_all_along(120.0, trend=rows))) == ["steady-beat"]


@pytest.mark.parametrize(("rise_db", "softer"), [(0.0, True), (1.0, True), (6.0, False)])
def test_slams_that_sink_into_rising_rain_are_no_softer(rise_db: float, softer: bool) -> None:
    train = a_train(60)
    level_db = np.linspace(-60, -60 + rise_db, 12000)[:, None] + np.zeros(8)
    flow = FlowTrack(0.05, level_db.astype(np.float32), np.geomspace(100, 12000, 9))
    trend = a_trend([60.0] * 10, np.linspace(15, 8, 10).tolist())
    found = find(Beats(train, (a_beat(train),)), running_all_along(trend=trend), flow, info())
    assert ("softer-slams" in codes(found)) is softer


def test_slams_that_sink_together_with_the_rush_are_no_softer() -> None:
    trend = tuple(
        replace(row, rush_db=rush_db)
        for row, rush_db in zip(
            a_trend([60.0] * 10, np.linspace(15, 8, 10).tolist()), np.linspace(6, 1, 10), strict=True
        )
    )
    assert codes(findings(running=running_all_along(trend=trend))) == ["steady-beat"]


def test_missing_beats_are_doubted_where_the_slams_are_faint() -> None:
    assert next(f for f in findings(missed=30) if f.code == "missed-beats").severity is Severity.WATCH
    faint = findings(missed=30, strength_db=4)
    assert codes(faint) == ["steady-beat", "unheard-beats"]
    assert "30 of 629 beats not heard; the slams stand 4 dB" in faint[1].evidence


def test_beats_that_count_in_the_rate_though_no_slam_was_heard_are_told_but_not_as_missed() -> None:
    train = a_train(60)
    beat = replace(a_beat(train), n_cycles=len(train) - 31)
    found = find(Beats(train, (beat,)), running_all_along(), NO_FLOW, info())
    assert codes(found) == ["steady-beat", "unheard-beats"]
    assert "30 of 599 beats" in found[1].evidence
    assert "rush of water" in found[1].next


def test_hand_strokes_within_what_was_taken_for_the_beat_say_nothing_of_the_pump() -> None:
    timeline = (Stretch(State.HAND, 0, 20, 10, 0.9), Stretch(State.SELF, 20, 600, 590, 0.9))
    running = Running(timeline, startup=Startup(10, 0, 20.0, 30.0))
    assert codes(findings(Pattern.RAGGED, running=running)) == ["first-fill"]


@pytest.mark.parametrize("cause", [Cause.SHUT_STALL, Cause.OPEN_STALL])
def test_of_stops_that_are_all_alike_the_cause_stands_first(cause: Cause) -> None:
    code = {Cause.SHUT_STALL: "stopped-shut", Cause.OPEN_STALL: "stopped-open"}[cause]
    stops = tuple(Stop(t, cause, 0.9, (), t + 100) for t in (100.0, 300.0))
    timeline = tuple(
        Stretch(State.SELF if i % 2 == 0 else State.QUIET, 100.0 * i, 100.0 * i + 100, 90, 0.9) for i in range(6)
    )
    assert codes(findings(running=Running(timeline, stops)))[:2] == [code, "stops-again"]


def test_missing_beats_are_told_with_their_places() -> None:
    time_s = np.delete(np.arange(0.5, 120, 1.0), [30, 60, 90])
    n, nothing = len(time_s), np.full(len(time_s), np.nan)
    train = SlamTrain(time_s, np.full(n, 15), np.full(n, 0.9), nothing, nothing, np.ones(n), np.ones(n, bool), 120.0)
    found = find(Beats(train, (a_beat(train, missed=3),)), running_all_along(120), NO_FLOW, info(120))
    assert next(f for f in found if f.code == "missed-beats").listen_at_s == (29.5, 59.5, 89.5)


def test_a_pause_after_which_it_goes_on_by_itself_is_no_stop_again_and_again() -> None:
    def twice(restart_s: float) -> Running:
        return Running(
            (Stretch(State.SELF, 0, 200, 200, 0.9), Stretch(State.QUIET, 200, 200 + restart_s, 0, 0.5),
             Stretch(State.SELF, 200 + restart_s, 400, 200, 0.9), Stretch(State.QUIET, 400, 400 + restart_s, 0, 0.5),
             Stretch(State.SELF, 400 + restart_s, 600, 200, 0.9)),
            tuple(Stop(t, Cause.UNKNOWN, 0.5, (), t + restart_s) for t in (200.0, 400.0)),
        )  # fmt: skip

    assert "stops-again" not in codes(findings(running=twice(3.0)))
    assert "stops-again" in codes(findings(running=twice(60.0)))


def test_pushing_without_success_asks_for_back_pressure() -> None:
    running = Running((Stretch(State.HAND, 0, 60, 12, 0.9),), startup=Startup(12, 3, None, None))
    found = find(Beats(a_train(30, 60)), running, NO_FLOW, info(60))
    assert codes(found)[0] == "will-not-run"
    assert "12 pushes" in found[0].evidence


def test_after_a_start_the_line_may_still_be_filling_and_no_catch_is_asked_for() -> None:
    running = replace(running_all_along(), startup=Startup(5, 0, 20.0, 60.0))
    found = findings(running=running, rate=150)
    assert codes(found) == ["first-fill", "fast-beat"]
    assert found[0].basis is Basis.COMMON_PRACTICE
    assert "delivery line" in found[0].question
    assert "only then trust rate and catch" in found[0].next
    unsettled = replace(running_all_along(), startup=Startup(5, 0, 20.0, None))
    assert codes(findings(running=unsettled)) == ["still-settling", "first-fill"]


def test_first_beats_that_went_unheard_are_no_start() -> None:
    running = replace(running_all_along(), startup=Startup(0, 0, 2.0, None))
    assert codes(findings(running=running)) == ["steady-beat"]


def test_a_beat_that_quickens_after_a_start_is_a_line_that_fills() -> None:
    trend = a_trend(np.linspace(60, 66, 14).tolist())
    running = replace(running_all_along(840, trend), startup=Startup(5, 0, 20.0, 60.0))
    quickening = next(f for f in findings(running=running) if f.code == "quickening")
    assert quickening.severity is Severity.INFO
    assert "filling" in quickening.evidence


def test_knocks_that_may_be_no_ram_send_nobody_to_the_pump() -> None:
    found = findings(Pattern.RAGGED, confidence=0.3, running=stopped(Cause.OPEN_STALL))
    assert {finding.severity for finding in found} == {Severity.INFO}
    assert codes(found)[0] == "maybe-no-ram"
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


@pytest.mark.parametrize(("shut_s", "told"), [(0.05, True), (0.09, False), (0.2, False)])
def test_a_second_knock_is_one_that_comes_before_the_valve_can_reopen(shut_s: float, told: bool) -> None:
    train = a_train(60)
    train = replace(train, reopen_s=train.time_s + shut_s)
    found = find(Beats(train, (a_beat(train),)), running_all_along(), NO_FLOW, info())
    assert ("second-knock" in codes(found)) is told


def test_a_missing_rush_is_told_only_where_the_slams_stand_out_far() -> None:
    trend = tuple(replace(row, rush_db=0.2) for row in a_trend([60.0] * 10))
    running = running_all_along(trend=trend)
    assert "no-rush" in codes(findings(running=running, strength_db=24))
    assert "no-rush" not in codes(findings(running=running, strength_db=14))


def test_what_the_site_tells_stands_in_place_of_what_holds_for_rams_in_general() -> None:
    def of_site(code: str) -> Finding:
        return meanings.MEANING[code].finding("Heard against written.", 0.8)

    found = findings(rate=30)
    assert codes(found) == ["steady-beat", "slow-beat"]
    assert codes(joined(found, (of_site("heard-fits-site"),), 0.95)) == ["steady-beat", "heard-fits-site"]
    assert codes(joined(found, (of_site("rate-below-site"),), 0.95)) == ["rate-below-site"]
    assert codes(joined(found, (of_site("air-suspected"),), 0.95)) == ["air-suspected", "slow-beat"]
    in_doubt = joined(found, (of_site("air-suspected"),), 0.4)
    assert {finding.severity for finding in in_doubt} == {Severity.INFO}


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


@pytest.mark.parametrize("rule", [*RULES, *meanings.MEANINGS], ids=lambda rule: rule.code)
def test_what_sends_a_person_somewhere_carries_the_caution_of_that_place(rule) -> None:  # type: ignore[no-untyped-def]
    """Cautions: the reference's list, common practice, no source."""
    told = " ".join((rule.next, *rule.checks)).lower()
    on_paper = {"efficiency-over-one", "delivery-over-bound"}  # they send to the measurements
    sent = (rule.severity is not Severity.INFO or rule.checks) and rule.code not in on_paper
    for words, caution in (
        (("valve:", "the valve", "waste valve", "stroke or"), "fingers"),
        (("delivery valve", "delivery pipe", "air vessel", "drive pipe"), "pressure off"),
        (("source level", "intake", "strainer"), "drown"),
    ):
        if sent and any(word in told for word in words):
            assert any(caution in text for text in rule.cautions), (rule.code, caution)
    if rule.severity is not Severity.INFO and sent:
        assert any("local codes" in text for text in rule.cautions)
    if "record" in rule.next.lower():  # the phone is held beside the valve, and beside the stream
        assert any("fingers" in text for text in rule.cautions), rule.code


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

"""Words and rounding: what a person reads must not say more than was measured."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from handmade import FINDING, beat_of, listening_of, train_of
from hypothesis import given
from hypothesis import strategies as st

from clackcount import model
from clackcount.report import view, words
from clackcount.units import clock


@pytest.mark.parametrize(("time_s", "text"), [
    (0.0, "00:00"), (4.4, "00:04"), (59.7, "01:00"), (61.3, "01:01"), (3599.6, "1:00:00"), (86399, "23:59:59"),
])  # fmt: skip
def test_clock(time_s, text):
    assert clock(time_s) == text


@pytest.mark.parametrize(("value", "low", "high", "text"), [
    (62.414, 62.38, 62.44, "62.41 ± 0.04"),  # the wider side counts, rounded up
    (62.4, 59.0, 66.0, "62 ± 4"),
    (240.0, 220.0, 251.0, "240 ± 20"),
    (62.4, 62.4, 62.4, "62.400 ± 0.000"),
    (62.4, float("-inf"), float("inf"), "62.4"),
])  # fmt: skip
def test_plus_minus(value, low, high, text):
    assert words.plus_minus(value, low, high) == text


@given(value=st.floats(15, 400), half=st.floats(0.0005, 14))
def test_printed_interval_covers_the_measured_one(value, half):
    printed = words.plus_minus(value, value - half, value + half)
    middle, printed_half = (float(part) for part in printed.split(" ± "))
    digits = len(printed.rpartition(".")[2]) if "." in printed else 0
    assert printed_half >= half * (1 - 1e-6)
    assert abs(middle - value) <= 0.5 * 10**-digits + 1e-9


@given(st.floats(0, 1))
def test_never_certain(confidence):
    assert int(re.search(r"(\d+) in 100", words.how_sure(confidence))[1]) <= min(99, 100 * confidence + 1e-6)


@pytest.mark.parametrize(("share", "text"), [
    (0.0, "0.0 %"), (0.0004, "under 0.1 %"), (0.011, "1.1 %"), (0.25, "25 %"),
])  # fmt: skip
def test_per_cent_hides_no_scatter(share, text):
    assert words.per_cent(share) == text


def test_no_ram_says_so_and_no_rate(no_ram):
    seen = view.of(no_ram)
    assert seen.headline == "No ram heard in this recording."
    assert seen.facts == ()
    assert "minute" not in seen.headline


def test_single_slams_make_no_rate():
    headline = view.headline(listening_of(train_of([1.0, 4.0, 9.0])))
    assert headline == "No ram heard running by itself: 3 single slams, no steady beat."


def test_an_unlikely_ram_is_doubted_in_the_first_line(steady):
    train = steady.beats.train
    beats = model.Beats(train, (beat_of(train, confidence=0.3),))
    running = model.Running((model.Stretch(model.State.SELF, 0.0, 61.6, 63, 0.9),))
    seen = view.of(dataclasses.replace(steady, beats=beats, running=running))
    assert seen.headline == "Something knocks 62.40 ± 0.03 times a minute. It may not be a ram."
    assert "waste valve" not in [fact.label for fact in seen.facts]  # what may be no ram has none
    assert [event.text for event in seen.story] == ["beats by itself, 63 knocks"]


def test_running_and_stopped_are_told_apart(steady, stopped):
    assert view.headline(steady).startswith("The ram runs at 62.40 ±")
    assert view.headline(stopped).startswith("The ram ran at 62.4 ±")


STOPS = [(20.0, model.Cause.SHUT_STALL, 0.9), (40.0, model.Cause.OPEN_STALL, 0.9), (40.0, model.Cause.STARVED, 0.2)]


@pytest.mark.parametrize(("stops", "last", "end"), [
    (STOPS[:0], model.State.SELF, "runs at 62.4 ± 0.5 beats a minute."),
    (STOPS[:0], model.State.QUIET, "ran at 62.4 ± 0.5 beats a minute."),
    (STOPS[:1], model.State.QUIET, "beats a minute and stopped at 00:20 with the waste valve shut."),
    (STOPS[1:2], model.State.RUSHING, "beats a minute and stopped at 00:40 with the waste valve open."),
    (STOPS[2:], model.State.QUIET, "beats a minute and stopped at 00:40."),  # a cause in doubt is no verdict
    (STOPS[:2], model.State.QUIET, "stopped 2 times, the last time at 00:40 with the waste valve open."),
    (STOPS[:1], model.State.SELF, "runs at 62.4 ± 0.5 beats a minute; it stopped once and runs again."),
    (STOPS[:2], model.State.SELF, "runs at 62.4 ± 0.5 beats a minute; it stopped 2 times and runs again."),
])  # fmt: skip
def test_the_verdict_tells_whether_it_stands(stopped, stops, last, end):
    timeline = (*stopped.running.timeline[:-1], model.Stretch(last, 41.7, 61.3, 0, 0.9))
    running = model.Running(timeline, tuple(model.Stop(*stop) for stop in stops))
    assert view.headline(dataclasses.replace(stopped, running=running)).endswith(end)


def test_beats_that_went_unheard_are_told(steady):
    train = steady.beats.train
    beat = beat_of(train, n_cycles=len(train) - 5)
    seen = view.of(dataclasses.replace(steady, beats=model.Beats(train, (beat,))))
    assert next(fact.value for fact in seen.facts if fact.label == "the beat").endswith("; 4 beats not heard")


def test_two_rams_each_have_their_rate():
    time_s = np.array([1.0, 1.3, 2.0, 2.4, 3.0, 3.5])
    train = train_of(time_s, pump=[1, 2, 1, 2, 1, 2])
    seen = view.of(listening_of(train, pumps=(beat_of(train), beat_of(train, pump=2))))
    assert seen.headline == "The ram runs at 60.00 ± 0.03 beats a minute; 2 rams are heard."
    assert [(fact.label, fact.value[:4]) for fact in seen.facts if fact.label.startswith("ram")] == [
        ("ram 1", "60.0"),
        ("ram 2", "54.5"),
    ]


def test_a_second_ram_that_is_in_doubt_is_no_ram_heard_and_has_its_doubt_by_its_number():
    train = train_of(np.array([1.0, 1.3, 2.0, 2.4, 3.0, 3.5]), pump=[1, 2, 1, 2, 1, 2])
    perhaps = beat_of(train, pump=2, confidence=0.48, doubts=("no rush of water was heard",))
    seen = view.of(listening_of(train, pumps=(beat_of(train), perhaps)))
    assert seen.headline.endswith(" beats a minute; perhaps another beats beside it.")
    assert "Ram 2: no rush of water was heard." in seen.doubts


@pytest.mark.parametrize(("cv", "robust_cv", "text"), [
    (0.02, 0.012, "even; intervals scatter by 2.0 %; 1 beat missed"),
    (0.08, 0.009, "even; most intervals scatter by 0.9 %, a few by more; 1 beat missed"),
    (0.08, 0.0, "even; intervals scatter by 8.0 %; 1 beat missed"),
])  # fmt: skip
def test_a_few_intervals_that_stray_do_not_hide_how_even_the_others_are(steady, cv, robust_cv, text):
    regularity = model.Regularity(cv=cv, robust_cv=robust_cv, missed=1, pattern=model.Pattern.EVEN)
    beat = beat_of(steady.beats.train, regularity=regularity)
    facts = view.of(dataclasses.replace(steady, beats=model.Beats(steady.beats.train, (beat,)))).facts
    assert text in [fact.value for fact in facts]


def test_story_is_in_order_and_says_what_happened(stopped):
    story = view.of(stopped).story
    assert [event.at for event in story] == ["00:00", "00:04", "00:33", "00:38", "00:42"]
    assert "12 slams" in story[1].text
    assert "timed catch" in story[3].text
    assert "stays open" in story[4].text
    assert "slower by 4 %" in story[4].text


def test_how_long_it_took_to_settle_is_told_with_its_band_rounded_outwards(stopped):
    fitted = dataclasses.replace(stopped.running.startup, settling_time_s=15.0, settling_time_ci95_s=(10.7, 19.3))
    running = dataclasses.replace(stopped.running, startup=fitted)
    told = view.of(dataclasses.replace(stopped, running=running)).story[3].text
    assert told.endswith("once the delivery line is full; it settled in 15 s (10 to 20 s)")


def test_quiet_that_might_as_well_be_rushing_is_told_with_doubt(stopped):
    timeline = (model.Stretch(model.State.QUIET, 0.0, 61.3, 0, 0.55),)
    told = dataclasses.replace(stopped, running=model.Running(timeline))
    assert view.story(told, 10)[0].text == "no beat; whether water rushes cannot be told here"
    sure = dataclasses.replace(told, running=model.Running((dataclasses.replace(timeline[0], confidence=0.8),)))
    assert view.story(sure, 10)[0].text == "quiet: no beat, no rush of water"


def test_long_story_is_shortened_and_says_how_much_is_left_out():
    states = [model.State.SELF, model.State.RUSHING] * 100
    timeline = tuple(model.Stretch(state, 10.0 * i, 10.0 * i + 10, 5, 0.9) for i, state in enumerate(states))
    train = train_of(np.arange(1.0, 2000.0), duration_s=2000.0)
    story = view.of(listening_of(train, running=model.Running(timeline))).story
    assert len(story) == view.STORY_LINES + 1
    assert f"({200 - view.STORY_LINES} more changes left out" in story[view.STORY_LINES // 2].text


def test_a_long_story_keeps_stops_and_runs_rather_than_pushing_and_water():
    states = [model.State.SELF, model.State.RUSHING, model.State.HAND] * 5
    timeline = tuple(model.Stretch(state, 10.0 * i, 10.0 * i + 10, 5, 0.9) for i, state in enumerate(states))
    stops = tuple(model.Stop(10.0 + 30 * i, model.Cause.OPEN_STALL, 0.9) for i in range(5))
    train = train_of(np.arange(1.0, 150.0), duration_s=150.0)
    story = view.of(listening_of(train, running=model.Running(timeline, stops))).story
    assert [event.text.split(":")[0].split(",")[0] for event in story[:4]] == ["runs by itself", "stops"] * 2
    assert story[-2].text == "pushed by hand, 5 slams"  # how it ends
    assert story[-1].text == "(4 lesser changes left out: --json has them all)"


def test_first_beats_that_went_unheard_are_no_start(steady):
    timeline = (
        model.Stretch(model.State.QUIET, 0.0, 1.5, 0, 0.5),
        model.Stretch(model.State.SELF, 1.5, 61.6, 63, 0.9),
    )
    running = model.Running(timeline, startup=model.Startup(0, 0, 1.5, 1.5))
    seen = view.of(dataclasses.replace(steady, running=running))
    assert "start-up" not in [fact.label for fact in seen.facts]
    assert not any("catch" in event.text for event in seen.story)


def trend_of(n_rows: int, duration_s: float) -> tuple[view.TrendLine, ...]:
    window_s = duration_s / n_rows
    rows = tuple(
        model.TrendRow(i * window_s, (i + 1) * window_s, 60.0 + i, 0.01, 18.0, None, 1) if i % 4 else
        model.TrendRow(i * window_s, (i + 1) * window_s, None, None, None, None, 0)
        for i in range(n_rows)
    )  # fmt: skip
    train = train_of(np.arange(1.0, duration_s))
    timeline = (model.Stretch(model.State.SELF, 0.0, duration_s, len(train), 0.9),)
    return view.of(listening_of(train, running=model.Running(timeline, trend=rows))).trend


def test_trend_of_a_short_recording_is_left_to_the_story():
    assert trend_of(10, duration_s=120.0) == ()


def test_trend_keeps_every_missed_beat_and_covers_the_whole():
    lines = trend_of(48, duration_s=4800.0)
    assert len(lines) == 12
    assert sum(int(line.missed) for line in lines) == 36
    assert (lines[0].span, lines[-1].span) == ("00:00-06:40", "1:13:20-1:20:00")
    assert lines[0].rate == "62.0"  # the middle one of 61, 62 and 63; nothing beat in the first window


def test_trend_says_where_nothing_was_measured():
    line = trend_of(4, duration_s=400.0)[0]
    assert line == view.TrendLine("00:00-01:40", "100 %", "-", "-", "-", "-", "0", "0")


def test_trend_says_for_how_much_of_each_window_it_ran_and_how_often_it_stopped():
    rows = tuple(model.TrendRow(200.0 * i, 200.0 * i + 200, 60.0, 0.01, 18.0, 6.0, 0) for i in range(2))
    timeline = tuple(
        model.Stretch(state, start_s, end_s, 9, 0.9)
        for state, start_s, end_s in (
            (model.State.SELF, 0, 100), (model.State.QUIET, 100, 150), (model.State.SELF, 150, 250.9),
            (model.State.QUIET, 250.9, 400),
        )
    )  # fmt: skip
    stops = (model.Stop(100.0, model.Cause.UNKNOWN, 0.5), model.Stop(250.9, model.Cause.UNKNOWN, 0.5))
    listening = listening_of(train_of(np.arange(1.0, 400.0)), running=model.Running(timeline, stops, trend=rows))
    lines = view.of(listening).trend
    assert [(line.runs, line.rush, line.stops) for line in lines] == [("75 %", "6 dB", "1"), ("25 %", "6 dB", "1")]


def test_first_thing_to_do_is_never_a_mere_remark(stopped):
    seen = view.of(stopped)
    assert seen.first.code == "open-stall-debris"
    assert [advice.code for advice in seen.others] == ["short-run"]
    only_remarks = dataclasses.replace(stopped, findings=stopped.findings[:1])
    assert view.of(only_remarks).first is None


def test_where_nothing_is_urgent_what_to_do_next_comes_first(steady):
    remark = model.Finding("short", model.Severity.INFO, "Short", "9 s", "", 0.9, model.Basis.INFERENCE)
    catch = dataclasses.replace(remark, code="even", title="Even", next="Measure a catch.")
    seen = view.of(dataclasses.replace(steady, findings=(remark, catch)))
    assert seen.first.next == "Measure a catch."
    assert [advice.code for advice in seen.others] == ["short"]
    assert seen.calm
    assert not view.of(dataclasses.replace(steady, findings=(FINDING,))).calm


def test_evidence_is_a_sentence_even_where_a_rule_left_out_the_stop(steady):
    odd = dataclasses.replace(FINDING, evidence="62 a minute heard; 70 expected")
    assert view.of(dataclasses.replace(steady, findings=(odd,))).first.evidence == "62 a minute heard; 70 expected."


def test_a_finding_that_only_repeats_the_first_line_is_left_out(no_ram):
    silent = model.Finding("silent", model.Severity.INFO, "No ram heard", "", "", 0.5, model.Basis.INFERENCE)
    assert view.of(dataclasses.replace(no_ram, findings=(silent,))).others == ()


@pytest.mark.parametrize("kind", [model.Pattern, model.State, model.Cause])
def test_every_noun_has_its_words(kind):
    words = {model.Pattern: view._PATTERNS, model.State: view._STATES, model.Cause: view._CAUSES}[kind]
    assert set(words) == set(kind)

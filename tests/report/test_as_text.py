"""The text: the answer first, nothing wider than the screen, nothing but plain characters."""

from __future__ import annotations

import dataclasses

import pytest
from handmade import FINDING
from hypothesis import given, settings
from hypothesis import strategies as st

from clackcount import model
from clackcount.report import as_text, view

EMPTY = view.View("a.wav", "0:10 of sound", "No ram heard.", (), (), (), None, (), ())


@pytest.mark.parametrize("name", ["no_ram", "steady", "stopped"])
@pytest.mark.parametrize("width", [80, 40])
def test_no_line_is_wider_than_asked(name, width, request):
    text = as_text.render(view.of(request.getfixturevalue(name)), width=width)
    assert max(len(line) for line in text.splitlines()) <= width


def test_the_answer_comes_first(stopped):
    lines = as_text.render(view.of(stopped)).splitlines()
    assert lines[0].startswith("lower-meadow.m4a: 01:01 of sound")
    assert " ".join(lines[2:4]) == (
        "The ram ran at 62.4 ± 0.5 beats a minute and stopped at 00:42 with the waste valve open."
    )


def test_what_is_not_urgent_is_said_in_few_lines(stopped):
    catch = dataclasses.replace(FINDING, severity=model.Severity.INFO, title="Runs evenly", next="Measure a catch.")
    text = as_text.render(view.of(dataclasses.replace(stopped, findings=(catch,))))
    told = text.split("What to do next\n")[1].split("\n\n")[0]
    assert told.startswith("  Measure a catch.\n  Why: Runs evenly (fairly sure, 82 in 100; more: clackcount explain")
    assert FINDING.evidence not in text
    assert "Caution: Keep fingers out" in told  # it stands still: somebody will go and look
    calm = dataclasses.replace(view.of(dataclasses.replace(stopped, findings=(catch,))), calm=True)
    assert "Caution" not in as_text.render(calm)


def test_order_of_the_parts(stopped):
    text = as_text.render(view.of(stopped))
    places = [text.index(part) for part in ("What happened", "First thing to do", "Also", "What to doubt")]
    assert places == sorted(places)
    assert "Caution: Keep fingers out of the waste valve" in text
    assert "clackcount explain" in text


def test_empty_parts_leave_no_headings(no_ram):
    text = as_text.render(view.of(no_ram))
    assert text == "lower-meadow.m4a: 01:00 of sound, m4a (aac), 48 kHz, stereo\n\nNo ram heard in this recording.\n"


def test_colour_only_adds_and_only_through_paint(stopped):
    plain = as_text.render(view.of(stopped))
    painted = as_text.render(view.of(stopped), paint=lambda text, role: f"<{role}>{text}</{role}>")
    assert "\x1b" not in plain
    assert "<act>First thing to do</act>" in painted
    for role in ("strong", "faint", "act"):
        painted = painted.replace(f"<{role}>", "").replace(f"</{role}>", "")
    assert painted == plain


def test_trend_columns_line_up():
    rows = (
        view.TrendLine("0:00-10:00", "100 %", "62.4", "1.1 %", "18 dB", "6 dB", "0", "0"),
        view.TrendLine("10:00-20:00", "0 %", "-", "-", "-", "-", "12", "1"),
    )
    lines = as_text.render(dataclasses.replace(EMPTY, trend=rows)).splitlines()
    table = lines[lines.index("Over time") + 1 :]
    assert len({len(line) for line in table}) == 1
    assert table[1].split() == ["0:00-10:00", "100", "%", "62.4", "1.1", "%", "18", "dB", "6", "dB", "0", "0"]
    narrow = as_text.render(dataclasses.replace(EMPTY, trend=rows), width=40).splitlines()
    assert narrow[-3].split() == ["time", "runs", "a", "minute", "stops"]
    assert max(map(len, narrow)) <= 40


@settings(max_examples=50)
@given(
    words=st.lists(st.text("abcdefgh", min_size=1, max_size=12), min_size=1, max_size=60), width=st.integers(32, 120)
)
def test_wrapping_loses_no_word(words, width):
    doubt = " ".join(words)
    text = as_text.render(dataclasses.replace(EMPTY, doubts=(doubt,)), width=width)
    assert text.split("What to doubt")[1].split()[1:] == words
    assert max(len(line) for line in text.splitlines()) <= width


@pytest.mark.parametrize(("text", "fitted"), [
    ("", "\n"),
    ("one two three four five six seven", "one two three four five six\nseven\n"),
    ("a\n\nb", "a\n\nb\n"),
    ("  - one two three four five six seven", "  - one two three four five\n    six seven\n"),
    ("  12. one two three four five six", "  12. one two three four\n      five six\n"),
])  # fmt: skip
def test_fitted_hangs_lists_under_their_first_word(text, fitted):
    assert as_text.fitted(text, 28) == fitted


def test_columns():
    rows = [("slow", "one two three four five six"), ("uneven", "seven")]
    assert as_text.columns(rows, 32) == "  slow    one two three four\n          five six\n  uneven  seven\n"

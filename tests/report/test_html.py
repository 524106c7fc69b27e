"""The page says what the result says, carries its sound, and asks nobody for anything."""

from __future__ import annotations

import base64
import dataclasses
import re
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest
from handmade import FINDING, beat_of, listening_of, train_of

from clackcount import model
from clackcount.report import as_html, keeping, view, words
from clackcount.report.figures import paper

SOUND = b"the very bytes of the sound" * 100


class Read(HTMLParser):
    """All elements with their attributes, and the text, of a page."""

    def __init__(self, page):
        super().__init__()
        self.elements, self.text, self._hidden = [], "", 0
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self._hidden += tag in ("style", "script", "svg")

    def handle_endtag(self, tag):
        self._hidden -= tag in ("style", "script", "svg")

    def handle_data(self, data):
        if not self._hidden:
            self.text += data.replace("\u00a0", " ")  # figures are tied to their units

    def all(self, tag):
        return [attrs for name, attrs in self.elements if name == tag]


def clip(start_s, end_s, data=SOUND):
    return model.Clip(start_s, end_s, "audio/mp4", data, 9.0)


@pytest.fixture
def page(stopped):
    heard = as_html.Heard(
        stopped,
        clips=(clip(0.0, 61.3),),
        digest="0123abcd" * 8,
        measured=(("delivered now", "0.35 ± 0.02 L/min"),),
        assumed=("the drive pipe is steel",),
        cautions=("Drain it against frost.",),
    )
    return as_html.render([heard])


def test_verdict_and_first_thing_to_do_come_first(page, stopped):
    text = Read(page).text
    order = [
        view.headline(stopped), FINDING.next, FINDING.title, "What the pump did", "Also found", "Results",
        "0.35 ± 0.02 L/min", "What was assumed", "the drive pipe is steel", "Cautions", "How this was computed",
    ]  # fmt: skip
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_every_finding_stands_with_evidence_surety_and_basis(page, stopped):
    text = Read(page).text
    for finding in stopped.findings:
        assert finding.title in text
        assert finding.evidence in text
        assert words.how_sure(finding.confidence).capitalize() in text
        assert f"Basis: {finding.basis}" in text
        for caution in finding.cautions:
            assert caution in text


def test_a_question_for_a_title_gets_no_full_stop(stopped):
    finding = dataclasses.replace(FINDING, severity=model.Severity.INFO, title="Is the line full?")
    text = Read(as_html.render([as_html.Heard(dataclasses.replace(stopped, findings=(finding,)))])).text
    assert "Is the line full?" in text
    assert "Is the line full?." not in text


def test_how_it_was_computed_names_version_settings_and_digest(page, stopped):
    text = Read(page).text
    for said in (stopped.version, "self_cycles_min 6", "0123abcd" * 8, stopped.recording.path):
        assert said in text


def test_buttons_carry_the_time_of_what_they_stand_by(page, stopped):
    at = [float(attrs["data-at"]) for attrs in Read(page).all("button")]
    assert at[0] == 41.7  # of the first thing to do
    expected = [stretch.start_s for stretch in stopped.running.timeline] + [stopped.running.startup.settled_from_s]
    assert sorted(at[1:]) == sorted(expected)
    assert Read(page).all("article")[0]["data-stops"] == "41.7"


def test_the_sound_is_in_the_page_byte_for_byte(page):
    (audio,) = Read(page).all("audio")
    head, body = audio["src"].split(",")
    assert head == "data:audio/mp4;base64"
    assert base64.b64decode(body) == SOUND
    assert (audio["data-start"], audio["data-end"]) == ("0.000", "61.300")


def test_nothing_is_fetched(page):
    """No address that leads out, and a policy (W3C Content Security Policy 3) that would stop one."""
    read = Read(page)
    for tag, attrs in read.elements:
        for name in ("src", "href", "xlink:href", "action", "data", "poster", "srcset"):
            assert re.match(r"data:|#|$", attrs.get(name) or ""), (tag, attrs)
    (policy,) = (attrs["content"] for attrs in read.all("meta") if attrs.get("http-equiv"))
    assert "default-src 'none'" in policy
    assert "http" not in policy
    assert re.findall(r"@import|url\((?!#)", page) == []


def test_names_from_outside_are_text_and_nothing_else(stopped):
    nasty = '<script>alert("x")</script>&.m4a'
    info = dataclasses.replace(stopped.recording, path=nasty)
    finding = dataclasses.replace(FINDING, title="</section><b>bold</b>", next="a < b")
    listening = dataclasses.replace(stopped, recording=info, findings=(finding,))
    read = Read(as_html.render([as_html.Heard(listening)]))
    assert len(read.all("script")) == 1
    assert read.all("b") == []
    assert "</section><b>bold</b>" in read.text
    assert nasty in read.text


def test_ids_are_unique_over_several_recordings(stopped, steady, no_ram):
    page = as_html.render([as_html.Heard(each, clips=(clip(0, 5),)) for each in (stopped, steady, no_ram, stopped)])
    read = Read(page)
    ids = [attrs["id"] for _, attrs in read.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    pointed = [attrs["href"][1:] for attrs in read.all("a")] + [a["aria-labelledby"] for a in read.all("audio")]
    assert set(pointed) <= set(ids)
    assert len(read.all("article")) == 4


def test_without_sound_there_is_nothing_to_press(stopped):
    read = Read(as_html.render([as_html.Heard(stopped)]))
    assert read.all("audio") == read.all("button") == read.all("input") == []
    assert "00:42" in read.text


def test_no_ram_gives_a_page_that_says_so(no_ram):
    read = Read(as_html.render([as_html.Heard(no_ram)]))
    assert "No ram heard in this recording." in read.text
    assert "Nothing to do" in read.text  # no finding was made
    assert "walk to the pump" not in read.text  # nobody knows whether it stands
    assert "none that a ram makes" in read.text


RATIOS = (
    model.Ratio("delivered water", 1.22, 1.14, 1.30, "better"),
    model.Ratio("beat", 0.99, 0.9, 1.1, "not shown"),
)


def test_trials_say_which_how_sure_and_what_next_before_anything_else():
    trials = as_html.Trials(
        "Trial 4 against trial 3", "Delivered water: 22 % more.", "Keep trial 4.", ("Measured twice.",),
        head=("", "ratio"), rows=((("delivered water", ""), ("1.22", "1.14 to 1.30")),), note="Under each: 95 %.",
        lists=(("What was assumed", ("The same jug.",)),), cautions=("Mind your fingers.",), ratios=RATIOS,
    )  # fmt: skip
    read = Read(as_html.render([], [trials]))
    article = read.text[read.text.rindex("Trial 4 against trial 3") :]
    order = [
        "Delivered water: 22 %", "Keep trial 4.", "Measured twice.", "Mind your fingers.", "1.22",
        "1.14 to 1.30", "Under each", "The same jug.",
    ]  # fmt: skip
    places = [article.index(words) for words in order]
    assert places == sorted(places)
    picture = next(attrs for attrs in read.all("svg") if attrs.get("role") == "img")
    assert "Delivered water: 22 %" in picture["aria-label"]


def test_trials_without_a_picture_make_a_page_too():
    read = Read(as_html.render([], [as_html.Trials("Which stroke", "Best so far: stroke 10 mm.")]))
    assert read.all("svg") == []
    assert "Best so far: stroke 10 mm." in read.text


# --- colours -----------------------------------------------------------------------------------------------------


def luminance(colour):
    """Relative luminance of #rrggbb (WCAG 2.2, definition of relative luminance)."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """Contrast ratio (WCAG 2.2, definition of contrast ratio)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_gives_the_published_ends():
    """WCAG 2.2: black on white is 21:1, the same colour 1:1; #767676 on white is the lightest grey to pass 4.5:1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") < 4.5 <= contrast("#767676", "#ffffff")


@pytest.mark.parametrize("roles", [paper.ROLES, paper.DARK], ids=["light", "dark"])
def test_text_and_marks_stand_out(roles):
    """WCAG 2.2, 1.4.3: text 4.5:1. 1.4.11: marks that carry meaning 3:1 against what they lie on."""
    assert list(roles) == list(paper.ROLES)
    for role in ("ink", "faint", "work", "hand", "stop", "doubt"):
        assert contrast(roles[role], roles["paper"]) >= 4.5, role
    assert contrast(roles["water"], roles["paper"]) >= 3
    for role in ("work", "ink"):
        assert contrast(roles[role], roles["work-soft"]) >= 3, role
    assert contrast(roles["ink"], roles["water-soft"]) >= 4.5


# --- which sound goes with it --------------------------------------------------------------------------------------


def long_night(duration_s=8 * 3600.0, stops_s=(3000.0, 9000.0, 20000.0)):
    train = train_of(np.arange(1.0, duration_s - 1, 1.0), duration_s=duration_s)
    bounds = [0.0, *stops_s, duration_s]
    timeline = tuple(model.Stretch(model.State.SELF, start_s, end_s, 10, 0.9) for start_s, end_s in pairwise(bounds))
    stops = tuple(model.Stop(at_s, model.Cause.UNKNOWN, 0.6) for at_s in stops_s)
    return listening_of(train, pumps=(beat_of(train),), running=model.Running(timeline, stops))


def test_a_short_recording_goes_whole(stopped):
    assert keeping.spans(stopped) == [(0.0, 61.3)]


def test_of_a_long_one_the_stops_and_a_steady_piece_go():
    listening = long_night()
    spans = keeping.spans(listening)
    for stop in listening.running.stops:
        assert any(start_s <= stop.time_s - 5 and stop.time_s + 5 <= end_s for start_s, end_s in spans)
    assert max(end_s - start_s for start_s, end_s in spans) >= keeping.STEADY_S


@pytest.mark.parametrize("n_stops", [0, 5, 400])
def test_kept_pieces_are_apart_inside_and_not_too_much(n_stops):
    listening = long_night(stops_s=tuple(np.linspace(10.0, 28700.0, n_stops)))
    spans = keeping.spans(listening)
    flat = [time_s for span in spans for time_s in span]
    assert flat == sorted(flat)
    assert flat[0] >= 0
    assert flat[-1] <= listening.recording.duration_s
    assert 0 < sum(end_s - start_s for start_s, end_s in spans) <= keeping.MOST_S


def test_a_page_of_eight_hours_stays_under_8_mb():
    listening = long_night(stops_s=tuple(np.linspace(10.0, 28700.0, 60)))
    spans = keeping.spans(listening)
    clips = tuple(clip(start_s, end_s, bytes(int(6300 * (end_s - start_s)))) for start_s, end_s in spans)
    page = as_html.render([as_html.Heard(listening, clips=clips)])
    assert 1e6 < len(page.encode()) < 8e6
    assert "The recording is long" in page

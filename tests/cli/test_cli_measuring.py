"""``clackcount listen`` with a site file and catches: water beside the beat, in text, in JSON, and kept."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path

import jsonschema
import pytest

from clackcount.hydraulics import Measurement, Site
from clackcount.report.schema import Water, json_schema

CUP_M3 = 236.5882365e-6  # NIST Handbook 44, appendix C: 16 US cups to the gallon of 231 cubic inches
STEADY = "sample_audio/steady.m4a"
PLACE = """\
# my own words
drive_head = "5 ft"
delivery_head_above_ram = "32 ft"
[drive_pipe]
length = "30 ft"   # taped
size = "1 in sch 40"
"""


@pytest.fixture
def place(pytestconfig, monkeypatch, tmp_path) -> Path:
    """A site file; the samples are within reach."""
    monkeypatch.chdir(pytestconfig.rootpath)
    path = tmp_path / "dell.toml"
    path.write_text(PLACE, encoding="utf-8")
    return path


def test_text_tells_the_water_with_its_band_after_what_was_heard(run, place):
    ran = run("listen", "--site", place, "--catch", "1.5 cup in 60 s", "--waste-catch", "12 L in 60 s", STEADY)
    assert (ran.code, ran.err) == (0, "")
    heard, water = ran.out.split("\nWater\n")
    assert "61.8 ± 0.2 beats a minute" in heard
    assert re.search(r"delivered now +0\.35 ± 0\.04 L/min", water)  # 1.5 x 0.2366 L a minute
    assert re.search(r"efficiency by Rankine +\d", water)
    assert "no certificate" in water
    assert "cup taken as the US one" in water
    assert max(map(len, ran.out.splitlines())) <= 80


def test_json_holds_every_result_and_meets_the_schema(run, place):
    ran = run("listen", "--json", "--site", place, "--catch", "1.5 cup in 60 s", STEADY)
    document = json.loads(ran.out)
    jsonschema.Draft202012Validator(json_schema()).validate(document)
    assert document["water"]["delivery_flow_m3_s"]["value"] == pytest.approx(1.5 * CUP_M3 / 60, rel=1e-3)
    assert set(document["water"]) == set(Water.model_fields)
    assert set(document["water"]) == {each.name for each in dataclasses.fields(Measurement)} - {"site"}
    assert "delivery-below-site" in {finding["code"] for finding in document["findings"]}


def test_strokes_of_a_catch_timed_in_the_recording_are_those_that_were_made(run, place, pytestconfig):
    """Against the truth beside the sample, which was made without listening."""
    truth = json.loads((pytestconfig.rootpath / "sample_audio/steady.truth.json").read_text(encoding="utf-8"))
    made = sum(2 <= slam["time_s"] < 28 for slam in truth["slams"])
    ran = run("listen", "--json", "--site", place, "--catch", "100 mL from 0:02 to 0:28", STEADY)
    water = json.loads(ran.out)["water"]
    assert water["delivered_per_stroke_m3"]["value"] == pytest.approx(1e-4 / made, rel=2e-3)
    assert not any("not counted" in note for note in water["notes"])


def test_json_lists_every_catch_as_it_was_typed_and_understood(run, place):
    typed = ["1.5 cup in 60 s", "1.6 cup from 0:02 to 0:28", "12 ± 0.2 L in 60 s"]
    argv = ["--catch", typed[0], "--catch", typed[1], "--waste-catch", typed[2]]
    document = json.loads(run("listen", "--json", "--site", place, *argv, STEADY).out)
    jsonschema.Draft202012Validator(json_schema()).validate(document)
    catches = document["water"]["catches"]
    assert [each["given"] for each in catches] == typed
    assert [each["side"] for each in catches] == ["delivery", "delivery", "waste"]
    assert [each["volume_m3"]["value"] for each in catches] == pytest.approx(
        [1.5 * CUP_M3, 1.6 * CUP_M3, 0.012], rel=0.01
    )
    assert [each["time_s"]["value"] for each in catches] == pytest.approx([60, 26, 60])
    assert [each["flow_m3_s"]["value"] for each in catches] == pytest.approx(
        [1.5 * CUP_M3 / 60, 1.6 * CUP_M3 / 26, 0.012 / 60], rel=0.01
    )
    assert [(each["start_s"], each["end_s"], each["n_slams"] is None) for each in catches] == [
        (None, None, True),
        (2.0, 28.0, False),
        (None, None, True),
    ]
    # A rectangle of ± 0.2 L has a standard deviation of 0.2 / √3 (JCGM 100:2008, 4.3.7).
    assert catches[2]["volume_m3"]["standard_uncertainty"] == pytest.approx(0.2e-3 / 3**0.5, rel=0.06)


def test_a_catch_that_outlasts_the_recording_is_not_counted(run, place):
    ran = run("listen", "--json", "--site", place, "--catch", "200 mL from 0:02 to 0:58", STEADY)
    assert any("not counted" in note for note in json.loads(ran.out)["water"]["notes"])


def test_a_site_that_does_not_fit_becomes_a_finding_among_the_others(run, place):
    """A drive pipe of a fifth the length beats far faster than what is heard."""
    place.write_text(PLACE.replace("30 ft", "6 ft"), encoding="utf-8")
    ran = run("listen", "--site", place, STEADY)
    assert "First thing to look at" in ran.out
    assert "Beats slower than this site should" in ran.out


def test_what_was_learnt_is_kept_where_asked_and_the_same_each_time(run, place):
    words = ("listen", "--site", place, "--catch", "1.5 cup in 60 s", "--waste-catch", "12 L in 60 s", STEADY)
    run(*words)
    assert place.read_text(encoding="utf-8") == PLACE
    kept = []
    for _ in range(2):
        ran = run(*words, "--keep-calibration")
        assert (ran.code, "kept in" in ran.err) == (0, True)
        kept.append(place.read_text(encoding="utf-8"))
    assert kept[0].startswith(PLACE)
    assert kept[0] == kept[1]
    assert Site.read(kept[0]).calibration.loss_coefficient is not None


@pytest.mark.parametrize(("argv", "words"), [
    ([STEADY, "--catch", "1 cup in 60 s"], "--catch needs --site"),
    ([STEADY, "--csv", "--site", "DELL"], "no place for water"),
    ([STEADY, STEADY, "--site", "DELL", "--waste-catch", "1 gal in 9 s"], "one recording"),
    ([STEADY, "--keep-calibration"], "needs --site"),
    (["-", "--site", "-"], "only once"),
    (["gone.wav", "--site", "DELL", "--catch", "a bit"], "“a bit” is not an amount in a time"),
    ([STEADY, "--site", "gone.toml"], "gone.toml: no such file"),
])  # fmt: skip
def test_what_cannot_be_is_one_line_before_anything_is_heard(run, place, argv, words):
    ran = run("listen", *(place if word == "DELL" else word for word in argv))
    assert (ran.code, ran.out, ran.err.count("\n")) == (2, "", 1)
    assert words in ran.err


def test_without_a_ram_the_catch_stands_alone(run, place, brook):
    ran = run("listen", "--site", place, "--catch", "1.5 cup in 60 s", brook)
    assert ran.code == 0
    assert "delivered now" in ran.out
    assert "delivered per beat" not in ran.out

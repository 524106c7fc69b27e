"""The commands on a logbook: what is typed, what is printed, 80 columns, --json, --png, exit codes."""

from __future__ import annotations

import io
import json
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from clackcount.cli.main import main
from clackcount.hydraulics import template

PNG = b"\x89PNG\r\n\x1a\n"
SAMPLE = Path(__file__).parents[2] / "sample_audio" / "steady.m4a"


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str

    def json(self):
        return json.loads(self.out)


@pytest.fixture
def run(capsys, monkeypatch, tmp_path):
    """run("trial", "list") in a folder of its own with a site file and an empty logbook; asserts 80 columns."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CLACKCOUNT_LOGBOOK", str(tmp_path / "logbook.sqlite"))
    monkeypatch.setenv("COLUMNS", "80")
    Path("dell.toml").write_text(template(), encoding="utf-8")

    def run_command(*argv: object, typed: str = "") -> Ran:
        monkeypatch.setattr("sys.stdin", io.StringIO(typed))
        code = main([str(word) for word in argv])
        out, err = capsys.readouterr()
        if "--json" not in argv and "export" not in argv:
            # the test's own folder may have a name of any length
            assert max(map(len, out.replace(str(tmp_path), "").splitlines()), default=0) <= 80
        return Ran(code, out, err)

    return run_command


def add(run, stroke: str, litres: float, day: int, *more: object) -> Ran:
    words = [
        "trial",
        "add",
        "--site",
        "dell.toml",
        "--setting",
        f"stroke={stroke}",
        "--at",
        f"2026-03-{day:02d} 10:00",
    ]
    catches = [
        word
        for _ in range(3)
        for word in ("--catch", f"{litres} L in 60 s", "--waste-catch", f"{12 * litres} L in 60 s")
    ]
    return run(*words, *catches, *more)


def test_a_trial_with_a_recording_is_kept_with_everything(run):
    settings = ["--setting", "stroke=1/2 in", "--setting", "weight=80g", "--condition", "head=5.4 ft"]
    rest = ["--catch", "1.5 cup from 0:05 to 0:25", "--note", "after rain", SAMPLE, "--json"]
    ran = run("trial", "add", "--site", "dell.toml", *settings, *rest)
    assert (ran.code, ran.err) == (0, "")
    trial = ran.json()
    assert trial["schema"] == "clackcount.trial/1"
    assert (trial["settings"][0]["given"], trial["settings"][0]["value"]) == ("1/2 in", pytest.approx(0.0127))
    truth = json.loads((SAMPLE.parent / "steady.truth.json").read_text(encoding="utf-8"))
    rate = trial["result"]["figures"]["rate_per_min"]["value"]
    slams = trial["recording"]["heard"]["slam_times_s"]
    assert trial["catches"][0]["n_slams"] == sum(5 <= t < 25 for t in slams)
    assert sum(5 <= slam["time_s"] < 25 for slam in truth["slams"]) == trial["catches"][0]["n_slams"]
    assert rate / 3 == pytest.approx(trial["catches"][0]["n_slams"], abs=1.0)
    assert len(trial["recording"]["sha256"]) == 64
    per_stroke = trial["result"]["figures"]["delivered_per_stroke_m3"]["value"]
    assert per_stroke == pytest.approx(1.5 * 236.588e-6 / trial["catches"][0]["n_slams"], rel=1e-4)
    shown = run("trial", "show", 1)
    for words in ("stroke 1/2 in, weight 80g", "head 5.4 ft", "1.5 cup from 0:05 to 0:25", "after rain", "per min"):
        assert words in shown.out
    assert re.search(r"^  unevenness +0\.\d\d %$", shown.out, re.MULTILINE)
    assert run("log", "recompute").out == "trial 1: as before (heard again)\n"


def test_a_catch_that_outlasts_the_recording_has_no_beats_counted(run):
    catch = ["--catch", "1.5 cup from 0:05 to 9:00"]
    trial = run("trial", "add", "--site", "dell.toml", *catch, SAMPLE, "--json").json()
    assert trial["catches"][0]["n_slams"] is None
    assert trial["result"]["figures"]["delivered_per_stroke_m3"]["value"] > 0  # by the rate instead


def test_when_the_recording_is_gone_what_was_heard_then_is_used(run):
    hiss = 0.05 * np.random.default_rng(7).standard_normal(10 * 16000)
    soundfile.write("brook.wav", hiss, 16000)
    assert run("trial", "add", "--site", "dell.toml", "brook.wav").code == 0
    Path("brook.wav").unlink()
    done = run("log", "recompute", "--json").json()
    assert done["recomputed"] == [
        {"trial": 1, "how": "the file is gone; what was heard then is used", "changed": False}
    ]


def test_recompute_puts_right_what_an_older_version_reckoned(run, tmp_path):
    add(run, "8mm", 0.5, 1)
    from dataclasses import replace

    from clackcount.logbook.records import Figure
    from clackcount.logbook.store import Logbook

    with Logbook(f"sqlite:///{tmp_path / 'logbook.sqlite'}") as book:
        result = book.get(1).result
        book.set_result(1, replace(result, figures={"delivery_flow_m3_s": Figure(1.0)}))
        assert run("log", "recompute", 1).out == "trial 1: changed (no recording)\n"
        assert book.get(1).result.figures == result.figures


def test_list_show_and_remove(run):
    assert run("trial", "list").out == "no trials yet (clackcount trial add --help)\n"
    add(run, "8mm", 0.5, 1)
    add(run, "10mm", 0.6, 2)
    listed = run("trial", "list").out.splitlines()
    assert listed[0].split() == ["No", "Date", "Set", "Beats", "Water", "A", "beat", "Efficiency"]
    assert listed[1].split() == ["a", "minute", "L/min", "mL", "%"]
    assert listed[3].split()[:4] == ["2", "2026-03-02", "stroke", "10mm"]
    assert len(run("trial", "list", "--json").json()["trials"]) == 2
    assert run("trial", "remove", 2, typed="n\n").code == 1
    assert run("trial", "remove", 2, typed="").code == 1
    assert len(run("trial", "list", "--json").json()["trials"]) == 2
    assert run("trial", "remove", 2, typed="y\n").out == "trial 2 removed\n"
    assert len(run("trial", "list", "--json").json()["trials"]) == 1
    assert "removed" in run("trial", "list", "--all").out
    again = run("trial", "remove", 2, "--yes")
    assert (again.code, again.err.startswith("error: trial 2 was removed already")) == (2, True)
    assert add(run, "12mm", 0.6, 3, "--json").json()["number"] == 3


def test_a_site_is_known_by_name_once_it_is_in_the_logbook(run):
    add(run, "8mm", 0.5, 1)
    name = run("trial", "show", 1, "--json").json()["site"]
    assert run("trial", "add", "--site", name, "--catch", "1 cup in 60 s").code == 0
    assert run("trial", "show", 2, "--json").json()["site_text"] == template()
    ran = run("trial", "add", "--site", "Nowhere", "--catch", "1 cup in 60 s")
    assert ran.code == 2
    assert "neither a site file nor a site in the logbook" in ran.err


@pytest.mark.parametrize(("argv", "words"), [
    (["trial", "add", "--site", "dell.toml"], "needs a recording or a catch"),
    (["trial", "add", "--site", "dell.toml", "--catch", "a lot"], "is not an amount in a time"),
    (["trial", "add", "--site", "dell.toml", "--setting", "stroke=1 kg", "--catch", "1 L in 9 s"], "is not a length"),
    (["trial", "add", "--site", "dell.toml", "--setting", "stroke=1mm", "--setting", "stroke=2mm",
      "--catch", "1 cup in 60 s"], "stroke is given twice"),
    (["trial", "add", "--site", "dell.toml", "--catch", "1 cup in 60 s", "--at", "yesterday"], "is no date and time"),
    (["trial", "add", "--site", "dell.toml", "none.wav"], "none.wav"),
    (["trial", "show", "7"], "there is no trial 7"),
    (["compare", "1", "x"], "names no trials"),
    (["compare", "1", "2", "--worth", "0"], "must lie between"),
    (["compare", "1", "2"], "there is no trial 1"),
    (["advise", "--site", "dell.toml"], "no trial of this site"),
    (["advise", "--site", "dell.toml", "--travel", "3 kg to 5 kg"], "is not a length"),
    (["log", "trend", "--site", "dell.toml"], "no trials to watch"),
    (["log", "import", "none.json"], "none.json: no such file"),
    (["trial", "list", "--logbook", "nonsense://x"], "driver for this database"),
])  # fmt: skip
def test_what_cannot_be_used_is_one_line_and_exit_2(run, argv, words):
    ran = run(*argv)
    assert (ran.code, ran.out) == (2, "")
    assert words in ran.err
    assert ran.err.count("\n") == 1
    assert run("trial", "list", "--json").json()["trials"] == []  # nothing was stored on the way


def test_compare_advise_and_trend_print_json_and_draw(run):
    for day, (stroke, litres) in enumerate(
        [("8mm", 0.5), ("10mm", 0.6), ("12mm", 0.64), ("10mm", 0.6), ("14mm", 0.6)], 1
    ):
        add(run, stroke, litres, day)
    compared = run("compare", 1, "2,4", "--png", "a.png")
    assert "Delivered water: 20 % more" in compared.out
    assert "better" in compared.out
    document = run("compare", 1, "2,4", "--json").json()
    assert compared.out.startswith("Trials 2, 4 over trial 1\n")
    assert (document["schema"], document["first"], document["second"]) == ("clackcount.comparison/1", [1], [2, 4])
    assert document["rows"][0]["ratio"] == pytest.approx(1.2, rel=0.01)
    advised = run("advise", "--site", "dell.toml", "--travel", "3 mm to 20 mm", "--png", "b.png")
    assert "Best so far" in advised.out
    assert "Caution: Keep fingers out of the waste valve" in advised.out
    document = run("advise", "--site", "dell.toml", "--travel", "3 mm to 20 mm", "--json").json()
    assert 0.010 <= document["best_si"] <= 0.0135
    for day in range(6, 14):
        add(run, "14mm", 0.6 * 0.97 ** (day - 5), day)
    trend = run("log", "trend", "--site", "dell.toml", "--png", "c.png")
    assert "Less water arrives" in trend.out
    assert [f["code"] for f in run("log", "trend", "--site", "dell.toml", "--json").json()["findings"]] == [
        "water-drift-down"
    ]
    assert run("trial", "list", "--png", "d.png").code == 0
    for name in "abcd":
        assert Path(f"{name}.png").read_bytes().startswith(PNG)


def test_export_and_import_round_trip_both_ways(run):
    add(run, "8mm", 0.5, 1, "--note", 'odd "note",\r\nwith lines')
    add(run, "10mm", 0.6, 2)
    run("trial", "remove", 1, "--yes")
    assert run("log", "note", "--site", "dell.toml", "--kind", "repair", "new rubber").out.endswith(
        "repair: new rubber\n"
    )
    for form in ("json", "csv"):
        assert run("log", "export", f"a.{form}").code == 0
        assert run("log", "import", f"a.{form}").out == "0 new trials, 0 new events, 0 struck out\n"
        imported = run("log", "import", f"a.{form}", "--json", "--logbook", f"{form}.sqlite").json()
        assert imported == {"new_trials": 2, "new_events": 1, "removed_trials": 0}
        run("log", "export", f"b.{form}", "--logbook", f"{form}.sqlite")
        assert Path(f"a.{form}").read_bytes() == Path(f"b.{form}").read_bytes()
        assert run("log", "export", f"--{form}").out.encode() == Path(f"a.{form}").read_bytes()
    assert run("log", "where").out.splitlines()[1] == "trials: 1, sites: 1"
    assert run("log", "where", "--json").json()["trials"] == 1

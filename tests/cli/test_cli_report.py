"""``clackcount report`` as typed."""

from __future__ import annotations

import html
import json
import re
import time

import numpy as np
import pytest
import soundfile

from clackcount.cli import report
from clackcount.hydraulics import template
from support.speed import in_references

LEAF = "sample_audio/leaf_in_valve.ogg"


@pytest.fixture
def samples(pytestconfig, monkeypatch):
    monkeypatch.chdir(pytestconfig.rootpath)


def test_one_page_with_figures(run, samples, tmp_path):
    page, folder = tmp_path / "leaf.html", tmp_path / "figures"
    ran = run("report", LEAF, "-o", page, "--png", folder)
    assert (ran.code, ran.out) == (0, "")
    text = page.read_text(encoding="utf-8")
    assert "stays open" in text
    assert text.count("<audio") == 1
    assert len(text) < 1e6
    pictures = {path.name for path in folder.iterdir()}
    assert pictures == {f"leaf_in_valve-{kind}.png" for kind in ("strip", "beat", "intervals")}


def test_site_and_catch_give_water(run, samples, tmp_path):
    site = tmp_path / "spring.toml"
    site.write_text(template(), encoding="utf-8")
    ran = run("report", "sample_audio/steady.m4a", "-o", "-", "--site", site, "--catch", "1.5 cup in 60 s")
    assert ran.code == 0, ran.err
    assert re.search(r"<dt>delivered now</dt><dd>[^<]*L/min", ran.out)
    assert "What was assumed" in ran.out


def test_the_usable_recordings_are_shown_when_one_is_not(run, samples, tmp_path):
    ran = run("report", "no-such.m4a", LEAF, "-o", tmp_path / "a.html")
    assert ran.code == 2
    assert "no-such.m4a" in ran.err
    assert "leaf_in_valve" in (tmp_path / "a.html").read_text(encoding="utf-8")


def test_a_fault_of_ours_costs_one_recording_only(run, samples, tmp_path, monkeypatch):
    heard = report._heard

    def heard_or_fail(path, given):
        if path == "odd.wav":
            raise ZeroDivisionError("division by zero")
        return heard(path, given)

    monkeypatch.delenv("CLACKCOUNT_DEBUG", raising=False)
    monkeypatch.setattr(report, "_heard", heard_or_fail)
    ran = run("report", "odd.wav", LEAF, "-o", tmp_path / "a.html")
    assert ran.code == 1
    assert ran.err.startswith("failed: odd.wav: ZeroDivisionError: division by zero. This is a fault")
    assert re.search(r"wrote .*a\.html \(\d+ kB\)", ran.err)
    assert "leaf_in_valve" in (tmp_path / "a.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(("argv", "words"), [
    ([], "Missing argument 'RECORDING...'"),
    (["a.wav", "--catch", "1 cup in 60 s"], "--catch needs --site"),
    (["a.wav", "-o", "a.wav"], "is one of the recordings"),
    (["a.wav", "-o", "-", "--site", "none.toml"], "no such file"),
])  # fmt: skip
def test_slips_are_one_line(run, argv, words):
    ran = run("report", *argv)
    assert ran.code == 2
    assert words in ran.err


def test_no_page_where_nothing_could_be_used(run, tmp_path):
    ran = run("report", "no-such.m4a", "-o", tmp_path / "a.html")
    assert ran.code == 2
    assert list(tmp_path.iterdir()) == []


def test_five_minutes_stay_under_3_mb_and_take_little_beyond_the_listening(run, tmp_path, monkeypatch):
    rng = np.random.default_rng(5)
    path = tmp_path / "brook.flac"
    soundfile.write(path, 0.05 * rng.standard_normal(300 * 48000), 48000)
    from clackcount.cli import progress

    heard = progress.hear
    listening_s = []

    def timed(recording):
        begun_s = time.process_time()
        result = heard(recording)
        listening_s.append(time.process_time() - begun_s)
        return result

    monkeypatch.setattr(progress, "hear", timed)

    def reported_s():
        begun_s = time.process_time()
        assert run("report", path, "-o", tmp_path / "brook.html").code == 0
        return time.process_time() - begun_s

    n_references, whole_s = in_references(reported_s)
    assert (tmp_path / "brook.html").stat().st_size < 3e6
    assert n_references * (1 - listening_s[0] / whole_s) < 60  # 3 s are 15 to 25 of them


def test_trials_compared_make_a_page_of_their_own(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CLACKCOUNT_LOGBOOK", str(tmp_path / "log.sqlite"))
    (tmp_path / "dell.toml").write_text(template(), encoding="utf-8")
    for stroke, litres in (("10mm", 1.0), ("14mm", 1.6)):
        catches = [word for _ in range(3) for word in ("--catch", f"{litres} L in 60 s")]
        added = run("trial", "add", "--site", "dell.toml", "--setting", f"stroke={stroke}", *catches)
        assert added.code == 0, added.err
    ran = run("report", "--trials", "1", "2", "-o", "-")
    assert ran.code == 0, ran.err
    told = json.loads(run("compare", "1", "2", "--json").out)
    page = re.sub(r"<[^>]+>", " ", html.unescape(ran.out)).replace("\u00a0", " ")
    assert "Trial 2 (stroke 14mm) against trial 1 (stroke 10mm)" in page
    assert "Keep trial 2 (stroke 14mm): better in delivered water" in page
    for row in told["rows"]:
        assert row["sentence"] in page
        assert f"{row['ratio']:.2f}" in page
    for sentence in (*told["missing"], *told["confounders"]):
        assert sentence in page
    assert "delivered water: better" in page  # of the picture


def test_trials_are_drawn_as_png_too(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CLACKCOUNT_LOGBOOK", str(tmp_path / "log.sqlite"))
    (tmp_path / "dell.toml").write_text(template(), encoding="utf-8")
    for stroke in ("10mm", "14mm"):
        run("trial", "add", "--site", "dell.toml", "--setting", f"stroke={stroke}", "--catch", "1 L in 60 s")
    ran = run("report", "--trials", "1", "2", "--png", "drawn", "-o", "page.html")
    assert ran.code == 0, ran.err
    assert [path.name for path in (tmp_path / "drawn").iterdir()] == ["trials-1.png"]
    assert (tmp_path / "drawn" / "trials-1.png").read_bytes().startswith(b"\x89PNG")


def test_what_to_try_next_stands_in_the_page(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("CLACKCOUNT_LOGBOOK", str(tmp_path / "log.sqlite"))
    (tmp_path / "dell.toml").write_text(template(), encoding="utf-8")
    for stroke, litres in (("8mm", 1.0), ("11mm", 1.5), ("14mm", 1.6), ("17mm", 1.2)):
        catches = [word for _ in range(3) for word in ("--catch", f"{litres} L in 60 s")]
        assert run("trial", "add", "--site", "dell.toml", "--setting", f"stroke={stroke}", *catches).code == 0
    told = run("advise", "--site", "dell.toml").out
    ran = run("report", "--advise", "dell.toml", "-o", "-")
    assert ran.code == 0, ran.err
    page = re.sub(r"<[^>]+>", " ", html.unescape(ran.out)).replace("\u00a0", " ")
    assert re.search(r"Best so far  (\S+ mm)", told)[1] in re.search(r"Best so far: stroke [^.]+\.\d[^.]+", page)[0]
    following = re.search(r"Try next     (.+)", told)[1]
    assert ("Try nothing more" if "nothing" in following else f"Try stroke {following}.") in page
    assert "from 4 trials" in page

"""listen: the three forms, several files, and recordings that cannot be used."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys

import jsonschema
import numpy as np
import pytest
import soundfile

import clackcount
from clackcount.cli import listen, progress, terminal
from clackcount.report.schema import json_schema

CHECK = jsonschema.Draft202012Validator(json_schema())


def test_text_says_that_no_ram_is_heard(run, brook):
    ran = run("listen", brook)
    assert (ran.code, ran.err) == (0, "")
    assert "No ram heard" in ran.out
    assert "beats a minute" not in ran.out
    assert "\x1b" not in ran.out


def test_json_is_what_the_library_gives(run, brook):
    ran = run("listen", "--json", brook)
    document = json.loads(ran.out)
    assert (ran.code, ran.err, ran.out.count("\n")) == (0, "", 1)
    CHECK.validate(document)
    assert document == clackcount.listen(brook).to_dict()
    assert document["recording"]["path"] == brook
    assert document["rate_per_min"] is None


def test_csv_has_its_header_even_without_slams(run, brook):
    ran = run("listen", "--csv", brook)
    assert ran.code == 0
    assert next(csv.reader(io.StringIO(ran.out)))[:4] == ["file", "pump", "slam_s", "interval_s"]


# --- recordings that cannot be used ----------------------------------------------------------------------------


def wav(path, samples, rate_hz=16000):
    soundfile.write(path, np.asarray(samples, dtype=np.float32), rate_hz, subtype="FLOAT")


BAD = {
    "missing.wav": lambda path: None,
    "folder.wav": lambda path: path.mkdir(),
    "empty.wav": lambda path: path.touch(),
    "shopping.wav": lambda path: path.write_text("two elbows, one valve, teflon tape\n" * 50),
    "binary.m4a": lambda path: path.write_bytes(np.random.default_rng(3).bytes(4000)),
    "no-samples.wav": lambda path: wav(path, []),
    "not-a-number.wav": lambda path: wav(path, np.full(16000, np.nan)),
    "silent.wav": lambda path: wav(path, np.zeros(5 * 16000)),
    "too-short.wav": lambda path: wav(path, np.random.default_rng(4).standard_normal(3200) * 0.1),
    "absurd-rate.wav": lambda path: wav(path, np.ones(200) * 0.1, rate_hz=100),
    "header-only.wav": lambda path: path.write_bytes(b"RIFF\x24\x00\x00\x00WAVEfmt "),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_recordings_are_one_line_and_exit_2(name, run, tmp_path):
    path = tmp_path / name
    BAD[name](path)
    ran = run("listen", path)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("error: ")
    assert ran.err.count("\n") == 1
    assert name in ran.err
    assert "fault in clackcount" not in ran.err


@pytest.mark.parametrize("name", ["dir", "a", "is"])
def test_a_name_that_is_a_word_of_the_message_is_told_too(name, run, tmp_path, monkeypatch):
    (tmp_path / name).mkdir()
    monkeypatch.chdir(tmp_path)
    assert run("listen", name).err.startswith(f"error: {name}: this is a directory (hint: ")


def test_a_file_that_may_not_be_read(run, brook, monkeypatch):
    if os.geteuid() == 0:
        pytest.skip("nothing is forbidden to root")
    os.chmod(brook, 0)
    ran = run("listen", brook)
    os.chmod(brook, 0o644)
    assert (ran.code, ran.err.count("\n")) == (2, 1)


def test_other_files_are_still_heard_in_the_order_given(run, brook, tmp_path):
    (tmp_path / "empty.wav").touch()
    ran = run("listen", "--json", tmp_path / "empty.wav", brook, tmp_path / "missing.m4a")
    documents = [json.loads(line) for line in ran.out.splitlines()]
    assert ran.code == 2
    assert [document["recording"]["path"] for document in documents] == [
        str(tmp_path / "empty.wav"), brook, str(tmp_path / "missing.m4a"),
    ]  # fmt: skip
    assert ["error" in document for document in documents] == [True, False, True]
    for document in documents:
        CHECK.validate(document)
    assert documents[0]["error"]["code"]
    assert documents[0]["error"]["message"] in ran.err
    assert len(ran.err.splitlines()) == 2


def test_text_of_several_files_is_set_apart(run, brook):
    ran = run("listen", brook, brook)
    assert ran.out.count("brook.wav: 00:10 of sound") == 2
    assert "\n\nbrook.wav" in ran.out
    assert run("listen", "missing.wav", brook).out.startswith("brook.wav")


@pytest.mark.parametrize("name", ["new\nline", "red\x1b[31m", "back\rto", "bell\x07"])
def test_a_name_that_would_move_the_screen_is_told_on_one_line(name, run, brook, tmp_path):
    os.symlink(brook, tmp_path / name)
    heard, missing = run("listen", tmp_path / name), run("listen", f"{name}.wav")
    assert heard.out.splitlines()[0].endswith(": 00:10 of sound, wav (pcm_s16), 16 kHz, mono")
    assert missing.err.count("\n") == 1
    assert {letter for letter in heard.out + missing.err if letter < " "} == {"\n"}


def test_standard_input_is_called_so(run, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(b"")))
    assert run("listen", "-").err.startswith("error: standard input: the file is empty")


def test_csv_of_several_files_is_one_table(run, brook, tmp_path):
    ran = run("listen", "--csv", brook, tmp_path / "missing.wav", brook)
    assert ran.code == 2
    assert ran.out.count("file,pump") == 1


def test_a_fault_of_ours_costs_one_file_only(run, brook, monkeypatch):
    hear = listen.hear

    def hear_or_fail(path):
        if path == "odd.wav":
            raise ZeroDivisionError("division by zero")
        return hear(path)

    monkeypatch.delenv("CLACKCOUNT_DEBUG", raising=False)
    monkeypatch.setattr(listen, "hear", hear_or_fail)
    ran = run("listen", "--json", "odd.wav", brook)
    first, second = (json.loads(line) for line in ran.out.splitlines())
    assert ran.code == 1
    assert first["error"]["code"] == "fault"
    assert second["recording"]["path"] == brook
    assert ran.err.startswith("failed: odd.wav: ZeroDivisionError: division by zero. This is a fault")


@pytest.mark.parametrize("form", [[], ["--json"], ["--csv"]], ids=["text", "json", "csv"])
def test_a_name_in_no_known_alphabet_and_a_screen_with_few_letters(form, brook, tmp_path):
    odd = os.fsencode(tmp_path) + b"/\xff \xc2\xb1.wav"
    os.symlink(os.fsencode(brook), odd)
    done = subprocess.run(
        [sys.executable, "-m", "clackcount", "listen", *form, odd],
        capture_output=True, check=True, env=os.environ | {"PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert done.stderr == b""
    assert done.stdout != b""


def test_standard_input(brook):
    with open(brook, "rb") as stream:
        done = subprocess.run(
            [sys.executable, "-m", "clackcount", "listen", "--json", "-"],
            stdin=stream, capture_output=True, text=True, check=True,
        )  # fmt: skip
    document = json.loads(done.stdout)
    assert document["recording"]["path"] == "-"
    assert document["recording"]["duration_s"] == pytest.approx(10.0)


# --- screens ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("environment", "tty", "wanted"), [
    ({}, True, True),
    ({}, False, False),
    ({"NO_COLOR": "1"}, True, False),
    ({"NO_COLOR": ""}, True, True),  # no-color.org: "when present and not an empty string"
    ({"TERM": "dumb"}, True, False),
])  # fmt: skip
def test_colour_only_where_wanted(environment, tty, wanted, monkeypatch):
    for name in ("NO_COLOR", "TERM"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: tty, raising=False)
    assert terminal.colour_wanted() is wanted


@pytest.mark.parametrize("no_color", [False, True])
def test_a_terminal_gets_colour_unless_no_color(no_color, run, brook, monkeypatch):
    monkeypatch.setattr(terminal, "colour_wanted", lambda: not no_color)
    assert ("\x1b[1m" in run("listen", brook).out) is not no_color


@pytest.mark.parametrize(("columns", "width"), [("40", 40), ("200", 80)])
def test_text_is_as_narrow_as_the_screen_and_never_wider_than_80(columns, width, run, brook, monkeypatch):
    monkeypatch.setenv("COLUMNS", columns)
    assert terminal.width() == width
    assert max(len(line) for line in run("listen", brook).out.splitlines()) <= width


class Screen(io.StringIO):
    """A stderr that is, or is not, a terminal."""

    def __init__(self, tty: bool) -> None:
        super().__init__()
        self.tty = tty

    def isatty(self) -> bool:
        return self.tty


@pytest.mark.parametrize(
    ("tty", "patience_s", "shown"), [(True, 0.0, True), (True, 60.0, False), (False, 0.0, False)]
)
def test_bar_only_on_a_terminal_and_only_when_it_takes_long(tty, patience_s, shown, monkeypatch):
    screen = Screen(tty)
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr(progress, "PATIENCE_S", patience_s)
    with progress.HeardSoFar("creek.wav", total_s=120.0) as heard:
        heard(30.0)
        heard(61.0)
    assert ("creek.wav" in screen.getvalue()) is shown

"""clackcount watch on sound: a finished file, a pipe fed in odd pieces, a file that grows; clean ends."""

from __future__ import annotations

import dataclasses
import io
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from clackcount import recording, simulate
from clackcount.model import Cause, Pattern

RATE_HZ = 16000
PROGRAM = [sys.executable, "-m", "clackcount", "watch"]
PIPES = dict.fromkeys(("stdin", "stdout", "stderr"), subprocess.PIPE)


@pytest.fixture(scope="module")
def wav(tmp_path_factory) -> Path:
    """A loud ram that runs for 32 s and then stays shut, as a WAV file."""
    ram = simulate.random_ram(np.random.default_rng(6), rate_per_min=62, pattern=Pattern.EVEN, material="cast-iron")
    part = simulate.Part(dataclasses.replace(ram, reopen_db=-6.0), (simulate.Running(32.0, Cause.SHUT_STALL),))
    scene = simulate.Scenario(45.0, (part,), (simulate.Layer("room"),), 20, 15, sample_rate_hz=RATE_HZ)
    path = tmp_path_factory.mktemp("watched") / "ram.wav"
    soundfile.write(path, simulate.render(scene, 3).samples, RATE_HZ, subtype="PCM_16")
    return path


@pytest.fixture(scope="module")
def told(wav) -> str:
    """What is told of the finished file."""
    return subprocess.run([*PROGRAM, wav, "--json"], capture_output=True, text=True, check=True).stdout


def test_a_finished_file_is_told(told):
    events = [json.loads(line) for line in told.splitlines()]
    stop = next(i for i, event in enumerate(events) if event["event"] == "stop")
    assert {(event["event"], event["state"]) for event in events[:stop]} == {("state", "self")}
    assert events[stop - 1]["doubt"] is None  # what is heard for some seconds only may be told with a doubt before
    assert events[stop]["time_s"] == pytest.approx(32, abs=1.5)
    assert [event["cause"] for event in events if event["cause"]][-1] == "shut-stall"


@pytest.mark.parametrize("raw", [False, True])
def test_a_pipe_in_odd_pieces_tells_the_same(wav, told, raw):
    content = wav.read_bytes()
    argv = ["--raw", str(RATE_HZ)] if raw else []
    content = content[content.index(b"data") + 8 :] if raw else content
    rng = np.random.default_rng(2)
    with subprocess.Popen([*PROGRAM, "-", "--json", *argv], **PIPES) as process:
        while content:
            n = int(rng.integers(1, 40_000))
            process.stdin.write(content[:n])
            process.stdin.flush()
            content = content[n:]
        out, err = process.communicate(timeout=120)
    assert (process.returncode, err.decode()) == (0, "")
    assert out.decode() == told


def test_a_growing_file_tells_the_same(wav, told, tmp_path):
    content = wav.read_bytes()
    path = tmp_path / "growing.wav"
    head = content[:40] + b"\xff\xff\xff\xff"  # its length is not known yet
    path.write_bytes(head)

    def grow() -> None:
        with path.open("ab") as file:
            for first in range(44, len(content), 200_001):
                file.write(content[first : first + 200_001])
                file.flush()
                time.sleep(0.05)

    writer = threading.Thread(target=grow)
    writer.start()
    done = subprocess.run([*PROGRAM, path, "--json"], capture_output=True, text=True, check=True)
    writer.join()
    assert done.stdout == told


@pytest.mark.parametrize(
    ("argv", "code"),
    [("--until self", 0), ("--until stop", 0), ("--until stop --for 0.5", 3), ("--for 0.5", 0)],
)
def test_until_and_for_end_it_with_their_codes(wav, argv, code, run):
    ran = run("watch", wav, *argv.split())
    said = [line for line in ran.err.splitlines() if not line.startswith("caution: ")]
    came = "--until" in argv and code == 0
    assert (ran.code, len(said)) == (code, 0 if came else 1)
    assert came or "00:30  listening ends here" in said[0]
    assert any("runs by itself" in line and line.endswith("beats a minute") for line in ran.out.splitlines())


def test_events_come_while_the_sound_comes_and_ctrl_c_ends_it(wav):
    content = wav.read_bytes()
    with subprocess.Popen([*PROGRAM, "-"], **PIPES) as process:
        process.stdin.write(content[: 44 + 2 * RATE_HZ * 30])
        process.stdin.flush()
        first = process.stdout.readline()  # comes although the pipe is still open
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert b"by itself, 62." in first
    assert (process.returncode, err) == (130, b"stopped\n")
    assert out.count(b"\n") <= 1  # told before the end came


def test_a_reader_that_goes_away_is_no_error(wav):
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = subprocess.run([*PROGRAM, wav], stdout=write_end, stderr=subprocess.PIPE, check=False)
    os.close(write_end)
    assert (done.returncode, done.stderr) == (141, b"")


def test_a_finished_file_of_another_kind_is_told_too(run):
    ran = run("watch", Path(__file__).parents[2] / "sample_audio" / "steady.m4a")
    assert (ran.code, ran.err) == (0, "00:30  listening ends here\n")
    assert "runs by itself, 61." in ran.out or "runs by itself, 62." in ran.out


def test_what_is_wrong_with_the_sound_is_said(run, tmp_path):
    soundfile.write(path := tmp_path / "silent.wav", np.zeros(5 * RATE_HZ), RATE_HZ)
    ran = run("watch", path)
    assert (ran.code, ran.out) == (0, "")
    note, end = ran.err.splitlines()
    assert "silent" in note
    assert end.endswith("listening ends here")


@pytest.mark.parametrize(("argv", "about"), [
    (("nowhere.wav",), "nowhere.wav"),
    (("header_only.wav",), "header_only.wav"),
    (("--microphone",), "microphone"),
])  # fmt: skip
def test_no_sound_is_one_clear_line_that_names_it(argv, about, run, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    monkeypatch.setattr(recording.follow_file, "__defaults__", (0.1,))  # seconds until a file counts as finished
    soundfile.write("header_only.wav", np.zeros(0), 16_000)
    ran = run("watch", *argv)
    assert (ran.code, ran.out, ran.err.count("\n")) == (2, "", 1)
    assert ran.err.startswith(f"error: {about}: ")


def test_a_terminal_is_no_sound(run, monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal())
    ran = run("watch")
    assert ran.code == 2
    assert "nothing comes in" in ran.err


def test_a_clock_is_doubted_and_no_catch_can_begin(run, tmp_path):
    """A clock beats more evenly than any ram (see beats.assemble): listen says so, and watch must."""
    tick = np.random.default_rng(1).normal(0, 0.4, 80) * np.exp(-np.arange(80) / 20)
    sound = np.random.default_rng(2).normal(0, 0.003, 26 * RATE_HZ)
    for at in range(RATE_HZ // 3, len(sound) - 100, RATE_HZ):
        sound[at : at + 80] += tick
    path = tmp_path / "clock.wav"
    soundfile.write(path, sound, RATE_HZ, subtype="PCM_16")
    ran = run("watch", path, "--until", "self")
    assert ran.code == 3
    assert "something beats by itself, 60.0 a minute" in ran.out
    assert "perhaps it is a clock or a machine" in ran.out
    assert "runs by itself" not in ran.out
    assert "catch" not in ran.out
    events = [json.loads(line) for line in run("watch", path, "--json").out.splitlines()]
    assert events
    assert all(event["confidence"] < 0.5 and "clock" in event["doubt"] for event in events)

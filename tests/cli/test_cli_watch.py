"""clackcount watch: events as lines, exit codes for scripts. The ear is a stand-in that plays a told story."""

from __future__ import annotations

import dataclasses
import io
import json
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from clackcount import pipeline
from clackcount.cli import watch
from clackcount.model import Cause, Event, FlowTrack, Happening, News, SlamTrain, State

sys.path.insert(0, str(Path(__file__).parents[1] / "running"))
from stories import Story, missing

COLUMNS = ("time_s", "strength_db", "confidence", "reopen_s", "opened_s", "pump", "beating")


def follow_story(story: Story):  # type: ignore[no-untyped-def]
    """What pipeline.follow gives for a recording that tells this story, half a second at a time."""
    train, flow, _ = story.told()

    def follow(_: object) -> Iterator[News]:
        slam = cell = 0
        for now_s in np.arange(0.5, train.duration_s, 0.5):
            slams_to = int(np.searchsorted(train.time_s, now_s, side="right"))
            cells_to = min(int(now_s / flow.step_s + 1e-9), len(flow))
            yield News(
                SlamTrain(*(getattr(train, name)[slam:slams_to] for name in COLUMNS), duration_s=train.duration_s),
                FlowTrack(flow.step_s, flow.level_db[cell:cells_to], flow.band_hz),
                float(now_s),
                missing(train.time_s[:slams_to], float(now_s)),
            )
            slam, cell = slams_to, cells_to

    return follow


@pytest.fixture
def watching(monkeypatch):  # type: ignore[no-untyped-def]
    story = Story(3, period_s=0.8, rush_db=12).quiet(5).hand(5).runs(60, settle=0.05).stalls(Cause.OPEN_STALL, 12)
    monkeypatch.setattr(pipeline, "follow", follow_story(story), raising=False)
    sound = io.BytesIO()
    soundfile.write(sound, np.random.default_rng(0).normal(0, 0.05, 16000), 16000, format="WAV")

    def run(*argv: str) -> Result:
        return CliRunner().invoke(watch.command, argv, input=sound.getvalue(), standalone_mode=False)

    return run


def test_the_story_is_told_line_by_line(watching) -> None:  # type: ignore[no-untyped-def]
    lines = watching().stdout.splitlines()
    assert [line.split("  ")[1] for line in lines[1:6]] == [f"push {n}" for n in range(1, 6)]
    # Its first own beat may be taken for one more push, until what follows is heard.
    assert any("runs by itself after 5 pushes" in line for line in lines[6:8])
    assert any("settled at" in line for line in lines)
    assert any("STOPPED" in line for line in lines)
    assert "rushes" in lines[-2]
    assert "because the valve stays open" in lines[-1]


def test_json_is_one_event_a_line(watching) -> None:  # type: ignore[no-untyped-def]
    events = [json.loads(line) for line in watching("--json").stdout.splitlines()]
    assert {event["schema"] for event in events} == {"clackcount.watching/1"}
    runs = [event["again"] for event in events if event["event"] == "state" and event["state"] == "self"]
    assert not runs[0]
    assert all(runs[1:])
    assert [event["event"] for event in events].count("stop") == 1
    stop = next(event for event in events if event["event"] == "stop")
    assert stop["cause"] == "unknown"  # told at once; water takes its time to run
    (later,) = (event for event in events if event["event"] == "cause")
    assert later["cause"] == "open-stall"
    assert later["time_s"] == pytest.approx(stop["time_s"], abs=0.01)
    assert stop["told_s"] - stop["time_s"] < 3


@pytest.mark.parametrize(("until", "last"), [("self", "runs by itself"), ("settled", "settled"), ("stop", "STOPPED")])
def test_until_ends_at_the_event_with_0(watching, until: str, last: str) -> None:  # type: ignore[no-untyped-def]
    result = watching("--until", until)
    assert result.return_value == 0
    assert any(last in line for line in result.stdout.splitlines()[-2:])


def test_until_that_does_not_come_in_time_is_3(watching) -> None:  # type: ignore[no-untyped-def]
    assert watching("--until", "stop", "--for", "0.5").return_value == 3
    assert watching("--until", "settled", "--for", "0.2").return_value == 3


def test_without_until_the_end_is_0(watching) -> None:  # type: ignore[no-untyped-def]
    assert watching("--for", "0.5").return_value == 0
    assert watching().return_value == 0


@pytest.mark.parametrize(("argv", "last"), [
    (("--until", "stop", "--for", "0.5"), "00:30  listening ends here, and no stop was heard"),
    (("--until", "settled", "--for", "0.2", "--json"), "00:12  listening ends here, and it has not settled"),
    (("--for", "0.5"), "00:30  listening ends here"),
])  # fmt: skip
def test_the_end_is_said_to_the_person_and_not_to_the_script(watching, argv, last) -> None:  # type: ignore[no-untyped-def]
    result = watching(*argv)
    assert result.stderr.splitlines()[-1] == last
    assert "listening ends" not in result.stdout


def test_one_caution_stands_where_the_pump_is_pushed(watching) -> None:  # type: ignore[no-untyped-def]
    assert watching().stderr.count("caution: Keep fingers out of the waste valve") == 1
    assert "caution" not in watching("--json").stderr


def run_told(time_s: float, strokes: int, doubt: str | None = None) -> Event:
    return Event(Happening.STATE, time_s, time_s + 10, State.SELF, strokes, 61.2, None, 0.9, doubt)


def test_a_run_that_is_told_again_says_so(capsys) -> None:  # type: ignore[no-untyped-def]
    tell, told = watch._TextTeller(), watch._Told()
    stop = Event(Happening.STOP, 70.0, 72.0, State.SELF, 6, 61.2, Cause.UNKNOWN, 0.5)
    for event in (run_told(15, 8, "no water is heard"), run_told(15, 8), run_told(15, 6), stop, run_told(90, 2)):
        tell(event, told.take(event))
    begins = [line.split("  ")[1].split(" by itself")[0] for line in capsys.readouterr().out.splitlines()]
    assert begins == [
        "something beats",
        "it is a ram after all: runs",
        "corrected: runs",
        "STOPPED; why is not heard yet",
        "runs",
    ]


def test_a_doubted_run_is_told_again_only_for_another_rate_or_doubt(capsys) -> None:  # type: ignore[no-untyped-def]
    tell, told = watch._TextTeller(), watch._Told()
    first = run_told(15, 8, "no water is heard")
    again = [run_told(15, 11, "no water is heard"), dataclasses.replace(first, rate_per_min=62.0)]
    others = [dataclasses.replace(first, rate_per_min=120.0), run_told(15, 8, "perhaps it is a clock")]
    for event in (first, *again, *others):
        tell(event, told.take(event))
    assert len(capsys.readouterr().out.splitlines()) == 1 + len(others)


@pytest.mark.parametrize("argv", [("--microphone", "a.wav"), ("--raw", "16000", "a.wav"), ("--until", "noon")])
def test_what_does_not_go_together_is_refused(watching, argv: tuple[str, ...]) -> None:  # type: ignore[no-untyped-def]
    assert watching(*argv).exception is not None

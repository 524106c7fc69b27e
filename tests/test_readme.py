"""What README and docs print is what the program does today, and .ci/run tests what the README promises.

To renew the printed output after a change: python tests/test_readme.py
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest

from clackcount.cli import main as cli_main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = {
    str(path.relative_to(ROOT)): path.read_text(encoding="utf-8")
    for path in [*ROOT.glob("*.md"), *sorted((ROOT / "docs").glob("*.md")), ROOT / "sample_audio" / "README.md"]
}


def blocks(kind: str, text: str = README) -> list[str]:
    """The fenced blocks of one kind."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)


def shown_runs(text: str = README) -> list[tuple[str, str]]:
    """Each "$ command" of the console blocks with the output printed under it."""
    return [
        (command, output)
        for block in blocks("console", text)
        for command, output in re.findall(r"^\$ (.*)\n((?:(?!\$ ).*\n)*)", block, re.MULTILINE)
    ]


def test_blocks_and_runs_are_found():
    text = "```console\n$ clackcount a b\none\n\ntwo\n$ clackcount c\n```\n```sh\nx\n```\n"
    assert shown_runs(text) == [("clackcount a b", "one\n\ntwo\n"), ("clackcount c", "")]
    assert blocks("sh", text) == ["x\n"]


def test_the_two_commands_are_single_lines_in_a_fresh_environment():
    main_job, tests = blocks("sh")
    for command in (main_job, tests):
        assert command.count("\n") == 1
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install -q ")
    assert "clackcount listen sample_audio/" in main_job
    assert "'.[dev]'" in tests
    assert "pytest" in tests


def test_the_install_commands_name_what_is_there():
    main_job, _ = blocks("sh")
    for sample in re.findall(r"sample_audio/\S+", main_job):
        assert (ROOT / sample).is_file()
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert "dev" in project["optional-dependencies"]
    assert "clackcount" in project["scripts"]


def test_ci_takes_its_commands_from_the_readme():
    """.ci/run must not hold a copy of them that could grow stale."""
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "readme_command 'clackcount listen'" in script
    assert "readme_command 'pytest'" in script
    assert "pip install" not in script
    assert "-m pytest" not in script


def test_there_is_a_run_to_check():
    assert any(command.startswith("clackcount listen") for command, _ in shown_runs())


ALL_RUNS = {command: output for text in PAGES.values() for command, output in shown_runs(text)}


@pytest.mark.parametrize(("command", "output"), ALL_RUNS.items(), ids=list(ALL_RUNS))
def test_printed_output_is_what_the_command_prints(command, output, capsys, monkeypatch):
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("COLUMNS", "80")
    program, *argv = shlex.split(command)
    assert program == "clackcount"
    assert cli_main.main(argv) == 0
    assert differences(capsys.readouterr().out, output) == []


NUMBER = re.compile(r"\d+(?:\.\d+)?")


def differences(printed: str, shown: str) -> list[tuple[str, str]]:
    """Words that differ. A number may be one off in its last digit: another processor adds in another order."""
    if NUMBER.sub("#", printed).split() != NUMBER.sub("#", shown).split():
        return [(printed, shown)]
    pairs = zip(NUMBER.findall(printed), NUMBER.findall(shown), strict=True)
    return [(ours, theirs) for ours, theirs in pairs if abs(float(ours) - float(theirs)) > 1.01 * last_digit(theirs)]


def last_digit(number: str) -> float:
    """What the last digit of a printed number is worth."""
    return 10.0 ** -len(number.partition(".")[2])


@pytest.mark.parametrize(("printed", "same"), [
    ("runs at 62.4 a minute, sure, 76 in 100", True),
    ("runs at 62.4 a minute,\nsure, 75 in 100", True),
    ("runs at 62.5 a minute, sure, 76 in 100", True),
    ("runs at 62.6 a minute, sure, 76 in 100", False),
    ("runs at 62.4 a minute, sure, 78 in 100", False),
    ("ran at 62.4 a minute, sure, 76 in 100", False),
    ("runs at 62.4 a minute, sure", False),
])  # fmt: skip
def test_only_rounding_is_forgiven(printed, same):
    assert (differences(printed, "runs at 62.4 a minute, sure, 76 in 100") == []) is same


@pytest.mark.parametrize("name", cli_main.COMMANDS)
def test_every_command_is_in_the_readme(name):
    assert f"`clackcount {name}" in README


def test_python_in_the_readme_runs(capsys, monkeypatch):
    monkeypatch.chdir(ROOT)
    for block in blocks("python"):
        exec(compile(block, "README.md", "exec"), {})
    assert float(capsys.readouterr().out) > 0


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page):
    links = [link for link in re.findall(r"\]\(([^)#]+)", PAGES[page]) if "://" not in link]
    assert [link for link in links if not ((ROOT / page).parent / link).exists()] == []


def typed(text: str) -> list[list[str]]:
    """Every command of ours in a text, in a block or in backticks, as its words."""
    unbroken = text.replace("\\\n", " ")
    lines = re.findall(r"^(?:\$ | {4})?clackcount (.*)$", unbroken, re.MULTILINE)
    return [line.split() for line in [*lines, *re.findall(r"`clackcount ([^`]+)`", unbroken)]]


def options_of(words: list[str]) -> set[str]:
    """The options that the command named by the first words has."""
    command: click.Command = cli_main.cli
    for word in words:
        if (
            not isinstance(command, click.Group)
            or (found := command.get_command(click.Context(command), word)) is None
        ):
            break
        command = found
    return {option for each in command.params for option in (*each.opts, *each.secondary_opts)} | {"--help"}


@pytest.mark.parametrize("page", PAGES)
def test_options_named_beside_a_command_are_there(page):
    unknown = [
        (words[0], option)
        for words in typed(PAGES[page])
        for option in re.findall(r"(?<!\S)--[a-z-]+", " ".join(words))
        if option not in options_of(words)
    ]
    assert unknown == []


def test_an_option_that_is_not_there_would_be_found():
    (words,) = typed("    clackcount log export --loud a.csv\n")
    assert "--loud" not in options_of(words)
    assert "--csv" in options_of(words)


@pytest.mark.parametrize("word", ["hammer", "Fingers", "Pressure", "Streams", "Cold", "local codes", "licensed"])
def test_cautions_are_printed(word):
    assert word in README.split("## Cautions")[1]


def renewed(text: str) -> str:
    """A page with the output that its commands print today."""
    for command, output in shown_runs(text):
        argv = [sys.executable, "-m", *shlex.split(command)]
        environment = os.environ | {"COLUMNS": "80"}
        done = subprocess.run(argv, cwd=ROOT, env=environment, capture_output=True, text=True, check=True)
        text = text.replace(f"$ {command}\n{output}", f"$ {command}\n{done.stdout}")
    return text


if __name__ == "__main__":
    for page, text in PAGES.items():
        (ROOT / page).write_text(renewed(text), encoding="utf-8")

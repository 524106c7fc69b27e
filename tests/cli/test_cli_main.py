"""The way in: help, exit codes, one line for every error, clean ends."""

from __future__ import annotations

import ast
import os
import re
import runpy
import signal
import struct
import subprocess
import sys
from pathlib import Path

import click
import pytest

import clackcount
from clackcount.__main__ import main as start
from clackcount.cli import main as cli_main
from clackcount.cli.explain import all_meanings
from clackcount.errors import FailedError, QuantityError
from clackcount.logbook import history

PROGRAM = [sys.executable, "-m", "clackcount"]

# Libraries that cost a tenth of a second or more to import; --help must not pay for them.
HEAVY = {
    "numpy", "scipy", "librosa", "numba", "soundfile", "av", "rich", "pint", "uncertainties", "fluids", "pydantic",
    "matplotlib", "jinja2", "sqlalchemy",
}  # fmt: skip


def loaded_after(*argv: str) -> set[str]:
    code = f"import sys; from clackcount.cli.main import main; main({list(argv)!r}); print('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return {line.split(".")[0] for line in done.stdout.splitlines()}


@pytest.mark.parametrize("argv", [["--help"], ["--version"], ["completion", "zsh"]], ids=" ".join)
def test_starting_loads_nothing_heavy(argv):
    loaded = loaded_after(*argv)
    assert "click" in loaded
    assert loaded & HEAVY == set()


@pytest.mark.parametrize(("given", "used"), [(None, "1"), ("4", "4")])
def test_matrix_products_get_one_thread_unless_the_user_says_otherwise(given, used, monkeypatch):
    """Two on a busy machine cost several times the processor time; the tests themselves run with one."""
    for name in (names := ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS")):
        monkeypatch.delenv(name) if given is None else monkeypatch.setenv(name, given)
    runpy.run_path(cli_main.__file__, run_name="started anew")
    assert [os.environ[name] for name in names] == [used, used]


def test_version(run):
    ran = run("--version")
    assert (ran.code, ran.out) == (0, f"clackcount, version {clackcount.__version__}\n")


def test_help_lists_every_command_and_exits_0(run):
    ran = run("--help")
    assert ran.code == 0
    for name in cli_main.COMMANDS:
        assert re.search(rf"^  {name} ", ran.out, re.MULTILINE)


@pytest.mark.parametrize("name", cli_main.COMMANDS)
def test_every_command_has_help(name, run):
    ran = run(name, "--help")
    assert ran.code == 0
    assert ran.out.startswith(f"Usage: clackcount {name}")
    command = cli_main.cli.get_command(click.Context(cli_main.cli), name)
    assert command.name == name
    assert command.help
    undescribed = [option.name for option in command.params if isinstance(option, click.Option) and not option.help]
    assert undescribed == []


@pytest.mark.parametrize("group", ["log", "site", "trial"])
def test_lists_of_subcommands_are_not_cut_off(group, run):
    listed = run(group, "--help").out.partition("Commands:")[2].splitlines()[1:]
    assert len(listed) >= 2
    assert [line for line in listed if not line.endswith(".") or line.endswith("...")] == []


def test_no_command_shows_help_and_exits_2(run):
    ran = run()
    assert ran.code == 2
    assert "Usage: clackcount" in ran.out + ran.err


@pytest.mark.parametrize(("argv", "words"), [
    (["lisen"], "No such command 'lisen'"),
    (["listen"], "Missing argument 'FILE...'"),
    (["listen", "--jsn", "a.wav"], "No such option"),
    (["--loud"], "No such option"),
    (["completion", "csh"], "'csh' is not one of"),
    (["listen", "-", "-"], "can be read only once"),
])  # fmt: skip
def test_slips_of_typing_are_one_line_and_exit_2(argv, words, run):
    ran = run(*argv)
    assert ran.code == 2
    assert ran.out == ""
    assert re.fullmatch(r"error: .* \(hint: clackcount.* --help\)\n", ran.err)
    assert words in ran.err


def test_a_file_whose_name_looks_like_an_option_is_not_left_a_riddle(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "-loud.wav").write_bytes(b"")
    ran = run("listen", "-loud.wav")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.endswith("(hint: a file whose name begins with a dash: ./-loud.wav)\n")
    assert "the file is empty" in run("listen", "./-loud.wav").err


def wrapped_by_an_import():
    """What Python 3.11 makes of Ctrl-C while numpy is being imported."""
    error = RuntimeError("Error calling __set_name__ on 'cached_property' instance 'epsneg' in 'finfo'")
    error.__cause__ = KeyboardInterrupt()
    return error


def a_command_that_raises(monkeypatch, error: BaseException) -> None:
    @click.command("listen")
    def command() -> None:
        raise error

    monkeypatch.setattr(cli_main.LazyCommands, "get_command", lambda *_: command)


@pytest.mark.parametrize(("error", "code", "line"), [
    (QuantityError("'7 wet' is no volume", hint="try 1 cup"), 2, "error: '7 wet' is no volume (hint: try 1 cup)"),
    (FailedError("the logbook is busy"), 1, "failed: the logbook is busy"),
    (OSError(28, "No space left on device"), 1, "failed: No space left on device"),
    (RuntimeError("cannot cache function '__o_fold': no locator available for file 'notation.py'"), 1,
     "failed: the compiler in librosa finds no folder to write to (hint: set NUMBA_CACHE_DIR to one, as in "
     "NUMBA_CACHE_DIR=/tmp/mine)"),
    (KeyboardInterrupt(), 130, "stopped"),
    (wrapped_by_an_import(), 130, "stopped"),
    (ZeroDivisionError("oh\nno"), 1,
     "failed: ZeroDivisionError: oh no. This is a fault in clackcount; run with CLACKCOUNT_DEBUG=1 for the details."),
])  # fmt: skip
def test_every_error_is_one_line_with_its_code(error, code, line, run, monkeypatch):
    a_command_that_raises(monkeypatch, error)
    monkeypatch.delenv("CLACKCOUNT_DEBUG", raising=False)
    ran = run("listen")
    assert (ran.code, ran.out, ran.err) == (code, "", line + "\n")


def test_debug_lets_the_traceback_out(run, monkeypatch):
    a_command_that_raises(monkeypatch, ZeroDivisionError("oh no"))
    monkeypatch.setenv("CLACKCOUNT_DEBUG", "1")
    with pytest.raises(ZeroDivisionError, match="oh no"):
        run("listen")


def test_a_reader_that_goes_away_is_no_error():
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = subprocess.run([*PROGRAM, "schema"], stdout=write_end, stderr=subprocess.PIPE, check=False)
    os.close(write_end)
    assert (done.returncode, done.stderr) == (141, b"")


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
def test_a_full_disk_is_one_line_and_exit_1():
    with open("/dev/full", "wb") as full:
        done = subprocess.run([*PROGRAM, "schema"], stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr == "failed: No space left on device\n"


def endless_wav() -> bytes:
    """The start of a WAV stream whose length nobody knows yet, and 8 MB of it: more than any pipe holds."""
    form = struct.pack("<HHIIHH", 1, 1, 16000, 32000, 2, 16)
    return (
        b"RIFF\xff\xff\xff\xffWAVEfmt " + struct.pack("<I", len(form)) + form + b"data\xff\xff\xff\xff" + bytes(2**23)
    )


def test_ctrl_c_while_listening_ends_with_one_line():
    streams = dict.fromkeys(("stdin", "stdout", "stderr"), subprocess.PIPE)
    with subprocess.Popen([*PROGRAM, "listen", "-"], **streams) as process:
        process.stdin.write(endless_wav())  # returns once the process is in the middle of listening
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert (process.returncode, out, err) == (130, b"", b"stopped\n")


def test_ctrl_c_while_the_command_line_is_loaded_ends_as_cleanly(monkeypatch, capsys):
    class Interrupted:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "clackcount.cli.main":
                raise KeyboardInterrupt

    monkeypatch.delitem(sys.modules, "clackcount.cli.main")
    monkeypatch.setattr(sys, "meta_path", [Interrupted(), *sys.meta_path])
    assert (start(), capsys.readouterr().err) == (130, "stopped\n")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts(shell, run):
    ran = run("completion", shell)
    assert ran.code == 0
    assert "_CLACKCOUNT_COMPLETE" in ran.out


@pytest.mark.parametrize(("words", "expected"), [
    ("clackcount li", "plain,listen"),
    ("clackcount listen --js", "plain,--json"),
    ("clackcount listen ra", "file,ra"),
    ("clackcount listen --site sp", "file,sp"),
    ("clackcount report a.m4a -o sp", "file,sp"),
    ("clackcount explain stea", "plain,steady-beat"),
])  # fmt: skip
def test_completion_completes(words, expected):
    environment = os.environ | {
        "_CLACKCOUNT_COMPLETE": "bash_complete", "COMP_WORDS": words, "COMP_CWORD": str(words.count(" ")),
    }  # fmt: skip
    done = subprocess.run(PROGRAM, env=environment, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == [expected]


@pytest.mark.parametrize("code", all_meanings())
def test_every_code_is_explained_within_80_columns(code, run):
    ran = run("explain", code)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith(f"{code}: ")
    assert "Basis: " in ran.out
    assert max(len(line) for line in ran.out.splitlines()) <= 80


def test_explain_lists_the_codes_and_refuses_others(run):
    assert [line.split()[0] for line in run("explain").out.splitlines() if line[2] != " "] == list(all_meanings())
    ran = run("explain", "gremlins")
    assert (ran.code, ran.out, ran.err.count("\n")) == (2, "", 1)
    assert "no finding is called 'gremlins'" in ran.err
    assert "perhaps silent or" in run("explain", "silnt").err


def test_every_code_that_can_be_printed_is_explained():
    """A finding is made of a row of a table, nowhere else, and every row is known to explain."""
    package = Path(clackcount.__file__).parent
    calls = [
        (path.relative_to(package).as_posix(), node.func.id, node.keywords)
        for path in sorted(package.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    ]
    assert {where for where, name, _ in calls if name == "Finding"} == {"model/findings.py"}
    rows = [
        next(word.value for word in words if word.arg == "code")
        for _, name, words in calls
        if name in ("Meaning", "Rule")
    ]
    written = [row.value for row in rows if isinstance(row, ast.Constant)]
    reckoned = [row for row in rows if not isinstance(row, ast.Constant)]
    assert len(written) > 35
    assert len(reckoned) == 1  # of the logbook: what, drift or step, and which way
    assert set(written) | {meaning.code for meaning in history.MEANINGS} == set(all_meanings())


def test_public_names_are_there_and_load_late():
    code = (
        "import sys, clackcount; print('numpy' in sys.modules); clackcount.Listening; print('numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]
    for name in clackcount.__all__:
        assert getattr(clackcount, name) is not None
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = clackcount.no_such_name

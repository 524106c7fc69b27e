"""The way in: finds the command, and turns every error into one line and an exit code, here and nowhere else.

Exit codes: 0 done; 1 something failed; 2 what was typed or given cannot be used; 130 stopped by Ctrl-C; 141 the
reader of the output went away. A command may return others of its own, named in its help.
"""

from __future__ import annotations

import importlib
import os
import sys
import warnings

import click
from click.shell_completion import shell_complete

from clackcount import __version__
from clackcount.cli import terminal
from clackcount.errors import ClackcountError, one_line

# Small matrix products gain nothing from a second thread, and waiting for one costs more than the product where the
# machine is busy. Must be set before numpy is loaded; whoever sets it differently has a reason.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

PROGRAM = "clackcount"
COMPLETE_VARIABLE = "_CLACKCOUNT_COMPLETE"

STOPPED = 130  # 128 + SIGINT and 128 + SIGPIPE, as shells count them
READER_GONE = 141

# Name of each command (and of its module, with "-" as "_") and its line in the list. Kept here so that --help
# imports no command.
COMMANDS = {
    "listen": "Say what a ram in a recording is doing: rate, evenness, stops and why.",
    "report": "Make one page with pictures and sound: look and listen.",
    "watch": "Tell what the ram is doing while the sound comes in: pushes, running, settled, stopped.",
    "explain": "Tell what a finding means, its causes, and what to check.",
    "site": "Write and check the file that describes heads and pipes.",
    "predict": "Say what a site should deliver, from its site file.",
    "trial": "Keep trials in the logbook: add, list, show, remove.",
    "compare": "Say whether one setting is really better than another, and how sure that is.",
    "advise": "Say which setting to try next, and which is the best so far.",
    "log": "Export, import and tend the logbook; watch a site over months.",
    "schema": "Print the JSON Schema of what listen --json prints.",
    "completion": "Print the script that completes commands in your shell.",
}


class LazyCommands(click.Group):
    """A group that imports the module of a command only when that command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"clackcount.cli.{cmd_name.replace('-', '_')}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(PROGRAM, cls=LazyCommands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, "-V", "--version", prog_name=PROGRAM)
def cli() -> None:
    """Counts the waste-valve slams of a hydraulic ram pump in a phone recording, and tells what the pump is doing.

    Start with: clackcount listen RECORDING
    """


def main(argv: list[str] | None = None) -> int:
    """Run the command line and return its exit code; never lets a traceback out unless CLACKCOUNT_DEBUG is set."""
    if instruction := os.environ.get(COMPLETE_VARIABLE):
        return shell_complete(cli, {}, PROGRAM, COMPLETE_VARIABLE, instruction)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a letter that the screen does not know is no reason to fail
            stream.reconfigure(errors="backslashreplace")
    if sys.stdin is None:  # closed by whoever started us: then there is nothing to read
        sys.stdin = open(os.devnull)  # noqa: SIM115  it lives as long as the process
    debug = bool(os.environ.get(terminal.DEBUG_VARIABLE))
    if not debug and not sys.warnoptions:
        warnings.simplefilter("ignore")  # a library's remark to its programmers means nothing beside a creek
    argv = sys.argv[1:] if argv is None else argv
    try:
        return _run(argv)
    except KeyboardInterrupt:
        return _last_word("stopped", STOPPED)
    except BrokenPipeError:
        _drop_output()
        return READER_GONE
    except ClackcountError as err:
        return _last_word(terminal.error_line(err), err.exit_code)
    except click.ClickException as err:
        return _last_word(_usage_line(err, argv), err.exit_code)
    except OSError as err:
        if debug:
            raise
        where = f"{err.filename}: " if err.filename else ""
        return _last_word(f"failed: {where}{one_line(err.strerror or err)}", 1)
    except Exception as err:
        if terminal.interrupted(err):
            return _last_word("stopped", STOPPED)
        if debug:
            raise
        return _last_word(terminal.error_line(terminal.fault(err)), 1)


def _run(argv: list[str]) -> int:
    """The exit code of the command; what it printed has left the buffer, so that a full disk is noticed in time."""
    try:
        with cli.make_context(PROGRAM, list(argv)) as ctx:
            code = cli.invoke(ctx)
    except click.exceptions.Exit as done:  # --help and --version end this way
        code = done.exit_code
    except click.exceptions.NoArgsIsHelpError as err:
        click.echo(err.format_message())
        code = 2
    if sys.stdout is not None:
        sys.stdout.flush()
    return int(code or 0)


def _last_word(line: str, code: int) -> int:
    """Say line on stderr, where there still is one, and drop output that could not be written."""
    try:
        terminal.say(line)
        if sys.stdout is not None:
            sys.stdout.flush()
    except OSError:
        _drop_output()
    return code


def _drop_output() -> None:
    """Point stdout at nothing, or the interpreter tries once more to flush it on the way out, and complains."""
    sys.stdout = open(os.devnull, "w")  # noqa: SIM115  it lives as long as the process


def _usage_line(err: click.ClickException, argv: list[str]) -> str:
    context = getattr(err, "ctx", None)
    where = context.command_path if context else PROGRAM
    message = one_line(err.format_message()).rstrip(".")
    files = [word for word in argv if word.startswith("-") and word != "-" and os.path.exists(word)]
    hint = f"a file whose name begins with a dash: ./{files[0]}" if files else f"{where} --help"
    return f"error: {message} (hint: {hint})"

"""``clackcount explain``: what a finding means."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

import click
from click.shell_completion import CompletionItem

from clackcount.cli import terminal
from clackcount.errors import ClackcountError

if TYPE_CHECKING:
    from clackcount.model import Meaning


class _Code(click.types.StringParamType):
    """The code of a finding. Shells complete it."""

    name = "code"

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        return [CompletionItem(code) for code in sorted(all_meanings()) if code.startswith(incomplete)]


@click.command("explain")
@click.argument("code", type=_Code(), required=False)
def command(code: str | None) -> None:
    """Tell what a finding means, its likely causes, what to check in which order, and what it rests on.

    CODE stands with each finding that a command prints. Without CODE, lists all of them.
    """
    from clackcount.report import as_text

    meanings = all_meanings()
    if code is None:
        rows = [(meaning.code, meaning.title) for meaning in meanings.values()]
        text = as_text.columns(rows, terminal.width())
    elif code in meanings:
        text = as_text.fitted(meanings[code].explained(), terminal.width())
    else:
        near = difflib.get_close_matches(code, meanings, n=3, cutoff=0.5)
        hint = f"perhaps {' or '.join(near)}; " if near else ""
        raise ClackcountError(
            f"no finding is called {code!r}", hint=f"{hint}clackcount explain lists them all", code="unknown-code"
        )
    click.echo(text, nl=False)


def all_meanings() -> dict[str, Meaning]:
    """By code: of the sound, of the sound against the site file, and of trials over months."""
    from clackcount import diagnosis
    from clackcount.hydraulics import meanings
    from clackcount.logbook import history

    return {meaning.code: meaning for meaning in (*diagnosis.RULES, *meanings.MEANINGS, *history.MEANINGS)}

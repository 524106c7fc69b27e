"""``clackcount explain``: what a finding means."""

from __future__ import annotations

import click

from clackcount.cli import terminal


@click.command("explain")
@click.argument("code", required=False)
def command(code: str | None) -> None:
    """Tell what a finding means, its likely causes, what to check in which order, and what it rests on.

    CODE stands with each finding that listen prints. Without CODE, lists all of them.
    """
    from clackcount import diagnosis
    from clackcount.report import as_text

    if code is None:
        text = as_text.columns([(rule.code, rule.title) for rule in diagnosis.RULES], terminal.width())
    else:
        text = as_text.fitted(diagnosis.explain(code), terminal.width())
    click.echo(text, nl=False)

"""``clackcount schema``: the JSON Schema of the published document."""

from __future__ import annotations

import json

import click


@click.command("schema")
def command() -> None:
    """Print the JSON Schema (draft 2020-12) of what listen --json prints for one recording."""
    from clackcount.report.schema import json_schema

    click.echo(json.dumps(json_schema(), indent=2, ensure_ascii=False))

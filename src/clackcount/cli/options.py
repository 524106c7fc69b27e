"""Options that several commands share, each with one help text."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click
from click.shell_completion import CompletionItem


class _FileName(click.types.StringParamType):
    """The name of a file, taken as it is; what is wrong with it is told where it is opened. Shells complete it."""

    name = "file"

    def shell_complete(self, ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
        return [CompletionItem(incomplete, type="file")]


FILE = _FileName()

logbook_option = click.option(
    "--logbook",
    metavar="PATH|URL",
    type=FILE,
    help="The logbook: a file, or a database URL. Default: CLACKCOUNT_LOGBOOK, else a file in your data folder.",
)
json_option = click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
png_option = click.option("--png", metavar="FILE", type=FILE, help="Also draw it: a PNG chart into FILE.")
at_option = click.option("--at", metavar="TIME", help='When it was, local time: "2026-03-01 10:30". Default: now.')
over_option = click.option(
    "--over",
    type=click.Choice(["stroke", "weight"]),
    default="stroke",
    show_default=True,
    help="The setting that advice is about.",
)
site_option = click.option(
    "--site", metavar="SITE", type=FILE,
    help="The site file of this ram: adds what the water does (see clackcount site new).",
)  # fmt: skip
catch_option = click.option(
    "--catch", "catches", multiple=True, metavar="CATCH",
    help='Caught at the delivery: "1.5 cup in 60 s", or "1.5 cup from 0:12 to 1:12". May be repeated.',
)  # fmt: skip
waste_option = click.option(
    "--waste-catch", "waste", multiple=True, metavar="CATCH", help="Caught at the waste valve, likewise."
)


def catching(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options --site, --catch and --waste-catch."""
    return site_option(catch_option(waste_option(command)))

"""``clackcount compare``: is the second setting really better than the first?"""

from __future__ import annotations

import re

import click

from clackcount.cli import terminal
from clackcount.cli.book import drawn, numbers_of, open_logbook
from clackcount.cli.options import json_option, logbook_option, png_option
from clackcount.cli.terminal import put, put_json
from clackcount.errors import QuantityError


@click.command("compare", short_help="Say whether one trial, or group of trials, is really better than another.")
@click.argument("first", metavar="FIRST")
@click.argument("second", metavar="SECOND")
@click.option(
    "--worth", default="5%", show_default=True, metavar="PERCENT", help="The least difference that matters."
)
@json_option
@png_option
@logbook_option
def command(first: str, second: str, worth: str, as_json: bool, png: str | None, logbook: str | None) -> None:
    """Hold trial SECOND against trial FIRST; groups as "3,5" or "3-6".

    Each ratio comes with its 95 % interval and a plain sentence; where nothing could be shown, with what would
    settle it. What else may have made the difference is named.

    \b
    clackcount compare 3 4
    clackcount compare 3,6 4,5 --png better.png
    """
    from clackcount.logbook import as_text, comparison, drawable

    ratio, numbers = _ratio(worth), [numbers_of(text) for text in (first, second)]
    with open_logbook(logbook) as book:
        sides = [[book.get(number) for number in side] for side in numbers]
        events = book.events()
    found = comparison.compare(sides[0], sides[1], events, worth=ratio)
    if as_json:
        put_json(found.to_dict())
    else:
        put(as_text.compared(found, terminal.width()))
    drawn(png, lambda figures: figures.ratios(drawable.ratios(found), as_text.over(found)))


def _ratio(text: str) -> float:
    found = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*%?\s*", text)
    percent = float(found[1].replace(",", ".")) if found else 0.0
    if not 0.1 <= percent <= 100:
        raise QuantityError(f"--worth: “{text}” must lie between 0.1 % and 100 %", hint="write for example 5%")
    return 1 + percent / 100

"""``clackcount advise``: which setting to try next, and which is the best so far."""

from __future__ import annotations

import click

from clackcount.cli import terminal
from clackcount.cli.book import drawn, open_logbook, site_named
from clackcount.cli.options import FILE, json_option, logbook_option, over_option, png_option
from clackcount.cli.terminal import put, put_json


@click.command("advise", short_help="Say which setting to try next, and which is the best so far.")
@click.option(
    "--site", required=True, metavar="SITE", type=FILE, help="The site, by its file or its name in the logbook."
)
@over_option
@click.option(
    "--aim", type=click.Choice(["most-water", "least-waste", "within-supply"]), default="most-water",
    show_default=True, help="What is wanted: water, little waste, or water within what the supply gives.",
)  # fmt: skip
@click.option(
    "--travel", metavar="RANGE", help='What the valve allows: "3 mm to 20 mm". Advice never goes beyond it.'
)
@click.option("--supply", metavar="FLOW", help='What the supply gives: "3 gal/min". Default: as the site file says.')
@json_option
@png_option
@logbook_option
def command(
    site: str, over: str, aim: str, travel: str | None, supply: str | None, as_json: bool, png: str | None,
    logbook: str | None,
) -> None:  # fmt: skip
    """Say which setting to try next at SITE, and which is the best so far for the aim.

    From three settings on it reads a curve, with its band, through the trials that differ in one thing only, and
    names the setting whose trial would tell most. Before that it goes by the trade's first moves.

    \b
    clackcount advise --site dell.toml --travel "3 mm to 20 mm"
    clackcount advise --site dell.toml --over weight --aim least-waste --png weight.png
    """
    from clackcount.cli.reckoning import forecast_of, lift_over_fall_of, supply_of
    from clackcount.logbook import advice, as_text, drawable
    from clackcount.logbook.records import ends_of
    from clackcount.model import cautions
    from clackcount.units import parse_quantity

    name, site_text = site_named(site)
    with open_logbook(logbook) as book:
        trials = book.trials(site=name, whole=True)
    kept = [trial.site_text for trial in trials if trial.site_text]
    site_text = site_text or (kept[-1] if kept else "")
    kind, example = advice.OVER[over], {"stroke": "3 mm to 20 mm", "weight": "50 g to 300 g"}[over]
    ends = ends_of(parse_quantity(travel, kind, field="--travel", example=example)) if travel else None
    given = parse_quantity(supply, "flow", field="--supply", example="3 gal/min").value if supply else None
    found = advice.advise(
        trials,
        over,
        aim,
        travel=ends,
        supply_m3_s=given if given is not None else supply_of(trials, site_text),
        forecast=forecast_of(trials, site_text, over),
        lift_over_fall=lift_over_fall_of(site_text),
    )
    if as_json:
        put_json(found.to_dict())
    else:
        width = terminal.width()
        put(as_text.advised(found, name, width))
        put(
            ["", *(line for said in cautions.AT_THE_VALVE for line in as_text.wrapped(f"Caution: {said}", width, ""))]
        )
    drawn(png, lambda figures: figures.choice(drawable.choice(found)))

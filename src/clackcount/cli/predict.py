"""``clackcount predict``: what a site should do, before anybody has listened to it."""

from __future__ import annotations

import click

from clackcount.cli.options import FILE, json_option
from clackcount.cli.site import put_lines, read_site
from clackcount.cli.terminal import put_json


@click.command("predict", short_help="Say what a site should deliver, from its site file.")
@click.argument("site", metavar="SITE", type=FILE)
@click.option("--rate", metavar="RATE", help='At this beat: "62", "62 per min".')
@click.option("--stroke", metavar="LENGTH", help='With this stroke of the waste valve: "8 mm", "5/16 in".')
@json_option
def command(site: str, rate: str | None, stroke: str | None, as_json: bool) -> None:
    """Say what a ram should do at SITE (a site file, see clackcount site new): beat, drive flow, delivered water.

    Two ways of reckoning stand side by side, each with its 95 % band: the motion of the drive column, and the
    trade's old efficiency table.

    \b
    clackcount predict spring.toml
    clackcount predict spring.toml --rate 62
    clackcount predict spring.toml --stroke "8 mm" --json
    """
    from clackcount.hydraulics import as_lines, predict
    from clackcount.units import parse_quantity

    described = read_site(site)
    prediction = predict(
        described,
        rate=parse_quantity(rate, "rate", field="--rate") if rate is not None else None,
        stroke=parse_quantity(stroke, "length", field="--stroke", example="8 mm") if stroke is not None else None,
    )
    if as_json:
        document = {"schema": "clackcount.prediction/1", "site": described.name, **prediction.to_dict()}
        put_json(document)
    else:
        put_lines(as_lines(prediction, described.measures))

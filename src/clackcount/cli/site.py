"""``clackcount site``: write a site file to fill in, and read one back to see whether it was understood."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from clackcount.cli import terminal
from clackcount.cli.options import FILE, json_option
from clackcount.cli.terminal import put_json
from clackcount.errors import SiteError

if TYPE_CHECKING:
    from clackcount.hydraulics import Measurement, Site


@click.group("site", short_help="Write and check the file that describes heads and pipes.")
def command() -> None:
    """Write and check a site file: heads, pipes and valve of your ram, in any units."""


@command.command("new", short_help="Write a site file to fill in.")
@click.argument("file", metavar="FILE", type=FILE)
@click.option("--force", is_flag=True, help="Write over a file that is already there.")
def new(file: str, force: bool) -> None:
    """Write a commented site file to fill in ("-": on standard output).

    \b
    clackcount site new spring.toml
    """
    from clackcount.hydraulics import template
    from clackcount.report.write import write

    if file == "-":
        click.echo(template(), nl=False)
        return
    if Path(file).exists() and not force:
        raise SiteError(f"{file}: is there already", hint="choose another name, or --force to write over it")
    write(file, template())
    terminal.say(f"wrote {file}: fill it in, then run clackcount site check {file}")


@command.command("check", short_help="Read a site file back, as it was understood.")
@click.argument("file", metavar="FILE", type=FILE)
@json_option
def check(file: str, as_json: bool) -> None:
    """Read a site file back: every value as it was understood, and what was assumed.

    \b
    clackcount site check spring.toml
    """
    from clackcount.hydraulics import numbers_of, site_lines

    site = read_site(file)
    if as_json:
        document = {"schema": "clackcount.site/1", "name": site.name, **numbers_of(site).to_dict()}
        put_json(document)
        return
    if site.name:
        click.echo(site.name)
    put_lines(site_lines(site))


def read_text(path: str) -> str:
    """The text of a site file; "-" reads standard input.

    Raises: SiteError where there is no such file, or it is no text.
    """
    try:
        return sys.stdin.read() if path == "-" else Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise SiteError(f"{path}: no such file", hint=f"clackcount site new {path} writes one to fill in") from None
    except (IsADirectoryError, PermissionError) as err:
        raise SiteError(f"{path}: {(err.strerror or 'cannot be read').lower()}") from err
    except UnicodeDecodeError as err:
        raise SiteError(f"{path}: is not a text file", hint="a site file is TOML in UTF-8") from err


def read_site(path: str) -> Site:
    """The site that the file at path describes.

    Raises: SiteError naming file, field, what was given and an example.
    """
    from clackcount.hydraulics import Site

    return Site.read(read_text(path), path)


def keep_measurement(path: str, measurement: Measurement, note: str = "") -> None:
    """Write what a measurement taught into the site file at path; other lines and comments stay as they are.

    Raises: SiteError where the file can't be read or nothing was learnt; FailedError where it can't be written.
    """
    from clackcount.hydraulics import with_measurement
    from clackcount.report.write import write

    write(path, with_measurement(read_text(path), measurement, note))


def put_lines(lines: list[str]) -> None:
    """Lines on stdout, the long ones wrapped to the screen."""
    from clackcount.hydraulics import view
    from clackcount.report import as_text

    width = terminal.width()
    for line in lines:
        label, value = line[: view.WIDTH], line[view.WIDTH :]
        if len(line) <= width or not label.endswith("  "):
            click.echo(click.wrap_text(line, width, "", "    "))
        else:
            click.echo("\n".join(as_text.row(label, value, view.WIDTH, width)))

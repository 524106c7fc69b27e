"""Sound, site file and catches joined, for the commands that are given all three."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import click

from clackcount.cli.site import read_site

if TYPE_CHECKING:
    from clackcount.hydraulics import Catch, Measurement, Site
    from clackcount.model import Listening


@dataclass(frozen=True, slots=True)
class Given:
    """A site and what was caught there."""

    site: Site
    catches: tuple[Catch, ...]

    @classmethod
    def read(cls, site: str | None, catches: Sequence[str], waste: Sequence[str]) -> Given | None:
        """The site file and the catches of both sides, as typed; None where no site is given.

        Raises: SiteError, QuantityError for what can't be read; UsageError for a catch without a site.
        """
        if site is None:
            if catches or waste:
                raise click.UsageError("--catch needs --site, which holds heads and pipes.")
            return None
        from clackcount.hydraulics import Catch

        described = read_site(site)
        caught = [Catch.read(text, "delivery", measures=described.measures) for text in catches]
        caught += [Catch.read(text, "waste", measures=described.measures) for text in waste]
        return cls(described, tuple(caught))


def measured(listening: Listening, given: Given) -> tuple[Listening, Measurement]:
    """The listening with the findings about the site among its own, and what the water does."""
    from clackcount import diagnosis
    from clackcount.hydraulics import Heard, expected_against_heard, measure

    heard = Heard.of(listening, given.catches)
    measurement = measure(given.site, given.catches, heard)
    if heard is None:
        return listening, measurement
    about_site = expected_against_heard(given.site, heard, measurement)
    findings = diagnosis.joined(listening.findings, about_site, listening.beats.pumps[0].confidence)
    return replace(listening, findings=findings), measurement


def taught(listening: Listening, given: Given) -> Measurement:
    """What this recording and these catches teach by themselves: nothing that was kept before is counted again."""
    from clackcount.hydraulics import Heard, measure
    from clackcount.hydraulics.site import Calibration

    alone = given.site.model_copy(update={"calibration": Calibration()})
    return measure(alone, given.catches, Heard.of(listening, given.catches))

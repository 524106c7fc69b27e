"""Sound, site file and catches joined, for the commands that are given all three."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from clackcount.cli.site import read_site

if TYPE_CHECKING:
    from clackcount.hydraulics import Catch, Heard, Measurement, Site
    from clackcount.model import Listening


def read_catches(catches: Sequence[str], waste: Sequence[str], site: Site) -> list[Catch]:
    """The catches as typed, of both sides, in the site's measures. Raises: QuantityError for what can't be read."""
    from clackcount.hydraulics import Catch

    return [Catch.read(text, "delivery", measures=site.measures) for text in catches] + [
        Catch.read(text, "waste", measures=site.measures) for text in waste
    ]


def measured(listening: Listening, site_path: str, catches: Sequence[str], waste: Sequence[str]) -> tuple[
    Listening, Measurement, str
]:  # fmt: skip
    """The listening with the findings about the site added, what the water does, and the site's measures.

    Raises: SiteError, QuantityError.
    """
    from clackcount.hydraulics import expected_against_heard, measure

    site = read_site(site_path)
    caught = read_catches(catches, waste, site)
    heard = _heard(listening, caught)
    measurement = measure(site, caught, heard)
    if heard is not None:
        listening = replace(
            listening, findings=(*listening.findings, *expected_against_heard(site, heard, measurement))
        )
    return listening, measurement, site.measures


def _heard(listening: Listening, catches: Sequence[Catch]) -> Heard | None:
    """What the recording says about the loudest ram; None where none beats."""
    from clackcount.hydraulics import Heard

    if not listening.beats.pumps:
        return None
    beat = listening.beats.pumps[0]
    slam_s = listening.beats.train.of_pump(beat.pump).time_s
    counts = tuple(
        None
        if catch.start_s is None or catch.end_s is None
        else int(slam_s.searchsorted(catch.end_s) - slam_s.searchsorted(catch.start_s))
        for catch in catches
    )
    return Heard(
        beat.rate_per_min, beat.rate_ci95_per_min, beat.open_s, beat.shut_s, counts, beat.regularity.robust_cv
    )

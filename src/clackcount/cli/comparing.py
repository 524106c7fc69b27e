"""What the logbook says about trials, made ready for the page of ``clackcount report``."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from clackcount.report.as_html import Trials

_WIDTH = 42  # letters of one width that a phone shows in a line


def compared(first: str, second: str, logbook: str | None) -> Trials:
    """Two trials, or groups of them, held against each other."""
    from clackcount.cli.compare import _numbers
    from clackcount.cli.log import open_logbook
    from clackcount.logbook import as_text, chart, comparison
    from clackcount.report.as_html import Trials

    with open_logbook(logbook) as book:
        sides = [[book.get(number) for number in _numbers(text)] for text in (first, second)]
        found = comparison.compare(sides[0], sides[1], book.events())
    words = "Ratio of each result with its 95 % interval, beside the line of no difference. The text says the same."
    title = f"Trial {second} against trial {first}"
    return Trials(title, tuple(as_text.compared(found, _WIDTH)), chart.compared(found) if found.rows else None, words)


def advised(named: str, over: str, logbook: str | None) -> Trials:
    """Which setting is best so far at a site, how sure that is, and which to try next."""
    from clackcount.cli.log import open_logbook, site_named
    from clackcount.cli.reckoning import forecast_of, lift_over_fall_of, supply_of
    from clackcount.logbook import advice, as_text, chart
    from clackcount.report.as_html import Trials

    name, site_text = site_named(named)
    with open_logbook(logbook) as book:
        trials = book.trials(site=name, whole=True)
    kept = [trial.site_text for trial in trials if trial.site_text]
    site_text = site_text or (kept[-1] if kept else "")
    found = advice.advise(
        trials,
        over,
        supply_m3_s=supply_of(trials, site_text),
        forecast=forecast_of(trials, site_text, over),
        lift_over_fall=lift_over_fall_of(site_text),
    )
    words = "Each result over the setting, with its band, the trials, the best so far and the one to try next."
    picture = chart.advised(found) if found.curves else None
    return Trials(f"What to try next at {name}", tuple(as_text.advised(found, name, _WIDTH)), picture, words)

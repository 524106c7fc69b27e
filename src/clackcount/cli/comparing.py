"""What the logbook says about trials, made ready for the page of ``clackcount report``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from clackcount.logbook.comparison import Compared
    from clackcount.logbook.records import Trial
    from clackcount.report.as_html import Trials


def compared(first: str, second: str, logbook: str | None) -> Trials:
    """Two trials, or groups of them, held against each other."""
    from clackcount.cli.book import numbers_of, open_logbook
    from clackcount.logbook import as_text, comparison, drawable
    from clackcount.model import cautions
    from clackcount.report.as_html import Trials

    with open_logbook(logbook) as book:
        sides = [[book.get(number) for number in numbers_of(text)] for text in (first, second)]
        found = comparison.compare(sides[0], sides[1], book.events())
    verdict, _, settling = found.rows[0].sentence.partition(" To show ")
    lists = (
        ("In words", tuple(row.sentence for row in found.rows)),
        ("What else may have made the difference", found.confounders),
        ("Not compared", found.missing),
        ("What was assumed", as_text.assumed(found)),
    )
    return Trials(
        title=f"{_named(found.second)} against {_named(found.first).lower()}",
        verdict=verdict,
        next=_next(found),
        why=(f"To show {settling}",) if settling else (),
        head=("", "ratio, and its 95 %", "shown"),
        rows=tuple(
            ((words, ""), (ratio, interval), (verdict, ""))
            for words, ratio, interval, verdict in as_text.ratio_rows(found)
        ),
        lists=tuple(each for each in lists if each[1]),
        cautions=(cautions.FINGERS,),
        ratios=drawable.ratios(found),
    )


def _named(trials: Sequence[Trial]) -> str:
    """ "Trial 2 (stroke 10mm)", "Trials 2, 4 (stroke 10mm)"."""
    from clackcount.logbook.as_text import numbered, settings_text

    settings = settings_text(trials[0].settings)
    return f"{numbered(trials)}{f' ({settings})' if settings else ''}"


def _next(found: Compared) -> str:
    """Which of the two to keep, by what is shown."""
    ahead: dict[str, list[str]] = {"better": [], "worse": []}  # of the second
    for row in found.rows:
        if row.verdict in ahead:
            ahead[row.verdict].append(row.quantity.words)
    second, first = (_named(side).lower() for side in (found.second, found.first))
    in_second, in_first = (" and ".join(words) for words in ahead.values())
    if in_second and in_first:
        return f"Choose by what you want: {second} is better in {in_second}, {first} in {in_first}."
    if in_second or in_first:
        return f"Keep {second if in_second else first}: better in {in_second or in_first}, worse in nothing shown."
    return "Leave it as it is, or measure both again: neither is shown to be better."


def advised(named: str, over: str, logbook: str | None) -> Trials:
    """Which setting is best so far at a site, how sure that is, and which to try next."""
    from clackcount.cli.book import open_logbook, site_named
    from clackcount.cli.reckoning import forecast_of, lift_over_fall_of, supply_of
    from clackcount.logbook import advice, as_text, drawable
    from clackcount.model import cautions
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
    head, rows = as_text.curve_rows(found) if found.curves else ([], [])
    setting = as_text.to_try(found)
    best, value = as_text.best(found)
    return Trials(
        title=f"{name}: which {over}, from {found.n_trials} trials",
        verdict=f"Best so far: {over} {best}{f', with {value}' if value else ''}.",
        next=f"Try {over} {setting}." if setting else "Try nothing more: stay with the best so far.",
        why=(*found.said, *(("What stands in brackets holds the truth 95 times in 100.",) if value else ())),
        head=tuple(head),
        rows=tuple(map(tuple, rows)),
        note=as_text.BEYOND.replace("In brackets", "Under each") if rows else "",
        cautions=cautions.AT_THE_VALVE,
        choice=drawable.choice(found) if found.curves else None,
    )

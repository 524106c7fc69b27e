"""What else may have made the difference between two groups of trials."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from clackcount.logbook.records import Event, Setting, Trial

DAYS_APART = 7
HEAD_SHARE = 0.01
SUPPLY_SHARE = 0.05


def confounders(first: Sequence[Trial], second: Sequence[Trial], events: Sequence[Event] = ()) -> list[str]:
    """Plain sentences, the weightiest first."""
    both = [*first, *second]
    said: list[str] = []
    if len({trial.site for trial in both}) > 1:
        said.append("The trials are from different sites: pipes and heads differ too.")
    elif len({trial.site_text for trial in both if trial.site_text}) > 1:
        said.append("The site file was changed between these trials: see whether heads or pipes differ.")
    said += _condition(
        first, second, "head", HEAD_SHARE, "The drive head differed ({0} and {1}): that alone changes the flow."
    )
    said += _condition(first, second, "supply", SUPPLY_SHARE, "The supply differed ({0} and {1}).")
    if any(_filling(trial) for trial in both):
        said.append("The delivery line was filling in one of these trials: the first fill lifts against less head.")
    changed = changed_settings(first, second)
    if len(changed) > 1:
        said.append(f"More than one thing was changed ({', '.join(changed)}): which of them did it cannot be told.")
    said += _order(first, second)
    said += _between(both, events)
    return said


def changed_settings(first: Sequence[Trial], second: Sequence[Trial]) -> list[str]:
    """Names of the settings that are not the same on both sides."""
    names = sorted({setting.name for trial in (*first, *second) for setting in trial.settings})
    return [name for name in names if _values(first, name) != _values(second, name)]


def _values(trials: Sequence[Trial], name: str) -> set[float | str | None]:
    return {_value(trial.setting(name)) for trial in trials}


def _value(setting: Setting | None) -> float | str | None:
    if setting is None:
        return None
    return setting.given.strip().lower() if setting.value is None else float(f"{setting.value:.6g}")


def _condition(first: Sequence[Trial], second: Sequence[Trial], name: str, share: float, words: str) -> list[str]:
    sides = []
    for side in (first, second):
        known = [found for trial in side if (found := trial.setting(name)) is not None and found.value is not None]
        if not known:
            return []
        sides.append(known)
    means = [sum(each.value or 0.0 for each in side) / len(side) for side in sides]
    if abs(means[1] / means[0] - 1) <= share:
        return []
    return [words.format(sides[0][0].given, sides[1][0].given)]


def _filling(trial: Trial) -> bool:
    fill = trial.setting("fill")
    return fill is not None and fill.given.strip().lower() not in ("no", "full", "done")


def _order(first: Sequence[Trial], second: Sequence[Trial]) -> list[str]:
    at = [sorted(moment(trial.at) for trial in side) for side in (first, second)]
    if not (at[0][-1] < at[1][0] or at[1][-1] < at[0][0]):
        return []
    said = [
        "All trials of one side came before those of the other: a drift of supply or valve would look the same. "
        "Going back to the first setting once more (first, second, second, first) would tell them apart."
    ]
    gap_days = abs(min(at[1][0] - at[0][-1], at[0][0] - at[1][-1], key=abs).total_seconds()) / 86400
    if gap_days >= DAYS_APART:
        said.append(f"{gap_days:.0f} days lie between them: the stream may have changed.")
    return said


def _between(trials: Sequence[Trial], events: Sequence[Event]) -> list[str]:
    start, end = min(trial.at for trial in trials), max(trial.at for trial in trials)
    sites = {trial.site for trial in trials}
    return [
        f"Between them, {event.at[:10]}: {event.kind}{f', {event.text}' if event.text else ''}."
        for event in events
        if event.site in sites and event.kind in ("restart", "repair") and start < event.at < end
    ]


def moment(at: str) -> datetime:
    """The time that the logbook wrote down."""
    return datetime.fromisoformat(at.replace("Z", "+00:00"))

"""Trials for a terminal: no wider than asked, no more digits than are known."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from clackcount.logbook.records import Figure, Setting, Trial

if TYPE_CHECKING:
    from clackcount.logbook.advice import Advice
    from clackcount.logbook.comparison import Compared
    from clackcount.logbook.history import Watched

LABELS: dict[str, tuple[str, str, float]] = {  # words, unit shown, factor from SI
    "rate_per_min": ("beat", "per min", 1.0),
    "robust_cv": ("unevenness", "%", 100.0),
    "delivery_flow_m3_s": ("delivered", "L/min", 60e3),
    "waste_flow_m3_s": ("wasted", "L/min", 60e3),
    "delivered_per_stroke_m3": ("delivered a beat", "mL", 1e6),
    "efficiency": ("efficiency", "%", 100.0),
}
SHOWN_IN = {"stroke": ("mm", 1e3), "weight": ("g", 1e3)}  # unit, factor from SI


def number(value: float, spread: float | None = None, figures: int = 3) -> str:
    """value with no digit finer than the first two of spread; to some figures where spread is not known."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    scale = spread if spread else abs(value) * 10.0 ** (1 - figures)
    digits = max(0, -math.floor(math.log10(scale)) + (1 if scale / 10 ** math.floor(math.log10(scale)) < 2.95 else 0))
    if not spread:
        digits = max(0, figures - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(digits, 9)}f}"


def figure(name: str, found: Figure | None, *, band: bool = False) -> str:
    """A figure in the unit it is shown in, with its 95 % band if asked; "-" where it was not measured."""
    if found is None:
        return "-"
    _, unit, factor = LABELS[name]
    value = found.value * factor
    spread = 2 * found.u * factor if found.u else None
    if not band:
        return number(value, spread, figures=2)
    return f"{number(value, spread, figures=2)}{f' ± {number(spread, spread)}' if spread else ''} {unit}".rstrip()


def settings_text(settings: Sequence[Setting]) -> str:
    """ "stroke 12 mm, weight 80 g" as typed."""
    return ", ".join(f"{each.name} {each.given}" for each in settings)


def table(head: Sequence[str], rows: Sequence[Sequence[str]], width: int, stretch: int) -> list[str]:
    """Rows under their heads, no line wider than width; column number stretch gives way and is cut with "…"."""
    columns = list(zip(head, *rows, strict=True))
    widths = [max(map(len, column)) for column in columns]
    room = width - (sum(widths) - widths[stretch]) - 2 * (len(widths) - 1)
    widths[stretch] = max(4, min(widths[stretch], room))
    left = {stretch, *(i for i, column in enumerate(columns) if not any(_numeric(cell) for cell in column[1:]))}

    def line(cells: Sequence[str]) -> str:
        cut = [cell if len(cell) <= w else cell[: w - 1] + "…" for cell, w in zip(cells, widths, strict=True)]
        placed = [c.ljust(w) if i in left else c.rjust(w) for i, (c, w) in enumerate(zip(cut, widths, strict=True))]
        return "  ".join(placed).rstrip()

    return [line(head), *(line(row) for row in rows)]


def _numeric(cell: str) -> bool:
    return cell.replace(".", "", 1).isdigit()


def listed(trials: Sequence[Trial], width: int) -> list[str]:
    """The list of trials."""
    several = len({trial.site for trial in trials}) > 1
    head = ["No", "Date", *(["Site"] if several else []), "Set", "Beats", "Water", "A beat", "Efficiency"]
    units = ["", "", *([""] if several else []), "", "a minute", "L/min", "mL", "%"]
    shown = ("rate_per_min", "delivery_flow_m3_s", "delivered_per_stroke_m3", "efficiency")
    rows = [
        [
            str(trial.number),
            trial.at[:10],
            *([trial.site[:12]] if several else []),
            "removed" if trial.removed_at else settings_text(trial.settings) or "-",
            *(figure(name, trial.figure(name)) for name in shown),
        ]
        for trial in trials
    ]
    return table(head, [units, *rows], width, 3 if several else 2)


def shown(trial: Trial, width: int) -> list[str]:
    """One trial in full."""
    lines = [f"Trial {trial.number}, {trial.site}, {trial.at.replace('T', ' ').replace('Z', ' UTC')}"]
    if trial.removed_at:
        lines.append(f"  removed {trial.removed_at}")
    pairs = [("set", settings_text(trial.settings)), ("that day", settings_text(trial.conditions))]
    pairs += [("caught" if each.side == "delivery" else "waste", each.given) for each in trial.catches]
    pairs += [("recording", trial.recording.path)] if trial.recording else []
    pairs += [("note", trial.note)]
    pairs += [
        (words, figure(name, found, band=True))
        for name, (words, _, _) in LABELS.items()
        if (found := trial.figure(name)) is not None
    ]
    if trial.result:
        for key in ("notes", "cautions"):
            pairs += [("", sentence) for sentence in trial.result.more.get(key, [])]
    for words, text in pairs:
        if text:
            lines += wrapped(f"{words:<20} {text}" if words else text, width)
    return lines


def wrapped(text: str, width: int, indent: str = "  ") -> list[str]:
    """text, indented and folded."""
    return textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=indent + "  ") or [""]


def over(found: Compared) -> str:
    """ "Trial 2 over trial 1", "Trials 2, 3 over trial 1"."""
    second, first = (numbered(side) for side in (found.second, found.first))
    return f"{second} over {first.lower()}"


def numbered(side: Sequence[Trial]) -> str:
    """ "Trial 2", "Trials 2, 4"."""
    return f"Trial{'s' if len(side) > 1 else ''} {', '.join(str(trial.number) for trial in side)}"


def ratio_rows(found: Compared) -> list[tuple[str, str, str, str]]:
    """(quantity, ratio, its 95 % interval, verdict) a row."""
    rows = []
    for row in found.rows:
        low, high = row.found.interval()
        spread = (high - low) / 2
        interval = f"{number(low, spread)} to {number(high, spread)}"
        rows.append((row.quantity.words, number(row.found.ratio, spread), interval, row.verdict))
    return rows


def assumed(found: Compared) -> tuple[str, ...]:
    """What all rows assume, each once."""
    return tuple(dict.fromkeys(said for row in found.rows for said in row.assumed))


def compared(found: Compared, width: int) -> list[str]:
    """A comparison: a table of ratios, then a sentence each, then what to doubt."""
    lines = [over(found), ""]
    lines += table(["", "Ratio", "95 %", "Shown"], ratio_rows(found), width, 0)
    lines.append("")
    for row in found.rows:
        lines += wrapped(row.sentence, width, "")
    for title, sentences in (
        ("What else may have made the difference", found.confounders),
        ("Not compared", found.missing),
        ("Assumed", assumed(found)),
    ):
        if sentences:
            lines += ["", title]
            for sentence in sentences:
                lines += wrapped(sentence, width)
    return lines


def advised(found: Advice, site: str, width: int) -> list[str]:
    """Advice: what to try, what is best so far, and the curve as a table."""
    lines = [f"{site}: {found.over}, aim: {found.aim.replace('-', ' ')} ({found.n_trials} trials)", ""]
    lines.append(f"Try next     {to_try(found) or 'nothing: stay with the best'}")
    lines += ["Best so far  " + ": ".join(filter(None, best(found))), ""]
    for sentence in found.said:
        lines += wrapped(sentence, width, "")
    if found.curves:
        head, rows = curve_rows(found)
        cells = [[f"{value} ({band})" if band else value for value, band in row] for row in rows]
        lines += ["", *table(head, cells, width, len(head) - 1), BEYOND]
    return lines


BEYOND = "* beyond what was tried: a guess. In brackets: 95 %."


def to_try(found: Advice) -> str:
    """The setting to try next, "" where there is none."""
    return _setting(found, found.next) if found.next is not None else ""


def best(found: Advice) -> tuple[str, str]:
    """The best setting so far, and what it gives with its 95 % band, "" where that is not known."""
    if found.best_value is None:
        return _setting(found, found.best), ""
    _, unit, factor = LABELS.get(found.best_in, ("", "delivered over wasted", 1.0))
    unit += " efficiency" if found.best_in == "efficiency" else ""
    middle, low, high = (value * factor for value in found.best_value)
    spread = (high - low) / 2
    band = f"{number(low, spread)} to {number(high, spread)}"
    return _setting(found, found.best), f"{number(middle, spread)} {unit} ({band})"


def _setting(found: Advice, value: float | None) -> str:
    unit, factor = SHOWN_IN[found.over]
    return "-" if value is None else f"{number(value * factor, figures=3)} {unit}"


def curve_rows(found: Advice) -> tuple[list[str], list[list[tuple[str, str]]]]:
    """The heads, and rows of (value, its 95 % band or ""): the setting first, then each quantity."""
    unit, factor = SHOWN_IN[found.over]
    first = found.curves[0]
    chosen = sorted({round(i * (len(first.at) - 1) / 8) for i in range(9)})
    head = [f"{found.over}, {unit}"]
    units = [LABELS.get(each.quantity, ("", "", 1.0))[1] for each in found.curves]
    head += [f"{each.words}, {unit}" if unit else each.words for each, unit in zip(found.curves, units, strict=True)]
    rows = []
    for i in chosen:
        outside = not first.tried[0] <= first.at[i] <= first.tried[1]
        row = [(number(first.at[i] * factor, figures=3) + (" *" if outside else ""), "")]
        for each in found.curves:
            scale = LABELS.get(each.quantity, ("", "", 1.0))[2]
            low, middle, high = (each.low[i] * scale, each.middle[i] * scale, each.high[i] * scale)
            spread = (high - low) / 2
            row.append((number(middle, spread), f"{number(low, spread)} to {number(high, spread)}"))
        rows.append(row)
    return head, rows


def watched(found: Watched, width: int) -> list[str]:
    """A site over months: a line a quantity, then the findings."""
    rows = []
    for each in found.series:
        words, unit, factor = LABELS[each.name]
        spread = (each.limits.high - each.limits.low) / 2 * factor
        limits = f"{number(each.limits.low * factor, spread)} to {number(each.limits.high * factor, spread)}"
        drift = "-" if each.change is None else f"{100 * each.change:+.0f} %{'' if each.drifts else ' (chance)'}"
        now = number(each.values[-1] * factor, spread) + (" !" if each.outside else "")
        rows.append([f"{words}, {unit}", str(len(each.values)), now, limits, drift])
    lines = [found.site]
    if rows:
        lines += ["", *table(["", "Trials", "Last", "Expected (99 %)", "Drift"], rows, width, 0)]
    for finding in found.findings:
        lines += ["", *wrapped(f"{finding.title} ({finding.severity}). {finding.evidence}", width, "")]
        lines += wrapped(f"Do next: {finding.next}", width)
        lines += wrapped(f"Causes: {'; '.join(finding.causes)}. Basis: {finding.basis}.", width)
    if found.series and not found.findings:
        lines += ["", "Nothing that chance and reading errors would not explain."]
    for sentence in (*found.said, *dict.fromkeys(said for each in found.findings for said in each.cautions)):
        lines += wrapped(sentence, width, "")
    return lines

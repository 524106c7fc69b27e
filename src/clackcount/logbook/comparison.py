"""Is it really better? Two groups of trials held against each other, quantity by quantity, in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from clackcount.errors import LogbookError
from clackcount.logbook.confounders import confounders
from clackcount.logbook.contrast import Contrast, Plan, Repeats, contrast, plan
from clackcount.logbook.readings import readings_of, repeats_of
from clackcount.logbook.records import Event, Trial

WORTH = 1.05  # five per cent is about what a keeper would turn a nut for


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity that is compared: its words, and which way is better (+1 more, -1 less, 0 neither)."""

    name: str
    words: str
    better: int
    more: str = "more"
    less: str = "less"


QUANTITIES = (
    Quantity("delivery_flow_m3_s", "delivered water", +1),
    Quantity("delivered_per_stroke_m3", "delivered a beat", 0),
    Quantity("rate_per_min", "beat", 0, "faster", "slower"),
    Quantity("robust_cv", "unevenness of the beat", -1),
    Quantity("efficiency", "efficiency", +1, "higher", "lower"),
    Quantity("waste_flow_m3_s", "wasted water", -1),
)


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity compared. verdict: better, worse, more, less, faster, slower, or "not shown". plan: what would
    settle it, where it is not. typical_s: the usual length of the catches behind it, None without catches."""

    quantity: Quantity
    found: Contrast
    verdict: str
    sentence: str
    plan: Plan | None
    typical_s: float | None
    assumed: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """For a JSON document."""
        low, high = self.found.interval()
        return {
            "quantity": self.quantity.name,
            "ratio": self.found.ratio,
            "ratio_ci95": [low, high],
            "degrees_of_freedom": self.found.dof,
            "readings": [self.found.n_first, self.found.n_second],
            "verdict": self.verdict,
            "sentence": self.sentence,
            "to_settle": None
            if self.plan is None
            else {
                "more": self.plan.n,
                "of": self.plan.of,
                "catch_s": None if self.typical_s is None else self.typical_s * self.plan.length,
            },
            "assumed": list(self.assumed),
        }


@dataclass(frozen=True, slots=True)
class Compared:
    """Second over first. missing: what could not be compared, and why."""

    first: tuple[Trial, ...]
    second: tuple[Trial, ...]
    rows: tuple[Row, ...]
    missing: tuple[str, ...]
    confounders: tuple[str, ...]
    worth: float

    def to_dict(self) -> dict[str, Any]:
        """For a JSON document."""
        return {
            "schema": "clackcount.comparison/1",
            "first": [trial.number for trial in self.first],
            "second": [trial.number for trial in self.second],
            "worth": self.worth,
            "rows": [row.to_dict() for row in self.rows],
            "missing": list(self.missing),
            "confounders": list(self.confounders),
        }


def compare(
    first: Sequence[Trial], second: Sequence[Trial], events: Sequence[Event] = (), worth: float = WORTH
) -> Compared:
    """Second held against first, with what else may have made the difference.

    Raises: LogbookError for an empty group, a trial on both sides, or a removed one.
    """
    _check(first, second)
    rows: list[Row] = []
    missing: list[str] = []
    for quantity in QUANTITIES:
        caught = quantity.name not in ("waste_flow_m3_s", "efficiency") or all(
            trial.of_side("waste") for trial in (*first, *second)
        )
        sides = [readings_of(quantity.name, side, caught=caught) for side in (first, second)]
        if all(sides):
            rows.append(_row(quantity, sides, [*first, *second], worth, caught))
        else:
            which = " and ".join(
                name for name, side in zip(("the first", "the second"), sides, strict=True) if not side
            )
            missing.append(f"{quantity.words}: not measured on {which} side")
    if not rows:
        raise LogbookError(
            "nothing was measured on both sides", hint="a catch or a recording on each side is the least"
        )
    return Compared(
        tuple(first), tuple(second), tuple(rows), tuple(missing), tuple(confounders(first, second, events)), worth
    )


def _check(first: Sequence[Trial], second: Sequence[Trial]) -> None:
    if not first or not second:
        raise LogbookError("each side needs a trial", hint="clackcount compare 3 4")
    both = {trial.number for trial in first} & {trial.number for trial in second}
    if both:
        raise LogbookError(f"trial {min(both)} is on both sides")
    for trial in (*first, *second):
        if trial.removed_at:
            raise LogbookError(f"trial {trial.number} was removed {trial.removed_at}")


def _row(quantity: Quantity, sides: list[Any], trials: Sequence[Trial], worth: float, caught: bool) -> Row:
    repeats = repeats_of(quantity.name)
    found = contrast(sides[0], sides[1], repeats)
    low, high = found.interval()
    shown = low > 1 or high < 1
    word = quantity.more if found.ratio > 1 else quantity.less
    verdict = "not shown"
    if shown:
        up = 1 if found.ratio > 1 else -1
        verdict = word if quantity.better == 0 else ("better" if up == quantity.better else "worse")
    side = "waste" if quantity.name == "waste_flow_m3_s" else "delivery"
    times_s = sorted(each.time_s for trial in trials for each in trial.of_side(side))
    from_catches = quantity.name in ("delivery_flow_m3_s", "delivered_per_stroke_m3", "waste_flow_m3_s") and caught
    typical_s = times_s[len(times_s) // 2] if times_s and from_catches else None
    settle = None if shown else plan(sides[0], sides[1], worth, repeats)
    sentence = _sentence(quantity, found, shown, verdict, settle, typical_s, worth)
    return Row(
        quantity,
        found,
        verdict,
        sentence,
        settle,
        typical_s,
        tuple(_assumed(quantity.words, sides, repeats, found, caught)),
    )


def percent(ratio: float) -> str:
    """ "12 % more" of a ratio, one digit where it is small."""
    change = 100 * (ratio - 1)
    return f"{abs(change):.{1 if abs(change) < 9.5 else 0}f} %"


def _sentence(
    quantity: Quantity, found: Contrast, shown: bool, verdict: str, settle: Plan | None, typical_s: float | None,
    worth: float,
) -> str:  # fmt: skip
    low, high = found.interval()

    def side(ratio: float) -> str:
        return f"{percent(ratio)} {quantity.more if ratio > 1 else quantity.less}"

    name = quantity.words[0].upper() + quantity.words[1:]
    if shown:
        judged = f": {verdict}" if verdict in ("better", "worse") else ""
        ends = sorted((low, high), key=lambda ratio: abs(ratio - 1))
        word = quantity.more if found.ratio > 1 else quantity.less
        return f"{name}: {side(found.ratio)} ({percent(ends[0])} to {percent(ends[1])} {word}){judged}."
    text = f"{name}: no difference that these catches could show (between {side(low)} and {side(high)})."
    if typical_s is None:
        text = text.replace("these catches", "these recordings" if "beat" in quantity.words else "these trials")
    return f"{text} {_settling(settle, typical_s, worth)}"


def _settling(settle: Plan | None, typical_s: float | None, worth: float) -> str:
    aim = f"a difference of {percent(worth)}"
    if settle is None or settle.n == 0:
        return f"If there were {aim}, it would have shown 4 times in 5."
    if settle.n is None:
        return f"To show {aim} is out of reach this way."
    if settle.of == "trials" or typical_s is None:
        things = "trial" if settle.n == 1 else "trials"
        return f"To show {aim}: set each up anew and measure again, {settle.n} more {things} a side."
    things = "catch" if settle.n == 1 else "catches"
    return f"To show {aim}: {settle.n} more {things} of {typical_s * settle.length:.0f} s a side."


def _assumed(
    words: str, sides: Sequence[Sequence[Any]], repeats: Repeats, found: Contrast, caught: bool
) -> list[str]:
    said = []
    if min(map(len, sides)) == 1:
        said += [
            "A single reading on a side shows no scatter: reading errors are taken as half a mark and a hand-worked "
            "watch.",
            f"A ram set the same way twice is taken to repeat within ± {200 * repeats.trial_u:.0f} % ({words}).",
        ]
    if found.factor > 1.5:
        said.append(f"The readings scatter {found.factor:.1f} times as much as reading errors explain.")
    if not caught:
        said.append("Waste was not caught on every side: the model's figures are compared, with their whole error.")
    vessels = [{reading.vessel for reading in side if reading.vessel} for side in sides]
    if vessels[0] and vessels[0] == vessels[1]:
        said.append(f"The same {' and '.join(sorted(vessels[0]))} is taken to have served both sides.")
    return said

"""Writes docs/findings.md from the rules themselves: python tests/diagnosis/findings_doc.py"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from clackcount.diagnosis import RULES
from clackcount.diagnosis.rule import Rule
from clackcount.hydraulics import meanings
from clackcount.logbook import history
from clackcount.model import Meaning

PAGE = Path(__file__).parents[2] / "docs" / "findings.md"

HEAD = """# Findings

Each finding has a code; `clackcount explain CODE` prints what stands here. The first table is of what
`clackcount listen` hears, the second of what a site file adds to it, the third of what the logbook sees over months.

- **act** sends somebody to the pump, **watch** asks to keep an eye on it, **info** is good to know. A pump that runs
  evenly gives nothing above info. A stop that was followed by a restart is watched only, unless it comes again.
- What the sound cannot know is asked, not claimed: how high the water stands, whether it reaches the tank.
- Where one finding explains the evidence of another better, only the better one is told; that it may be no ram stands
  above all else, remarks stand last. Stops with different causes stand one under the other, the last stop first: that
  is the one to deal with now.
- Checks stand in the order of the trade (common practice, no source): source level, strainer, air, valve travel and
  dirt, delivery valve, air vessel, delivery pipe.
- No finding is surer than that there is a ram at all; where that is doubtful, nobody is sent to the pump.
- Basis: *published* rests on a source that was read, *common practice* on handbook lore, *inference* on reasoning
  about the sound. Sources marked "from memory" could not be seen.

"""


def page() -> str:
    """The whole page."""
    tables = (RULES, meanings.MEANINGS, history.MEANINGS)
    sections = "\n".join(section(meaning) for table in tables for meaning in table)
    return HEAD + "\n".join(contents(table) for table in tables) + "\n" + sections


def contents(table: Sequence[Meaning]) -> str:
    """A table of contents."""
    lines = ["| code | told as | severity | basis |", "|---|---|---|---|"]
    lines += [f"| [{row.code}](#{row.code}) | {row.title} | {row.severity} | {row.basis} |" for row in table]
    return "\n".join(lines) + "\n"


def section(meaning: Meaning) -> str:
    """One finding."""
    lines = [f"## {meaning.code}", "", f"**{meaning.title}.** {meaning.means}", "", f"Do next: {meaning.next}", ""]
    for title, rows in (("Likely causes, in order", meaning.causes), ("Check, in this order", meaning.checks)):
        if rows:
            lines += [f"{title}:", "", *(f"{number}. {row}" for number, row in enumerate(rows, start=1)), ""]
    if meaning.question:
        lines += [f"What only you can tell: {meaning.question}", ""]
    if isinstance(meaning, Rule) and meaning.yields_to:
        lines += ["Not told beside: " + ", ".join(f"`{code}`" for code in meaning.yields_to) + ".", ""]
    lines += [f"Basis: {meaning.rests_on}.", ""]
    if meaning.cautions:
        lines += [*(f"> Caution: {caution}" for caution in meaning.cautions), ""]
    return "\n".join(lines)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")

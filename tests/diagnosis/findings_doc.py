"""Writes docs/findings.md from the rules themselves: python tests/diagnosis/findings_doc.py"""

from __future__ import annotations

from pathlib import Path

from clackcount.diagnosis import RULES
from clackcount.diagnosis.rule import Rule

PAGE = Path(__file__).parents[2] / "docs" / "findings.md"

HEAD = """# Findings

Each finding that `clackcount listen` prints has a code; `clackcount explain CODE` prints what stands here.

- **act** sends somebody to the pump, **watch** asks to keep an eye on it, **info** is good to know. A pump that runs
  evenly gives nothing above info. A stop that was followed by a restart is watched only.
- What the sound cannot know is asked, not claimed: how high the water stands, whether it reaches the tank.
- Where one finding explains the evidence of another better, only the better one is told. Stops with different causes
  stand one under the other, the last stop first: that is the one to deal with now.
- Checks stand in the order of the trade (common practice, no source): source level, strainer, air, valve travel and
  dirt, delivery valve, air vessel, delivery pipe.
- No finding is surer than that there is a ram at all; where that is doubtful, nobody is sent to the pump.
- Basis: *published* rests on a source that was read, *common practice* on handbook lore, *inference* on reasoning
  about the sound. Sources marked "from memory" could not be seen.

"""


def page() -> str:
    """The whole page."""
    contents = ["| code | told as | severity | basis |", "|---|---|---|---|"]
    contents += [f"| [{r.code}](#{r.code}) | {r.title} | {r.severity} | {r.basis} |" for r in RULES]
    return HEAD + "\n".join(contents) + "\n\n" + "\n".join(section(rule) for rule in RULES)


def section(rule: Rule) -> str:
    """One finding."""
    lines = [f"## {rule.code}", "", f"**{rule.title}.** {rule.means}", "", f"Do next: {rule.next}", ""]
    for title, rows in (("Likely causes, in order", rule.causes), ("Check, in this order", rule.checks)):
        if rows:
            lines += [f"{title}:", "", *(f"{number}. {row}" for number, row in enumerate(rows, start=1)), ""]
    if rule.question:
        lines += [f"What only you can tell: {rule.question}", ""]
    if rule.yields_to:
        lines += ["Not told beside: " + ", ".join(f"`{code}`" for code in rule.yields_to) + ".", ""]
    lines += [f"Basis: {rule.basis}" + (f" ({rule.source})." if rule.source else "."), ""]
    if rule.cautions:
        lines += [*(f"> Caution: {caution}" for caution in rule.cautions), ""]
    return "\n".join(lines)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")

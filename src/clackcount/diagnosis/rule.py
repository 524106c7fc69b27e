"""A rule: what it listens for, and what it then tells the person."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from clackcount.diagnosis.facts import Facts
from clackcount.model import Finding, Meaning, Severity


@dataclass(frozen=True, slots=True)
class Sign:
    """What a rule found: the evidence in figures, how sure (0..1), times to listen to, and how grave here."""

    evidence: str
    confidence: float
    listen_at_s: tuple[float, ...] = ()
    severity: Severity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule(Meaning):
    """One row of the fault table.

    looks: gives a Sign or None. yields_to: codes that explain the same evidence better; where one of them is found,
    this rule is silent. remark: told after all others of its severity.
    """

    looks: Callable[[Facts], Sign | None]
    yields_to: tuple[str, ...] = ()
    remark: bool = False

    def told(self, sign: Sign, sure: float) -> Finding:
        """The finding, no surer than that there is a ram."""
        return self.finding(
            sign.evidence,
            round(min(sign.confidence, max(sure, 0.05)), 3),
            severity=sign.severity,
            listen_at_s=tuple(round(t, 2) for t in sign.listen_at_s),
        )


SEEN_WORDS = {
    "article": "encyclopaedia article on the hydraulic ram (Wikipedia)",
    "clemson": "Clemson University Cooperative Extension, home-made ram notes",
    "cornell": "Cornell University AguaClara, ram pump manual, 2018",
    "logs": "pressure records of one small rig (Cornell University AguaClara, 2019)",
    "lab": "NIT Karnataka virtual laboratory, hydraulic ram, theory",
    "malawi": "Siwinda, Bunda College, Malawi, 2011, abstract",
    "field": "field note on a small ram that stuck shut when the empty delivery line was opened (dulra.org)",
    "lore": "handbook lore, from memory",
    "pearsall": "Pearsall, The Velocity of Water Hammer Waves, IMechE, abstract",
}


def source(*keys: str) -> str:
    """The sources by name."""
    return "; ".join(SEEN_WORDS[key] for key in keys)

"""What is made of it: findings, and what all findings of one code mean."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """info: good to know. watch: keep an eye on it. act: go to the pump."""

    INFO = "info"
    WATCH = "watch"
    ACT = "act"


class Basis(StrEnum):
    """What a finding rests on."""

    PUBLISHED = "published"
    COMMON_PRACTICE = "common practice"
    INFERENCE = "inference"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing worth telling the person, with the evidence in figures and times to listen to."""

    code: str
    severity: Severity
    title: str
    evidence: str
    next: str
    confidence: float
    basis: Basis
    source: str = ""
    causes: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    listen_at_s: tuple[float, ...] = ()
    question: str = ""
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What all findings of one code have in common; what ``clackcount explain`` prints.

    causes and checks in the order of likelihood, and of the trade: source level, strainer, air, valve travel and
    dirt, delivery valve, air vessel, delivery pipe. question: what only the person can know.
    """

    code: str
    severity: Severity
    title: str
    means: str
    next: str
    basis: Basis
    source: str = ""
    causes: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    question: str = ""
    cautions: tuple[str, ...] = ()

    def finding(
        self,
        evidence: str,
        confidence: float,
        *,
        severity: Severity | None = None,
        causes: tuple[str, ...] | None = None,
        listen_at_s: tuple[float, ...] = (),
    ) -> Finding:
        """A finding with this meaning; severity, causes: where they are others than usual."""
        return Finding(
            code=self.code,
            severity=severity or self.severity,
            title=self.title,
            evidence=evidence,
            next=self.next,
            confidence=confidence,
            basis=self.basis,
            source=self.source,
            causes=self.causes if causes is None else causes,
            checks=self.checks,
            listen_at_s=listen_at_s,
            question=self.question,
            cautions=self.cautions,
        )

    @property
    def rests_on(self) -> str:
        """The basis, with its source or that it has none."""
        if self.source:
            return f"{self.basis} ({self.source})"
        return f"{self.basis}, no source" if self.basis is Basis.COMMON_PRACTICE else str(self.basis)

    def explained(self) -> str:
        """What it means, its causes, checks and sources, as plain text."""
        parts = [f"{self.code}: {self.title}", "", self.means, "", f"Do next: {self.next}"]
        for title, rows in (("Likely causes, in order:", self.causes), ("Check, in this order:", self.checks)):
            if rows:
                parts += ["", title, *(f"  {number}. {row}" for number, row in enumerate(rows, start=1))]
        if self.question:
            parts += ["", f"What only you can tell: {self.question}"]
        parts += ["", f"Basis: {self.rests_on}"]
        if self.cautions:
            parts += ["", "Caution:", *(f"  - {caution}" for caution in self.cautions)]
        return "\n".join(parts)

"""Beats and running in, findings out: small rules with their evidence, advice, basis and source."""

from __future__ import annotations

from clackcount.diagnosis.finder import CODES, RULES, find, joined

__all__ = ["CODES", "RULES", "find", "joined"]

"""Uncertain numbers: making them, their 95 % band, and how they are written without false digits.

An *uncertain* is a number of the uncertainties library: it remembers what it was computed from, so that two results
that rest on the same tape measure stay correlated (linear propagation, JCGM 100:2008, GUM). The band printed is
95 %, coverage factor 2. Results that can't be negative and are poorly known get a band in proportion ("0.4 to 0.9")
instead of a symmetric one: that is where linear propagation is unfair, as the Monte Carlo tests show.
"""

from __future__ import annotations

import math
from typing import Any

from clackcount.hydraulics.assumed import ASSUMED
from clackcount.units import Quantity

Uncertain = Any
COVERAGE = 2.0
HARDLY_KNOWN = 4.0  # a factor of 55 either way: beyond that a value is only known to be there
WIDE = 0.10  # relative standard uncertainty above which the band is given in proportion


def uncertain(value: float, u: float, name: str = "") -> Uncertain:
    """value with standard uncertainty u, independent of all others; a plain float where u is 0."""
    if u == 0:
        return value
    from uncertainties import ufloat

    return ufloat(value, u, name or None)


def assumed(name: str) -> Uncertain:
    """The assumed value called name (see the table in ``assumed``)."""
    row = ASSUMED[name]
    return uncertain(row.value, row.u * row.value if row.relative else row.u, name)


def measured(quantity: Quantity, reading: str, *, least_u: float = 0.0, name: str = "") -> Uncertain:
    """quantity with its stated uncertainty, or with the reading error assumed for it."""
    row = ASSUMED[reading]
    fallback = max(row.u * quantity.value if row.relative else row.u, least_u)
    return uncertain(quantity.value, quantity.or_u(fallback), name)


def value_of(x: Uncertain) -> float:
    """Best value."""
    return float(x.nominal_value if hasattr(x, "nominal_value") else x)


def u_of(x: Uncertain) -> float:
    """Standard uncertainty."""
    return float(x.std_dev if hasattr(x, "std_dev") else 0.0)


def band95(x: Uncertain) -> tuple[float, float]:
    """The 95 % band: symmetric where x is well known, in proportion (never below zero) where it is not."""
    value, u = value_of(x), u_of(x)
    if value > 0 and u / value > WIDE:
        spread = math.exp(min(COVERAGE * u / value, HARDLY_KNOWN))
        return value / spread, max(value * spread, value + COVERAGE * u)
    return value - COVERAGE * u, value + COVERAGE * u


def written(x: Uncertain, unit: str = "", scale: float = 1.0) -> str:
    """x times scale with its 95 % band and no more digits than that band allows, then the unit."""
    value, u = value_of(x) * scale, u_of(x) * scale
    after = f" {unit}" if unit else ""
    if u == 0:
        return f"{significant(value, 3)}{after}"
    if value > 0 and u / value > WIDE:
        low, high = (bound * scale for bound in band95(x))
        return f"about {two_figures(value)} ({two_figures(low)} to {two_figures(high)}){after}"
    spread = COVERAGE * u
    return f"{rounded(value, spread)} ± {rounded(spread, spread)}{after}"


def rounded(value: float, spread: float) -> str:
    """value to the digit where spread has its first figure (its second, where the first is 1, 2 or 3)."""
    if not math.isfinite(value):
        return str(value)
    if spread <= 0 or not math.isfinite(spread):
        spread = abs(value) / 200 or 1.0
    power = math.floor(math.log10(spread))
    if spread / 10**power < 3.55:
        power -= 1
    return f"{round(value, -power):,.{max(-power, 0)}f}"


def two_figures(value: float) -> str:
    """value to two significant figures."""
    return significant(value, 2)


def significant(value: float, n: int) -> str:
    """value to n significant figures."""
    if value == 0 or not math.isfinite(value):
        return f"{value:.0f}"
    return rounded(value, 5.0 * 10.0 ** (math.floor(math.log10(abs(value))) + 1 - n))


def as_json(x: Uncertain) -> dict[str, float]:
    """x for a JSON document: value, standard uncertainty and band, each to two digits beyond what is known."""
    low, high = band95(x)
    spread = u_of(x) or abs(value_of(x)) or 1.0
    digits = 1 - math.floor(math.log10(spread)) if math.isfinite(spread) else 6
    return {
        "value": round(value_of(x), digits),
        "standard_uncertainty": round(u_of(x), digits),
        "low95": round(low, digits),
        "high95": round(high, digits),
    }

"""How far apart two groups of readings are, in logarithms, and what it would take to see it better.

One linear model for all: reading = group mean + trial's own deviation + vessel's own error + reading error. The
first part is wanted; of the others the sizes are known beforehand up to one common factor, on which the scatter has
its say: what is assumed counts as PRIOR_DOF earlier readings, so two repeats bend it a little and ten a lot. With an
inverse gamma prior on that factor the contrast has a t distribution with PRIOR_DOF + n - 2 degrees of freedom,
exactly (Gelman et al., Bayesian Data Analysis, 3rd ed., ch. 14, from memory). Without a prior, and with errors of one
size, it is Student's two-sample t.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from clackcount.model import FloatArray

# A reading error known to a quarter counts as eight readings (JCGM 100:2008, GUM, G.4.2).
PRIOR_DOF = 8.0
CONFIDENCE = 0.95
POWER = 0.80  # chance of showing a difference that is there: usual in planning trials


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading. log_value: natural logarithm. u: of reading it, relative. trial: readings of one trial share its
    deviation. vessel: readings off one vessel share its error vessel_u ("" for none)."""

    log_value: float
    u: float
    trial: int
    vessel: str = ""
    vessel_u: float = 0.0


@dataclass(frozen=True, slots=True)
class Repeats:
    """How well a ram repeats, relative: from one reading to the next, and set anew in the same way.

    The defaults are guesses at a ram in ordinary order (common practice, no source); repeats put them right.
    """

    reading_u: float = 0.01
    trial_u: float = 0.025


@dataclass(frozen=True, slots=True)
class Contrast:
    """log_ratio: second over first; u: its standard error; dof: of the t distribution it has. factor: what the
    scatter made of the errors assumed (1: as assumed). n_first, n_second: readings."""

    log_ratio: float
    u: float
    dof: float
    factor: float
    n_first: int
    n_second: int

    @property
    def ratio(self) -> float:
        """Second over first."""
        return math.exp(self.log_ratio)

    def interval(self, confidence: float = CONFIDENCE) -> tuple[float, float]:
        """The ratio's interval."""
        half = t_quantile(0.5 + confidence / 2, self.dof) * self.u
        return math.exp(self.log_ratio - half), math.exp(self.log_ratio + half)


def t_quantile(p: float, dof: float) -> float:
    """Quantile of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, p))


def contrast(
    first: Sequence[Reading], second: Sequence[Reading], repeats: Repeats = Repeats(), prior_dof: float = PRIOR_DOF
) -> Contrast:
    """Second over first. Needs a reading on each side, and without a prior three in all."""
    readings = [*first, *second]
    design, covariance = _model(len(first), readings, repeats)
    values = np.array([each.log_value for each in readings])
    means, spread = _solve(design, covariance, values)
    residual = values - design @ means
    chi_squared = float(residual @ np.linalg.solve(covariance, residual))
    dof = prior_dof + len(readings) - 2
    factor = (prior_dof + chi_squared) / dof
    u = math.sqrt(factor * _contrast_variance(spread))
    return Contrast(float(means[1] - means[0]), u, dof, math.sqrt(factor), len(first), len(second))


def power(log_difference: float, u: float, dof: float, confidence: float = CONFIDENCE) -> float:
    """Chance that an interval of that confidence leaves out "no difference", where there is one of log_difference.

    Source: the noncentral t distribution; Cohen 1988, Statistical Power Analysis, 2nd ed., ch. 2.
    """
    from scipy.stats import nct

    bound = t_quantile(0.5 + confidence / 2, dof)
    shift = abs(log_difference) / u
    upper, lower = float(nct.sf(bound, dof, shift)), float(nct.cdf(-bound, dof, shift))
    # Far out scipy's series gives up (NaN): there the upper tail is all there is.
    return (1.0 if math.isnan(upper) else upper) + (0.0 if math.isnan(lower) else lower)


@dataclass(frozen=True, slots=True)
class Plan:
    """What would settle it: so many more catches of time_s a side in the present trials; or, where how well the ram
    repeats is what stands in the way, so many more trials a side. n 0: enough already. n None: out of reach."""

    n: int | None
    of: str  # "catches" or "trials"
    length: float = 1.0  # of each new catch, in lengths of the present ones


def plan(
    first: Sequence[Reading],
    second: Sequence[Reading],
    worth: float,
    repeats: Repeats = Repeats(),
    prior_dof: float = PRIOR_DOF,
    lengths: Sequence[float] = (1.0, 2.0, 4.0),
    most: int = 24,
) -> Plan:
    """The least further work that shows a difference of the ratio worth (1.05: five per cent) with POWER.

    A catch twice as long is read twice as well, the vessel's marks and the watch staying what they are. Of plans with
    more catches the one with the least water caught in all is taken; if none will do, more trials of three catches.
    """
    now = contrast(first, second, repeats, prior_dof)
    if _power_with(first, second, worth, repeats, prior_dof, now.factor) >= POWER:
        return Plan(0, "catches")
    best: Plan | None = None
    for length in lengths:
        for n in range(1, most + 1):
            if best is not None and best.n is not None and n * length >= best.n * best.length:
                break
            sides = [_more(side, n, length, anew=False) for side in (first, second)]
            if _power_with(sides[0], sides[1], worth, repeats, prior_dof, now.factor) >= POWER:
                best = Plan(n, "catches", length)
                break
    if best is not None:
        return best
    for n in range(1, most + 1):
        sides = [_more(side, n, 1.0, anew=True) for side in (first, second)]
        if _power_with(sides[0], sides[1], worth, repeats, prior_dof, now.factor) >= POWER:
            return Plan(n, "trials")
    return Plan(None, "trials")


def _power_with(
    first: Sequence[Reading],
    second: Sequence[Reading],
    worth: float,
    repeats: Repeats,
    prior_dof: float,
    factor: float,
) -> float:
    """Power with these readings, whatever their values, if errors stay as large as they were."""
    readings = [*first, *second]
    design, covariance = _model(len(first), readings, repeats)
    _, spread = _solve(design, covariance, np.zeros(len(readings)))
    return power(math.log(worth), factor * math.sqrt(_contrast_variance(spread)), prior_dof + len(readings) - 2)


def _more(side: Sequence[Reading], n: int, length: float, *, anew: bool) -> list[Reading]:
    """side with n more readings in its last trial, or with n more trials of three readings."""
    typical = sorted(side, key=lambda reading: reading.u)[len(side) // 2]
    last = replace(typical, u=typical.u / length, trial=side[-1].trial)
    if not anew:
        return [*side, *[last] * n]
    return [*side, *(replace(last, trial=-1_000_000 * (i + 1) - side[-1].trial) for i in range(n) for _ in range(3))]


def _model(n_first: int, readings: Sequence[Reading], repeats: Repeats) -> tuple[FloatArray, FloatArray]:
    """Design (n, 2) and covariance (n, n) of the readings."""
    n = len(readings)
    design = np.zeros((n, 2))
    design[:n_first, 0] = 1.0
    design[n_first:, 1] = 1.0
    trials = np.array([reading.trial for reading in readings])
    vessels = np.array([reading.vessel for reading in readings])
    vessel_u = np.array([reading.vessel_u for reading in readings])
    own = np.array([math.hypot(reading.u, repeats.reading_u) for reading in readings])
    covariance = np.diag(own**2)
    covariance += repeats.trial_u**2 * (trials[:, None] == trials[None, :])
    covariance += np.outer(vessel_u, vessel_u) * ((vessels[:, None] == vessels[None, :]) & (vessels != "")[:, None])
    return design, covariance


def _solve(design: FloatArray, covariance: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Generalised least squares: the two means and their covariance."""
    weighted = np.linalg.solve(covariance, design)
    spread = np.linalg.inv(design.T @ weighted)
    means: FloatArray = spread @ (weighted.T @ values)
    return means, spread


def _contrast_variance(spread: FloatArray) -> float:
    return float(spread[0, 0] + spread[1, 1] - 2 * spread[0, 1])

"""How a quantity answers to one setting: a curve with a band through a handful of noisy trials.

A Gaussian process over the logarithm of the setting (Rasmussen & Williams 2006, Gaussian Processes for Machine
Learning, ch. 2, with explicit basis functions 2.7): level, tilt and bend with wide priors, a smooth remainder, around
the shape that a forecast of the site gives where there is one. How wavy the remainder is and how far the forecast can
be trusted is not fitted but averaged over a small grid by its marginal likelihood: six trials cannot fix it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clackcount.model import FloatArray

LEVEL_SD = 2.0  # a forecast may be wrong by any factor
# (sd of the tilt, sd of the bend, sd of the remainder): from "the forecast's shape is right" to "anything smooth".
SHAPES = ((0.15, 0.1, 0.03), (0.4, 0.4, 0.08), (1.0, 1.0, 0.15), (1.5, 3.0, 0.25))
LENGTHS = (0.35, 0.7)  # of the remainder, in ln(setting): a third, and a doubling
BAND = 1.96


@dataclass(frozen=True, slots=True)
class Point:
    """One trial: setting (SI), natural logarithm of the quantity and its standard uncertainty, repeats included."""

    at: float
    log_value: float
    u: float
    trial: int = 0
    vessel_u: float = 0.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """What a model of the site expects: at (SI, rising) and the natural logarithm of the quantity there."""

    at: tuple[float, ...]
    log_value: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Curve:
    """A response for people: at, middle, low, high in SI (95 % band of the mean), the points, the tried range."""

    quantity: str
    words: str
    at: tuple[float, ...]
    middle: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    points: tuple[tuple[float, float], ...]
    tried: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """The posterior over a grid. log_mean: float64 (n,); log_cov: float64 (n, n); at: float64 (n,) SI, rising."""

    at: FloatArray
    log_mean: FloatArray
    log_cov: FloatArray

    @property
    def log_sd(self) -> FloatArray:
        """Standard deviation of the mean response at each place of the grid."""
        found: FloatArray = np.sqrt(np.maximum(np.diag(self.log_cov), 0.0))
        return found


def around(low: float, high: float, n: int = 16) -> list[float]:
    """Places for a forecast that covers low to high and a step beyond, evenly spaced in the logarithm."""
    found: list[float] = np.geomspace(low / 1.5, high * 1.5, n).tolist()
    return found


def respond(points: Sequence[Point], at: FloatArray, forecast: Forecast | None = None) -> Response:
    """The response over the settings at, given points (two or more settings) and a forecast of the shape."""
    x = np.log([point.at for point in points])
    y = np.array([point.log_value for point in points])
    noise = np.array([point.u for point in points]) ** 2
    grid = np.log(at)
    centre = float(np.mean(x))
    if forecast is not None:
        shape_x, shape = np.log(forecast.at), np.array(forecast.log_value)
        y = y - np.interp(x, shape_x, shape)
    level = float(np.mean(y))
    parts = [
        _posterior(x - centre, y - level, noise, grid - centre, shape_sd, length)
        for shape_sd in SHAPES
        for length in LENGTHS
    ]
    log_weights = np.array([part[2] for part in parts])
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    mean = sum((w * part[0] for w, part in zip(weights, parts, strict=True)), np.zeros(len(grid)))
    covariance = np.zeros((len(grid), len(grid)))
    for w, (part_mean, part_cov, _) in zip(weights, parts, strict=True):
        apart = part_mean - mean
        covariance += w * (part_cov + np.outer(apart, apart))
    mean = mean + level
    if forecast is not None:
        mean = mean + np.interp(grid, shape_x, shape)
    return Response(np.asarray(at, dtype=np.float64), mean, covariance)


def _kernel(a: FloatArray, b: FloatArray, shape_sd: tuple[float, float, float], length: float) -> FloatArray:
    tilt, bend, rest = shape_sd
    cross = a[:, None] * b[None, :]
    near = np.exp(-((a[:, None] - b[None, :]) ** 2) / (2 * length**2))
    found: FloatArray = LEVEL_SD**2 + tilt**2 * cross + bend**2 * cross**2 + rest**2 * near
    return found


def _posterior(
    x: FloatArray,
    y: FloatArray,
    noise: FloatArray,
    grid: FloatArray,
    shape_sd: tuple[float, float, float],
    length: float,
) -> tuple[FloatArray, FloatArray, float]:
    """Mean and covariance on the grid, and the log marginal likelihood (Rasmussen & Williams, algorithm 2.1)."""
    lower = np.linalg.cholesky(_kernel(x, x, shape_sd, length) + np.diag(noise))
    half = np.linalg.solve(lower, y)
    across = np.linalg.solve(lower, _kernel(x, grid, shape_sd, length))
    mean: FloatArray = across.T @ half
    covariance: FloatArray = _kernel(grid, grid, shape_sd, length) - across.T @ across
    return mean, covariance, float(-0.5 * half @ half - np.sum(np.log(np.diag(lower))))


def gain_of_trying(
    response: Response,
    noise_u: float,
    candidates: NDArray[np.bool_],
    usable: NDArray[np.bool_],
    tried: tuple[float, float],
) -> FloatArray:
    """For each place of the grid, by how much (ln) one more trial there is expected to raise the best usable.

    The knowledge gradient (Frazier, Powell & Dayanik 2009, INFORMS J. Computing 21, 599-613): what tells most, not
    what looks best. Only what lies within the settings tried can be used, and a trial beyond them widens that range.
    candidates: (n,), where a trial may be, -inf elsewhere; usable: (n,), where the best may be, tried or not.
    """
    node, weight = np.polynomial.hermite_e.hermegauss(32)
    weight = weight / math.sqrt(2 * math.pi)
    sd = np.sqrt(np.diag(response.log_cov) + noise_u**2)
    now = float(response.log_mean[_between(response.at, *tried) & usable].max())
    gains = np.full(len(response.at), -np.inf)
    for i in np.flatnonzero(candidates):
        then = _between(response.at, min(tried[0], response.at[i]), max(tried[1], response.at[i])) & usable
        step = response.log_cov[then, i] / sd[i]
        best = np.max(response.log_mean[then][None, :] + node[:, None] * step[None, :], axis=1)
        gains[i] = float(weight @ best) - now
    return gains


def _between(at: FloatArray, low: float, high: float) -> NDArray[np.bool_]:
    found: NDArray[np.bool_] = (at >= low) & (at <= high)
    return found


def curve(
    response: Response,
    points: Sequence[Point],
    quantity: str,
    words: str,
    tried: tuple[float, float],
) -> Curve:
    """The response for people. Its band holds the vessel's error, too, which all points share: it bends nothing."""
    spread = BAND * np.hypot(response.log_sd, max(point.vessel_u for point in points))
    return Curve(
        quantity,
        words,
        tuple(response.at.tolist()),
        tuple(np.exp(response.log_mean).tolist()),
        tuple(np.exp(response.log_mean - spread).tolist()),
        tuple(np.exp(response.log_mean + spread).tolist()),
        tuple((point.at, math.exp(point.log_value)) for point in points),
        tried,
    )

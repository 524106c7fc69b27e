"""How far the mean of intervals may lie from the pump's own when neighbours are alike: the width of a rate."""

from __future__ import annotations

import numpy as np
from scipy.fft import dct
from scipy.special import stdtr, stdtrit

from clackcount.model import FloatArray

POOLED_TO = 2000  # more intervals than these are averaged in groups first: only the slow end of the spectrum counts
WANDERS = 0.25  # share of trains that are thought to wander, before anything is heard
STEPS = (0.03, 0.2, 1.5, 10.0)  # variance of a wander's own steps, in variances of the scatter around it
PLACING = ((0.0, 0.7), (0.5, 0.1), (0.9, 0.1), (1.0, 0.1))  # share of the scatter due to placing; how likely
QUICKEST, SLOWEST = 1.5, 0.5  # memory of a wander: beats at least, and share of the train at most


def half_width95(interval_s: FloatArray) -> float:
    """Half width of the 95 % interval of the mean of intervals, s; interval_s float64 (n,), n >= 2.

    An interval is a mean, a first-order wander (none, or of one of several memories and sizes), scatter from beat to
    beat, and the difference of two placing errors. The discrete cosine transform parts such a series into almost
    independent coefficients whose variances are its spectrum (Ahmed, Natarajan & Rao 1974, IEEE Trans. Computers 23,
    90-93), and all but the first are free of the mean. Each make-up counts by its likelihood (the size integrated
    out under a prior in 1 / size), and gives Student's t with the exact variance of a mean of n (Bartlett 1946,
    J. R. Stat. Soc. Suppl. 8, 27-41); the interval holds 95 % of their mixture.

    A wander with a memory of more than half the train cannot be told from a pump that has changed; it is left out.
    """
    group = -(-len(interval_s) // POOLED_TO)
    n = len(interval_s) // group
    pooled = interval_s[: n * group].reshape(n, group).mean(axis=1)
    power = dct(pooled, norm="ortho")[1:] ** 2
    shape, mean_variance, prior = makeups(n)
    size = (power / shape).sum(axis=1)
    if not size.min() > 0:
        return 0.0
    log_weight = np.log(prior) - 0.5 * np.log(shape).sum(axis=1) - 0.5 * (n - 1) * np.log(size)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    error = np.sqrt(size / (n - 1) * mean_variance)[weight > 1e-6]
    weight = weight[weight > 1e-6]
    low, high = 0.0, float(error.max() * stdtrit(n - 1, 0.9999))
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if weight @ stdtr(n - 1, middle / error) < 0.975 else (low, middle)
    return high


def makeups(n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(spectrum, float64 (k, n - 1); variance of the mean of n, (k,); how likely before, (k,)) of k make-ups."""
    frequency = np.pi * np.arange(1, n) / n
    lag = np.arange(1, n)
    difference = 2 - 2 * np.cos(frequency)  # of white noise: what placing does to intervals
    memories = SLOWEST * n * 0.5 ** np.arange(20)
    memories = memories[memories >= QUICKEST] if memories[0] >= QUICKEST else np.array([QUICKEST])
    rows = []
    for placing, likely in PLACING:
        spectrum = 1 - placing + placing * difference / 2
        of_mean = (1 - placing) / n + placing / n**2
        rows.append((spectrum, of_mean, (1 - WANDERS) * likely))
        if placing not in (0.0, 1.0):
            continue
        for keep in np.exp(-1 / memories):
            wander = 1 / ((1 - keep) ** 2 + keep * difference)
            alike = (1 + 2 * np.sum((1 - lag / n) * keep**lag)) / n / (1 - keep**2)
            rows += [
                (spectrum + step * wander, of_mean + step * alike, WANDERS / (2 * len(memories) * len(STEPS)))
                for step in STEPS
            ]
    shape, mean_variance, prior = zip(*rows, strict=True)
    return np.array(shape), np.array(mean_variance), np.array(prior)

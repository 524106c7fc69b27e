"""Impacts of one kind laid on each other: each begins where it is most like its fellows, not where it alone seems to.

Beside a stream the start of one slam is drowned; the slams of a pump are alike. The course of their power, octave by
octave, is learned from all of them, and each is moved to where that course most likely lies: noise in a bin of a
band is taken as Gaussian, so that its power scatters as chi-square does (the energy detector: Urkowitz 1967, Proc.
IEEE 55, 523-531, from memory).
"""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from clackcount.hearing.octaves import octave_response, octaves_within

BIN_S = 0.0005  # rounded to what can be halved and halved again, for the lower octaves
TEMPLATE = (-8, 50)  # bins around the start that are compared
LAG_MOST = 20  # bins
NOISE = (-60, -24)  # bins before the start
SETTLE = 8  # bins in which the octaves' filters begin
GAIN = np.array([0.4, 1.0, 2.5], dtype=np.float32)  # a slam may be softer or louder than the median of all
PRIOR_S = 0.002  # a frame errs by as much
ALIKE = 50.0  # log odds from which on what differs is the slams themselves, more than noise
ROUNDS = 2
LOUDEST = 1e3  # the loudest bin over the noise, at most: in silence every crumb would count
TINY = 1e-20
# Of an octave, over its centre; half of the 2 BT degrees of freedom that a band holds, for neighbouring bins of one
# impact and of one gust go together.
WIDTH = 2**0.5 - 2**-0.5
BATCH = 32
QUIET = slice(LAG_MOST, LAG_MOST + NOISE[1] - NOISE[0])  # the noise, of all bins that are heard


def aligned(
    samples: NDArray[np.number], start: NDArray[np.float64], sample_rate_hz: int, shift: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Shifts from start that lay impacts on each other, samples, float64 (n,); they share an offset that is unknown.

    samples: the waveform. start float64 (n,): about where each begins, the same error allowed to all. shift
    float64 (n,): from where to begin, samples.
    """
    bin_ = 8 * round(BIN_S * sample_rate_hz / 8) or max(1, round(BIN_S * sample_rate_hz))
    at = np.round(start).astype(np.int64)
    parts = [slice(i, i + BATCH) for i in range(0, len(at), BATCH)]  # all at once would take 0.1 MB each
    heard = np.concatenate([_over_noise(samples, at[part], bin_, sample_rate_hz) for part in parts])
    dof = np.array(octaves_within(sample_rate_hz), dtype=np.float32) * np.float32(WIDTH * bin_ / sample_rate_hz)
    dof = dof[:, None]
    lags = np.arange(-LAG_MOST, LAG_MOST + 1)
    prior = -0.5 * (lags * bin_ / sample_rate_hz / PRIOR_S) ** 2
    first = LAG_MOST - NOISE[0] + TEMPLATE[0]  # bin in which the comparison begins, unmoved
    span = np.arange(TEMPLATE[1] - TEMPLATE[0])
    windows = np.lib.stride_tricks.sliding_window_view(heard, len(span), axis=2)
    windows = windows[:, :, first - LAG_MOST : first + LAG_MOST + 1].transpose(0, 2, 1, 3)
    usual = np.median(heard[:, :, QUIET], axis=(0, 2))[:, None] + TINY
    best = np.clip(shift / bin_, -LAG_MOST, LAG_MOST)
    for _ in range(ROUNDS):
        bins = first + np.round(best).astype(np.intp)[:, None] + span
        course = np.median(heard[np.arange(len(at))[:, None], :, bins], axis=0).T / usual - 1
        course = np.maximum(course, 0)
        course[:, 1:-1] = (course[:, :-2] + 2 * course[:, 1:-1] + course[:, 2:]) / 4
        louder = course * GAIN[:, None, None]
        weight = (dof * louder / (1 + louder) / 2).reshape(len(GAIN), -1).T
        cost = (dof * np.log1p(louder)).sum(axis=(1, 2)) / 2
        rows = [(windows[part].reshape(-1, len(weight)) @ weight - cost).max(axis=1) for part in parts]
        odds = np.concatenate(rows).reshape(len(at), -1)
        clear = np.maximum(odds.max(axis=1, keepdims=True), 0)
        best = _peak(odds / np.sqrt(1 + clear / ALIKE) + prior, lags)
    return best * bin_ + (at - start)


def _over_noise(
    samples: NDArray[np.number], at: NDArray[np.int64], bin_: int, sample_rate_hz: int
) -> NDArray[np.float32]:
    """Power by octave and bin over that of the noise before it, float32 (n, octaves, bins)."""
    first, last = (NOISE[0] - LAG_MOST - SETTLE) * bin_, (TEMPLATE[1] + LAG_MOST + 1) * bin_
    where = at[:, None] + np.arange(first, last)[None, :]
    waves = samples[np.clip(where, 0, len(samples) - 1)].astype(np.float32)
    waves[(where < 0) | (where >= len(samples))] = 0
    size = bin_ * scipy.fft.next_fast_len(waves.shape[1] // bin_ + SETTLE, real=True)
    spectrum = scipy.fft.rfft(waves, size, axis=1)
    hz = scipy.fft.rfftfreq(size, 1 / sample_rate_hz)
    octaves_hz = octaves_within(sample_rate_hz)
    power = np.empty((len(at), len(octaves_hz), (last - first) // bin_ - SETTLE), dtype=np.float32)
    for i, centre_hz in enumerate(octaves_hz):
        fewer = _fewer(bin_, centre_hz, sample_rate_hz)
        part = spectrum[:, : size // fewer // 2 + 1]
        response = octave_response(hz[: part.shape[1]], centre_hz, sample_rate_hz).astype(np.complex64)
        heard = scipy.fft.irfft(part * response, size // fewer, axis=1)
        heard = heard[:, SETTLE * bin_ // fewer : waves.shape[1] // fewer].reshape(len(at), -1, bin_ // fewer)
        np.einsum("nbs,nbs->nb", heard, heard, out=power[:, i])
    noise = power[:, :, QUIET].mean(axis=2, keepdims=True)
    noise = np.maximum(noise, power.max(axis=2, keepdims=True) / LOUDEST)
    power /= noise + np.float32(TINY)
    return power


def _fewer(bin_: int, centre_hz: float, sample_rate_hz: int) -> int:
    """How many times fewer samples hold this octave, twice over; they fill a bin."""
    fewer = 1
    while bin_ % (2 * fewer) == 0 and 4 * fewer * centre_hz * 2**0.5 < 0.5 * sample_rate_hz:
        fewer *= 2
    return fewer


def _peak(odds: NDArray[np.floating], lags: NDArray[np.intp]) -> NDArray[np.float64]:
    """The lag of the highest of each row, between lags by a parabola: float64 (n,)."""
    rows = np.arange(len(odds))
    top = np.argmax(odds, axis=1)
    inner = np.clip(top, 1, len(lags) - 2)
    before, here, after = (odds[rows, inner + step].astype(np.float64) for step in (-1, 0, 1))
    aside = 0.5 * (before - after) / np.minimum(before - 2 * here + after, -1e-9)
    return np.asarray(np.where(top == inner, lags[inner] + np.clip(aside, -0.5, 0.5), lags[top]), dtype=np.float64)

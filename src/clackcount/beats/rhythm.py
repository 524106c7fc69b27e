"""Which periods are worth trying: the autocorrelation of the rises, band by band, on a grid of log lag."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

SHORTEST_S = 0.06  # below any ram's period: an engine's firing shows itself there
LONGEST_S = 5.0  # 12 a minute
GRID_STEP = 0.01  # of log lag
LAG_SPREAD = 0.02  # a period wanders: lags are summed over 2 % to either side


@dataclass(frozen=True, slots=True, eq=False)
class Rhythm:
    """How strongly each voice of bands repeats at each lag.

    lag: float64 (n_lags,), frames. strength: float64 (n_lags, n_voices), autocorrelation over its own scatter.
    """

    lag: NDArray[np.float64]
    strength: NDArray[np.float64]

    def weights_at(self, period: float, n_first: int) -> NDArray[np.float64]:
        """How far each of the first n_first voices repeats at this period and its double and triple, summing to 1.

        float64 (n_voices,), 0 for the others. Squared, so that the one octave that hears the slam outvotes the many
        that hear the brook.
        """
        total = np.zeros(n_first)
        for multiple in (1, 2, 3):
            if multiple * period > self.lag[-1]:
                break
            nearest = int(np.argmin(np.abs(self.lag - multiple * period)))
            total += np.maximum(self.strength[max(0, nearest - 2) : nearest + 3, :n_first].max(axis=0), 0)
        total = np.maximum(total - np.median(total), 0) ** 2
        weights = np.zeros(self.strength.shape[1])
        weights[:n_first] = total / total.sum() if total.sum() > 0 else 1 / n_first
        return weights

    def guesses(self, most: int) -> list[tuple[float, int]]:
        """Pairs of lag and voice that stand out most above the scatter of that voice's other lags, best first."""
        scatter = 1.4826 * np.median(np.abs(self.strength), axis=0) + 1e-9
        contrast = self.strength / scatter
        peaks = (contrast == maximum_filter1d(contrast, 9, axis=0)) & (contrast > 2)
        where = np.argwhere(peaks)
        order = np.argsort(-contrast[peaks])[:most]
        return [(float(self.lag[i]), int(voice)) for i, voice in where[order]]


def measure_rhythm(onsets: NDArray[np.float32], frames_per_s: float) -> Rhythm:
    """Rhythm of rectified rises, onsets float32 (n_frames, n_voices)."""
    n_frames = len(onsets)
    n_lags = min(n_frames // 2, int(LONGEST_S * 1.05 * frames_per_s))
    size = scipy.fft.next_fast_len(n_frames + n_lags, real=True)
    spectrum = scipy.fft.rfft(onsets - onsets.mean(axis=0), size, axis=0)
    correlation = scipy.fft.irfft(spectrum.real**2 + spectrum.imag**2, size, axis=0)[:n_lags].astype(np.float64)
    correlation /= correlation[0] + 1e-12
    correlation *= (n_frames / (n_frames - np.arange(n_lags)))[:, None]
    lag = np.exp(np.arange(np.log(SHORTEST_S), np.log(LONGEST_S), GRID_STEP)) * frames_per_s
    lag = lag[lag * (1 + LAG_SPREAD) < n_lags - 2]
    half_width = np.maximum(1.0, LAG_SPREAD * lag)
    total = np.vstack([np.zeros((1, correlation.shape[1])), np.cumsum(correlation, axis=0)])
    first = np.floor(lag - half_width).astype(int)
    last = np.ceil(lag + half_width).astype(int) + 1
    strength = (total[last] - total[first]) / np.sqrt(last - first)[:, None]
    strength -= np.median(strength, axis=0)
    return Rhythm(lag, strength)

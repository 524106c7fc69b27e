"""What general tools make of the same recordings: onset times, by name of the tool."""

from __future__ import annotations

from collections.abc import Callable

import librosa
import numpy as np
from librosa.onset import onset_detect
from numpy.typing import NDArray
from scipy.signal import butter, find_peaks, sosfilt

Samples = NDArray[np.float32]
Times = NDArray[np.float64]
LIBROSA_HZ = 22050  # librosa.load's own default


def librosa_default(samples: Samples, sample_rate_hz: int) -> Times:
    """librosa.onset.onset_detect as it comes, at the rate librosa.load reads at."""
    return _librosa(samples, sample_rate_hz, backtrack=False)


def librosa_backtracked(samples: Samples, sample_rate_hz: int) -> Times:
    """The same, each onset rolled back to the energy minimum before it."""
    return _librosa(samples, sample_rate_hz, backtrack=True)


def _librosa(samples: Samples, sample_rate_hz: int, *, backtrack: bool) -> Times:
    sound = librosa.resample(samples, orig_sr=sample_rate_hz, target_sr=LIBROSA_HZ)
    found = onset_detect(y=sound, sr=LIBROSA_HZ, units="time", backtrack=backtrack)
    return np.unique(np.asarray(found, np.float64))


def envelope_peaks(samples: Samples, sample_rate_hz: int) -> Times:
    """Mean square over 4 ms between 500 and 5000 Hz, in dB; peaks that stand 8 dB clear, 0.2 s apart."""
    band = butter(4, [500, min(5000, 0.45 * sample_rate_hz)], "bandpass", fs=sample_rate_hz, output="sos")
    hop, width = max(1, sample_rate_hz // 1000), 4
    squares = np.square(sosfilt(band, samples))
    squares = squares[: len(squares) // hop * hop].reshape(-1, hop).mean(axis=1)
    level_db = 10 * np.log10(np.convolve(squares, np.ones(width) / width)[: len(squares)] + 1e-12)
    quiet_db = float(np.median(level_db))
    found, _ = find_peaks(level_db, height=quiet_db + 8, prominence=8, distance=int(0.2 * sample_rate_hz / hop))
    return np.asarray((found - width / 2) * hop / sample_rate_hz, np.float64).clip(0)


BASELINES: dict[str, Callable[[Samples, int], Times]] = {
    "librosa": librosa_default,
    "librosa, backtracked": librosa_backtracked,
    "envelope and find_peaks": envelope_peaks,
}

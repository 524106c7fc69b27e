"""How loud a slam is against its background: the one definition used here, in tests and in benchmarks.

The energy of the slam in its first 20 ms, in the octave where it stands out most, over the mean energy of the
background in the same octave during 20 ms. Octaves are centred on 125, 250 ... 8000 Hz (nominal mid-band frequencies
of IEC 61260), as far as the sample rate carries them; Butterworth bands of order 3. The slam is the median over up to
40 slams, as it arrives at the phone; the background is everything laid under the ram, without the ram's own rush.
Because the best octave is the one with the highest ratio, a given figure makes the slam as quiet as it can be read.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from clackcount.simulate.voice import Samples

OCTAVE_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
SLAM_S = 0.020
PIECE_S = 0.25
MAX_PIECES = 48


def octaves(sample_rate_hz: int) -> list[tuple[float, NDArray[np.float64]]]:
    """(centre in Hz, filter sections) of each octave whose upper edge lies below 0.49 of the sample rate."""
    edge = 2**0.5
    return [
        (hz, butter(3, [hz / edge, hz * edge], "bandpass", fs=sample_rate_hz, output="sos"))
        for hz in OCTAVE_HZ
        if hz * edge < 0.49 * sample_rate_hz
    ]


def slam_energy(slams: Samples, sample_rate_hz: int) -> NDArray[np.float64]:
    """Energy of the median slam in each octave, (n_octaves,). slams: (n_slams, n), each beginning at sample 0."""
    n = int(SLAM_S * sample_rate_hz)
    return np.array(
        [np.median(np.sum(sosfilt(sos, slams[:, :n], axis=1) ** 2, axis=1)) for _, sos in octaves(sample_rate_hz)]
    )


def background_energy(background: Samples, sample_rate_hz: int) -> NDArray[np.float64]:
    """Mean energy of the background in 20 ms in each octave, (n_octaves,), from pieces spread over all of it."""
    n_piece = int(PIECE_S * sample_rate_hz)
    n_pieces = min(MAX_PIECES, len(background) // n_piece)
    if n_pieces < 1:
        pieces = background[None, :]
        settle = 0
    else:
        starts = np.linspace(0, len(background) - n_piece, n_pieces).astype(int)
        pieces = np.stack([background[at : at + n_piece] for at in starts])
        settle = n_piece // 5
    n = SLAM_S * sample_rate_hz
    return np.array(
        [n * np.mean(sosfilt(sos, pieces, axis=1)[:, settle:] ** 2) for _, sos in octaves(sample_rate_hz)]
    )


def best_octave(slam: NDArray[np.float64], background: NDArray[np.float64]) -> tuple[int, float]:
    """(index of the octave where the slam stands out most, its ratio there in dB)."""
    ratio_db = 10 * np.log10((slam + 1e-30) / (background + 1e-30))
    at = int(np.argmax(ratio_db))
    return at, float(ratio_db[at])

"""The octaves that impacts are placed by, and the filter that parts sound into them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

OCTAVES_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)  # their centres
HIGHEST = 0.47  # of the sample rate: an octave that reaches further has no shape


def octaves_within(sample_rate_hz: int) -> list[float]:
    """Centres of the octaves that a recording at this rate holds whole, Hz, increasing."""
    return [centre_hz for centre_hz in OCTAVES_HZ if centre_hz * 2**0.5 < HIGHEST * sample_rate_hz]


def octave_response(hz: NDArray[np.float64], centre_hz: float, sample_rate_hz: int) -> NDArray[np.complex128]:
    """Response of a Butterworth band-pass an octave wide, of order 2 (4 poles): complex128 as hz, 0 at half the rate.

    The analogue low-pass 1 / (p^2 + sqrt(2) p + 1), taken to a band and to samples by the bilinear transform: what
    ``scipy.signal.butter`` gives, whose module costs 50 MB. Source: Oppenheim & Schafer, Discrete-Time Signal
    Processing, chapter 7.
    """
    low, high = np.tan(np.pi * centre_hz * np.array([2**-0.5, 2**0.5]) / sample_rate_hz)
    with np.errstate(divide="ignore", invalid="ignore"):
        s = 1j * np.tan(np.pi * np.asarray(hz) / sample_rate_hz)
        p = (s * s + low * high) / ((high - low) * s)
        response = 1 / (p * p + np.sqrt(2) * p + 1)
    return np.where(np.isfinite(response), response, 0)

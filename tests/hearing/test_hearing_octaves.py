"""The octave filter against a reference library's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from clackcount.hearing.octaves import octave_response


@pytest.mark.parametrize("rate", [8000, 48000])
@pytest.mark.parametrize("centre_hz", [250.0, 2000.0])
def test_the_octave_filter_is_scipys_butterworth(rate: int, centre_hz: float) -> None:
    hz = np.linspace(0, rate / 2, 500)
    octave = [centre_hz / 2**0.5, centre_hz * 2**0.5]
    _, theirs = sosfreqz(butter(2, octave, "bandpass", fs=rate, output="sos"), hz, fs=rate)
    np.testing.assert_allclose(octave_response(hz, centre_hz, rate), theirs, atol=1e-9)

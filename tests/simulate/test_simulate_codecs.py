"""The codec round trip of tests/support keeps times, so that scores after it mean something."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from clackcount.simulate import Layer, Part, Scenario, random_ram, render
from support.codecs import encode_decode, lag_samples

RATE_HZ = 44100


@pytest.mark.parametrize(("codec", "bit_rate"), [("aac", 64000), ("opus", 24000), ("mp3", 64000), ("amr_nb", 12200)])
def test_a_round_trip_keeps_length_and_time(codec: str, bit_rate: int) -> None:
    ram = random_ram(np.random.default_rng(4), rate_per_min=70, material="cast-iron")
    made = render(Scenario(8.0, (Part(ram),), (Layer("stream"),), snr_db=20.0, sample_rate_hz=RATE_HZ), 1)
    back = encode_decode(made.samples, RATE_HZ, codec, bit_rate)
    assert back.shape == made.samples.shape
    assert abs(lag_samples(made.samples, back, 2000)) <= 1
    assert np.corrcoef(made.samples, back)[0, 1] > 0.5
    assert_allclose(np.std(back), np.std(made.samples), rtol=0.6)

"""The shared transform: the same frames however the sound is cut, the right level in the right band at every rate."""

from __future__ import annotations

import librosa
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import settings as rules
from hypothesis import strategies as st

from clackcount.hearing.bands import N_LINES, BandEnergies, band_edges_hz, mel_triangles
from clackcount.settings import HearingSettings
from support.made_sound import cut

SETTINGS = HearingSettings()
RATES_HZ = [8000, 11025, 16000, 44100, 48000, 96000, 192000]


def energies_of(samples: np.ndarray, sample_rate_hz: int, lengths: list[int] | None = None) -> np.ndarray:
    bands = BandEnergies(sample_rate_hz, SETTINGS)
    parts = [bands.feed(block) for block in cut(samples, lengths or [len(samples)])]
    return np.concatenate([*parts, bands.finish()])


NOISE = np.random.default_rng(3).normal(0, 0.1, 8000 * 4).astype(np.float32)
WHOLE = energies_of(NOISE, 8000)


@given(st.lists(st.integers(1, 12_000), min_size=1, max_size=8))
@example([1000])
@example([39, 1, 10_240, 10_241])
@rules(max_examples=40)
def test_any_cutting_gives_the_same_frames_to_the_last_bit(lengths: list[int]) -> None:
    assert np.array_equal(energies_of(NOISE, 8000, lengths), WHOLE)


@given(st.integers(0, 3000))
@rules(max_examples=40)
def test_a_frame_for_every_centre_that_lies_in_the_recording(n: int) -> None:
    assert len(energies_of(NOISE[:n], 8000)) == (0 if n == 0 else (n - 1) // 40 + 1)


@pytest.mark.parametrize("sample_rate_hz", RATES_HZ)
@pytest.mark.parametrize("hz", [200.0, 1000.0, 3000.0])
def test_a_sine_lies_in_its_band_at_its_own_level(sample_rate_hz: int, hz: float) -> None:
    # Definition: a sine of amplitude a has the mean square a^2 / 2. Neighbouring triangles share it between them,
    # their heights at one frequency add up to 1, so all bands together hold it.
    t = np.arange(sample_rate_hz) / sample_rate_hz
    found = energies_of((0.5 * np.sin(2 * np.pi * hz * t)).astype(np.float32), sample_rate_hz)[10:-10]
    bands = BandEnergies(sample_rate_hz, SETTINGS)
    edges_hz = band_edges_hz(sample_rate_hz, SETTINGS)
    loudest = int(np.argmax(found.mean(axis=0)))
    # a window of 20 ms spreads a line over some 75 Hz
    assert edges_hz[loudest] - 75 < hz < edges_hz[loudest + 2] + 75
    assert 10 * np.log10(found.sum(axis=1).mean() / (0.5**2 / 2)) == pytest.approx(0, abs=0.5)
    near = np.abs(bands.band_hz - hz) < 0.35 * hz + 150
    assert found[:, near].sum() > 0.99 * found.sum()


def test_white_noise_keeps_its_mean_square() -> None:
    # Parseval: white noise of variance v has v * 2 / rate in each hertz.
    rng = np.random.default_rng(5)
    found = energies_of(rng.normal(0, 0.1, 48000 * 4).astype(np.float32), 48000)[10:-10].mean(axis=0)
    edges_hz = band_edges_hz(48000, SETTINGS)
    wanted = 0.1**2 * (edges_hz[2:] - edges_hz[:-2]) / 2 / 24000
    wide = edges_hz[2:] - edges_hz[:-2] > 200  # a band of a few bins is a coarse triangle
    np.testing.assert_allclose(found[wide], wanted[wide], rtol=0.1)


@pytest.mark.parametrize("sample_rate_hz", RATES_HZ)
def test_bands_mean_the_same_at_every_rate(sample_rate_hz: int) -> None:
    full_hz = librosa.mel_frequencies(n_mels=38, fmin=50, fmax=14000)[1:]
    edges_hz = band_edges_hz(sample_rate_hz, SETTINGS)
    # every line of a transform of 20 ms is one twentieth of a kilohertz from the next, at any rate
    assert edges_hz[:3].tolist() == [0, 50, 100]
    assert np.array_equal(edges_hz[3:], full_hz[: len(edges_hz) - 3])
    assert edges_hz[-1] < sample_rate_hz / 2
    assert sample_rate_hz < 28000 or len(edges_hz) == 40


@pytest.mark.parametrize("sample_rate_hz", [8000, 44100, 48000])
def test_the_bands_are_librosas_triangles(sample_rate_hz: int) -> None:
    edges_hz = band_edges_hz(sample_rate_hz, SETTINGS)[N_LINES + 1 :]  # all mel, corners of bands beside one another
    n_fft = 4 * round(sample_rate_hz * SETTINGS.hop_s)
    theirs = librosa.filters.mel(
        sr=sample_rate_hz, n_fft=n_fft, n_mels=len(edges_hz) - 2, fmin=edges_hz[0], fmax=edges_hz[-1], norm="slaney"
    )
    area = (edges_hz[2:] - edges_hz[:-2])[:, None] / 2
    ours = mel_triangles(np.fft.rfftfreq(n_fft, 1 / sample_rate_hz), edges_hz)
    np.testing.assert_allclose(ours, area * theirs, atol=1e-6)


@pytest.mark.parametrize("sample_rate_hz", RATES_HZ)
@pytest.mark.parametrize(("hz", "share"), [(50.0, 4 / 5), (100.0, 4 / 6)])  # what stands still is not reckoned
def test_the_lowest_bands_hold_a_line_each(sample_rate_hz: int, hz: float, share: float) -> None:
    # A Hann window halves the amplitude of a line one line off its own (any textbook of the discrete transform): a
    # sine on a line leaves its whole power there and a quarter of it in each neighbour's.
    t = np.arange(sample_rate_hz) / sample_rate_hz
    n_hop = round(sample_rate_hz * SETTINGS.hop_s)
    line_hz = sample_rate_hz / (4 * n_hop)  # 50 Hz, but for the rounding of the hop
    found = energies_of(np.sin(2 * np.pi * hz / 50 * line_hz * t).astype(np.float32), sample_rate_hz)[10:-10]
    level = found.mean(axis=0)[:N_LINES] / found.sum(axis=1).mean()
    own = round(hz / 50) - 1
    assert level[own] == pytest.approx(share, rel=0.02)
    assert level[1 - own] == pytest.approx(share / 4, rel=0.02)


def test_one_sound_at_two_rates_has_the_same_bands() -> None:
    def sound(rate: int) -> np.ndarray:
        t = np.arange(rate) / rate
        return sum(np.sin(2 * np.pi * hz * t + hz) for hz in (150, 420, 900, 1500, 2600)).astype(np.float32) * 0.1

    low, high = energies_of(sound(8000), 8000)[10:-10], energies_of(sound(48000), 48000)[10:-10]
    n_bands = low.shape[1] - 2  # the last ones end at half the lower rate
    strong = low[:, :n_bands].mean(axis=0) > 1e-5
    difference_db = 10 * np.log10(low[:, :n_bands].mean(axis=0)[strong] / high[:, :n_bands].mean(axis=0)[strong])
    assert strong.sum() >= 6
    assert np.abs(difference_db).max() < 0.5


def test_frames_are_centred_on_their_sample() -> None:
    rate = 48000
    samples = np.zeros(rate, dtype=np.float32)
    samples[100 * 240] = 1.0
    found = energies_of(samples, rate).sum(axis=1)
    assert int(np.argmax(found)) == 100
    assert found[99] == pytest.approx(found[101], rel=1e-3)
    assert found[98] < 1e-6 * found[100]

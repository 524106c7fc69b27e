"""Floor and rises, against librosa's function of the same kind and against plain loops."""

from __future__ import annotations

import librosa
import numpy as np
from hypothesis import given
from hypothesis import settings as rules
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from clackcount.hearing.bands import BATCH_FRAMES
from clackcount.hearing.novelty import AFTER, BEFORE, QUIETEST, Compressor, rises, smoothing
from clackcount.settings import HearingSettings

SETTINGS = HearingSettings()


@given(st.integers(0, 2**32 - 1), st.floats(-80, 0))
@rules(max_examples=15)
def test_compressor_is_librosas_energy_normalisation_with_gain_1_and_a_square_root(
    seed: int, level_db: float
) -> None:
    # Outside check: librosa.pcen (after Wang et al. 2017), given the same time constant and no other help: its own
    # smoother is started from the state that ours begins with.
    rng = np.random.default_rng(seed)
    energies = (10 ** (level_db / 10) * rng.exponential(1, (600, 8))).astype(np.float32)
    ours = Compressor(200.0, SETTINGS).feed(energies)
    share = smoothing(SETTINGS.floor_s * 200)
    theirs = librosa.pcen(
        energies.T.astype(np.float64),
        sr=200,
        hop_length=1,
        gain=1,
        bias=SETTINGS.bias,
        power=0.5,
        time_constant=SETTINGS.floor_s,
        eps=QUIETEST,
        zi=((1 - share) * energies[:BATCH_FRAMES].mean(axis=0, dtype=np.float64))[:, None],
    )
    np.testing.assert_allclose(ours, theirs.T, rtol=1e-4, atol=1e-5)


def test_the_floor_is_carried_over_from_block_to_block() -> None:
    energies = np.random.default_rng(2).exponential(1e-3, (900, 5)).astype(np.float32)
    whole = Compressor(200.0, SETTINGS)
    first = whole.feed(energies[:256])
    rest = whole.feed(energies[256:])
    parts = Compressor(200.0, SETTINGS)
    again = [parts.feed(energies[:256]), parts.feed(energies[256:257]), parts.feed(energies[257:])]
    assert np.array_equal(np.concatenate([first, rest]), np.concatenate(again))


def test_silence_is_zero_and_gain_does_not_matter() -> None:
    assert not np.any(Compressor(200.0, SETTINGS).feed(np.zeros((300, 4), dtype=np.float32)))
    energies = np.random.default_rng(2).exponential(1e-3, (900, 5)).astype(np.float32)
    quiet = Compressor(200.0, SETTINGS).feed(energies * np.float32(0.01))
    np.testing.assert_allclose(quiet, Compressor(200.0, SETTINGS).feed(energies), rtol=1e-4, atol=1e-6)


def test_a_step_of_gain_is_forgotten_within_two_seconds() -> None:
    # A phone's automatic gain: 12 dB at once. The floor follows with its time constant; five of them leave 1 %.
    rng = np.random.default_rng(8)
    energies = rng.exponential(1e-4, (1600, 36)).astype(np.float32)
    energies[800:] *= 16
    heard = Compressor(200.0, SETTINGS).feed(energies).mean(axis=1)
    assert heard[800:810].mean() > 3 * heard[600:800].mean()
    assert abs(heard[1200:].mean() / heard[400:800].mean() - 1) < 0.05


@given(arrays(np.float32, st.tuples(st.integers(1, 40), st.integers(1, 3)), elements=st.floats(0, 100, width=32)))
@rules(max_examples=60)
def test_rises_equal_a_plain_loop(compressed: np.ndarray) -> None:
    n = len(compressed)

    def at(frame: int, band: int) -> float:
        return float(compressed[min(max(frame, 0), n - 1), band])

    def mean(frame: int, band: int, span: tuple[int, int]) -> float:
        return float(np.mean([at(frame + k, band) for k in range(span[0], span[1] + 1)]))

    found = rises(compressed)
    for i in range(n):
        for band in range(compressed.shape[1]):
            for j, span in enumerate(AFTER):
                wanted = mean(i, band, span) - mean(i, band, BEFORE)
                np.testing.assert_allclose(found[i, band, j], wanted, atol=2e-4)

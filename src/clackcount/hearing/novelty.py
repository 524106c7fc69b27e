"""Band energies in, rises out: how much louder each band is at and after a moment than just before it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clackcount.hearing.bands import BATCH_FRAMES
from clackcount.settings import HearingSettings

# Frames after the moment whose mean is compared with the mean of the frames before it. A frame is four hops
# long, so the last frame not yet touched by a knock is the one two hops earlier.
BEFORE = (-6, -2)
AFTER = ((0, 0), (1, 1), (2, 3), (4, 7))
REACH = 8  # frames of context wanted on either side of a moment


class Compressor:
    """Per-channel energy normalisation, carried from block to block.

    Each band is divided by its own running floor (``floor_s``) and a square root is drawn. The floor follows
    rain, wind and the phone's automatic gain within half a second. Source: Wang et al. 2017, "Trainable frontend
    for robust and far-field keyword spotting", ICASSP. With gain 1 and power 1/2 it is what ``librosa.pcen``
    computes, to rounding (a test holds it to that); calling that function costs 50 MB of compiled code more.
    """

    def __init__(self, frames_per_s: float, settings: HearingSettings, batch: int = BATCH_FRAMES) -> None:
        self._share = smoothing(settings.floor_s * frames_per_s)
        self._bias = np.float32(settings.bias)
        self._batch = batch
        # the filter's answer to STRETCH frames at once, and what is left in each of them of the floor before
        lag = np.arange(STRETCH)[:, None] - np.arange(STRETCH)[None, :]
        self._answer = np.where(lag >= 0, self._share * (1 - self._share) ** np.maximum(lag, 0), 0.0)
        self._left = (1 - self._share) ** np.arange(1, STRETCH + 1)[:, None]
        self._floor: NDArray[np.float64] | None = None

    def feed(self, energies: NDArray[np.float32]) -> NDArray[np.float32]:
        """Compressed energies, float32 (n_frames, n_bands), zero in silence."""
        if len(energies) == 0:
            return energies
        if self._floor is None:
            # The floor begins at the first batch's own mean, or the first frames would all look like a rise.
            self._floor = energies[: self._batch].mean(axis=0, dtype=np.float64)
        floor = self._smoothed(energies, self._floor)
        self._floor = floor[-1]
        ratio = energies / (floor + QUIETEST).astype(np.float32)
        result: NDArray[np.float32] = np.sqrt(ratio + self._bias) - np.sqrt(self._bias)
        return result

    def _smoothed(self, energies: NDArray[np.float32], before: NDArray[np.float64]) -> NDArray[np.float64]:
        """First-order low-pass along time, float64 as energies; before: where it stood, float64 (n_bands,).

        A stretch at a time, as a product of matrices; the stretches begin at fixed frames, as batches do.
        """
        floor = np.empty(energies.shape)
        for first in range(0, len(energies), STRETCH):
            part = energies[first : first + STRETCH]
            n = len(part)
            floor[first : first + n] = self._answer[:n, :n] @ part + self._left[:n] * before
            before = floor[first + n - 1]
        return floor


STRETCH = 32  # frames; every batch is a multiple of it

# -120 dB re full scale, the hiss of a 20 bit converter: below it there is nothing to hear, and digital silence
# does not turn the first sound after it into an infinite rise.
QUIETEST = 1e-12


def smoothing(time_constant_frames: float) -> float:
    """Coefficient of the first-order low-pass with this time constant. Source: formula of ``librosa.pcen``."""
    t2 = time_constant_frames**2
    return float((np.sqrt(1 + 4 * t2) - 1) / (2 * t2))


def rises(compressed: NDArray[np.float32]) -> NDArray[np.float32]:
    """Rise at each frame in each band over each of the spans AFTER, float32 (n_frames, n_bands, 4).

    The first and last REACH frames see the edge frame repeated.
    """
    n_frames, n_bands = compressed.shape
    padded = np.pad(compressed, ((REACH, REACH), (0, 0)), mode="edge")

    def mean(span: tuple[int, int]) -> NDArray[np.float32]:
        first, last = span
        total = padded[REACH + first : REACH + first + n_frames].copy()
        for offset in range(first + 1, last + 1):
            total += padded[REACH + offset : REACH + offset + n_frames]
        total /= np.float32(last - first + 1)
        return total

    before = mean(BEFORE)
    result = np.empty((n_frames, n_bands, len(AFTER)), dtype=np.float32)
    for i, span in enumerate(AFTER):
        np.subtract(mean(span), before, out=result[:, :, i])
    return result

"""Samples in, short-time energy in mel bands out: the one transform that every later stage shares."""

from __future__ import annotations

import numpy as np
import scipy.fft
from librosa.core.convert import mel_frequencies
from numpy.typing import NDArray

from clackcount.settings import HearingSettings

# Frames are transformed in batches that begin at fixed frame numbers. A matrix product may round differently
# for another batch length, so this, not the block size of the caller, decides the last bit of the answer.
BATCH_FRAMES = 256
EDGE_FRAMES = 2  # at the start, whose first samples lie before it


class BandEnergies:
    """Mean-square level in mel bands, a frame every 5 ms, for samples that come in blocks of any size.

    Frame i is centred on sample ``i * hop``. The frame is four hops (20 ms) long: long enough to part a thud's low
    octaves, short enough not to blur two slams. One that reaches beyond either end of the recording is taken to be as
    its nearest whole neighbour: sound cut off is no knock.

    sample_rate_hz: 4000 or more. Bands run from 0 to ``highest_hz`` or just below half the sample
    rate; their number follows the range, so that a band means the same at every rate.
    """

    def __init__(self, sample_rate_hz: int, settings: HearingSettings, batch: int = BATCH_FRAMES) -> None:
        self._batch = batch
        self.hop = max(1, round(sample_rate_hz * settings.hop_s))
        self.frame = 4 * self.hop
        self.frames_per_s = sample_rate_hz / self.hop
        edges_hz = band_edges_hz(sample_rate_hz, settings)
        self.band_hz = edges_hz[1:-1]
        window = np.hanning(self.frame + 1)[:-1]
        self._window = (window / np.sqrt(np.sum(window**2) * self.frame / 2)).astype(np.float32)
        triangles = mel_triangles(scipy.fft.rfftfreq(self.frame, 1 / sample_rate_hz), edges_hz)
        # nothing is heard above the highest edge, so no power is reckoned there
        self._n_bins = int(np.flatnonzero(triangles.any(axis=0))[-1]) + 1
        self._to_bands = np.ascontiguousarray(triangles[:, : self._n_bins].T, dtype=np.float32)
        self._windowed = np.empty((batch, self.frame), dtype=np.float32)
        self._squares = np.empty((batch, 2 * self._n_bins), dtype=np.float32)
        self._power = np.empty((batch, self._n_bins), dtype=np.float32)
        self._pending = [np.zeros(self.frame // 2, dtype=np.float32)]
        self._n_pending = self.frame // 2
        self._n_frames = 0
        self._before: NDArray[np.float32] | None = None

    def feed(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """The frames that these samples complete: float32 (n, n_bands), n a multiple of the batch, may be 0."""
        self._pending.append(samples)
        self._n_pending += len(samples)
        n_batches = ((self._n_pending - self.frame) // self.hop + 1) // self._batch
        if n_batches <= 0:
            return np.zeros((0, len(self.band_hz)), dtype=np.float32)
        return self._transform(n_batches * self._batch)

    def finish(self) -> NDArray[np.float32]:
        """The last frames, up to the one whose centre lies on or before the last sample."""
        n_frames = max(0, (self._n_pending - self.frame // 2 - 1) // self.hop + 1)
        if n_frames == 0:
            return np.zeros((0, len(self.band_hz)), dtype=np.float32)
        n_whole = max(0, (self._n_pending - self.frame) // self.hop + 1)
        before = self._before
        self._pending.append(np.zeros(self.frame, dtype=np.float32))
        energies = self._transform(n_frames)
        if n_whole > 0:
            energies[n_whole:] = energies[n_whole - 1]
        elif before is not None:
            energies[:] = before
        return energies

    def _transform(self, n_frames: int) -> NDArray[np.float32]:
        samples = np.concatenate(self._pending)
        framed = np.lib.stride_tricks.sliding_window_view(samples, self.frame)[:: self.hop]
        energies = np.empty((n_frames, len(self.band_hz)), dtype=np.float32)
        for first in range(0, n_frames, self._batch):
            last = min(first + self._batch, n_frames)
            n = last - first
            windowed = np.multiply(framed[first:last], self._window, out=self._windowed[:n])
            # real and imaginary parts side by side: squared together, and each pair added
            parts = scipy.fft.rfft(windowed, axis=1).view(np.float32)[:, : 2 * self._n_bins]
            squares, power = self._squares[:n], self._power[:n]
            np.square(parts, out=squares)
            np.add(squares[:, ::2], squares[:, 1::2], out=power)
            np.matmul(power, self._to_bands, out=energies[first:last])
        if self._n_frames == 0 and n_frames > EDGE_FRAMES:
            energies[:EDGE_FRAMES] = energies[EDGE_FRAMES]
        self._n_frames += n_frames
        self._before = energies[-1].copy()
        rest = samples[n_frames * self.hop :].copy()
        self._pending = [rest]
        self._n_pending = len(rest)
        return energies


def band_edges_hz(sample_rate_hz: int, settings: HearingSettings) -> NDArray[np.float64]:
    """Corner frequencies of the triangular bands, float64 (n + 2,), the same at every sample rate.

    Mel bands, and below them each line of the transform by itself: the thud of a heavy valve, which is all that a
    brook leaves of it, lies there, and a mel band is too broad for it. Source: the mel scale of Slaney's auditory
    toolbox, as in ``librosa.mel_frequencies``.
    """
    mel_hz = mel_frequencies(n_mels=settings.n_bands + 2, fmin=settings.lowest_hz, fmax=settings.highest_hz)
    edges_hz = np.concatenate([LINES_HZ, mel_hz[mel_hz > LINES_HZ[-1]].astype(np.float64)])
    return edges_hz[edges_hz <= 0.49 * sample_rate_hz]


LINES_HZ = (0.0, 50.0, 100.0)  # of frames of 20 ms
N_LINES = len(LINES_HZ) - 1  # bands about one each


def mel_triangles(bin_hz: NDArray[np.float64], edges_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weight of each frequency in each band, float64 (n_bands, n_bins): from 0 at its edges to 1 at its centre.

    What ``librosa.filters.mel`` gives without its norm. That module alone would load all of scipy.signal and
    scipy.stats, 60 MB and a third of a second.
    """
    low, centre, high = edges_hz[:-2, None], edges_hz[1:-1, None], edges_hz[2:, None]
    return np.maximum(np.minimum((bin_hz - low) / (centre - low), (high - bin_hz) / (high - centre)), 0)

"""What a perfect ear would make of a rendered recording: a SlamTrain from its truth, a FlowTrack from its samples.

So the running room can be tested by itself, with sound; the tests through the whole pipeline use the real ear.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clackcount.model import FlowTrack, SlamTrain
from clackcount.simulate import Rendered

FRAME_S, HOP_S, CELL_FRAMES, QUANTILE = 0.010, 0.005, 10, 0.22


def flow_of(samples: NDArray[np.floating], sample_rate_hz: int) -> FlowTrack:
    """Short-time levels in octave-like bands, and of ten frames each the low quantile; the noun's own definition."""
    mono = samples if samples.ndim == 1 else samples.mean(axis=1)
    n_bands = 8 if sample_rate_hz > 16000 else 6
    edges_hz = np.geomspace(100, min(12000, 0.48 * sample_rate_hz), n_bands + 1)
    hop, size = round(HOP_S * sample_rate_hz), round(FRAME_S * sample_rate_hz)
    window = np.hanning(size + 1)[:size].astype(np.float32)
    window /= np.sqrt(size * np.sum(window**2) / 2)
    bins_hz = np.fft.rfftfreq(size, 1 / sample_rate_hz)
    nearest = np.clip(np.searchsorted(edges_hz, bins_hz, side="right") - 1, -1, n_bands)
    into_band = np.stack([nearest == b for b in range(n_bands)], axis=1).astype(np.float32)
    for b in np.flatnonzero(into_band.sum(axis=0) == 0):  # a band narrower than a bin takes the nearest one
        into_band[np.argmin(np.abs(bins_hz - np.sqrt(edges_hz[b] * edges_hz[b + 1]))), b] = 1
    n_cells = len(mono) // (hop * CELL_FRAMES)
    padded = np.concatenate([mono, np.zeros(size, mono.dtype)])
    cells = np.empty((n_cells, n_bands), np.float32)
    step = 2000
    for first in range(0, n_cells, step):
        last = min(first + step, n_cells)
        part = padded[first * hop * CELL_FRAMES : last * hop * CELL_FRAMES + size - hop]
        frames = np.lib.stride_tricks.sliding_window_view(part, size)[::hop][: (last - first) * CELL_FRAMES]
        spectrum = np.fft.rfft(frames * window, axis=1)
        level_db = 10 * np.log10((spectrum.real**2 + spectrum.imag**2) @ into_band + 1e-14)
        cells[first:last] = np.quantile(level_db.reshape(last - first, CELL_FRAMES, n_bands), QUANTILE, axis=1)
    return FlowTrack(HOP_S * CELL_FRAMES, cells, edges_hz)


def strengths_db(
    samples: NDArray[np.floating], sample_rate_hz: int, time_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Energy of the 20 ms from each slam on, over that of the 40 ms that end 10 ms before it."""
    mono = samples if samples.ndim == 1 else samples.mean(axis=1)
    energy = np.concatenate([[0.0], np.cumsum(mono.astype(np.float64) ** 2)])

    def mean(start_s: NDArray[np.float64], end_s: NDArray[np.float64]) -> NDArray[np.float64]:
        first, last = (np.clip((t * sample_rate_hz).astype(int), 0, len(mono)) for t in (start_s, end_s))
        return (energy[last] - energy[first]) / np.maximum(last - first, 1) + 1e-12

    return 10 * np.log10(mean(time_s - 0.002, time_s + 0.02) / mean(time_s - 0.05, time_s - 0.01))


def train_of(made: Rendered, rng: np.random.Generator, *, miss: float = 0.0, openings: bool = True) -> SlamTrain:
    """The true slams with a millisecond of scatter; some missed; openings heard only where they made a sound."""
    truth = made.truth
    heard = rng.random(len(truth.slam_s)) >= miss
    time_s = np.clip(truth.slam_s[heard] + rng.normal(0, 0.001, int(heard.sum())), 0, truth.duration_s)
    opening_s = np.array(
        [t for t, kind in zip(truth.other_s, truth.other_kind, strict=True) if kind in ("reopen", "push")]
    )
    opened_s = np.full(len(time_s), np.nan)
    reopen_s = np.where(truth.reopen_sounds & openings, truth.reopen_s, np.nan)[heard]
    if openings and len(opening_s):
        last = np.searchsorted(opening_s, time_s) - 1
        before_s = np.concatenate([[0.0], time_s[:-1]])
        here = (last >= 0) & (opening_s[np.maximum(last, 0)] > before_s)
        opened_s[here] = opening_s[last[here]]
    return SlamTrain(
        time_s=time_s,
        strength_db=strengths_db(made.samples, made.sample_rate_hz, time_s),
        confidence=np.full(len(time_s), 0.9),
        reopen_s=reopen_s,
        opened_s=opened_s,
        pump=truth.pump[heard],
        beating=truth.running[heard],
        duration_s=truth.duration_s,
    )

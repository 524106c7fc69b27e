"""Several channels to one: the healthy ones averaged, dead, clipped and reversed ones left out.

Decisions fall on fixed chunks of the sample count, so that they do not depend on how the sound came in. A channel
leaves at once and comes back only after it has been well for a while; every change is cross-faded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_FADE_S = 0.05
# Powers are those of the difference from sample to sample: free of DC, and not ruled by the rumble of wind.
_DEAD_SHARE, _ALIVE_SHARE = 1e-4, 1e-3  # -40 dB and -30 dB against the liveliest channel
_NOTHING = 1e-12  # mean square of the differences: below this there is no sound at all
_REVERSED, _UPRIGHT = -0.7, -0.4  # correlation with the chosen channel
_CLIPPED_SHARE, _WORSE = 5e-4, 4.0  # at least this share of a chunk, and so many times that of the best channel
_BACK_AFTER_S, _UNCLIPPED_AFTER_S = 2.0, 20.0
_LEAST_S = 0.05  # the scrap at the end may be too short to judge: two samples always correlate
_LOUDER = 4.0  # the chosen channel changes only for one 6 dB stronger


@dataclass(frozen=True, slots=True)
class ChunkLook:
    """What the decision rests on. gram: (channels, channels) mean products of differences. clipped: share of each."""

    gram: NDArray[np.float32]
    clipped: NDArray[np.float64]


class _Latch:
    """A fault per channel that sets at once and clears after n_clear chunks without it."""

    def __init__(self, channels: int, n_clear: int) -> None:
        self.on = np.zeros(channels, bool)
        self._well = np.zeros(channels, int)
        self._n_clear = n_clear

    def update(self, bad: NDArray[np.bool_], well: NDArray[np.bool_]) -> NDArray[np.bool_]:
        self._well = np.where(well, self._well + 1, 0)
        self.on = bad | (self.on & (self._well < self._n_clear))
        if self.on.all():
            self.on = bad  # the rest have nothing better to wait for
        return self.on


class Mixer:
    """Weights of the channels from chunk to chunk, and for how many samples each fault kept a channel out."""

    def __init__(self, channels: int, sample_rate_hz: int, chunk_s: float) -> None:
        back = round(_BACK_AFTER_S / chunk_s)
        self._dead = _Latch(channels, back)
        self._reversed = _Latch(channels, back)
        self._clipped = _Latch(channels, round(_UNCLIPPED_AFTER_S / chunk_s))
        self._chosen = 0
        self._fade = round(_FADE_S * sample_rate_hz)
        self._last: NDArray[np.float32] | None = None
        self._least = round(_LEAST_S * sample_rate_hz)
        self.weights = np.full(channels, 1.0 / channels, np.float32)
        self.n_out = {"dead": np.zeros(channels), "clipped": np.zeros(channels), "reversed": np.zeros(channels)}

    def decide(self, look: ChunkLook, n_samples: int) -> NDArray[np.float32]:
        """Weights for the next chunk, float32 (channels,), sum 1."""
        power = np.diag(look.gram).astype(np.float64)
        top = float(power.max())
        if top <= _NOTHING or n_samples < self._least:
            return self.weights  # nothing to judge by
        dead = self._dead.update(power < _DEAD_SHARE * top, power > _ALIVE_SHARE * top)
        least = float(look.clipped[~dead].min())
        spoilt = look.clipped > max(_CLIPPED_SHARE, _WORSE * least)
        clipped = self._clipped.update(spoilt, look.clipped <= least)
        fit = ~dead & ~clipped
        if not fit.any():
            fit = ~dead  # all live ones are clipped: no better one to fall back on
        self._choose(power, fit)
        upright = self._against_chosen(look.gram, power)
        used = fit & upright
        self.weights = (used / used.sum()).astype(np.float32)
        self.n_out["dead"] += n_samples * dead
        self.n_out["clipped"] += n_samples * (clipped & ~dead & ~fit)
        self.n_out["reversed"] += n_samples * (fit & ~upright)
        return self.weights

    def _choose(self, power: NDArray[np.float64], fit: NDArray[np.bool_]) -> None:
        best = int(np.argmax(np.where(fit, power, -1.0)))
        if not fit[self._chosen] or power[best] > _LOUDER * power[self._chosen]:
            self._chosen = best

    def _against_chosen(self, gram: NDArray[np.float32], power: NDArray[np.float64]) -> NDArray[np.bool_]:
        scale = np.sqrt(power * power[self._chosen])
        correlation = gram[self._chosen] / np.where(scale > 0, scale, 1.0)
        reverse = self._reversed.update(correlation < _REVERSED, correlation > _UPRIGHT)
        upright = ~reverse
        upright[self._chosen] = True
        return upright

    def mix(self, samples: NDArray[np.float32], weights: NDArray[np.float32]) -> NDArray[np.float32]:
        """One chunk (channels, n) to mono (n,), faded over from the weights of the chunk before."""
        out = weighted(samples, weights)
        last, self._last = self._last, weights
        if last is not None and not np.array_equal(last, weights):
            n = min(self._fade, len(out))
            ramp = np.float32(0.5) - np.float32(0.5) * np.cos(np.linspace(0, np.pi, n, dtype=np.float32))
            before = weighted(samples[:, :n], last)
            out[:n] = before + ramp * (out[:n] - before)
        return out


def weighted(samples: NDArray[np.float32], weights: NDArray[np.float32]) -> NDArray[np.float32]:
    """Sum of the channels times their weights. Plain products: a matrix product may round by the array's length."""
    total = np.zeros(samples.shape[1], np.float32)
    for channel, weight in zip(samples, weights, strict=True):
        if weight:
            total += channel * weight
    return total

"""Where each decoded frame belongs in time: lost packets become silence, so that what follows stays in its place."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from clackcount.recording.reader import Chunk

# A step of the time stamps is a gap from 0.6 of a frame on: one lost frame counts; rounding to 1 ms does not.
_GAP_FRAMES = 0.6
_LEAST_GAP_S = 0.005
_LONGEST_GAP_S, _MOST_GAP_S = 6 * 3600.0, 24 * 3600.0  # one, and all together: beyond that the stamps are broken
# The stamps of some recorders come from another clock than the samples. Slow drift between the two is learned at
# this share a frame and left alone: the samples' clock is the better one.
_DRIFT_SHARE = 0.05
_FILL_S = 1.0


class Placer:
    """Puts frames in their place by their time stamps; n_gaps, gap_s, first_gap_s say what was filled."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._rate = sample_rate_hz
        self.n_gaps = 0
        self.gap_s = 0.0
        self.first_gap_s = 0.0

    def place(self, frames: Iterable[tuple[float | None, Chunk]]) -> Iterator[Chunk]:
        """The samples of (time stamp in samples, or None; chunk), with silence where frames are missing.

        A late stamp counts only if the next one is late, too: a single one is jitter of the recorder.
        """
        n_out = 0  # samples given out, the held frame included
        zero: float | None = None  # stamp that the first sample out would have
        held: tuple[Chunk, float] | None = None  # a late frame, and by how much
        for at, chunk in frames:
            n = chunk.shape[1]
            if zero is None and at is not None:
                zero = at - n_out
            late = 0.0 if at is None or zero is None else at - zero - n_out
            limit = max(_GAP_FRAMES * n, _LEAST_GAP_S * self._rate)
            if held is not None:
                waiting, gap = held
                held = None
                if late > limit and zero is not None:
                    filled, zero = self._fill(gap, n_out - waiting.shape[1], zero)
                    yield from silence(waiting, filled, self._rate)
                    n_out += filled
                    late = at - zero - n_out if at is not None else 0.0
                yield waiting
            if late > limit:
                held = (chunk, late)
            else:
                if late < -limit and at is not None:
                    zero = at - n_out  # stamps that jump back (joined files): nothing to fill, start afresh
                elif zero is not None:
                    zero += _DRIFT_SHARE * late
                yield chunk
            n_out += n
        if held is not None:
            yield held[0]

    def _fill(self, gap: float, n_before: int, zero: float) -> tuple[int, float]:
        """(samples of silence, the new zero) for a gap of so many samples."""
        gap_s = gap / self._rate
        if gap_s > _LONGEST_GAP_S or self.gap_s + gap_s > _MOST_GAP_S:
            return 0, zero + gap  # a broken stamp, not a pause
        if not self.n_gaps:
            self.first_gap_s = n_before / self._rate
        self.n_gaps += 1
        self.gap_s += round(gap) / self._rate
        return round(gap), zero


def silence(like: Chunk, n_samples: int, sample_rate_hz: int) -> Iterator[Chunk]:
    """n_samples of silence in the type and channels of like, in pieces of at most a second."""
    level = 128 if like.dtype == np.uint8 else 0
    piece = int(_FILL_S * sample_rate_hz)
    for start in range(0, n_samples, piece):
        yield np.full((len(like), min(piece, n_samples - start)), level, like.dtype)

"""Blocks of samples in, passages out: buffering, and nothing else, around the shared transform."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clackcount.hearing.bands import BandEnergies
from clackcount.hearing.flow import FlowMeter
from clackcount.hearing.novelty import QUIETEST, REACH, Compressor, rises
from clackcount.model import FlowTrack, Passage
from clackcount.settings import HearingSettings


class Ear:
    """Hears a recording block by block; what comes out does not depend on how it was cut into blocks.

    feed() and finish() return the passages that are complete. With ``live`` a passage ends every ``live_step_s``,
    reaches back as far as any passage, and keeps only what is new, so that the answer comes at once.
    """

    def __init__(self, sample_rate_hz: int, settings: HearingSettings, *, live: bool = False) -> None:
        self.sample_rate_hz = sample_rate_hz
        self._bands = BandEnergies(sample_rate_hz, settings)
        self._compressor = Compressor(self._bands.frames_per_s, settings)
        self._flow = FlowMeter(self._bands.band_hz)
        per_s = self._bands.frames_per_s
        self._live = live
        self._whole = round(settings.passage_s * per_s)
        self._margin = round(settings.margin_s * per_s)
        self._step = round(settings.live_step_s * per_s) if live else self._whole - 2 * self._margin
        self._first_frame = 0  # of the buffers
        self._kept_to = 0
        self._compressed: list[NDArray[np.float32]] = []
        self._level_db: list[NDArray[np.float32]] = []
        self._samples = Tail(round((self._whole + self._step) * self._bands.hop * 1.2))
        self._n_frames = 0
        self.n_samples = 0

    @property
    def frames_per_s(self) -> float:
        """Frames in a second."""
        return self._bands.frames_per_s

    def feed(self, samples: NDArray[np.float32]) -> list[Passage]:
        """Hear a block, float32 (n,)."""
        self._samples.append(samples)
        self.n_samples += len(samples)
        self._take(self._bands.feed(samples))
        passages = []
        while (passage := self._complete()) is not None:
            passages.append(passage)
        return passages

    def finish(self) -> list[Passage]:
        """The last passage, with all that is left; none where nothing was fed."""
        self._take(self._bands.finish())
        end = self._first_frame + self._n_frames
        if end <= self._kept_to:
            return []
        return [self._passage(self._first_frame, end, end)]

    def flow(self) -> FlowTrack:
        """The steady sound of all that was heard so far."""
        return self._flow.track(1 / self._bands.frames_per_s)

    def _take(self, energies: NDArray[np.float32]) -> None:
        if len(energies) == 0:
            return
        self._flow.feed(energies)
        self._compressed.append(self._compressor.feed(energies))
        self._level_db.append(10 * np.log10(np.maximum(energies, np.float32(QUIETEST))))
        self._n_frames += len(energies)

    def _complete(self) -> Passage | None:
        end = self._first_frame + self._n_frames
        if self._live:
            due = self._kept_to + self._step + REACH
            if end < due:
                return None
            passage = self._passage(max(0, due - self._whole), due, due - REACH)
            self._forget(due - self._whole)
            return passage
        # a whole passage and half another: what finish() then finds is never a short remainder
        if self._n_frames < self._whole + self._step // 2:
            return None
        first = self._first_frame
        passage = self._passage(first, first + self._whole, first + self._whole - self._margin)
        self._forget(first + self._step)
        return passage

    def _passage(self, first: int, last: int, keep_to: int) -> Passage:
        self._join()
        start, stop = first - self._first_frame, last - self._first_frame
        hop = self._bands.hop
        first_sample = max(self._samples.first, first * hop - self._bands.frame)
        last_sample = last * hop + self._bands.frame
        passage = Passage(
            first_frame=first,
            hop=hop,
            sample_rate_hz=self.sample_rate_hz,
            rises=rises(self._compressed[0][start:stop]),
            level_db=self._level_db[0][start:stop],
            samples=self._samples.between(first_sample, last_sample),
            first_sample=first_sample,
            keep=(self._kept_to - first, keep_to - first),
        )
        self._kept_to = keep_to
        return passage

    def _forget(self, first: int) -> None:
        """Let go of frames before ``first``, and of the samples that no later frame touches."""
        drop = first - self._first_frame
        if drop <= 0:
            return
        self._join()
        self._compressed = [self._compressed[0][drop:].copy()]
        self._level_db = [self._level_db[0][drop:].copy()]
        self._first_frame = first
        self._n_frames -= drop
        self._samples.forget(first * self._bands.hop - self._bands.frame)

    def _join(self) -> None:
        self._compressed = [np.concatenate(self._compressed)]
        self._level_db = [np.concatenate(self._level_db)]


class Tail:
    """The last samples of a stream, in one piece of memory that is filled and emptied, never copied to grow."""

    def __init__(self, n_expected: int) -> None:
        self._buffer = np.empty(n_expected, dtype=np.float32)
        self._n = 0
        self.first = 0

    def append(self, samples: NDArray[np.float32]) -> None:
        """Take samples, float32 (n,)."""
        wanted = self._n + len(samples)
        if wanted > len(self._buffer):
            self._buffer = np.concatenate([self._buffer[: self._n], np.empty(wanted, dtype=np.float32)])
        self._buffer[self._n : wanted] = samples
        self._n = wanted

    def between(self, first: int, last: int) -> NDArray[np.float32]:
        """A copy of samples number first to last - 1 of the stream, as far as they are there.

        A copy, because forget() moves what is left to the front of the same memory.
        """
        return self._buffer[max(0, first - self.first) : min(self._n, last - self.first)].copy()

    def forget(self, first: int) -> None:
        """Let go of the samples before number ``first``."""
        drop = first - self.first
        if drop <= 0:
            return
        self._n -= drop
        self._buffer[: self._n] = self._buffer[drop : drop + self._n]
        self.first = first

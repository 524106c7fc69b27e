"""Blocks of samples in, passages out: buffering, and nothing else, around the shared transform."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clackcount.hearing.bands import BATCH_FRAMES, N_LINES, BandEnergies
from clackcount.hearing.flow import CELL_FRAMES, FlowMeter
from clackcount.hearing.novelty import QUIETEST, REACH, Compressor, rises
from clackcount.model import FlowTrack, Passage, Wanted
from clackcount.settings import HearingSettings

AROUND_S = 0.1  # of the sound about a frame, what placing looks at
DB_PER_NEPER = np.float32(10 / np.log(10))  # of power; the natural logarithm takes a third of the time of the other


class Memory:
    """The transform and what it gave, as far back as a passage may reach; frames and samples count from the start.

    batch: frames to a batch of the transform; see bands.BATCH_FRAMES.
    """

    def __init__(self, sample_rate_hz: int, settings: HearingSettings, longest_s: float, batch: int) -> None:
        self.sample_rate_hz = sample_rate_hz
        self._bands = BandEnergies(sample_rate_hz, settings, batch)
        self._compressor = Compressor(self._bands.frames_per_s, settings, batch)
        self.flow = FlowMeter(self._bands.band_hz)
        n_frames, n_bands = round(longest_s * self.frames_per_s), len(self._bands.band_hz)
        self._compressed, self._level_db = Tail(n_frames, n_bands), Tail(n_frames, n_bands)
        self._samples = Tail(round(longest_s * sample_rate_hz))
        self._around = round(AROUND_S * sample_rate_hz)
        self.n_samples = 0

    @property
    def first_frame(self) -> int:
        """The oldest frame that is still there."""
        return self._level_db.first

    @property
    def end_frame(self) -> int:
        """One past the newest frame."""
        return self._level_db.end

    @property
    def frames_per_s(self) -> float:
        """Frames in a second."""
        return self._bands.frames_per_s

    def feed(self, samples: NDArray[np.float32]) -> None:
        """Hear a block, float32 (n,)."""
        self._samples.append(samples)
        self.n_samples += len(samples)
        self._take(self._bands.feed(samples))

    def finish(self) -> None:
        """Take in the frames that an end without further sound leaves."""
        self._take(self._bands.finish())

    def passage(self, first: int, last: int, keep: tuple[int, int]) -> Passage:
        """Frames first to last - 1, of which those of keep stand, with the samples about these."""
        hop = self._bands.hop
        first_sample = max(self._samples.first, keep[0] * hop - self._around)
        # no further than is surely there, however the sound came in
        last_sample = min(keep[1] * hop + self._around, last * hop + self._bands.frame // 2)
        return Passage(
            first_frame=first,
            hop=hop,
            sample_rate_hz=self.sample_rate_hz,
            rises=rises(self._compressed.between(first, last)),
            level_db=self._level_db.between(first, last).copy(),
            samples=in_steps(self._samples.between(first_sample, last_sample)),
            first_sample=first_sample,
            keep=(keep[0] - first, keep[1] - first),
            n_low=N_LINES,
        )

    def forget(self, first: int, first_kept: int) -> None:
        """Let go of frames before ``first``, and of samples that no frame from ``first_kept`` on needs."""
        self._compressed.forget(first)
        self._level_db.forget(first)
        self._samples.forget(first_kept * self._bands.hop - self._around)

    def release(self) -> None:
        """Let go of everything but the steady sound: no passage is wanted any more."""
        self._compressed, self._level_db, self._samples = Tail(0), Tail(0), Tail(0)

    def _take(self, energies: NDArray[np.float32]) -> None:
        if len(energies) == 0:
            return
        self.flow.feed(energies)
        self._compressed.append(self._compressor.feed(energies))
        self._level_db.append(DB_PER_NEPER * np.log(np.maximum(energies, np.float32(QUIETEST))))


class Ear:
    """Hears a recording block by block; what comes out does not depend on how it was cut into blocks.

    feed() and finish() return the passages that are complete.
    """

    def __init__(self, sample_rate_hz: int, settings: HearingSettings) -> None:
        # a whole passage and half of what follows it, see _complete
        longest_s = 1.5 * settings.passage_s - settings.margin_s
        self._memory = Memory(sample_rate_hz, settings, longest_s, BATCH_FRAMES)
        self._whole = round(settings.passage_s * self._memory.frames_per_s)
        self._margin = round(settings.margin_s * self._memory.frames_per_s)
        self._step = self._whole - 2 * self._margin
        self._kept_to = 0

    @property
    def heard_s(self) -> float:
        """Seconds of sound fed so far."""
        return self._memory.n_samples / self._memory.sample_rate_hz

    def feed(self, samples: NDArray[np.float32]) -> list[Passage]:
        """Hear a block, float32 (n,)."""
        self._memory.feed(samples)
        passages = []
        while (passage := self._complete()) is not None:
            passages.append(passage)
        return passages

    def finish(self) -> list[Passage]:
        """The last passage, with all that is left; none where nothing was fed."""
        memory = self._memory
        memory.finish()
        if memory.end_frame <= self._kept_to:
            return []
        last = self._passage(memory.first_frame, memory.end_frame, memory.end_frame)
        memory.release()
        return [last]

    def flow(self) -> FlowTrack:
        """The steady sound of all that was heard so far."""
        return self._memory.flow.track(1 / self._memory.frames_per_s)

    def _complete(self) -> Passage | None:
        # a whole passage and half another: what finish() then finds is never a short remainder
        first = self._memory.first_frame
        if self._memory.end_frame - first < self._whole + self._step // 2:
            return None
        passage = self._passage(first, first + self._whole, first + self._whole - self._margin)
        self._memory.forget(first + self._step, self._kept_to)
        return passage

    def _passage(self, first: int, last: int, keep_to: int) -> Passage:
        passage = self._memory.passage(first, last, (self._kept_to, keep_to))
        self._kept_to = keep_to
        return passage


class LiveEar:
    """Hears sound as it comes and gives passages that end now, as long as the listener wants them.

    Memory is bounded: passages reach back longest_s at most. What comes out does not depend on the blocks fed, as
    long as passage() is asked until it gives None after each.
    """

    def __init__(self, sample_rate_hz: int, settings: HearingSettings, longest_s: float) -> None:
        self._memory = Memory(sample_rate_hz, settings, longest_s + 2, LIVE_BATCH_FRAMES)
        self._longest = round(longest_s * self._memory.frames_per_s)
        self._last = 0  # the end of the last passage
        self._kept_to = 0
        self._n_cells = 0
        self._ended = False

    def feed(self, samples: NDArray[np.float32]) -> None:
        """Hear a block, float32 (n,)."""
        self._memory.feed(samples)

    def finish(self) -> None:
        """No more sound will come: the next passage may end early, at the end."""
        self._memory.finish()
        self._ended = True

    def passage(self, wanted: Wanted) -> Passage | None:
        """The next passage; None until the sound for it has been heard."""
        memory, per_s = self._memory, self._memory.frames_per_s
        due = self._last + max(1, round(wanted.step_s * per_s))
        hold = round(wanted.hold_s * per_s)
        if memory.end_frame < due + REACH:
            if not self._ended or memory.end_frame <= self._kept_to:
                return None
            due, hold = memory.end_frame, 0
        first = max(memory.first_frame, due - round(wanted.window_s * per_s), 0)
        keep_to = max(self._kept_to, due - hold)
        keep_from = max(first, self._kept_to - round(wanted.review_s * per_s))
        passage = memory.passage(first, min(due + REACH, memory.end_frame), (keep_from, keep_to))
        self._last, self._kept_to = due, keep_to
        memory.forget(due - self._longest, due - self._longest)
        return passage

    def cells(self) -> FlowTrack:
        """The steady sound up to where the last passage was kept, from where the last call ended."""
        n_cells = self._kept_to // CELL_FRAMES
        new, self._n_cells = n_cells - self._n_cells, n_cells
        return self._memory.flow.take(new, 1 / self._memory.frames_per_s)


LIVE_BATCH_FRAMES = 32  # live, the 1.3 s of a whole batch would be most of the time there is


def in_steps(samples: NDArray[np.float32]) -> NDArray[np.int16]:
    """The same shape in steps of which the loudest sample has 32767: half the memory, and no value of its own.

    That is what a 16 bit recording has of it, and enough to find where a knock begins.
    """
    loudest = max(float(samples.max(initial=0)), -float(samples.min(initial=0)))
    scale = np.float32(LARGEST / loudest if loudest > QUIETEST else 0)
    result = np.empty(len(samples), dtype=np.int16)
    for first in range(0, len(samples), PIECE):  # all at once would take twice the memory of the samples besides
        piece = slice(first, first + PIECE)
        result[piece] = np.rint(samples[piece] * scale)
    return result


LARGEST, PIECE = 32767, 1 << 16


class Tail:
    """The last rows of a stream, in one piece of memory that is filled and emptied, hardly ever copied.

    A row is a number, or width of them.
    """

    def __init__(self, n_expected: int, *width: int) -> None:
        self._buffer = np.empty((round(SPARE * n_expected), *width), dtype=np.float32)
        self._start = self._stop = 0
        self.first = 0

    @property
    def end(self) -> int:
        """One past the number of the last row."""
        return self.first + self._stop - self._start

    def append(self, rows: NDArray[np.float32]) -> None:
        """Take rows, float32 (n,) or (n, width)."""
        n = self._stop - self._start
        if self._stop + len(rows) > len(self._buffer):
            kept = self._buffer[self._start : self._stop]
            if n + len(rows) > len(self._buffer):
                self._buffer = np.empty((round(SPARE * (n + len(rows))), *rows.shape[1:]), dtype=np.float32)
            self._buffer[:n] = kept
            self._start, self._stop = 0, n
        self._buffer[self._stop : self._stop + len(rows)] = rows
        self._stop += len(rows)

    def between(self, first: int, last: int) -> NDArray[np.float32]:
        """A view, until more comes, of rows first to last - 1 of the stream, as far as they are there."""
        start = self._start - self.first
        return self._buffer[max(self._start, start + first) : min(self._stop, start + last)]

    def forget(self, first: int) -> None:
        """Let go of the rows before number ``first``."""
        drop = first - self.first
        if drop > 0:
            self._start += drop
            self.first = first


SPARE = 1.1  # the memory over what is expected: what is left is moved to its front when so much has come

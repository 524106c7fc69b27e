"""A recording as a stream of mono blocks, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from clackcount.errors import RecordingError
from clackcount.model import RecordingInfo
from clackcount.recording.clipping import LossyRail, Rail
from clackcount.recording.mixing import ChunkLook, Mixer
from clackcount.recording.reader import CHUNK_S, Chunk, Reader, chunk_samples

Mono = NDArray[np.float32]

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 4_000, 384_000
MOST_CHANNELS = 32
_FULL_SCALE = {"uint8": 128.0, "int16": 2.0**15, "int32": 2.0**31}
_HIGHEST_VALUE = 1e6  # full scale is 1; squares of anything near the limits of float32 would overflow
_SILENT_PEAK = 1e-4  # -80 dB re full scale: below the noise of any microphone
_STILL = 1e-4
_SHORT_S = 1.0
_CLIPPED_WORTH_TELLING = 1e-4


class Recording:
    """One source of sound, read once from front to end. Use as a context manager.

    sample_rate_hz, n_frames_hint (what the header claims, None if nothing) are known on opening.
    """

    def __init__(self, reader: Reader, path: str) -> None:
        self._reader = reader
        self._path = path
        rate, channels = reader.sample_rate_hz, reader.channels
        if not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
            reader.close()
            raise RecordingError(
                f"a sample rate of {rate} Hz is outside {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz",
                hint="the header may be damaged; phones record at 8000 to 48000 Hz",
                code="sample-rate",
            )
        if not 1 <= channels <= MOST_CHANNELS:
            reader.close()
            raise RecordingError(
                f"{channels} channels are more than {MOST_CHANNELS}",
                hint="the header may be damaged",
                code="channels",
            )
        self.sample_rate_hz = rate
        self.n_frames_hint = reader.n_frames_hint
        self._chunk = chunk_samples(rate)
        self._rails = [(_rail(reader), _rail(reader)) for _ in range(channels)]
        self._mixer = Mixer(channels, rate, CHUNK_S)
        self._n = self._n_bad = 0
        self._swing = 0.0
        self._ended = False
        self._chunks = reader.chunks()
        # The first chunk is read now, so that a file without sound fails on opening; live sound may keep one waiting.
        self._first: Chunk | None = None
        if not reader.live:
            try:
                self._first = next(self._chunks, None)
                if self._first is None:
                    raise RecordingError(
                        "the file holds no sound", hint="was the recording stopped properly?", code="no-samples"
                    )
            except BaseException:
                reader.close()
                raise

    def __enter__(self) -> Recording:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file. More than once does no harm."""
        self._reader.close()

    def blocks(self) -> Iterator[Mono]:
        """Mono blocks, float32 (n,), full scale 1.0, finite, of any length n >= 1, in order; each sample once.

        Raises RecordingError at the end where not one sample was a number (code "not-numbers"), where a live
        source gave nothing (code "no-samples"), or where reading breaks off (code "unreadable").
        """
        for piece in self._whole_chunks():
            samples = self._scaled(piece)
            self._n += samples.shape[1]
            yield self._mono(samples)
        self._ended = True
        if self._n == 0:
            raise RecordingError("no sound came in", code="no-samples")
        if self._n_bad == self._n * self._reader.channels:
            raise RecordingError("not one sample in the file is a number", code="not-numbers")

    def info(self) -> RecordingInfo:
        """What was read; duration, clipping and warnings are complete once blocks() has ended."""
        n_samples = self._n if self._ended else (self.n_frames_hint or 0)
        clipped = sum(rail.n_clipped for pair in self._rails for rail in pair) / max(self._n, 1)
        return RecordingInfo(
            path=self._path,
            duration_s=n_samples / self.sample_rate_hz,
            sample_rate_hz=self.sample_rate_hz,
            channels=self._reader.channels,
            container=self._reader.container,
            codec=self._reader.codec,
            clipped_fraction=clipped,
            warnings=tuple(self._reader.warnings) + tuple(self._own_warnings(clipped)),
        )

    def _whole_chunks(self) -> Iterator[Chunk]:
        """The reader's pieces, cut anew so that each is a whole number of decision chunks, but for the last."""
        held: list[Chunk] = []
        n_held = 0
        for piece in self._pieces():
            n_held += piece.shape[1]
            if n_held < self._chunk:
                held.append(piece.copy())  # the reader may fill its buffer anew
                continue
            held.append(piece)
            joined = piece if len(held) == 1 else np.concatenate(held, axis=1)
            n_whole = n_held - n_held % self._chunk
            held = [joined[:, n_whole:].copy()] if n_whole < n_held else []
            n_held -= n_whole
            yield joined[:, :n_whole]
        if n_held:
            yield np.concatenate(held, axis=1)

    def _pieces(self) -> Iterator[Chunk]:
        first, self._first = self._first, None
        if first is not None:
            yield first
        try:
            yield from self._chunks
        except OSError as err:
            raise RecordingError(f"reading broke off ({err.strerror or err})", code="unreadable") from err

    def _scaled(self, piece: Chunk) -> NDArray[np.float32]:
        """Float32 (channels, n), full scale 1, with zeros for what is no number."""
        full_scale = _FULL_SCALE.get(piece.dtype.name)
        if full_scale is not None:
            samples: NDArray[np.float32] = np.empty(piece.shape, np.float32)
            np.multiply(piece, np.float32(1 / full_scale), out=samples, casting="unsafe")
            if piece.dtype == np.uint8:
                samples -= np.float32(1)
            return samples
        with np.errstate(over="ignore", invalid="ignore"):
            samples = np.array(piece, np.float32, order="C")
            highest = max(samples.max(), -samples.min())
            if not highest <= _HIGHEST_VALUE:  # NaN compares false
                bad = ~(np.abs(samples) <= _HIGHEST_VALUE)
                samples[bad] = 0
                self._n_bad += int(np.count_nonzero(bad))
        return samples

    def _mono(self, samples: NDArray[np.float32]) -> Mono:
        channels, n = samples.shape
        size = min(self._chunk, n)
        cut = samples.reshape(channels, n // size, size)
        tops, bottoms = cut.max(axis=2), cut.min(axis=2)
        self._swing = max(self._swing, float((tops - bottoms).max()) / 2)
        if channels == 1:
            for i in self._near_rails(tops[0], bottoms[0]):
                self._use(self._count(cut[:, i], tops[:, i], bottoms[:, i]), np.ones(1, np.float32))
            mono: Mono = samples[0]
            return mono
        grams = _grams(cut)
        parts: list[Mono] = []
        for i in range(n // size):
            counts = self._count(cut[:, i], tops[:, i], bottoms[:, i])
            flat = np.array([[rail.flat for rail in pair] for pair in self._rails])
            weights = self._mixer.decide(ChunkLook(grams[i], (counts * flat).sum(axis=1) / size), size)
            self._use(counts, weights)
            parts.append(self._mixer.mix(cut[:, i], weights))
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def _near_rails(self, tops: Mono, bottoms: Mono) -> Iterator[int]:
        """Chunks of the one channel that can have samples at a rail; rails only rise, so none is missed."""
        top, bottom = self._rails[0]
        yield from np.flatnonzero((tops > top.reach) | (-bottoms > bottom.reach)).tolist()

    def _count(self, chunk: NDArray[np.float32], tops: Mono, bottoms: Mono) -> NDArray[np.int64]:
        """Samples at the rails, (channels, 2): top and bottom."""
        counts = np.zeros((len(chunk), 2), np.int64)
        for row, pair, samples, top, bottom in zip(counts, self._rails, chunk, tops, bottoms, strict=True):
            if top - bottom > _STILL:  # a standing level is a dead microphone, not a clipped one
                row[:] = pair[0].count(samples, float(top)), pair[1].count(samples, -float(bottom), sign=-1)
        return counts

    def _use(self, counts: NDArray[np.int64], weights: Mono) -> None:
        for pair, numbers, weight in zip(self._rails, counts, weights, strict=True):
            for rail, number in zip(pair, numbers, strict=True):
                rail.use(float(number * weight))

    def _own_warnings(self, clipped: float) -> Iterator[str]:
        duration_s = self._n / self.sample_rate_hz
        if self._n_bad:
            some = "1 sample is not a number" if self._n_bad == 1 else f"{self._n_bad} samples are not numbers"
            yield f"{some}: silence was put in place"
        if clipped >= _CLIPPED_WORTH_TELLING:
            yield f"the sound is clipped in {_percent(clipped)} % of the recording: move the phone further away"
        yield from self._mix_warnings()
        if self._ended and self._swing < _SILENT_PEAK:
            yield "the recording is silent: was the microphone covered or switched off?"
        if self._ended and duration_s < _SHORT_S:
            yield f"the recording is only {duration_s:.2g} s long"

    def _mix_warnings(self) -> Iterator[str]:
        channels = self._reader.channels
        for fault, words in (("dead", "silent"), ("clipped", "clipped"), ("reversed", "reversed against the other")):
            out = self._mixer.n_out[fault]
            n_out = int(np.count_nonzero(out))
            if not n_out:
                continue
            share = float(out.max()) / max(self._n, 1)
            which = f"{n_out} of {channels} channels {'is' if n_out == 1 else 'are'}"
            how_long = "" if share > 0.99 else f" in {_percent(share)} % of the recording"
            rest = "the other was used" if channels == 2 else "the others were used"
            yield f"{which} {words}{how_long}: {rest}"


def _percent(share: float) -> str:
    """A share in per cent to two figures, but whole from 10 on."""
    return f"{100 * share:.2g}" if share < 0.1 else f"{100 * share:.0f}"


def _rail(reader: Reader) -> Rail:
    return LossyRail() if reader.lossy else Rail(reader.sample_step, reader.sample_ratio)


def _grams(cut: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean products of the channels' differences from sample to sample, (chunks, channels, channels).

    cut: (channels, chunks, n).
    """
    steps = np.diff(cut, axis=2).transpose(1, 0, 2)
    products: NDArray[np.float32] = steps @ steps.transpose(0, 2, 1)
    return products / np.float32(max(cut.shape[2], 1))

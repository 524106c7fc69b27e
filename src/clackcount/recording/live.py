"""Sound that is still being made: raw samples on a pipe, a WAV file that still grows, the microphone.

All three give the Recording that a finished file gives; blocks come as the sound comes, a quarter of a second behind.
"""

from __future__ import annotations

import io
import os
import sys
import time
from collections.abc import Iterator
from typing import IO, Any

from clackcount.errors import RecordingError
from clackcount.recording.opening import open_file
from clackcount.recording.pcm import FORMATS, PcmReader, chunks_fill, read_wav_header
from clackcount.recording.reader import Chunk, Reader, chunk_samples
from clackcount.recording.stream import Recording

_POLL_S = 0.1


def open_pcm(stream: IO[bytes] | None, sample_rate_hz: int, channels: int = 1, subtype: str = "s16") -> Recording:
    """Raw little-endian samples, channels interleaved, from a binary stream (None: standard input).

    subtype: u8, s16, s24, s32, f32 or f64. Raises RecordingError with code "subtype", "channels" or "sample-rate".
    """
    if subtype not in FORMATS:
        raise RecordingError(
            f"unknown kind of samples {subtype!r}", hint=f"one of {', '.join(FORMATS)}", code="subtype"
        )
    if channels < 1:
        raise RecordingError(f"{channels} channels cannot be", code="channels")
    source = sys.stdin.buffer if stream is None else stream
    return Recording(PcmReader(source, subtype, sample_rate_hz, channels, live=True), "-")


def follow_file(path: str | os.PathLike[str], idle_s: float = 5.0) -> Recording:
    """A WAV file of plain samples that is still being written; ends when it has not grown for idle_s.

    Its sizes may be missing or stale; once they are true and other chunks follow the samples, it ends there.
    Raises RecordingError: as open_recording, and "not-sound" for anything but plain samples in WAV.
    """
    tail = _Tail(open_file(path), idle_s)
    try:
        header = read_wav_header(tail.read)
        if header is None:
            raise RecordingError("only a WAV file of plain samples can be followed while it grows", code="not-sound")
    except BaseException:
        tail.close()
        raise
    tail.header_end = header.data_offset
    reader = PcmReader(tail, header.subtype, header.sample_rate_hz, header.channels, container="wav", live=True)
    return Recording(reader, os.fspath(path))


def open_microphone(sample_rate_hz: int = 48_000, channels: int = 1, device: int | str | None = None) -> Recording:
    """The microphone, until the recording is closed. device: as sounddevice names it, None for the usual one.

    Raises RecordingError with code "no-microphone" where sounddevice is not installed or finds no device.
    """
    try:
        import sounddevice
    except (ImportError, OSError) as err:  # OSError: installed, but without its sound library
        raise RecordingError(
            "the microphone needs the sounddevice package",
            hint='pip install "clackcount[microphone]", or record to a file and give that',
            code="no-microphone",
        ) from err
    try:
        stream = sounddevice.InputStream(samplerate=sample_rate_hz, channels=channels, device=device, dtype="float32")
        stream.start()
    except (sounddevice.PortAudioError, ValueError) as err:
        raise RecordingError(
            "no microphone can be opened", hint=f"the sound system says: {err}", code="no-microphone"
        ) from err
    return Recording(_MicrophoneReader(stream, sounddevice.PortAudioError), "microphone")


class _MicrophoneReader(Reader):
    def __init__(self, stream: Any, trouble: type[Exception]) -> None:
        super().__init__(
            container="microphone",
            codec="pcm_f32",
            sample_rate_hz=int(stream.samplerate),
            channels=int(stream.channels),
        )
        self.live = True
        self._stream = stream
        self._trouble = trouble

    def chunks(self) -> Iterator[Chunk]:
        n_frames = chunk_samples(self.sample_rate_hz)
        while self._stream.active:
            try:
                samples, lost = self._stream.read(n_frames)
            except self._trouble as err:
                self.warnings.append(f"the microphone stopped: {err}")
                return
            if lost and len(self.warnings) == 0:
                self.warnings.append("the computer was too slow for the microphone: some sound was lost")
            yield samples.T

    def close(self) -> None:
        self._stream.close()


class _Tail:
    """The bytes of a file that grows: read() waits for more, and gives b"" after idle_s without any."""

    def __init__(self, file: io.BufferedReader, idle_s: float) -> None:
        self._file = file
        self._idle_s = idle_s
        self.header_end: int | None = None  # where the samples begin, once known

    def read(self, size: int, /) -> bytes:
        """Up to size bytes, as many as are there."""
        waited_from = time.monotonic()
        while True:
            room = self._room()
            piece = self._file.read(min(size, room) if room is not None else size) if room != 0 else b""
            if piece or room == 0 or time.monotonic() - waited_from >= self._idle_s:
                return piece
            time.sleep(min(_POLL_S, self._idle_s))

    def _room(self) -> int | None:
        """Bytes of samples still to come where the header's size has become true, None where it has not."""
        if self.header_end is None:
            return None
        here = self._file.tell()
        self._file.seek(self.header_end - 4)
        claimed = int.from_bytes(self._file.read(4), "little")
        end, size = self.header_end + claimed, self._file.seek(0, os.SEEK_END)
        finished = claimed > 0 and end + 8 <= size and chunks_fill(self._file, end, size)
        self._file.seek(here)
        return max(0, end - here) if finished else None

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

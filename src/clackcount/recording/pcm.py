"""Plain samples from any byte stream: raw PCM, and WAV whose sizes cannot be trusted.

soundfile reads healthy WAV files; this reader is for pipes (no seeking), for files still being written, and for
files whose recorder died before it could fill in the sizes.

Source of the layout: Microsoft and IBM, Multimedia Programming Interface 1991 (RIFF/WAVE); Microsoft's
WAVEFORMATEXTENSIBLE; EBU Tech 3306 (RF64, the ds64 chunk).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import IO

import numpy as np

from clackcount.errors import RecordingError
from clackcount.recording.reader import ByteStream, Chunk, Reader, cut_short

READ_BYTES = 1 << 18
FORMATS = {
    "u8": ("u1", 1),
    "s16": ("<i2", 2),
    "s24": ("", 3),
    "s32": ("<i4", 4),
    "f32": ("<f4", 4),
    "f64": ("<f8", 8),
}
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
# Writers into a pipe put 0, 0xFFFFFFFF, 0x7FFFFFFF or these less a header's length: none is a size.
_NO_SIZE_FROM = 0x7FFF0000
_LARGEST_HEADER = 1 << 24


@dataclass(frozen=True, slots=True)
class WavHeader:
    """What stands before the samples. data_bytes: claimed size, None where it claims nothing one can use."""

    subtype: str
    sample_rate_hz: int
    channels: int
    data_offset: int
    data_bytes: int | None


def read_wav_header(read: Callable[[int], bytes]) -> WavHeader | None:
    """The header, with the stream left at the first sample; None where it is not plain PCM or float samples.

    Raises RecordingError (code "empty-header") where the stream ends before any samples could begin.
    """
    form = read_exactly(read, 12)
    if len(form) == 12 and (form[:4] not in (b"RIFF", b"RF64", b"BW64") or form[8:] != b"WAVE"):
        return None
    offset, wide_bytes, fmt = 12, None, b""
    while len(head := read_exactly(read, 8)) == 8:
        name, size = head[:4], struct.unpack("<I", head[4:])[0]
        offset += 8
        if name == b"data":
            parsed = _parse_fmt(fmt)
            if size == 0xFFFFFFFF and wide_bytes:
                size = wide_bytes
            elif size >= _NO_SIZE_FROM or size == 0:
                size = None
            return WavHeader(*parsed, offset, size) if parsed else None
        body = read_exactly(read, size + size % 2) if size < _LARGEST_HEADER else b""
        if len(body) < size:
            break
        offset += len(body)
        if name == b"fmt ":
            fmt = body
        elif name == b"ds64" and size >= 16:
            wide_bytes = struct.unpack("<Q", body[8:16])[0]
    raise RecordingError(
        "the file holds a header but no sound", hint="was the recording stopped properly?", code="no-samples"
    )


def _parse_fmt(fmt: bytes) -> tuple[str, int, int] | None:
    if len(fmt) < 16:
        return None
    tag, channels, sample_rate_hz, _, frame_bytes, bits = struct.unpack("<HHIIHH", fmt[:16])
    if tag == _EXTENSIBLE and len(fmt) >= 26:
        tag = struct.unpack("<H", fmt[24:26])[0]  # the sub-format's GUID begins with the plain tag
    width = frame_bytes // channels if channels else 0
    kinds = {_PCM: {1: "u8", 2: "s16", 3: "s24", 4: "s32"}, _FLOAT: {4: "f32", 8: "f64"}}
    subtype = kinds.get(tag, {}).get(width)
    return (subtype, sample_rate_hz, channels) if subtype and bits <= 8 * width else None


def is_chunk(head: bytes) -> bool:
    """True where 8 bytes after the samples can be the head of another RIFF chunk, and so are not samples."""
    return len(head) < 8 or (
        all(48 <= c < 123 or c == 32 for c in head[:4]) and struct.unpack("<I", head[4:8])[0] < 1 << 26
    )


def chunks_fill(file: IO[bytes], start: int, end: int) -> bool:
    """True where the bytes from start to end are nothing but whole RIFF chunks, or where there are none."""
    while start + 8 <= end:
        file.seek(start)
        head = file.read(8)
        if not is_chunk(head):
            return False
        size = struct.unpack("<I", head[4:])[0]
        start += 8 + size + size % 2
    return end <= start + 1 <= end + 2


class PcmReader(Reader):
    """Samples from a stream of bytes.

    data_bytes: stop after so many, if what follows looks like a chunk (or is nothing); read on if it does not.
    """

    def __init__(
        self,
        stream: ByteStream,
        subtype: str,
        sample_rate_hz: int,
        channels: int,
        *,
        container: str = "raw",
        data_bytes: int | None = None,
        live: bool = False,
    ) -> None:
        super().__init__(
            container=container, codec=f"pcm_{subtype}", sample_rate_hz=sample_rate_hz, channels=channels
        )
        self._stream = stream
        self._subtype = subtype
        self._frame_bytes = FORMATS[subtype][1] * channels
        self._data_bytes = data_bytes
        self.live = live
        self.sample_step = {"u8": 2.0**-7, "s16": 2.0**-15, "s24": 2.0**-23, "s32": 2.0**-31}.get(subtype, 0.0)
        self.n_frames_hint = None if data_bytes is None else data_bytes // self._frame_bytes
        # read1 gives what has come in; read would hold a live stream back until its buffer is full.
        self._read: Callable[[int], bytes] = getattr(stream, "read1", stream.read)

    def chunks(self) -> Iterator[Chunk]:
        carry, n_bytes = b"", 0
        for piece in self._pieces():
            n_bytes += len(piece)
            piece = carry + piece
            whole = len(piece) - len(piece) % self._frame_bytes
            carry = piece[whole:]
            if whole:
                yield self._samples(piece[:whole])
        if self._data_bytes is not None and n_bytes < self._data_bytes - self._frame_bytes:
            per_s = self._frame_bytes * self.sample_rate_hz
            self.warnings.append(cut_short(n_bytes / per_s, self._data_bytes / per_s))

    def _pieces(self) -> Iterator[bytes]:
        left = self._data_bytes
        while left is None or left > 0:
            piece = self._read(READ_BYTES if left is None else min(left, READ_BYTES))
            if not piece:
                return
            yield piece
            left = None if left is None else left - len(piece)
        after = read_exactly(self._read, 8)
        if is_chunk(after):
            # Whoever writes the pipe should be able to finish; what comes are a few tags.
            read_exactly(self._read, 1 << 20)
            return
        self.warnings.append("the header gives a shorter length than the file has: all of it was read")
        while after:
            yield after
            after = self._read(READ_BYTES)

    def _samples(self, raw: bytes) -> Chunk:
        if self._subtype == "s24":
            # Into the upper three bytes, so that the sign comes along.
            wide = np.zeros((len(raw) // 3, 4), np.uint8)
            wide[:, 1:] = np.frombuffer(raw, np.uint8).reshape(-1, 3)
            flat: Chunk = wide.view("<i4").ravel()
        else:
            flat = np.frombuffer(raw, FORMATS[self._subtype][0])
        return flat.reshape(-1, self.channels).T

    def close(self) -> None:
        self._stream.close()


def read_exactly(read: Callable[[int], bytes], n_bytes: int) -> bytes:
    """n_bytes from a read function that may give less at a time; fewer only at the end of the stream."""
    parts: list[bytes] = []
    while n_bytes > 0 and (piece := read(n_bytes)):
        parts.append(piece)
        n_bytes -= len(piece)
    return b"".join(parts)

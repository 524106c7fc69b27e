"""From a path, a pipe or a binary file object to a Recording: the choice of decoder, and errors at the door."""

from __future__ import annotations

import hashlib
import io
import os
import sys
from pathlib import Path
from typing import IO

from clackcount.errors import RecordingError
from clackcount.recording.pcm import PcmReader, is_chunk, read_exactly, read_wav_header
from clackcount.recording.reader import ByteStream, Reader
from clackcount.recording.sniff import HEAD_BYTES, Kind, looks_like_text, sniff
from clackcount.recording.stream import Recording


def open_recording(source: str | os.PathLike[str] | IO[bytes]) -> Recording:
    """A recording, ready to be read from its start.

    source: a path, "-" for standard input, or a binary file object (closed with the recording; it need not be
    seekable). The decoder is chosen by the content.

    Raises RecordingError with code "no-file", "directory", "no-permission", "unreadable", "empty", "not-sound",
    "cut-off", "no-sound-track", "no-samples" or "sample-rate".
    """
    if not isinstance(source, str | os.PathLike):
        return Recording(_reader(source), str(getattr(source, "name", "-")))
    if source == "-":
        return Recording(_reader(sys.stdin.buffer), "-")
    path = os.fspath(source)
    return Recording(_reader(open_file(path)), path)


def digest(path: str | os.PathLike[str]) -> str:
    """SHA-256 of the file's bytes, 64 hexadecimal digits: the same recording under any name."""
    with open_file(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def open_file(path: str | os.PathLike[str]) -> io.BufferedReader:
    """The file, opened for reading bytes; RecordingError where that cannot be."""
    try:
        return Path(path).open("rb")
    except FileNotFoundError as err:
        raise RecordingError("there is no such file", hint="is the name typed right?", code="no-file") from err
    except IsADirectoryError as err:
        raise RecordingError(
            "this is a directory", hint="give the recordings in it, such as directory/*.m4a", code="directory"
        ) from err
    except PermissionError as err:
        raise RecordingError("this file may not be read", hint="see its permissions", code="no-permission") from err
    except (OSError, ValueError) as err:
        reason = getattr(err, "strerror", None) or "its name is no name of a file"
        raise RecordingError(f"this file cannot be read ({reason})", code="unreadable") from err


def _reader(file: IO[bytes]) -> Reader:
    try:
        return _choose(file)
    except RecordingError:
        file.close()
        raise
    except OSError as err:
        file.close()
        raise RecordingError(f"this file cannot be read ({err.strerror or err})", code="unreadable") from err


def _choose(file: IO[bytes]) -> Reader:
    seekable = file.seekable()
    start = file.tell() if seekable else 0
    head = read_exactly(getattr(file, "read1", file.read), HEAD_BYTES)
    if not head:
        raise RecordingError("the file is empty", hint="was the recording stopped properly?", code="empty")
    kind = sniff(head)
    if kind is None and looks_like_text(head):
        raise RecordingError(
            "this is text, not sound", hint="a phone's m4a, 3gp, mp4, wav, flac, ogg or mp3 will do", code="not-sound"
        )
    if seekable:
        file.seek(start)
        return _from_file(file, kind, start)
    return _from_pipe(_Rewound(head, file), kind)


def _from_pipe(stream: _Rewound, kind: Kind | None) -> Reader:
    if kind is not None and kind.container == "wav":
        if reader := _plain_wav(stream):
            return reader
        raise RecordingError(
            "only plain samples can be read from a WAV stream", hint="save it to a file first", code="not-sound"
        )
    try:
        return _by_ffmpeg(stream, kind)
    except RecordingError as err:
        if err.code == "cut-off":
            err.hint = "an m4a or mp4 cannot always be read from a pipe: save it to a file first"
        raise


def _from_file(file: IO[bytes], kind: Kind | None, start: int) -> Reader:
    if kind is None or not kind.by_soundfile:
        return _by_ffmpeg(file, kind)
    if kind.container == "wav" and not _sizes_hold(file, start):
        file.seek(start)
        if reader := _plain_wav(file):
            return reader
    file.seek(start)
    return _by_soundfile(file, kind, start)


def _sizes_hold(file: IO[bytes], start: int) -> bool:
    """True where the WAV header's size of the samples agrees with the file, or is none of our business."""
    header = read_wav_header(file.read)
    if header is None:
        return True
    if header.data_bytes is None:
        return False
    end = start + header.data_offset + header.data_bytes
    if end > file.seek(0, os.SEEK_END):
        return False
    file.seek(end)
    return is_chunk(file.read(8))


def _plain_wav(stream: ByteStream) -> Reader | None:
    """A reader for plain samples; None for the codings that only a decoder knows (the stream is then used up)."""
    header = read_wav_header(getattr(stream, "read1", stream.read))
    if header is None:
        return None
    return PcmReader(
        stream,
        header.subtype,
        header.sample_rate_hz,
        header.channels,
        container="wav",
        data_bytes=header.data_bytes,
    )


def _by_soundfile(file: IO[bytes], kind: Kind, start: int) -> Reader:
    import soundfile

    from clackcount.recording.soundfile_reader import SoundfileReader

    try:
        return SoundfileReader(file, kind.container)
    except soundfile.LibsndfileError:
        file.seek(start)
        return _by_ffmpeg(file, kind)


def _by_ffmpeg(file: ByteStream, kind: Kind | None) -> Reader:
    from clackcount.recording.av_reader import AvReader

    return AvReader(file, kind)


class _Rewound:
    """A stream that cannot seek, with the bytes already taken from it put back in front."""

    def __init__(self, head: bytes, rest: IO[bytes]) -> None:
        self._head = head
        self._rest = rest
        self._read1 = getattr(rest, "read1", rest.read)

    def read(self, size: int, /) -> bytes:
        """Up to size bytes: what has come in so far, at least one unless the stream has ended."""
        if self._head:
            piece, self._head = self._head[:size], self._head[size:]
            return piece
        return bytes(self._read1(size))

    def close(self) -> None:
        """Let go of the stream."""
        self._rest.close()

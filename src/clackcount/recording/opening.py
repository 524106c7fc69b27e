"""From a path, a pipe or a binary file object to a Recording: the choice of decoder, and errors at the door."""

from __future__ import annotations

import hashlib
import io
import os
import sys
import tempfile
from pathlib import Path
from typing import IO

from clackcount.errors import RecordingError
from clackcount.recording.pcm import READ_BYTES, PcmReader, chunks_fill, read_exactly, read_wav_header
from clackcount.recording.reader import ByteStream, Reader
from clackcount.recording.sniff import HEAD_BYTES, WILL_DO, Kind, looks_like_text, sniff
from clackcount.recording.stream import Recording

_OGG_PAGE_BYTES, _OGG_LAST = 65_307, 4  # the largest page, and the flag of a stream's last one (RFC 3533, section 6)


def open_recording(source: str | os.PathLike[str] | IO[bytes]) -> Recording:
    """A recording, ready to be read from its start.

    source: a path, "-" for standard input, or a binary file object, read from its beginning if it can seek, and
    closed with the recording. The decoder is chosen by the content.

    Raises RecordingError with code "no-file", "directory", "no-permission", "unreadable", "empty", "not-sound",
    "cut-off", "no-sound-track", "no-samples", "channels" or "sample-rate".
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
    if not os.fspath(path):  # Path("") would be the folder one stands in
        raise RecordingError("an empty name is no file", hint="is the name typed right?", code="no-file")
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
    if seekable := file.seekable():
        file.seek(0)
    head = read_exactly(getattr(file, "read1", file.read), HEAD_BYTES)
    if not head:
        raise RecordingError("the file is empty", hint="was the recording stopped properly?", code="empty")
    kind = sniff(head)
    if kind is None and looks_like_text(head):
        raise RecordingError("this is text, not sound", hint=WILL_DO, code="not-sound")
    if seekable:
        return _from_file(file, kind)
    stream = _Rewound(head, file)
    if kind is None:
        raise RecordingError("what comes in is not sound that can be read", hint=WILL_DO, code="not-sound")
    if kind.container == "wav" and _is_plain(head):
        return _plain_wav(stream)
    return _from_file(_spooled(stream), kind)


def _is_plain(head: bytes) -> bool:
    """True unless the WAV header says that a decoder is needed."""
    try:
        return read_wav_header(io.BytesIO(head).read) is not None
    except RecordingError:
        return True  # a longer header than this: the reader of the stream will tell


def _spooled(stream: _Rewound) -> IO[bytes]:
    """A pipe's bytes in a nameless file on disk: an m4a has its index at the end, and that cannot wait."""
    file = tempfile.TemporaryFile()  # noqa: SIM115  (closed with the recording)
    while piece := stream.read(READ_BYTES):
        file.write(piece)
    file.seek(0)
    stream.close()
    return file


def _from_file(file: IO[bytes], kind: Kind | None) -> Reader:
    unfinished = kind is not None and _unfinished(file, kind)
    file.seek(0)
    reader = _decoder(file, kind)
    if unfinished:
        reader.warnings.append("the file has no proper end: it was cut short, and what there is was used")
    return reader


def _unfinished(file: IO[bytes], kind: Kind) -> bool:
    """True where the format marks its end, the mark is missing, and the decoders would not say so."""
    end = file.seek(0, os.SEEK_END)
    if kind.container == "caf":
        return _chunks_end(file, end) > end
    if kind.container == "aiff":
        file.seek(4)
        return 8 + int.from_bytes(file.read(4), "big") > end + 1  # the last padding byte may be left out
    if kind.container == "ogg":
        file.seek(max(0, end - _OGG_PAGE_BYTES))
        tail = file.read()
        page = tail.rfind(b"OggS")
        return page < 0 or len(tail) < page + 6 or not tail[page + 5] & _OGG_LAST
    return False


def _chunks_end(file: IO[bytes], end: int) -> int:
    """Where a CAF file should end by its chunks: a name of 4 bytes and a size of 8 before each (Apple, CAF 1.0).

    A size of -1 reaches to the end of the file.
    """
    at = 8
    while at + 12 <= end:
        file.seek(at)
        size = int.from_bytes(file.read(12)[4:], "big", signed=True)
        if size < 0:
            return end
        at += 12 + size
    return at


def _decoder(file: IO[bytes], kind: Kind | None) -> Reader:
    if kind is None or not kind.by_soundfile:
        return _by_ffmpeg(file, kind)
    if kind.container == "wav" and not _sizes_hold(file):
        file.seek(0)
        return _plain_wav(file)
    file.seek(0)
    return _by_soundfile(file, kind)


def _sizes_hold(file: IO[bytes]) -> bool:
    """True where the WAV header's size of the samples agrees with the file, or is none of our business."""
    header = read_wav_header(file.read)
    if header is None:
        return True
    if header.data_bytes is None:
        return False
    return chunks_fill(file, header.data_offset + header.data_bytes, file.seek(0, os.SEEK_END))


def _plain_wav(stream: ByteStream) -> Reader:
    """A reader for plain samples, to the end of the stream if the header's size cannot be true."""
    header = read_wav_header(getattr(stream, "read1", stream.read))
    if header is None:
        raise RecordingError("the coding of this WAV stream is unknown", code="not-sound")
    return PcmReader(
        stream, header.subtype, header.sample_rate_hz, header.channels, container="wav", data_bytes=header.data_bytes
    )


def _by_soundfile(file: IO[bytes], kind: Kind) -> Reader:
    import soundfile

    from clackcount.recording.soundfile_reader import SoundfileReader

    try:
        return SoundfileReader(file, kind.container)
    except soundfile.LibsndfileError:
        file.seek(0)
        return _by_ffmpeg(file, kind)


def _by_ffmpeg(file: IO[bytes], kind: Kind | None) -> Reader:
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

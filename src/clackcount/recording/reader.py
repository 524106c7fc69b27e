"""What every decoder in this room gives: raw chunks of channels, with what is known about them.

Conventions: a chunk is an array of shape (channels, n), n >= 1, of uint8, int16, int32, float32 or float64;
integers fill their type (24-bit samples lie in the upper bytes of an int32), floats are 1.0 at full scale.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator
from typing import IO, Any, Protocol

from numpy.typing import NDArray

from clackcount.units import clock

Chunk = NDArray[Any]

TELEPHONE_RATIO = 1 / 16  # mu-law and A-law: 16 levels to an octave of amplitude (ITU-T G.711)
CHUNK_S = 0.25  # decisions fall on chunks of this length; also how far a live stream lags behind
_LONGEST_READ_S, _LARGEST_READ = 5.0, 1 << 19  # seconds; values over all channels
_SHORT_SHARE, _SHORT_S = 0.01, 0.5  # a header that promises so much more is off by more than a frame of its codec


class ByteStream(Protocol):
    """Where bytes come from: an open file, a pipe. read gives b"" only at the end."""

    def read(self, size: int, /) -> bytes:
        """Up to size bytes."""

    def close(self) -> None:
        """Let go of it."""


class Forgiving:
    """A file for the decoders. Damaged files make them seek before the start, and both would print the exception."""

    def __init__(self, file: IO[bytes]) -> None:
        self.read = file.read
        self.tell = file.tell
        self._seek = file.seek

    def seek(self, offset: int, whence: int = 0) -> int:
        """The new position, or -1 where there is none."""
        try:
            return self._seek(offset, whence)
        except (OSError, ValueError):
            return -1


class Reader(ABC):
    """One opened source.

    sample_step: the step between neighbouring sample values, re full scale (0 for floats).
    sample_ratio: the same re the value itself, at most, in the telephone codings (0 elsewhere).
    lossy: decoded from a lossy codec, whose overshoot may pass full scale where the sound was clipped.
    live: sound that is still being made, so nothing may wait for a full buffer.
    n_frames_hint: length that the header claims, in samples per channel, None if it claims nothing.
    warnings: plain sentences; complete once chunks() has ended.
    """

    def __init__(self, *, container: str, codec: str, sample_rate_hz: int, channels: int) -> None:
        self.container = container
        self.codec = codec
        self.sample_rate_hz = sample_rate_hz
        self.channels = channels
        self.n_frames_hint: int | None = None
        self.sample_step = 0.0
        self.sample_ratio = 0.0
        self.lossy = False
        self.live = False
        self.warnings: list[str] = []

    @abstractmethod
    def chunks(self) -> Iterator[Chunk]:
        """The sound, in order. Damage part-way ends it with a warning, not with an error."""

    @abstractmethod
    def close(self) -> None:
        """Let go of the source."""

    def warn_if_short(self, n_read: int) -> None:
        """Warn where the sound ended, after so many samples per channel, clearly before the header said."""
        have_s, claimed_s = n_read / self.sample_rate_hz, (self.n_frames_hint or 0) / self.sample_rate_hz
        if have_s < claimed_s - max(_SHORT_S, _SHORT_SHARE * claimed_s):
            self.warnings.append(cut_short(have_s, claimed_s))


def chunk_samples(sample_rate_hz: int) -> int:
    """Length of a decision chunk."""
    return max(1, round(CHUNK_S * sample_rate_hz))


def read_samples(sample_rate_hz: int, channels: int) -> int:
    """How much to read at once: whole chunks, few calls, little memory at any rate and number of channels."""
    chunk = chunk_samples(sample_rate_hz)
    return max(1, min(int(_LONGEST_READ_S / CHUNK_S), _LARGEST_READ // (channels * chunk))) * chunk


def cut_short(have_s: float, claimed_s: float) -> str:
    """The warning for a file that ends before its header says."""
    return f"the file ends at {clock(have_s)}, though its header promises {clock(claimed_s)}: it was cut short"


def damaged(time_s: float) -> str:
    """The warning for sound that cannot be decoded from some moment on."""
    return f"the file is damaged at {clock(time_s)}: what could be read was used"

"""Pieces of a recording, read a second time, and pieces made small enough to be carried inside a page."""

from __future__ import annotations

import io
import math
import os
from collections.abc import Sequence

import av
import numpy as np
import soundfile
from numpy.typing import NDArray

from clackcount.errors import FailedError
from clackcount.model import Clip, Excerpt
from clackcount.recording.opening import open_recording

Span = tuple[float, float]

READ_THROUGH_S = 900.0  # up to here reading on is quicker than it is worth to seek, and exact for any codec

# AAC in an m4a: every browser plays it, it seeks to the frame, and an edit list takes off the encoder's lead.
PLAY_RATE_HZ = 24_000  # up to 12 kHz: all that a phone keeps of a slam
PLAY_BITS_PER_S = 48_000
_MEDIA_TYPE = "audio/mp4"
_FRAME = 1024  # samples in an AAC frame
_PEAK_DB = -3.0
_MOST_GAIN_DB = 24.0
_LOUD_SHARE = 0.9995  # one bump of the phone must not keep the pump faint


def read_excerpts(path: str | os.PathLike[str], spans: Sequence[Span], duration_s: float) -> list[Excerpt]:
    """The sound of each span [start_s, end_s), in order, as mono at the recording's own rate.

    spans: in order of time, not overlapping. duration_s: length of the whole recording. Short recordings are read
    as they were listened to, to the sample; in long ones the decoder seeks, which may be some ms off.

    Raises RecordingError as ``open_recording`` does.
    """
    if not spans:
        return []
    if duration_s > READ_THROUGH_S:
        for seeker in (_by_soundfile, _by_ffmpeg):
            try:
                return [seeker(os.fspath(path), span) for span in spans]
            except (soundfile.LibsndfileError, av.FFmpegError, _NotThereError):
                continue
    return _in_passing(path, spans)


class _NotThereError(Exception):
    """Seeking led somewhere else."""


def _in_passing(path: str | os.PathLike[str], spans: Sequence[Span]) -> list[Excerpt]:
    """The spans, collected while the recording is read from its start to the end of the last one."""
    with open_recording(path) as recording:
        rate = recording.sample_rate_hz
        bounds = [(round(start_s * rate), round(end_s * rate)) for start_s, end_s in spans]
        parts: list[list[NDArray[np.float32]]] = [[] for _ in spans]
        at = 0
        for block in recording.blocks():
            for (first, last), part in zip(bounds, parts, strict=True):
                if first < at + len(block) and at < last:
                    part.append(block[max(first - at, 0) : last - at].copy())
            at += len(block)
            if at >= bounds[-1][1]:
                break
    return [
        Excerpt(first / rate, rate, np.concatenate(part) if part else np.empty(0, np.float32))
        for (first, _), part in zip(bounds, parts, strict=True)
    ]


def _by_soundfile(path: str, span: Span) -> Excerpt:
    with soundfile.SoundFile(path) as file:
        rate = file.samplerate
        first = min(round(span[0] * rate), file.frames)
        file.seek(first)
        channels = file.read(round((span[1] - span[0]) * rate), dtype="float32", always_2d=True)
        return Excerpt(first / rate, rate, channels.mean(axis=1))


def _by_ffmpeg(path: str, span: Span) -> Excerpt:
    """Seeks a little before the span and reads on to it by the time stamps."""
    with av.open(path) as container:
        track = container.streams.audio[0]
        zero_s = float((track.start_time or 0) * (track.time_base or 0))
        container.seek(round((span[0] + zero_s) * av.time_base), backward=True)
        rate, parts, start_s = track.codec_context.sample_rate, [], None
        resampler = av.AudioResampler(format="flt", layout="mono", rate=rate)
        for frame in container.decode(track):
            if frame.time is None:
                raise _NotThereError
            frame_s = frame.time - zero_s
            if frame_s >= span[1]:
                break
            if frame_s + frame.samples / rate <= span[0]:
                continue
            if start_s is None:
                if frame_s > span[0] + 1.0:
                    raise _NotThereError
                start_s = frame_s
            parts += [out.to_ndarray()[0] for out in resampler.resample(frame)]
    if start_s is None:
        raise _NotThereError
    return Excerpt(start_s, rate, np.concatenate(parts))


def encode(excerpt: Excerpt) -> Clip:
    """The excerpt as mono AAC in an m4a, about 6 kB a second, made as loud as a phone's speaker needs.

    Raises FailedError where this build of PyAV has no such encoder, or there is no sound in the excerpt.
    """
    if not len(excerpt.samples):
        raise FailedError(f"no sound could be read at {excerpt.start_s:.0f} s", code="no-samples")
    gain_db = _gain_db(excerpt.samples)
    samples = np.clip(excerpt.samples * np.float32(10 ** (gain_db / 20)), -1, 1).astype(np.float32)
    file = io.BytesIO()
    try:
        with av.open(file, "w", format="mp4") as container:
            stream = container.add_stream("aac", rate=PLAY_RATE_HZ, layout="mono")
            stream.bit_rate = PLAY_BITS_PER_S
            stream.options = {"aac_coder": "fast"}  # half the time, and a slam sounds the same
            resampler = av.AudioResampler(format="fltp", layout="mono", rate=PLAY_RATE_HZ, frame_size=_FRAME)
            for at in range(0, len(samples), excerpt.sample_rate_hz):
                frame = av.AudioFrame.from_ndarray(samples[None, at : at + excerpt.sample_rate_hz], "fltp", "mono")
                frame.sample_rate, frame.pts = excerpt.sample_rate_hz, at
                for out in resampler.resample(frame):
                    container.mux(stream.encode(out))
            for out in resampler.resample(None):
                container.mux(stream.encode(out))
            container.mux(stream.encode(None))
    except (av.FFmpegError, ValueError) as err:
        raise FailedError(f"the sound cannot be made small for the page: {err}", code="encoder") from err
    return Clip(excerpt.start_s, excerpt.end_s, _MEDIA_TYPE, file.getvalue(), gain_db)


def _gain_db(samples: NDArray[np.float32]) -> float:
    """How much louder the samples may be made: whole dB, never quieter."""
    size = np.abs(samples[:: max(1, len(samples) // 2_000_000)])
    place = min(len(size) - 1, int(_LOUD_SHARE * len(size)))
    loud = float(np.partition(size, place)[place])
    return float(min(_MOST_GAIN_DB, max(0, math.floor(_PEAK_DB - 20 * math.log10(max(loud, 1e-9))))))

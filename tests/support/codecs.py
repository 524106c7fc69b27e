"""A round trip through the codecs phones use, for tests and benchmarks (PyAV does the work).

Kept apart from the package's own reading of files on purpose: a fault there must not hide itself here. Time is taken
from the container (edit lists and priming as PyAV's demuxers report them), and what is left over, a codec's own
filter delay, is measured by cross-correlation and taken out.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from math import gcd

import av
import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve, resample_poly

Samples = NDArray[np.float32]


@dataclass(frozen=True)
class Way:
    encoder: str
    container: str
    rate_hz: int | None = None  # the only rate the codec has


WAYS = {
    "aac": Way("aac", "mp4"),
    "opus": Way("libopus", "ogg", 48000),
    "mp3": Way("libmp3lame", "mp3"),
    "amr_nb": Way("libopencore_amrnb", "3gp", 8000),
}
LONGEST_SHIFT_S = 0.1


def encode(samples: Samples, sample_rate_hz: int, codec: str, bit_rate: int) -> bytes:
    """A whole file: float samples (n,) or (n, 2) in the container that usually goes with the codec."""
    way = WAYS[codec]
    rate = way.rate_hz or sample_rate_hz
    planes = np.atleast_2d(resampled(samples, sample_rate_hz, rate).T)
    layout = "mono" if len(planes) == 1 else "stereo"
    sink = io.BytesIO()
    with av.open(sink, "w", format=way.container) as file:
        stream = file.add_stream(way.encoder, rate=rate, layout=layout)
        stream.bit_rate = bit_rate
        fifo, size = av.AudioFifo(), stream.codec_context.frame_size or 1024
        resampler = av.AudioResampler(stream.codec_context.format, layout, rate)
        whole = av.AudioFrame.from_ndarray(np.ascontiguousarray(planes, np.float32), "fltp", layout)
        whole.sample_rate, whole.pts = rate, 0
        for frame in resampler.resample(whole):
            fifo.write(frame)
        while (frame := fifo.read(size) or fifo.read(size, partial=True)) is not None:
            file.mux(stream.encode(frame))
        file.mux(stream.encode(None))
    return sink.getvalue()


def decode(data: bytes) -> tuple[Samples, int]:
    """(mono samples from time 0 of the container on, sample rate): frames are laid where their time stamps say."""
    pieces: list[tuple[int, NDArray[np.float32]]] = []
    with av.open(io.BytesIO(data)) as file:
        stream = file.streams.audio[0]
        rate = stream.codec_context.sample_rate
        resampler = av.AudioResampler("fltp")
        after = 0
        for frame in file.decode(stream):
            at = after if frame.pts is None else round(float(frame.pts * frame.time_base) * rate)
            for piece in resampler.resample(frame):
                sound = piece.to_ndarray().mean(axis=0)
                pieces.append((at, sound))
                after = at + len(sound)
    n = max(at + len(sound) for at, sound in pieces)
    whole = np.zeros(max(n, 0), np.float32)
    for at, sound in pieces:
        skip = max(-at, 0)
        whole[at + skip : at + len(sound)] = sound[skip:]
    return whole, rate


def encode_decode(samples: Samples, sample_rate_hz: int, codec: str, bit_rate: int) -> Samples:
    """The samples after "aac", "opus", "mp3" or "amr_nb", mono, same rate, length and time as before."""
    decoded, rate = decode(encode(samples, sample_rate_hz, codec, bit_rate))
    back = resampled(decoded, rate, sample_rate_hz)
    before = samples.mean(axis=1) if samples.ndim == 2 else samples
    late = lag_samples(before, back, int(LONGEST_SHIFT_S * sample_rate_hz))
    back = np.concatenate([np.zeros(max(-late, 0), np.float32), back[max(late, 0) :]])
    return np.pad(back, (0, max(len(before) - len(back), 0)))[: len(before)].astype(np.float32)


def lag_samples(before: Samples, after: Samples, most: int) -> int:
    """How many samples `after` comes later than `before`, by cross-correlation, within +-most."""
    n = min(len(before), len(after), 1 << 20)
    both = fftconvolve(after[:n], before[:n][::-1])
    middle = n - 1
    lo = max(middle - most, 0)
    return int(np.argmax(both[lo : middle + most + 1])) + lo - middle


def resampled(samples: Samples, from_hz: int, to_hz: int) -> Samples:
    if from_hz == to_hz:
        return np.asarray(samples, np.float32)
    common = gcd(from_hz, to_hz)
    return np.asarray(resample_poly(samples, to_hz // common, from_hz // common, axis=0), np.float32)

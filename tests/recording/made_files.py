"""Files for the tests of the recording room: known knocks, written through soundfile and PyAV."""

from __future__ import annotations

import struct
from collections.abc import Collection, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from clackcount.recording import open_recording

Samples = NDArray[np.float32]
KNOCKS_S = (0.31, 1.1, 2.05, 3.2, 4.04, 5.5)


def knocks(sample_rate_hz: int, duration_s: float = 6.0) -> Samples:
    """Short decaying knocks at KNOCKS_S in faint noise, peak 0.5."""
    rng = np.random.default_rng(4)
    sound = rng.normal(0, 1e-3, round(duration_s * sample_rate_hz))
    t = np.arange(round(0.04 * sample_rate_hz)) / sample_rate_hz
    for at_s in KNOCKS_S:
        start = round(at_s * sample_rate_hz)
        knock = 0.5 * np.exp(-t / 0.007) * np.sin(2 * np.pi * 900 * t)
        sound[start : start + len(knock)] += knock[: max(0, len(sound) - start)]
    return sound.astype(np.float32)


def encode(
    path: Path,
    sound: Samples,
    sample_rate_hz: int,
    codec: str,
    container: str,
    *,
    picture: bool = False,
    start_s: float = 0.0,
    lost_packets: Collection[int] = (),
    options: dict[str, str] | None = None,
    bit_rate: int | None = 64_000,
    layout: str = "mono",
    n_tracks: int = 1,
) -> Path:
    """The sound in a file of the given coding; skips the test where this ffmpeg cannot encode that.

    picture: with a video track beside it. start_s: the sound begins so much after the picture.
    layout: the channels, all alike. n_tracks: sound tracks, all alike.
    lost_packets: numbers of packets (from 1) left out.
    """
    try:
        av.codec.Codec(codec, "w")
    except av.codec.codec.UnknownCodecError:
        pytest.skip(f"this build of ffmpeg has no {codec} encoder")
    rate = 48_000 if codec == "libopus" else sample_rate_hz
    with av.open(str(path), "w", format=container, options=options or {}) as out:
        film = _film(out) if picture else None
        tracks = [out.add_stream(codec, rate=rate) for _ in range(n_tracks)]
        for track in tracks:
            track.codec_context.layout = layout
            if bit_rate:
                track.codec_context.bit_rate = bit_rate
        if film:
            _picture(out, film, len(sound) / sample_rate_hz)
        for track in tracks:
            number = 0
            for part in _frames(sound, sample_rate_hz, start_s, track.codec_context, rate):
                for packet in track.encode(part):
                    number += 1
                    if number not in lost_packets:
                        out.mux(packet)
    return path


def _frames(sound: Samples, sample_rate_hz: int, start_s: float, wanted: Any, rate: int) -> list[Any]:
    """The frames for the encoder, and None to flush it."""
    whole = np.clip(np.round(sound * 32767), -32768, 32767).astype(np.int16)
    channels = wanted.layout.nb_channels
    frame = av.AudioFrame.from_ndarray(
        np.repeat(whole, channels).reshape(1, -1), format="s16", layout=wanted.layout.name
    )
    frame.sample_rate = sample_rate_hz
    frame.time_base = Fraction(1, sample_rate_hz)
    frame.pts = round(start_s * sample_rate_hz)
    resampler = av.AudioResampler(format=wanted.format, layout=wanted.layout.name, rate=rate)
    return [*resampler.resample(frame), *resampler.resample(None), None]


def _film(out: Any) -> Any:
    track = out.add_stream("mpeg4", rate=10)
    track.width, track.height, track.pix_fmt = 64, 48, "yuv420p"
    return track


def _picture(out: Any, track: Any, duration_s: float) -> None:
    for number in range(round(duration_s * 10)):
        frame = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
        frame.pts, frame.time_base = number, Fraction(1, 10)
        out.mux(track.encode(frame))
    out.mux(track.encode(None))


def silent_video(path: Path) -> Path:
    """A video without a sound track."""
    with av.open(str(path), "w", format="mp4") as out:
        _picture(out, _film(out), 1.0)
    return path


def wav_header(
    sample_rate_hz: int, channels: int, bits: int, data_bytes: int, *, tag: int = 1, riff_bytes: int | None = None
) -> bytes:
    """The 44 bytes before the samples, with whatever sizes are wanted."""
    frame_bytes = channels * bits // 8
    riff = 36 + data_bytes if riff_bytes is None else riff_bytes
    return (
        b"RIFF"
        + struct.pack("<I", riff & 0xFFFFFFFF)
        + b"WAVEfmt "
        + struct.pack("<IHHIIHH", 16, tag, channels, sample_rate_hz, sample_rate_hz * frame_bytes, frame_bytes, bits)
        + b"data"
        + struct.pack("<I", data_bytes & 0xFFFFFFFF)
    )


def rf64_header(sample_rate_hz: int, data_bytes: int) -> bytes:
    """The header of a mono 16-bit RF64 file (EBU Tech 3306: sizes of 2^32 - 1, and a ds64 chunk first)."""
    plain = wav_header(sample_rate_hz, 1, 16, 0xFFFFFFFF, riff_bytes=0xFFFFFFFF)
    ds64 = b"ds64" + struct.pack("<IQQQI", 28, 72 + data_bytes, data_bytes, data_bytes // 2, 0)
    return b"RF64" + plain[4:12] + ds64 + plain[12:]


def heard(source: Any) -> tuple[Samples, int]:
    """All samples of a recording, and its rate."""
    with open_recording(source) as recording:
        return np.concatenate(list(recording.blocks())), recording.sample_rate_hz


def shifts_ms(sound: Samples, sample_rate_hz: int, at_s: Sequence[float] = KNOCKS_S) -> NDArray[np.float64]:
    """How late each knock comes, by cross-correlation with the pure knock within 60 ms either way."""
    t = np.arange(round(0.04 * sample_rate_hz)) / sample_rate_hz
    knock = np.exp(-t / 0.007) * np.sin(2 * np.pi * 900 * t)
    reach = round(0.06 * sample_rate_hz)
    shifts = []
    for time_s in at_s:
        start = round(time_s * sample_rate_hz)
        piece = sound[start - reach : start + reach + len(knock)].astype(np.float64)
        shifts.append(1000 * (np.argmax(np.correlate(piece, knock)) - reach) / sample_rate_hz)
    return np.array(shifts)

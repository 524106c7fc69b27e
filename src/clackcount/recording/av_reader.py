"""What phones really make (m4a, 3gp, AMR, video with sound, webm), MP3 and FLAC, through PyAV (ffmpeg).

Time zero is the first sample of sound that a player would play. Edit lists, Opus pre-skip and the encoder delay
noted in MP3 and Matroska headers are taken off by ffmpeg; what no header tells is taken off here, as far as it
is certain:

- AAC: one frame. "Encoders add at least 1024 samples of silence before the first 'true' audio sample" (Apple,
  QuickTime File Format, Appendix G), theirs 2112; what was cut out of a longer file has none. So all times may be off
  by about a frame, late or early.
- HE-AAC: what its decoder adds besides, 962 samples, which the writers of m4a leave out; two frames where nothing is
  told, as the FDK encoder has them (measured).
- MP3: 1105 samples, 576 of the encoder that most programs use and 528 + 1 of every decoder (LAME Technical FAQ).
- AMR: the encoder's look-ahead of 5 ms (3GPP TS 26.090 and 26.190, from memory); in the wide-band kind also the
  0.94 ms of its change of sample rate.
"""

from __future__ import annotations

import re
from collections.abc import Generator, Iterator
from typing import IO, Any

import av
import numpy as np

from clackcount.errors import RecordingError
from clackcount.recording.placing import Placer
from clackcount.recording.reader import TELEPHONE_RATIO, Chunk, Forgiving, Reader, damaged
from clackcount.recording.sniff import WILL_DO, Kind
from clackcount.units import clock

_CODEC = {
    "aac_latm": "aac",
    "mp3float": "mp3",
    "amrnb": "amr_nb",
    "amrwb": "amr_wb",
    "libopus": "opus",
    "libvorbis": "vorbis",
}
_LOSSLESS = ("flac", "alac", "wavpack", "tta", "ape")
_DTYPE = {"u8": np.uint8, "s16": np.int16, "s32": np.int32, "flt": np.float32, "dbl": np.float64}
_MOST_PLANES = 8
_MP3_LEAD = 1105
_AAC_LEAD_OFF = 1.1  # frames
# What HE-AAC's band replication delays in the decoder, in samples; writers of m4a do not count it, as its first
# writer did not, though the FDK encoder does unless it is told otherwise (its documentation, from memory).
_SBR_LEAD = 962
_LEAD_NOTE = re.compile(r"\s*[0-9a-fA-F]+\s+([0-9a-fA-F]{1,8})\s")  # anybody may write anything there
_HE_PROFILES = ("HE-AAC", "HE-AACv2")
_HE_LEAD_FRAMES = 2  # of the FDK encoder, which phones have; one more where it codes two channels as one
_AMR_LEAD_S = {"amr_nb": 0.005, "amr_wb": 0.0059375}
# These know no lead-in at all, while their estimate of the length comes from the bit rate.
_BARE = ("aac", "amr", "mpegts", "mp3")

_NO_STAMPS = ("caf", "wav", "aiff", "au", "w64")

_GROUP_S = 2.0  # frames of 20 ms are handed on in groups, or the work per array would cost more than the sound
_LATE_SOUND_S = 0.05


class AvReader(Reader):
    """The sound of one container, from a binary file that need not be seekable.

    The first frame is decoded on opening: some streams tell their true sample rate only there.
    Raises RecordingError with code "not-sound", "cut-off", "no-sound-track" or "no-samples".
    """

    def __init__(self, file: IO[bytes], kind: Kind | None) -> None:
        self._file = file
        self._container = _open(file, kind)
        try:
            self._track = _sound_track(self._container)
            self._n_errors = 0
            self._decoded = self._decode()
            first = next(self._decoded, None)
            if first is None:
                raise _nothing(kind, self._n_errors)
            self._first: Any = first
        except BaseException:
            self._container.close()
            raise
        name = self._track.codec_context.name
        codec = _CODEC.get(name, name.removesuffix("le").removesuffix("be") if name.startswith("pcm_") else name)
        super().__init__(
            container=_container_name(self._container, kind),
            codec=codec,
            sample_rate_hz=self._first.sample_rate,
            channels=len(_samples(self._first)),
        )
        self.lossy = codec not in _LOSSLESS and not codec.startswith("pcm_")
        self.sample_step = {"s16": 2.0**-15, "u8": 2.0**-7}.get(self._first.format.name.rstrip("p"), 0.0)
        self.sample_ratio = TELEPHONE_RATIO if codec in ("pcm_mulaw", "pcm_alaw") else 0.0
        self._trimmed = self._is_trimmed()
        self._is_he_aac = codec == "aac" and self._track.codec_context.profile in _HE_PROFILES
        self.n_frames_hint = self._claimed_frames()
        self._resamplers: dict[tuple[str, str, int], Any] = {}

    def chunks(self) -> Iterator[Chunk]:
        self._warn_of_start()
        group: list[Chunk] = []
        n_group = n_out = 0
        skip = self._lead_samples()
        placer = Placer(self.sample_rate_hz)
        for chunk in placer.place(self._frames()):
            chunk, skip = chunk[:, skip:], max(0, skip - chunk.shape[1])
            n_group += chunk.shape[1]
            group.append(chunk)
            if n_group >= _GROUP_S * self.sample_rate_hz:
                yield np.concatenate(group, axis=1)
                n_out, n_group, group = n_out + n_group, 0, []
        if n_group:
            yield np.concatenate(group, axis=1)
        self._warn_at_end(n_out + n_group, placer)

    def close(self) -> None:
        self._decoded.close()
        self._container.close()
        self._file.close()

    def _decode(self) -> Generator[Any]:
        """Frames of the track; damaged packets are skipped and counted, a damaged container ends it."""
        self._first_packet_pts: int | None = None
        self._n_decoded, self._damaged_s = 0, None
        packets = self._container.demux(self._track)
        n_packets = 0
        while True:
            packet = None
            try:
                packet = next(packets, None)
                if packet is None:
                    return
                if not n_packets:
                    self._first_packet_pts = packet.pts
                n_packets += 1
                frames = packet.decode()
            except (av.FFmpegError, IndexError) as err:  # IndexError: a stream that PyAV does not know turns up
                if isinstance(err, EOFError):
                    return
                if packet is not None and _left_out(self._track.codec_context.name, packet):
                    continue
                self._n_errors += 1
                if self._damaged_s is None and self._n_decoded:
                    self._damaged_s = self._n_decoded / (self._track.codec_context.sample_rate or 1)
                if n_packets == 0 or self._n_errors > 100_000:
                    return
                continue
            for frame in frames:
                self._n_decoded += frame.samples
                yield frame

    def _frames(self) -> Iterator[tuple[float | None, Chunk]]:
        """(time stamp in samples, samples) of each frame, all at the first frame's rate and channels."""
        # Plain samples in a plain file carry no stamps; those that ffmpeg computes are wrong where the header is.
        bare = self.codec.startswith("pcm_") and self.container in _NO_STAMPS
        frame = self._first
        while frame is not None:
            at = None if frame.pts is None or bare else float(frame.pts * frame.time_base) * self.sample_rate_hz
            chunk = _samples(frame)
            if frame.sample_rate != self.sample_rate_hz or len(chunk) != self.channels:
                chunk = self._fitted(frame)
            if chunk.shape[1]:
                yield at, chunk
            frame = next(self._decoded, None)

    def _fitted(self, frame: Any) -> Chunk:
        """A frame whose rate or channels differ from the first one's, made to fit."""
        if not self._resamplers:
            self.warnings.append("the sample rate or the channels change within the file")
        form = (frame.format.name, frame.layout.name, frame.sample_rate)
        if form not in self._resamplers:
            self._resamplers[form] = av.AudioResampler(
                format=self._first.format, layout=self._first.layout, rate=self.sample_rate_hz
            )
        frame.pts = None
        parts = [_samples(part) for part in self._resamplers[form].resample(frame)]
        return np.concatenate(parts, axis=1) if parts else np.zeros((self.channels, 0), np.float32)

    def _is_trimmed(self) -> bool:
        """True where ffmpeg knew the encoder's lead-in and took it off."""
        packet_pts, frame_pts = self._first_packet_pts, self._first.pts
        return packet_pts is not None and (packet_pts < 0 or (frame_pts is not None and frame_pts > packet_pts))

    def _lead_samples(self) -> int:
        """Samples of the encoder's lead-in that ffmpeg has left in."""
        if self._trimmed:
            return _SBR_LEAD + self._half_noted_samples() if self._is_he_aac else 0
        if self.codec == "aac":
            n = int(self._first.samples)
            return _HE_LEAD_FRAMES * n + _SBR_LEAD if self._is_he_aac else n
        if self.codec == "mp3":
            return _MP3_LEAD
        return round(_AMR_LEAD_S.get(self.codec, 0.0) * self.sample_rate_hz)

    def _half_noted_samples(self) -> int:
        """Of a lead-in noted in ticks of the track, which ffmpeg takes for samples: what it has left in of it."""
        noted = _LEAD_NOTE.match(self._container.metadata.get("iTunSMPB", ""))
        lead = int(noted[1], 16) if noted else 0
        if lead > self.sample_rate_hz:
            return 0
        return max(0, round(lead * float(self._track.time_base) * self.sample_rate_hz) - lead)

    def _claimed_frames(self) -> int | None:
        if self._track.duration:
            claimed_s = float(self._track.duration * self._track.time_base)
        elif self._container.duration:
            claimed_s = self._container.duration / 1e6
        else:
            return None
        return round(claimed_s * self.sample_rate_hz)

    def _warn_of_start(self) -> None:
        if (n_tracks := len(_readable_tracks(self._container))) > 1:
            self.warnings.append(f"the file has {n_tracks} sound tracks: the first was used")
        if self._is_he_aac and self._trimmed:
            self.warnings.append(
                "this aac sound is of the kind whose writers count its lead-in in two ways: "
                f"all times may be off by the same {_SBR_LEAD / self.sample_rate_hz:.2f} s"
            )
        elif self.codec == "aac" and not self._trimmed:
            off_s = _AAC_LEAD_OFF * self._first.samples / self.sample_rate_hz
            self.warnings.append(
                "this aac sound does not say how long its encoder's lead-in is: "
                f"all times may be off by the same {off_s:.2f} s or less"
            )
        # Some containers begin to count anywhere, a second or more after zero.
        pictures_s = [
            float(film.start_time * film.time_base) for film in self._container.streams.video if film.start_time
        ]
        start_s = float((self._first.pts or 0) * self._first.time_base) - min(pictures_s, default=0.0)
        if self._container.streams.video and start_s > _LATE_SOUND_S:
            self.warnings.append(
                f"the sound begins {start_s:.2f} s after the picture: times count from the start of the sound"
            )

    def _warn_at_end(self, n_out: int, placer: Placer) -> None:
        if placer.n_gaps:
            times = "once" if placer.n_gaps == 1 else f"{placer.n_gaps} times"
            self.warnings.append(
                f"the sound breaks off {times}, for {placer.gap_s:.2f} s in all, first at "
                f"{clock(placer.first_gap_s)}: filled with silence so that later times stay right"
            )
        if self._damaged_s is not None:
            self.warnings.append(damaged(self._damaged_s))
        if self.container not in _BARE or (self.container == "mp3" and self._trimmed):
            self.warn_if_short(n_out)


def _open(file: IO[bytes], kind: Kind | None) -> Any:
    # Only what comes through file: some text formats make ffmpeg open other files or addresses.
    options = {"protocol_whitelist": "pipe"}
    try:
        return av.open(Forgiving(file), mode="r", format=(kind.demuxer or None) if kind else None, options=options)
    except (av.FFmpegError, ValueError, OSError) as err:
        if kind is not None and kind.demuxer == "mp4":
            raise RecordingError(
                "the recording was cut off before it was finished: its index is missing",
                hint="an m4a or mp4 gets its index when the recorder is stopped; the phone's recorder may repair it",
                code="cut-off",
            ) from err
        raise RecordingError(
            "this is not a sound file that can be read",
            hint=WILL_DO,
            code="not-sound",
        ) from err


def _readable_tracks(container: Any) -> list[Any]:
    """Sound tracks that have a decoder. A phone's second track may be a spatial one without."""
    return [stream for stream in container.streams.audio if stream.codec_context is not None]


def _sound_track(container: Any) -> Any:
    if tracks := _readable_tracks(container):
        return tracks[0]
    if container.streams.audio:
        raise RecordingError("the sound is in a coding that cannot be read", code="not-sound")
    if container.format.name.endswith("_pipe") or container.format.name == "image2":
        raise RecordingError("this is a picture, not sound", hint=WILL_DO, code="not-sound")
    what = "a video without sound" if container.streams.video else "a file without a sound track"
    raise RecordingError(f"this is {what}", hint="was the microphone switched off?", code="no-sound-track")


def _nothing(kind: Kind | None, n_errors: int) -> RecordingError:
    if n_errors or kind is None:
        return RecordingError("not one piece of the sound can be decoded: the file is damaged", code="cut-off")
    return RecordingError(
        "the file holds a header but no sound", hint="was the recording stopped properly?", code="no-samples"
    )


def _left_out(codec: str, packet: Any) -> bool:
    """True for what AMR has in place of a frame that held no voice: comfort noise, or nothing (RFC 4867, 4.3.1)."""
    speech = {"amrnb": 7, "amrwb": 8}.get(codec, 15)  # the last frame type that is sound
    return packet.size > 0 and (bytes(packet)[0] >> 3 & 15) > speech


def _container_name(container: Any, kind: Kind | None) -> str:
    name = kind.container if kind else str(container.format.name).split(",")[0]
    if name == "mp4" and not container.streams.video:
        return "m4a"  # many phones give their sound-only files the general brand
    if name == "mp3" and container.format.name == "aac":
        return "aac"
    return name


def _samples(frame: Any) -> Chunk:
    """The frame's samples, shape (channels, n). Raises RecordingError for what cannot be read (code "channels")."""
    channels, dtype = frame.layout.nb_channels, _DTYPE.get(frame.format.name.removesuffix("p"))
    if dtype is None:
        raise RecordingError("the sound is in a coding that cannot be read", code="not-sound")
    if not frame.format.is_planar:
        return np.frombuffer(frame.planes[0], dtype, frame.samples * channels).reshape(-1, channels).T
    # Not to_ndarray(): from 8 channels on PyAV counts planes that are not there, and reading those kills the process.
    if channels > _MOST_PLANES:
        raise RecordingError(f"{channels} channels are more than {_MOST_PLANES}", code="channels")
    return np.stack([np.frombuffer(plane, dtype, frame.samples) for plane in frame.planes[:channels]])

"""What is read is what is in the file: against soundfile's and ffmpeg's own decoding."""

from __future__ import annotations

import hashlib
import io
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from made_files import encode, heard, knocks, rf64_header, wav_header

from clackcount.recording import Recording, digest, open_recording
from clackcount.recording.reader import Chunk, Reader

WAV_DEPTHS = {
    "PCM_U8": 2.0**-7,
    "PCM_16": 2.0**-15,
    "PCM_24": 2.0**-23,
    "PCM_32": 2.0**-24,
    "FLOAT": 0.0,
    "DOUBLE": 0.0,
}


WRITABLE = [
    (container, subtype)
    for container in ("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "AU")
    for subtype in WAV_DEPTHS
    if subtype in soundfile.available_subtypes(container)
    and (container, subtype) != ("AIFF", "PCM_U8")  # soundfile itself hears the padding byte there
]


@settings(max_examples=150, deadline=None)
@given(
    form=st.sampled_from(WRITABLE),
    sound=arrays(np.float32, st.integers(1, 3000), elements=st.floats(-1, 1, width=32)),
)
def test_samples_come_back(form: tuple[str, str], sound: np.ndarray) -> None:
    container, subtype = form
    file = io.BytesIO()
    soundfile.write(file, sound, 48_000, format=container, subtype=subtype)
    wanted, _ = soundfile.read(io.BytesIO(file.getvalue()), dtype="float32")
    got, rate = heard(io.BytesIO(file.getvalue()))
    assert rate == 48_000
    np.testing.assert_allclose(got, wanted, atol=2.0**-24)
    np.testing.assert_allclose(got, sound, atol=WAV_DEPTHS[subtype] + 1e-7)


@pytest.mark.parametrize("subtype", ["ULAW", "ALAW", "IMA_ADPCM", "MS_ADPCM", "GSM610"])
def test_the_telephone_codings_of_wav_are_read(tmp_path: Path, subtype: str) -> None:
    soundfile.write(tmp_path / "a.wav", knocks(8_000), 8_000, subtype=subtype)
    np.testing.assert_allclose(heard(tmp_path / "a.wav")[0], soundfile.read(tmp_path / "a.wav")[0], atol=1e-6)


@pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("channels", [1, 2, 3, 8])
def test_rates_and_channels(tmp_path: Path, rate: int, channels: int) -> None:
    sound = np.random.default_rng(rate + channels).normal(0, 0.1, (rate, channels))
    soundfile.write(tmp_path / "a.flac", sound, rate)
    whole, _ = soundfile.read(tmp_path / "a.flac", always_2d=True)
    got, got_rate = heard(tmp_path / "a.flac")
    assert got_rate == rate
    np.testing.assert_allclose(got, whole.mean(axis=1), atol=1e-6)


def test_flac_and_mp3_and_opus_agree_with_another_decoder(tmp_path: Path) -> None:
    """libsndfile (with libmpg123 and libopus) decodes what ffmpeg decodes here."""
    sound = knocks(48_000)
    for name, codec, container, atol in (
        ("a.flac", "flac", "flac", 1e-7),
        ("a.mp3", "libmp3lame", "mp3", 1e-4),
        ("a.ogg", "libopus", "ogg", 1e-2),
    ):
        path = encode(tmp_path / name, sound, 48_000, codec, container, bit_rate=None)
        wanted, _ = soundfile.read(path)
        got, _ = heard(path)
        assert len(got) == len(wanted)
        np.testing.assert_allclose(got, wanted, atol=atol, err_msg=name)


def test_m4a_gives_what_ffmpeg_decodes(tmp_path: Path) -> None:
    path = encode(tmp_path / "a.m4a", knocks(44_100), 44_100, "aac", "ipod")
    with av.open(str(path)) as container:
        wanted = np.concatenate([frame.to_ndarray()[0] for frame in container.decode(audio=0)])
    np.testing.assert_array_equal(heard(path)[0], wanted)


def test_alac_is_exact(tmp_path: Path) -> None:
    sound = knocks(44_100)
    path = encode(tmp_path / "a.m4a", sound, 44_100, "alac", "ipod", bit_rate=None)
    np.testing.assert_allclose(heard(path)[0], np.round(sound * 32767) / 32768, atol=1e-7)


def test_content_decides_not_the_ending(tmp_path: Path) -> None:
    m4a = encode(tmp_path / "really-m4a.wav", knocks(16_000), 16_000, "aac", "ipod")
    wav = tmp_path / "really-wav.m4a"
    soundfile.write(wav, knocks(16_000), 16_000, format="WAV")
    tagged = tmp_path / "tagged.flac"
    tagged.write_bytes(encode(tmp_path / "b.mp3", knocks(16_000), 16_000, "libmp3lame", "mp3").read_bytes())
    for path, container in ((m4a, "m4a"), (wav, "wav"), (tagged, "mp3")):
        with open_recording(path) as recording:
            assert recording.info().container == container


def test_what_is_known_about_it(tmp_path: Path) -> None:
    path = encode(tmp_path / "clip.mp4", knocks(48_000), 48_000, "aac", "mp4", picture=True)
    with open_recording(path) as recording:
        assert recording.sample_rate_hz == 48_000
        assert recording.n_frames_hint == 288_000
        assert recording.info().duration_s == pytest.approx(6.0)
        n = sum(len(block) for block in recording.blocks())
        info = recording.info()
    assert (info.path, info.container, info.codec, info.channels) == (str(path), "mp4", "aac", 1)
    assert info.duration_s == n / 48_000 == pytest.approx(6.0, abs=1024 / 48_000)
    assert info.clipped_fraction == 0
    assert info.warnings == ()


def test_digest_is_of_the_content(tmp_path: Path) -> None:
    # FIPS 180-4's example for the three letters "abc" (from memory).
    (tmp_path / "a").write_bytes(b"abc")
    assert digest(tmp_path / "a") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert digest(tmp_path / "a") == hashlib.sha256(b"abc").hexdigest()


class Given(Reader):
    """A reader that hands out given chunks."""

    def __init__(self, chunks: list[Chunk], sample_rate_hz: int = 4_000, sample_step: float = 0.0) -> None:
        super().__init__(container="raw", codec="given", sample_rate_hz=sample_rate_hz, channels=len(chunks[0]))
        self._given = chunks
        self.sample_step = sample_step

    def chunks(self) -> Iterator[Chunk]:
        yield from self._given

    def close(self) -> None:
        pass


def troubled(seed: int, n: int, channels: int) -> np.ndarray:
    """Channels with spells of silence, clipping, reversal and things that are not numbers."""
    rng = np.random.default_rng(seed)
    common = rng.normal(0, 0.1, n)
    sound = np.stack([common + rng.normal(0, 0.02, n) for _ in range(channels)])
    for _ in range(6):
        channel, start = rng.integers(channels), rng.integers(n)
        spell = slice(start, start + rng.integers(1, n // 3))
        kind = rng.integers(4)
        if kind == 0:
            sound[channel, spell] = 0.25
        elif kind == 1:
            sound[channel, spell] = np.clip(8 * sound[channel, spell], -0.9, 0.9)
        elif kind == 2:
            sound[channel, spell] *= -1
        else:
            sound[channel, start] = np.nan
    return sound.astype(np.float32)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    channels=st.integers(1, 3),
    cuts=st.lists(st.integers(1, 19_999), max_size=12, unique=True),
)
def test_how_the_sound_comes_in_changes_nothing(seed: int, channels: int, cuts: list[int]) -> None:
    sound = troubled(seed, 20_000, channels)
    whole = Recording(Given([sound]), "whole")
    pieces = Recording(Given(np.split(sound, sorted(cuts), axis=1)), "whole")
    np.testing.assert_array_equal(np.concatenate(list(whole.blocks())), np.concatenate(list(pieces.blocks())))
    assert whole.info() == pieces.info()


def sparse_rf64(path: Path, n_bytes: int, last_sample: int) -> Path:
    header = rf64_header(192_000, n_bytes)
    with path.open("wb") as file:
        file.write(header)
        file.seek(len(header) + n_bytes - 2)
        file.write(last_sample.to_bytes(2, "little"))
    return path


def test_more_than_4_gib(tmp_path: Path) -> None:
    """EBU Tech 3306: the true size stands in the ds64 chunk."""
    path = sparse_rf64(tmp_path / "night.wav", 5 * 2**30, 1)
    with open_recording(path) as recording:
        assert recording.n_frames_hint == 5 * 2**29
        assert not next(recording.blocks()).any()
        assert recording.info().duration_s == pytest.approx(5 * 2**29 / 192_000)


def test_no_more_is_held_than_a_few_seconds(tmp_path: Path) -> None:
    path = sparse_rf64(tmp_path / "hour.wav", 200_000_000, 16_384)
    tracemalloc.start()
    try:
        with open_recording(path) as recording:
            n_samples, last = 0, 0.0
            for block in recording.blocks():
                n_samples += len(block)
                last = float(block[-1])
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert (n_samples, last) == (100_000_000, 0.5)
    assert peak < 20e6


def test_eight_channels_at_192_khz_take_little_memory_too() -> None:
    file = io.BytesIO(wav_header(192_000, 8, 16, 16 * 192_000 * 10) + bytes(16 * 192_000 * 10))
    tracemalloc.start()
    try:
        with open_recording(file) as recording:
            assert sum(len(block) for block in recording.blocks()) == 1_920_000
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 30e6


def test_a_rate_that_changes_within_the_file_is_made_to_fit(tmp_path: Path) -> None:
    # ADTS states the rate in every frame, so joined files are still one stream.
    parts = [
        encode(tmp_path / f"{rate}.aac", knocks(rate), rate, "aac", "adts").read_bytes() for rate in (48_000, 44_100)
    ]
    (tmp_path / "a.aac").write_bytes(b"".join(parts))
    with open_recording(tmp_path / "a.aac") as recording:
        sound = np.concatenate(list(recording.blocks()))
        info = recording.info()
    assert (info.sample_rate_hz, len(sound) / 48_000) == (48_000, pytest.approx(12.0, abs=0.1))
    assert any("change within the file" in warning for warning in info.warnings)


@pytest.mark.parametrize(("layout", "channels"), [("stereo", 2), ("5.1", 6), ("7.1", 8)])
def test_many_channels_of_aac(tmp_path: Path, layout: str, channels: int) -> None:
    # With 8 planes PyAV's own to_ndarray reads one that is not there.
    sound = knocks(48_000)
    path = encode(tmp_path / "a.m4a", sound, 48_000, "aac", "ipod", layout=layout, bit_rate=64_000 * channels)
    with open_recording(path) as recording:
        got = np.concatenate(list(recording.blocks()))
        assert recording.info().channels == channels
    assert np.corrcoef(got[: len(sound)], sound)[0, 1] > 0.98

"""The time of a knock is the same whatever coding the recording went through."""

from __future__ import annotations

import struct
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile
from made_files import KNOCKS_S, encode, heard, knocks, shifts_ms
from scipy.signal import correlate, lfilter

from clackcount.recording import open_recording
from clackcount.recording.placing import Placer

AGREE_MS = 2.0

# (file, encoder, container, sample rates, options of encode)
COPIES = [
    ("a.m4a", "aac", "ipod", (48_000, 44_100, 16_000, 8_000), {}),
    ("alac.m4a", "alac", "ipod", (48_000, 44_100), {"bit_rate": None}),
    ("video.mp4", "aac", "mp4", (48_000, 44_100), {"picture": True}),
    ("video.mov", "aac", "mov", (48_000, 44_100), {"picture": True}),
    ("plain.mov", "pcm_s16le", "mov", (48_000,), {"picture": True, "bit_rate": None}),
    ("opus.mp4", "libopus", "mp4", (48_000,), {}),
    ("a.3gp", "aac", "3gp", (16_000,), {}),
    ("a.aac", "aac", "adts", (48_000, 44_100, 16_000), {}),
    ("a.ogg", "libopus", "ogg", (48_000, 16_000, 44_100), {}),
    ("a.webm", "libopus", "webm", (48_000, 44_100), {}),
    ("a.mka", "libopus", "matroska", (48_000,), {}),
    ("aac.mkv", "aac", "matroska", (48_000,), {"picture": True}),
    ("a.mp3", "libmp3lame", "mp3", (48_000, 44_100, 16_000, 8_000), {}),
    ("bare.mp3", "libmp3lame", "mp3", (48_000, 16_000), {"options": {"write_xing": "0", "id3v2_version": "0"}}),
    ("mp3.mkv", "libmp3lame", "matroska", (44_100,), {}),
    ("a.ts", "aac", "mpegts", (48_000,), {}),
    ("a.latm", "aac", "latm", (48_000,), {}),
    ("a.flac", "flac", "flac", (48_000,), {"bit_rate": None}),
    ("late.mp4", "aac", "mp4", (48_000, 44_100), {"picture": True, "start_s": 0.5}),
]


@pytest.mark.parametrize(
    ("name", "codec", "container", "rate", "options"),
    [(name, codec, container, rate, options) for name, codec, container, rates, options in COPIES for rate in rates],
)
def test_knocks_keep_their_time(
    tmp_path: Path, name: str, codec: str, container: str, rate: int, options: dict
) -> None:
    sound = knocks(rate)
    soundfile.write(tmp_path / "a.wav", sound, rate)
    in_wav = shifts_ms(*heard(tmp_path / "a.wav"))
    in_copy = shifts_ms(*heard(encode(tmp_path / name, sound, rate, codec, container, **options)))
    np.testing.assert_allclose(in_wav, 0.0, atol=0.1)
    np.testing.assert_allclose(in_copy, in_wav, atol=AGREE_MS)


@pytest.mark.parametrize(
    ("name", "off_ms"),
    [
        ("edit_list.m4a", 0.0),
        ("note.m4a", 0.0),
        ("edit_list_v2.m4a", 0.0),
        ("note_v2.m4a", 0.0),
        ("bare.aac", 0.0),
        ("bare_v2.aac", 42.7),  # a frame more of lead-in, which nothing tells; the warning allows for it
    ],
)
def test_high_efficiency_aac_keeps_the_time_too_and_says_what_is_not_known(name: str, off_ms: float) -> None:
    """Against an outside encoder: the knocks of made_files by the FDK AAC encoder, profiles 5 and 29 at 20 kbit/s.

    Its lead-in is told by an edit list, by a note in the metadata, or not at all.
    """
    path = Path(__file__).parent / "he_aac" / name
    np.testing.assert_allclose(shifts_ms(*heard(path)), off_ms, atol=AGREE_MS)
    with open_recording(path) as recording:
        for _block in recording.blocks():
            pass
        (warning,) = recording.info().warnings
    assert "all times may be off by the same" in warning


@pytest.mark.parametrize("noted", [b"zzzzzzzz", b"ffffffff", b"        "])
def test_a_spoilt_note_of_the_lead_in_costs_no_more_than_the_lead_in(tmp_path: Path, noted: bytes) -> None:
    content = (Path(__file__).parent / "he_aac" / "note.m4a").read_bytes()
    assert content.count(b" 00000000 00000800 ") == 1
    path = tmp_path / "a.m4a"
    path.write_bytes(content.replace(b" 00000000 00000800 ", b" 00000000 " + noted + b" "))
    with open_recording(path) as recording:
        n = sum(len(block) for block in recording.blocks())
        assert n / recording.sample_rate_hz == pytest.approx(6.0, abs=0.15)


@pytest.mark.parametrize("container", ["amr", "3gp"])
@pytest.mark.parametrize("bit_rate", [12_200, 10_200, 7_950, 6_700, 4_750])
def test_sound_keeps_its_time_in_amr(tmp_path: Path, container: str, bit_rate: int) -> None:
    # The codec models a voice: pulses through a resonance come out in their place. A knock out of silence may
    # begin a subframe of 5 ms late at the lower bit rates, which no reader can undo.
    rng = np.random.default_rng(3)
    pulses = np.zeros(40_000)
    pulses[np.cumsum(rng.integers(50, 90, 440))] = 1
    voice = lfilter([1], [1, -1.6, 0.9], pulses + 0.02 * rng.normal(size=40_000)) * np.repeat(
        rng.uniform(0.1, 1, 50), 800
    )
    voice = (0.5 * voice / np.abs(voice).max()).astype(np.float32)
    path = encode(tmp_path / f"a.{container}", voice, 8_000, "libopencore_amrnb", container, bit_rate=bit_rate)
    sound, _ = heard(path)
    match = correlate(sound[:40_000], voice, mode="full")
    late_ms = (int(np.argmax(match)) - (len(voice) - 1)) / 8
    assert abs(late_ms) <= AGREE_MS


@pytest.mark.parametrize("container", ["amr", "3gp"])
def test_knocks_keep_their_time_in_amr_at_the_bit_rate_of_phones(tmp_path: Path, container: str) -> None:
    path = encode(tmp_path / f"a.{container}", knocks(8_000), 8_000, "libopencore_amrnb", container, bit_rate=12_200)
    late_ms = shifts_ms(*heard(path))
    assert abs(np.median(late_ms)) <= AGREE_MS
    assert np.abs(late_ms).max() <= AGREE_MS + 1000 / 900  # a period of the knock's tone: the codec bends the wave


def test_amr_wide_band_frames_keep_their_length(tmp_path: Path) -> None:
    # No encoder is at hand: frames of the storage format are laid out by hand (RFC 4867, section 5: magic line,
    # then a byte with frame type and quality bit before each frame; type 8 is 23.85 kbit/s, 60 bytes, 20 ms).
    path = tmp_path / "a.amr"
    path.write_bytes(b"#!AMR-WB\n" + (bytes([8 << 3 | 4]) + bytes(60)) * 100)
    with open_recording(path) as recording:
        n_samples = sum(len(block) for block in recording.blocks())
        info = recording.info()
    assert (info.sample_rate_hz, info.container, info.codec) == (16_000, "amr", "amr_wb")
    assert 2.0 - n_samples / 16_000 == pytest.approx(0.0059, abs=1e-4)


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
def test_knocks_keep_their_time_in_ogg_by_soundfile(tmp_path: Path, subtype: str) -> None:
    soundfile.write(tmp_path / "a.ogg", knocks(48_000), 48_000, format="OGG", subtype=subtype)
    np.testing.assert_allclose(shifts_ms(*heard(tmp_path / "a.ogg")), 0.0, atol=AGREE_MS)


def test_opus_pre_skip_is_taken_off_as_the_standard_says(tmp_path: Path) -> None:
    # RFC 7845, section 4.2: pre-skip samples are to be discarded from the start, at 48 kHz; section 4.4: the
    # last page's granule position tells the true end. So a second of sound comes back as a second.
    path = encode(tmp_path / "a.ogg", knocks(48_000, 1.0), 48_000, "libopus", "ogg")
    pre_skip = int.from_bytes(path.read_bytes().split(b"OpusHead", 1)[1][2:4], "little")
    assert pre_skip > 0
    assert len(heard(path)[0]) == 48_000


def test_what_an_edit_list_cuts_off_is_not_heard(tmp_path: Path) -> None:
    # A phone that trims a recording leaves the sound and moves the edit (ISO/IEC 14496-12, 8.6.6: segment duration in
    # the movie's time scale, media time in the track's).
    path = encode(tmp_path / "a.m4a", knocks(48_000), 48_000, "aac", "ipod")
    file = bytearray(path.read_bytes())
    per_s = struct.unpack(">I", file[file.index(b"mvhd") + 16 :][:4])[0]
    edit = file.index(b"elst") + 12
    duration, media_time = struct.unpack(">Ii", file[edit : edit + 8])
    struct.pack_into(">Ii", file, edit, duration - 2 * per_s, media_time + 48_000)  # a second off at either end
    path.write_bytes(file)
    sound, _ = heard(path)
    assert len(sound) / 48_000 == pytest.approx(4.0, abs=0.03)
    np.testing.assert_allclose(shifts_ms(sound, 48_000, [at_s - 1 for at_s in KNOCKS_S[1:5]]), 0.0, atol=AGREE_MS)


def test_aac_without_word_of_its_lead_in_says_so(tmp_path: Path) -> None:
    cases = (
        ("a.m4a", "ipod", 48_000, ""),
        ("a.aac", "adts", 48_000, "0.02 s"),
        ("low.aac", "adts", 16_000, "0.07 s"),
    )
    for name, container, rate, off_by in cases:
        with open_recording(encode(tmp_path / name, knocks(rate), rate, "aac", container)) as recording:
            for _ in recording.blocks():
                pass
            told = [warning for warning in recording.info().warnings if "lead-in" in warning]
        assert (f"off by the same {off_by} or less" in told[0]) if off_by else not told


def test_several_sound_tracks_are_told(tmp_path: Path) -> None:
    for n_tracks in (1, 2):
        path = encode(tmp_path / "a.mov", knocks(16_000), 16_000, "aac", "mov", n_tracks=n_tracks)
        with open_recording(path) as recording:
            for _ in recording.blocks():
                pass
            assert sum("2 sound tracks" in warning for warning in recording.info().warnings) == n_tracks - 1


def test_sound_that_begins_after_the_picture_counts_from_its_own_start_and_says_so(tmp_path: Path) -> None:
    path = encode(tmp_path / "a.mp4", knocks(48_000), 48_000, "aac", "mp4", picture=True, start_s=0.5)
    with open_recording(path) as recording:
        sound = np.concatenate(list(recording.blocks()))
        warnings = recording.info().warnings
    np.testing.assert_allclose(shifts_ms(sound, 48_000), 0.0, atol=AGREE_MS)
    assert any("after the picture" in warning for warning in warnings)


def test_a_container_that_counts_from_later_than_zero_has_no_late_sound(tmp_path: Path) -> None:
    later = {"output_ts_offset": "1.4"}
    path = encode(tmp_path / "a.ts", knocks(48_000), 48_000, "aac", "mpegts", picture=True, options=later)
    with av.open(str(path)) as given:
        assert given.start_time > 1_000_000  # in microseconds
    with open_recording(path) as recording:
        for _ in recording.blocks():
            pass
        assert not any("after the picture" in warning for warning in recording.info().warnings)


@pytest.mark.parametrize(
    ("name", "codec", "container"),
    [("a.m4a", "aac", "ipod"), ("a.webm", "libopus", "webm"), ("a.mkv", "aac", "matroska")],
)
def test_lost_packets_do_not_move_what_follows(tmp_path: Path, name: str, codec: str, container: str) -> None:
    path = encode(tmp_path / name, knocks(48_000), 48_000, codec, container, lost_packets=(38, 39, 40, 120))
    with open_recording(path) as recording:
        sound = np.concatenate(list(recording.blocks()))
        warnings = recording.info().warnings
    late_ms = shifts_ms(sound, 48_000)
    np.testing.assert_allclose(np.delete(late_ms, 1 if "webm" not in name else []), 0.0, atol=AGREE_MS)
    assert any("breaks off 2 times" in warning for warning in warnings)


def test_ffmpeg_alone_would_have_moved_them(tmp_path: Path) -> None:
    """The check above can fail: plain decoding closes the gap."""
    path = encode(tmp_path / "a.m4a", knocks(48_000), 48_000, "aac", "ipod", lost_packets=(38, 39, 40, 120))
    with av.open(str(path)) as container:
        sound = np.concatenate([frame.to_ndarray()[0] for frame in container.decode(audio=0)])
    assert abs(shifts_ms(sound, 48_000)[-1]) > 50


def place(stamps: list[float | None], n: int = 100, rate: int = 1000) -> tuple[int, Placer]:
    placer = Placer(rate)
    frames = ((stamp, np.ones((1, n), np.float32)) for stamp in stamps)
    return sum(chunk.shape[1] for chunk in placer.place(frames)), placer


def test_even_stamps_fill_nothing() -> None:
    assert place([100.0 * k for k in range(20)])[0] == 2000


def test_one_late_stamp_is_jitter_and_fills_nothing() -> None:
    stamps = [100.0 * k for k in range(20)]
    stamps[7] += 90
    assert place(stamps)[0] == 2000


def test_a_step_that_stays_is_filled_once() -> None:
    n, placer = place([100.0 * k + (300 if k >= 5 else 0) for k in range(20)])
    assert n == 2300
    assert (placer.n_gaps, placer.gap_s, placer.first_gap_s) == (1, pytest.approx(0.3), pytest.approx(0.5))


def test_slow_drift_of_the_stamps_is_left_alone() -> None:
    # 1 part in 1000, far more than any two quartz clocks differ, over 2000 frames: twice 60 % of a frame and more.
    assert place([100.1 * k for k in range(2000)])[0] == 200_000


def test_stamps_that_jump_back_and_broken_ones_keep_all_samples() -> None:
    assert place([0, 100, 200, 0, 100, 200])[0] == 600
    assert place([0, 100, 1e12, 1e12 + 100, 1e12 + 200])[0] == 500
    assert place([None, None, None])[0] == 300
    _, placer = place([20_000_000.0 * k for k in range(20)])
    assert placer.gap_s <= 24 * 3600

"""Everything that can be wrong with a file: one line, a hint, a stable code; or what is there, with a warning."""

from __future__ import annotations

import io
import itertools
import os
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_files import encode, heard, knocks, shifts_ms, silent_video, wav_header

from clackcount.errors import RecordingError
from clackcount.recording import open_recording


def written(content: bytes) -> Callable[[Path], Path]:
    def make(path: Path) -> Path:
        path.write_bytes(content)
        return path

    return make


def m4a_without_index(path: Path) -> Path:
    content = encode(path, knocks(16_000), 16_000, "aac", "ipod").read_bytes()
    path.write_bytes(content[: len(content) // 2])
    return path


def float_wav(values: np.ndarray) -> Callable[[Path], Path]:
    def make(path: Path) -> Path:
        soundfile.write(path, values, 48_000, format="WAV", subtype="FLOAT")
        return path

    return make


def directory(path: Path) -> Path:
    path.mkdir()
    return path


BAD = [
    ("missing", lambda path: path, "no-file"),
    ("no name at all", lambda _: "", "no-file"),
    ("directory", directory, "directory"),
    ("name with a zero", lambda path: Path(f"{path}\0"), "unreadable"),
    ("empty", written(b""), "empty"),
    ("text", written(b"this is not sound\n" * 20), "not-sound"),
    ("picture", written(b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8), "not-sound"),
    ("text in German", written("Wasserstoß im Widder\n".encode() * 200), "not-sound"),
    (
        "a play list",
        written(b"#EXTM3U\n#EXT-X-TARGETDURATION:10\n#EXTINF:10,\nhttp://127.0.0.1:9/a.ts\n"),
        "not-sound",
    ),
    ("zeros", written(bytes(5000)), "not-sound"),
    ("random bytes", written(np.random.default_rng(1).bytes(5000)), "not-sound"),
    ("a picture", written(b"\x89PNG\r\n\x1a\n" + bytes(300)), None),
    ("half a riff", written(b"RIFF"), None),
    ("riff of nothing", written(b"RIFF\x04\0\0\0WAVE"), "no-samples"),
    ("header without samples", written(wav_header(48_000, 1, 16, 0)), "no-samples"),
    ("no format chunk", written(b"RIFF\x24\0\0\0WAVEdata\x10\0\0\0" + bytes(16)), None),
    ("zero channels", written(wav_header(48_000, 0, 16, 100) + bytes(100)), None),
    ("far too many channels", written(wav_header(48_000, 300, 16, 60_000) + bytes(60_000)), "channels"),
    ("slow rate", written(wav_header(1_000, 1, 16, 2000) + bytes(2000)), "sample-rate"),
    ("absurd rate", written(wav_header(2_000_000, 1, 16, 2000) + bytes(2000)), "sample-rate"),
    ("m4a without index", m4a_without_index, "cut-off"),
    ("video without sound", silent_video, "no-sound-track"),
    ("flac head only", written(b"fLaC" + bytes(100)), None),
    ("ogg head only", written(b"OggS" + bytes(100)), None),
    ("amr head only", written(b"#!AMR\n"), "no-samples"),
    ("not one number", float_wav(np.full(48_000, np.nan)), "not-numbers"),
]


@pytest.mark.parametrize(("what", "make", "code"), BAD, ids=[row[0] for row in BAD])
def test_unusable_files_are_one_clear_line(
    tmp_path: Path, what: str, make: Callable[[Path], Path | str], code: str | None
) -> None:
    with pytest.raises(RecordingError) as caught:
        heard(make(tmp_path / "recording.wav"))
    assert code is None or caught.value.code == code
    assert caught.value.code in CODES
    assert "\n" not in str(caught.value)
    assert str(caught.value)
    assert caught.value.exit_code == 2


CODES = {
    "no-file",
    "directory",
    "no-permission",
    "unreadable",
    "empty",
    "not-sound",
    "cut-off",
    "no-sound-track",
    "no-samples",
    "sample-rate",
    "channels",
    "not-numbers",
}


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read everything")
def test_a_file_one_may_not_read(tmp_path: Path) -> None:
    path = written(b"RIFF")(tmp_path / "a.wav")
    path.chmod(0)
    with pytest.raises(RecordingError) as caught:
        open_recording(path)
    assert caught.value.code == "no-permission"


def test_no_permission_has_its_own_code(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(RecordingError) as caught:
        open_recording(tmp_path / "a.wav")
    assert caught.value.code == "no-permission"


def with_warnings(path: Path) -> tuple[np.ndarray, int, tuple[str, ...]]:
    with open_recording(path) as recording:
        sound = np.concatenate(list(recording.blocks()))
        return sound, recording.sample_rate_hz, recording.info().warnings


def fast_start_m4a(path: Path, sound: np.ndarray) -> Path:
    return encode(path, sound, 48_000, "aac", "mp4", options={"movflags": "faststart"})


def by_soundfile(container: str, subtype: str | None = None) -> Callable[[Path, np.ndarray], Path]:
    def make(path: Path, sound: np.ndarray) -> Path:
        soundfile.write(path, sound, 48_000, format=container, subtype=subtype)
        return path

    return make


CUT = [
    ("wav", by_soundfile("WAV"), "it was cut short"),
    ("aiff", by_soundfile("AIFF"), "cut short"),
    ("caf", by_soundfile("CAF", "PCM_16"), "cut short"),
    ("flac", by_soundfile("FLAC"), "it was cut short"),
    ("vorbis", by_soundfile("OGG", "VORBIS"), "cut short"),
    ("opus", lambda path, sound: encode(path, sound, 48_000, "libopus", "ogg"), "cut short"),
    ("m4a", fast_start_m4a, "it was cut short"),
    ("mp3", lambda path, sound: encode(path, sound, 48_000, "libmp3lame", "mp3"), "it was cut short"),
    ("webm", lambda path, sound: encode(path, sound, 48_000, "libopus", "webm"), "it was cut short"),
]


@pytest.mark.parametrize(("what", "make", "words"), CUT, ids=[row[0] for row in CUT])
def test_files_cut_short_give_what_is_there_and_say_so(
    tmp_path: Path, what: str, make: Callable[[Path, np.ndarray], Path], words: str
) -> None:
    path = make(tmp_path / "a", knocks(48_000))
    assert not any("cut short" in warning for warning in with_warnings(path)[2])
    content = path.read_bytes()
    path.write_bytes(content[: round(0.6 * len(content))])
    sound, rate, warnings = with_warnings(path)
    assert 2.3 < len(sound) / rate < 4.5
    np.testing.assert_allclose(shifts_ms(sound, rate, (0.31, 1.1)), 0.0, atol=2.0)
    assert any(words in warning for warning in warnings)


HOLED = [
    ("flac", by_soundfile("FLAC")),
    ("m4a", lambda path, sound: encode(path, sound, 48_000, "aac", "ipod")),
    ("mp3", lambda path, sound: encode(path, sound, 48_000, "libmp3lame", "mp3")),
]


@pytest.mark.parametrize(("what", "make"), HOLED, ids=[row[0] for row in HOLED])
def test_damage_in_the_middle_does_not_end_it(
    tmp_path: Path, what: str, make: Callable[[Path, np.ndarray], Path]
) -> None:
    path = make(tmp_path / "a", knocks(48_000))
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 600] = np.random.default_rng(2).bytes(600)
    path.write_bytes(content)
    sound, rate, _ = with_warnings(path)
    assert len(sound) / rate == pytest.approx(6.0, abs=0.2)
    assert np.isfinite(sound).all()
    np.testing.assert_allclose(shifts_ms(sound, rate, (0.31, 1.1)), 0.0, atol=2.0)


def test_a_file_that_shrinks_while_it_is_read_says_so(tmp_path: Path) -> None:
    path = by_soundfile("WAV")(tmp_path / "a.wav", knocks(48_000, 12.0))
    with open_recording(path) as recording:
        os.truncate(path, path.stat().st_size // 2)
        n_samples = sum(len(block) for block in recording.blocks())
        assert n_samples / 48_000 == pytest.approx(6.0, abs=0.1)
        assert recording.info().warnings == (
            "the file ends at 00:06, though its header promises 00:12: it was cut short",
        )


@pytest.mark.parametrize(("frame", "what"), [(b"\x7c", "nothing"), (b"\x44" + bytes(5), "comfort noise")])
def test_amr_that_leaves_out_what_is_no_voice_is_not_damaged(tmp_path: Path, frame: bytes, what: str) -> None:
    # RFC 4867, 4.3.1 and 5.3: a frame begins with its type, 8 comfort noise of 39 bits, 15 nothing; at 12.2 kbit/s a
    # frame of sound takes 32 bytes, 20 ms.
    path = encode(tmp_path / "a.amr", knocks(8_000), 8_000, "libopencore_amrnb", "amr", bit_rate=12_200)
    content = path.read_bytes()
    assert content[:6] == b"#!AMR\n"
    frames = [content[start : start + 32] for start in range(6, len(content), 32)]
    path.write_bytes(content[:6] + b"".join([*frames[:120], *[frame] * 20, *frames[140:]]))
    sound, rate, warnings = with_warnings(path)
    assert len(sound) / rate == pytest.approx(6.0, abs=0.03)
    assert [warning for warning in warnings if "damaged" in warning] == []
    assert any("breaks off once, for 0.40 s" in warning for warning in warnings)


def test_things_that_are_not_numbers_become_silence_and_are_counted(tmp_path: Path) -> None:
    sound = knocks(48_000)
    bad = sound.copy()
    bad[[10, 2000, 2001]] = np.nan
    bad[70_000], bad[70_001], bad[70_002] = np.inf, -np.inf, 1e30
    got, _, warnings = with_warnings(float_wav(bad)(tmp_path / "a.wav"))
    np.testing.assert_array_equal(got, np.where(np.abs(bad) < 10, bad, 0))
    assert warnings == ("6 samples are not numbers: silence was put in place",)


def test_silence_and_shortness_are_warnings_only(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros(9_600), 48_000)
    sound, _, warnings = with_warnings(tmp_path / "a.wav")
    assert len(sound) == 9_600
    assert any("silent" in warning for warning in warnings)
    assert any("only 0.2 s" in warning for warning in warnings)


SIZES = {
    "none": 0,
    "all ones": 0xFFFFFFFF,
    "largest signed": 0x7FFFFFFF,
    "stale": 1000,
    "less a header": 0xFFFFFFFF - 36,
}


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
def test_wav_whose_recorder_died_is_read_to_its_end(tmp_path: Path, size: int) -> None:
    whole = np.round(knocks(48_000) * 32767).astype("<i2")
    path = tmp_path / "a.wav"
    path.write_bytes(wav_header(48_000, 1, 16, size) + whole.tobytes())
    np.testing.assert_array_equal(heard(path)[0], whole / np.float32(32768))


def test_chunks_after_the_samples_are_not_heard(tmp_path: Path) -> None:
    whole = np.round(knocks(48_000) * 32767).astype("<i2")
    tags = b"LIST" + struct.pack("<I", 400) + b"INFO" + b"\x7f\x80" * 198
    path = tmp_path / "a.wav"
    path.write_bytes(wav_header(48_000, 1, 16, whole.nbytes) + whole.tobytes() + tags)
    np.testing.assert_array_equal(heard(path)[0], whole / np.float32(32768))


def test_decoders_say_nothing_on_stderr(tmp_path: Path) -> None:
    """Damaged files of all kinds, in a process of their own, since the libraries write past Python."""
    for name, codec, container in (
        ("a.mp3", "libmp3lame", "mp3"),
        ("a.m4a", "aac", "ipod"),
        ("a.ogg", "libopus", "ogg"),
    ):
        path = encode(tmp_path / name, knocks(48_000), 48_000, codec, container)
        content = bytearray(path.read_bytes())
        content[len(content) // 2 :][:3000] = bytes(3000)
        content[len(content) // 2 : len(content) // 2 + 3000] = np.random.default_rng(1).bytes(3000)
        path.write_bytes(content[:-500])
    (tmp_path / "noise").write_bytes(np.random.default_rng(3).bytes(9000))
    (tmp_path / "id3.mp3").write_bytes(b"ID3\x04\0\0\0\0\0\x0a" + bytes(200))
    script = (
        "import sys\n"
        "from clackcount.recording import open_recording\n"
        "from clackcount.errors import RecordingError\n"
        "for path in sys.argv[1:]:\n"
        "    try:\n"
        "        with open_recording(path) as recording:\n"
        "            print(sum(len(block) for block in recording.blocks()))\n"
        "    except RecordingError as error:\n"
        "        print(error.code)\n"
    )
    paths = sorted(str(path) for path in tmp_path.iterdir())
    done = subprocess.run([sys.executable, "-c", script, *paths], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert done.stderr == ""
    assert len(done.stdout.splitlines()) == len(paths) == 5


WHOLE = {
    "wav": lambda path: by_soundfile("WAV")(path, knocks(8_000, 0.6)),
    "aiff": lambda path: by_soundfile("AIFF")(path, knocks(8_000, 0.6)),
    "caf": lambda path: by_soundfile("CAF", "PCM_24")(path, knocks(8_000, 0.6)),
    "rf64": lambda path: by_soundfile("RF64")(path, knocks(8_000, 0.6)),
    "m4a": lambda path: encode(path, knocks(8_000, 0.6), 8_000, "aac", "ipod"),
    "webm": lambda path: encode(path, knocks(8_000, 0.6), 8_000, "libopus", "webm"),
    "ts": lambda path: encode(path, knocks(8_000, 0.6), 8_000, "aac", "mpegts"),
    "mp3": lambda path: encode(path, knocks(8_000, 0.6), 8_000, "libmp3lame", "mp3"),
}


@pytest.fixture(scope="module")
def whole_files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("whole")
    return {name: make(folder / name).read_bytes() for name, make in WHOLE.items()}


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    name=st.sampled_from(sorted(WHOLE)),
    patches=st.lists(st.tuples(st.integers(0, 3_000), st.binary(min_size=1, max_size=8)), min_size=1, max_size=4),
    kept=st.floats(0.05, 1),
)
def test_damage_of_any_kind_is_an_error_of_ours_or_finite_sound(
    whole_files: dict[str, bytes], name: str, patches: list[tuple[int, bytes]], kept: float
) -> None:
    content = bytearray(whole_files[name])
    for position, patch in patches:
        position %= min(len(content), 400)  # where the headers are
        content[position : position + len(patch)] = patch
    try:
        with open_recording(io.BytesIO(bytes(content[: int(kept * len(content)) + 1]))) as recording:
            for block in itertools.islice(recording.blocks(), 200):
                assert np.isfinite(block).all()
            recording.info()
    except RecordingError as error:
        code = error.code
    else:
        code = None
    assert code is None or code in CODES

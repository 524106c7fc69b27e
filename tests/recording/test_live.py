"""Pipes, growing files and the microphone give the same Recording as a finished file."""

from __future__ import annotations

import io
import subprocess
import sys
import threading
import time
import types
from pathlib import Path

import numpy as np
import pytest
import soundfile
from made_files import encode, knocks, wav_header

from clackcount.errors import RecordingError
from clackcount.recording import follow_file, open_microphone, open_pcm, open_recording

LISTEN = (
    "import sys, numpy\n"
    "from clackcount.recording import open_recording\n"
    "with open_recording('-') as recording:\n"
    "    sound = numpy.concatenate(list(recording.blocks()))\n"
    "    info = recording.info()\n"
    "sys.stdout.buffer.write(sound.tobytes())\n"
    "print(info.path, info.container, info.codec, *info.warnings, sep='|', file=sys.stderr)\n"
)


def piped(content: bytes) -> tuple[np.ndarray, list[str]]:
    done = subprocess.run([sys.executable, "-c", LISTEN], input=content, capture_output=True, check=True)
    return np.frombuffer(done.stdout, np.float32), done.stderr.decode().strip().split("|")


@pytest.mark.parametrize("size", [None, 0, 0xFFFFFFFF, 0x7FFFFFFF])
def test_wav_from_a_pipe_whatever_its_header_says(size: int | None) -> None:
    whole = np.round(knocks(16_000) * 32767).astype("<i2")
    header = wav_header(16_000, 1, 16, whole.nbytes if size is None else size)
    sound, (path, container, codec, *warnings) = piped(header + whole.tobytes())
    np.testing.assert_array_equal(sound, whole / np.float32(32768))
    assert (path, container, codec, warnings) == ("-", "wav", "pcm_s16", [])


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "MS_ADPCM"])
@pytest.mark.parametrize("container", ["WAV", "WAVEX"])
def test_every_kind_of_wav_from_a_pipe(tmp_path: Path, subtype: str, container: str) -> None:
    if container == "WAVEX" and subtype == "MS_ADPCM":
        pytest.skip("the format has no such coding")
    path = tmp_path / "a.wav"
    soundfile.write(path, knocks(8_000), 8_000, format=container, subtype=subtype)

    class Pipe(io.BytesIO):
        def seekable(self) -> bool:
            return False

    with open_recording(Pipe(path.read_bytes())) as recording:
        sound = np.concatenate(list(recording.blocks()))
    np.testing.assert_allclose(sound, soundfile.read(path)[0], atol=1e-6)


def test_a_pipe_cut_short_says_so() -> None:
    whole = np.round(knocks(16_000) * 32767).astype("<i2")
    sound, (*_, warning) = piped(wav_header(16_000, 1, 16, whole.nbytes) + whole.tobytes()[:100_001])
    assert len(sound) == 50_000
    assert "cut short" in warning


def test_other_files_from_a_pipe(tmp_path: Path) -> None:
    path = encode(tmp_path / "a.m4a", knocks(16_000), 16_000, "aac", "ipod")
    with open_recording(path) as recording:
        wanted = np.concatenate(list(recording.blocks()))
    np.testing.assert_array_equal(piped(path.read_bytes())[0], wanted)


def test_an_empty_pipe_is_one_clear_line() -> None:
    with pytest.raises(RecordingError) as caught:
        open_recording(io.BytesIO(b""))
    assert caught.value.code == "empty"


def test_a_source_that_fails_is_one_clear_line() -> None:
    class Unplugged(io.BytesIO):
        def read1(self, size: int | None = -1) -> bytes:
            if piece := super().read1(5_000):
                return piece
            raise OSError(5, "Input/output error")

    with open_pcm(Unplugged(bytes(20_000)), 8_000) as recording, pytest.raises(RecordingError) as caught:
        list(recording.blocks())
    assert (caught.value.code, "Input/output error" in str(caught.value)) == ("unreadable", True)


@pytest.mark.parametrize(
    ("subtype", "dtype", "scale"),
    [("u8", "u1", 128), ("s16", "<i2", 2**15), ("s32", "<i4", 2**31), ("f32", "<f4", 1), ("f64", "<f8", 1)],
)
def test_raw_samples(subtype: str, dtype: str, scale: int) -> None:
    stereo = np.random.default_rng(1).normal(0, 0.1, (5_000, 2))
    raw = np.round(stereo * scale + (128 if subtype == "u8" else 0)) if scale > 1 else stereo
    with open_pcm(io.BytesIO(raw.astype(dtype).tobytes()), 8_000, 2, subtype) as recording:
        sound = np.concatenate(list(recording.blocks()))
        assert recording.info().duration_s == 5_000 / 8_000
    np.testing.assert_allclose(sound, stereo.mean(axis=1), atol=max(1 / scale, 1e-7) if scale > 1 else 1e-6)


def test_raw_24_bit_samples_keep_their_sign() -> None:
    values = np.array([-(2**23), -1, 0, 1, 2**23 - 1])
    raw = b"".join(int(value).to_bytes(3, "little", signed=True) for value in values)
    with open_pcm(io.BytesIO(raw), 8_000, subtype="s24") as recording:
        np.testing.assert_allclose(next(recording.blocks()), values / 2**23, atol=1e-7)


@pytest.mark.parametrize(
    ("arguments", "code"), [((8_000, 1, "s17"), "subtype"), ((8_000, 0), "channels"), ((5, 1), "sample-rate")]
)
def test_raw_samples_that_cannot_be(arguments: tuple, code: str) -> None:
    with pytest.raises(RecordingError) as caught:
        open_pcm(io.BytesIO(bytes(100)), *arguments)
    assert caught.value.code == code


def test_raw_samples_come_as_they_come() -> None:
    """A block is given out before the stream ends, and no more than a quarter of a second behind."""
    import os

    read_end, write_end = os.pipe()
    with os.fdopen(write_end, "wb", buffering=0) as writer, open_pcm(os.fdopen(read_end, "rb"), 8_000) as recording:
        writer.write(np.ones(2_100, "<i2").tobytes())
        assert len(next(recording.blocks())) == 2_000


def grow(path: Path, pieces: list[bytes], pause_s: float) -> threading.Thread:
    path.write_bytes(pieces[0])

    def write() -> None:
        for piece in pieces[1:]:
            time.sleep(pause_s)
            with path.open("ab") as file:
                file.write(piece)

    thread = threading.Thread(target=write)
    thread.start()
    return thread


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF, 5_000])
def test_a_file_that_grows_is_followed_to_its_end(tmp_path: Path, size: int) -> None:
    whole = np.round(knocks(8_000, 2.0) * 32767).astype("<i2").tobytes()
    content = wav_header(8_000, 1, 16, size) + whole
    cuts = [20, 1_001, 9_000, 20_003, len(content)]
    pieces = [content[start:end] for start, end in zip([0, *cuts], cuts, strict=False)]
    thread = grow(tmp_path / "a.wav", pieces, 0.1)
    with follow_file(tmp_path / "a.wav", idle_s=0.5) as recording:
        sound = np.concatenate(list(recording.blocks()))
    thread.join()
    np.testing.assert_array_equal(sound, np.frombuffer(whole, "<i2") / np.float32(32768))


def test_a_followed_file_that_is_finished_ends_before_its_tags(tmp_path: Path) -> None:
    whole = np.round(knocks(8_000, 2.0) * 32767).astype("<i2").tobytes()
    tags = b"LIST\x10\0\0\0INFO" + bytes(12)
    (tmp_path / "a.wav").write_bytes(wav_header(8_000, 1, 16, len(whole)) + whole + tags)
    start, idle_s = time.monotonic(), 30
    with follow_file(tmp_path / "a.wav", idle_s=idle_s) as recording:
        assert sum(len(block) for block in recording.blocks()) == 16_000
    assert time.monotonic() - start < idle_s  # it does not wait for more


def test_a_file_that_cannot_be_followed(tmp_path: Path) -> None:
    path = encode(tmp_path / "a.m4a", knocks(8_000), 8_000, "aac", "ipod")
    for wrong, code in ((path, "not-sound"), (tmp_path / "missing.wav", "no-file")):
        with pytest.raises(RecordingError) as caught:
            follow_file(wrong, idle_s=0.1)
        assert caught.value.code == code


def test_a_followed_file_without_sound_ends_with_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(wav_header(8_000, 1, 16, 0))
    with pytest.raises(RecordingError) as caught, follow_file(tmp_path / "a.wav", idle_s=0.1) as recording:
        list(recording.blocks())
    assert caught.value.code == "no-samples"


def test_no_microphone_is_one_clear_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(RecordingError) as caught:
        open_microphone()
    assert caught.value.code == "no-microphone"
    assert "clackcount[microphone]" in caught.value.hint


class StandInTrouble(Exception):
    pass


class StandInStream:
    """What the microphone's stream does, as far as it is used: three reads, one of them with loss, then a fault."""

    def __init__(self, samplerate: int, channels: int, device: object, dtype: str) -> None:
        if device == "none":
            raise StandInTrouble("no such device")
        self.samplerate, self.channels, self.active = float(samplerate), channels, True
        self.n_reads, self.closed = 0, False

    def start(self) -> None:
        pass

    def read(self, n_frames: int) -> tuple[np.ndarray, bool]:
        self.n_reads += 1
        if self.n_reads > 3:
            raise StandInTrouble("unplugged")
        return np.full((n_frames, self.channels), 0.1 * self.n_reads, np.float32), self.n_reads == 2

    def close(self) -> None:
        self.closed = True


def test_the_microphone_gives_blocks_and_says_what_was_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    stand_in = types.SimpleNamespace(InputStream=StandInStream, PortAudioError=StandInTrouble)
    monkeypatch.setitem(sys.modules, "sounddevice", stand_in)
    with open_microphone(8_000) as recording:
        blocks = list(recording.blocks())
        warnings = recording.info().warnings
    assert [len(block) for block in blocks] == [2_000] * 3
    assert any("too slow" in warning for warning in warnings)
    assert any("unplugged" in warning for warning in warnings)
    with pytest.raises(RecordingError) as caught:
        open_microphone(8_000, device="none")
    assert caught.value.code == "no-microphone"

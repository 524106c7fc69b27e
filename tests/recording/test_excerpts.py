"""Pieces of a recording are the very sound of that time, and what is packed for the page plays at the same time."""

from __future__ import annotations

import io

import numpy as np
import pytest
from scipy import signal

from clackcount.errors import FailedError
from clackcount.model import Excerpt
from clackcount.recording import excerpts, open_recording

SAMPLES = ["two_rams.flac", "steady.m4a", "hand_start.mp4", "leaf_in_valve.ogg"]


@pytest.fixture
def sample(request, pytestconfig):
    return lambda name: str(pytestconfig.rootpath / "sample_audio" / name)


def whole(path):
    with open_recording(path) as recording:
        return np.concatenate(list(recording.blocks())), recording.sample_rate_hz


def lag_samples(one, other):
    """By how many samples one lies behind other (scipy.signal.correlate as the judge)."""
    n = min(len(one), len(other))
    return int(np.argmax(signal.correlate(one[:n], other[:n], method="fft"))) - n + 1


@pytest.mark.parametrize("name", SAMPLES)
def test_read_in_passing_to_the_sample(name, sample):
    samples, rate = whole(sample(name))
    first, second = excerpts.read_excerpts(sample(name), [(0.0, 2.5), (11.0, 14.0)], len(samples) / rate)
    assert np.array_equal(first.samples, samples[: round(2.5 * rate)])
    assert np.array_equal(second.samples, samples[11 * rate : 14 * rate])
    assert (second.start_s, second.end_s) == (11.0, 14.0)


@pytest.mark.parametrize("name", SAMPLES)
def test_seeking_in_a_long_recording_finds_the_same_place(name, sample, monkeypatch):
    """Within 5 ms: nobody hears less, and no figure is taken from it that needs more."""
    samples, rate = whole(sample(name))
    monkeypatch.setattr(excerpts, "READ_THROUGH_S", 0.0)
    monkeypatch.setattr(excerpts, "_in_passing", None)  # must not be needed
    for found in excerpts.read_excerpts(sample(name), [(5.0, 9.0), (20.0, 24.0)], len(samples) / rate):
        assert found.end_s - found.start_s == pytest.approx(4.0, abs=0.06)
        at = round(found.start_s * rate)
        assert abs(lag_samples(found.samples, samples[at : at + len(found.samples)])) <= 0.005 * rate


def test_what_cannot_be_sought_is_read_through(sample, monkeypatch):
    def fails(path, span):
        raise excerpts._NotThereError

    monkeypatch.setattr(excerpts, "READ_THROUGH_S", 0.0)
    monkeypatch.setattr(excerpts, "_by_soundfile", fails)
    monkeypatch.setattr(excerpts, "_by_ffmpeg", fails)
    (found,) = excerpts.read_excerpts(sample("two_rams.flac"), [(5.0, 9.0)], 40.0)
    assert found.end_s == pytest.approx(9.0)


def test_no_spans_no_sound(sample):
    assert excerpts.read_excerpts(sample("steady.m4a"), [], 30.0) == []


@pytest.mark.parametrize("rate", [8000, 16000, 44100, 48000])
def test_packed_sound_is_small_in_place_and_as_long(rate):
    rng = np.random.default_rng(1)
    samples = 0.02 * rng.standard_normal(20 * rate)
    samples[:: 2 * rate] += 0.9
    clip = excerpts.encode(Excerpt(3.0, rate, samples.astype(np.float32)))
    assert (clip.start_s, clip.end_s) == (3.0, 23.0)
    assert len(clip.data) < 20 * 7000
    with open_recording(io.BytesIO(clip.data)) as recording:
        played = np.concatenate(list(recording.blocks()))
        assert recording.sample_rate_hz == excerpts.PLAY_RATE_HZ
    assert len(played) / excerpts.PLAY_RATE_HZ == pytest.approx(20.0, abs=0.06)
    original = signal.resample_poly(samples, excerpts.PLAY_RATE_HZ, rate)
    assert abs(lag_samples(played, original)) <= 24  # a millisecond


def test_faint_sound_is_made_louder_and_loud_sound_is_not():
    rng = np.random.default_rng(1)
    noise = rng.standard_normal(8000).astype(np.float32)
    faint, loud = (excerpts.encode(Excerpt(0.0, 8000, scale * noise)) for scale in (0.01, 1.0))
    assert 20 <= faint.gain_db <= 24
    assert loud.gain_db == 0


def test_no_sound_is_an_error():
    with pytest.raises(FailedError, match="no sound could be read at 5 s"):
        excerpts.encode(Excerpt(5.0, 48000, np.empty(0, np.float32)))


def test_packed_as_an_m4a(sample):
    """It begins with a file type box (ISO/IEC 14496-12, 4.3), by which browsers know it."""
    (found,) = excerpts.read_excerpts(sample("steady.m4a"), [(0.0, 3.0)], 30.0)
    assert excerpts.encode(found).data[4:8] == b"ftyp"

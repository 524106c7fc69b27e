"""The rendered sound: onsets lie on the truth, levels are what was asked for, blocks make the whole."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray

from clackcount.errors import SettingError
from clackcount.model import Cause, State
from clackcount.simulate import (
    CONDITIONS,
    MAKERS,
    MATERIALS,
    Layer,
    Part,
    Phone,
    Place,
    Quiet,
    Ram,
    Rendered,
    Running,
    Rushing,
    Scenario,
    random_ram,
    random_scene,
    random_voice,
    render,
    render_blocks,
    without_ram,
)
from clackcount.simulate.backgrounds import looped, recorded
from clackcount.simulate.voice import Striker

RATE_HZ = 48000


def bare(ram: Ram) -> Ram:
    """The same ram with nothing but its slam."""
    silent = replace(ram.rush, level_db=-300.0)
    return replace(ram, rush=silent, reopen_db=None, knock=None, snifter=None, level_sd_db=0.0)


def at(made: Rendered, time_s: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.round(time_s * made.sample_rate_hz).astype(np.int64)


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    rate=st.sampled_from([8000, 16000, 22050, 44100, 48000, 96000, 192000]),
    material=st.sampled_from(sorted(MATERIALS)),
)
def test_a_slam_begins_on_the_sample_that_the_truth_names(seed: int, rate: int, material: str) -> None:
    rng = np.random.default_rng(seed)
    ram = bare(random_ram(rng, rate_per_min=(15, 60), material=material))
    made = render(Scenario(12.0, (Part(ram),), place=Place(rng.uniform(0.3, 80)), sample_rate_hz=rate), seed)
    n = int(0.02 * rate)
    for first in at(made, made.truth.slam_s):
        slam = made.rams[first : first + n]
        if len(slam) < n or first < n:
            continue
        peak = np.max(np.abs(slam))
        # What rings on from the slam before is next to nothing; the first sample already stands out from it.
        assert np.max(np.abs(made.rams[first - n // 4 : first])) < 2e-3 * peak
        assert np.abs(made.rams[first]) > 3 * np.max(np.abs(made.rams[first - 20 : first]))
        early = np.flatnonzero(np.abs(slam) > 0.02 * peak)[0]
        assert early <= max(2e-3 * rate, 3)


def octave_ratio_db(made: Rendered) -> float:
    """Signal-to-noise ratio by another road: spectra of 20 ms, brick-wall octaves, the best of them."""
    n = int(0.02 * made.sample_rate_hz)
    n_fft = 1 << 12  # bins some 5 Hz apart
    hz = np.fft.rfftfreq(n_fft, 1 / made.sample_rate_hz)
    slams = np.stack([made.rams[i : i + n] for i in at(made, made.truth.slam_s) if i + n <= len(made.rams)])
    energy = np.abs(np.fft.rfft(slams, n_fft, axis=1)) ** 2
    window = np.hanning(n)
    pieces = made.background[: len(made.background) // n * n].reshape(-1, n) * window / np.sqrt(np.mean(window**2))
    under = np.mean(np.abs(np.fft.rfft(pieces, n_fft, axis=1)) ** 2, axis=0)
    ratios = []
    for centre in (125, 250, 500, 1000, 2000, 4000, 8000):
        band = (hz >= centre / 2**0.5) & (hz < centre * 2**0.5)
        if centre * 2**0.5 < 0.49 * made.sample_rate_hz:
            ratios.append(np.median(energy[:, band].sum(axis=1)) / under[band].sum())
    return float(10 * np.log10(max(ratios)))


@pytest.mark.parametrize("snr_db", [0.0, 12.0])
@pytest.mark.parametrize(("background", "atol"), [("stream", 2.5), ("rain", 2.5), ("room", 2.5), ("speech", 5.0)])
def test_signal_to_noise_ratio_is_what_was_asked_for(background: str, atol: float, snr_db: float) -> None:
    """Octave bands with nominal mid-band frequencies as in IEC 61260-1 (from memory)."""
    found = []
    for seed in range(4):
        ram = bare(random_ram(np.random.default_rng(seed), rate_per_min=(30, 90), material="cast-iron"))
        scene = Scenario(20.0, (Part(ram),), (Layer(background),), snr_db=snr_db, sample_rate_hz=22050)
        made = render(scene, seed)
        found.append(octave_ratio_db(made))
        assert made.truth.pumps[0].snr_db == snr_db
    # Brick-wall spectra and Butterworth bands share energy out differently at the edges: a dB or two a single case,
    # and more beside the steep edges of a voice.
    assert_allclose(found, snr_db, atol=atol)
    assert_allclose(np.mean(found), snr_db, atol=atol / 2)


def test_rush_is_as_far_above_the_background_as_asked() -> None:
    for seed in range(4):
        ram = random_ram(np.random.default_rng(seed), rate_per_min=(30, 90))
        ram = replace(ram, rush=replace(ram.rush, flutter=0.0))
        scene = Scenario(30.0, (Part(ram, (Rushing(flow=1.0),)),), (Layer("stream"),), snr_db=10, rush_snr_db=6.0)
        made = render(scene, seed)
        n = 4096
        spectra = [
            np.mean(np.abs(np.fft.rfft(x[: len(x) // n * n].reshape(-1, n) * np.hanning(n), axis=1)) ** 2, axis=0)
            for x in (made.rams, made.background)
        ]
        hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
        ratios = []
        for centre in (125, 250, 500, 1000, 2000, 4000, 8000):
            band = (hz >= centre / 2**0.5) & (hz < centre * 2**0.5)
            ratios.append(10 * np.log10(spectra[0][band].sum() / spectra[1][band].sum()))
        assert_allclose(max(ratios), 6.0, atol=1.0)


def test_the_rush_grows_towards_the_slam_and_is_gone_after_it() -> None:
    for seed in range(3):
        rng = np.random.default_rng(seed)
        ram = random_ram(rng, rate_per_min=(30, 60), pattern="even")
        ram = replace(bare(ram), rush=replace(ram.rush, level_db=40.0, leak_db=-60.0, lag_s=0.004, closing_db=0.0))
        made = render(Scenario(20.0, (Part(ram),)), seed)  # a rush so loud that the slams do not matter
        truth, column = made.truth, ram.column
        opened = np.isfinite(truth.reopen_s[:-1])
        reopen_s, next_s = truth.reopen_s[:-1][opened], truth.slam_s[1:][opened]

        def level(centre_s: NDArray[np.float64], made: Rendered = made) -> float:
            half = int(0.01 * RATE_HZ)
            cuts = [made.rams[i - half : i + half] for i in at(made, centre_s) if half < i < len(made.rams) - half]
            return float(np.sqrt(np.median([np.mean(np.square(cut, dtype=np.float64)) for cut in cuts])))

        late = level(next_s - column.closing_s - 0.02)
        early = level(reopen_s + 0.25 * column.open_s)
        shut = level(reopen_s - 0.012)
        assert late > 1.3 * early
        assert early > 3 * shut


@pytest.mark.parametrize(("cause", "after"), [(Cause.OPEN_STALL, Rushing()), (Cause.SHUT_STALL, Quiet())])
def test_water_is_heard_after_an_open_stall_only(cause: Cause, after: Rushing | Quiet) -> None:
    ram = random_ram(np.random.default_rng(3), rate_per_min=70)
    ram = replace(ram, rush=replace(ram.rush, level_db=-15.0, leak_db=-60.0))
    made = render(Scenario(40.0, (Part(ram, (Running(20.0, cause), after)),)), 1)
    tail = made.rams[-10 * RATE_HZ :]
    slam = made.rams[at(made, made.truth.slam_s[:1])[0] :][: int(0.02 * RATE_HZ)]
    below_db = 20 * np.log10(np.std(slam) / np.std(tail))
    assert below_db < 30 if cause is Cause.OPEN_STALL else below_db > 50
    assert made.truth.timeline[-1].state is (State.RUSHING if cause is Cause.OPEN_STALL else State.QUIET)


def test_the_same_seed_gives_the_same_sound_and_another_another() -> None:
    scene = random_scene("rain", np.random.default_rng(8), duration_s=25.0)
    one, same, other = render(scene, 5), render(scene, 5), render(scene, 6)
    assert_array_equal(one.samples, same.samples)
    assert_array_equal(one.truth.slam_s, same.truth.slam_s)
    assert not np.array_equal(one.samples, other.samples)


@pytest.mark.parametrize("condition", ["stream", "pump-house", "automatic-gain"])
def test_blocks_put_together_are_the_whole(condition: str) -> None:
    scene = random_scene(condition, np.random.default_rng(9), duration_s=65.0, sample_rate_hz=16000)
    truth, blocks = render_blocks(scene, 2)
    pieces = list(blocks)
    whole = render(scene, 2)
    assert [len(piece) for piece in pieces] == [160000] * 6 + [80000]
    assert_array_equal(np.concatenate(pieces), whole.samples)
    assert_array_equal(truth.slam_s, whole.truth.slam_s)


def test_a_long_recording_needs_the_memory_of_its_blocks_only() -> None:
    ram = random_ram(np.random.default_rng(1), rate_per_min=40)
    scene = Scenario(1200.0, (Part(ram),), (Layer("room"),), sample_rate_hz=8000)
    tracemalloc.start()
    try:
        truth, blocks = render_blocks(scene, 1)
        n = sum(len(block) for block in blocks)
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert n == 1200 * 8000
    assert len(truth.slam_s) > 700
    assert peak_bytes < 0.4 * 4 * n  # the whole would take 4 bytes a sample for the result alone


def test_no_seam_between_blocks() -> None:
    """The first difference of a low tone-free background never jumps at a border of blocks."""
    scene = Scenario(41.0, (), (Layer("room"),), phone=Phone(noise_db=-120))
    jumps = np.abs(np.diff(render(scene, 3).background.astype(np.float64)))
    borders = np.arange(1, 5) * 10 * RATE_HZ
    assert np.max(jumps[borders - 1]) < 6 * np.sqrt(np.mean(jumps**2))


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_renders_sound_within_full_scale(condition: str) -> None:
    rng = np.random.default_rng(11)
    made = render(random_scene(condition, rng, duration_s=12.0, rate_per_min=(30, 200)), rng)
    assert made.samples.dtype == np.float32
    assert np.all(np.isfinite(made.samples))
    assert np.std(made.samples) > 1e-4
    assert np.max(np.abs(made.samples)) <= 1
    clipped = np.mean(np.abs(made.samples) >= 1)
    assert clipped > 0 if condition == "clipped" else clipped == 0
    assert {1, 2} == set(made.truth.pump) if condition == "two-rams" else {1} == set(made.truth.pump)


@pytest.mark.parametrize("name", sorted(MAKERS))
def test_a_place_without_a_ram_has_no_slams(name: str) -> None:
    made = render(without_ram((name,), np.random.default_rng(1), duration_s=5.0), 1)
    assert len(made.truth.slam_s) == 0
    assert made.truth.rate_per_min is None
    assert made.truth.to_dict()["rate_per_min"] is None
    assert [s.state for s in made.truth.timeline] == [State.QUIET]
    assert np.std(made.samples) > 1e-4


def test_the_louder_of_two_rams_is_pump_1() -> None:
    soft, loud = (bare(random_ram(np.random.default_rng(i), rate_per_min=rate)) for i, rate in ((1, 50.0), (2, 83.0)))
    made = render(Scenario(60.0, (Part(soft, level_db=-6.0), Part(loud)), (Layer("stream"),), snr_db=9.0), 1)
    first, second = made.truth.pumps
    assert_allclose([first.rate_per_min, second.rate_per_min], [83, 50], rtol=0.1)
    assert (first.snr_db, second.snr_db) == (9.0, 3.0)


def test_stacked_valves_are_one_slam_with_a_second_knock_within_milliseconds() -> None:
    made = render(random_scene("stacked", np.random.default_rng(5), duration_s=20.0), 5)
    second_s = made.truth.other_s[np.array(made.truth.other_kind) == "second"]
    assert len(second_s) >= len(made.truth.slam_s) - 1
    gaps_s = second_s[: len(made.truth.slam_s)] - made.truth.slam_s[: len(second_s)]
    assert np.all((gaps_s > 0.00025) & (gaps_s <= 0.0121))


def test_automatic_gain_narrows_the_range_of_levels() -> None:
    """An automatic gain of strength a leaves (1 - a) of a steady difference in level."""
    ram = random_ram(np.random.default_rng(2), rate_per_min=40)
    ram = replace(ram, rush=replace(ram.rush, flutter=0.0))  # or the gain would level that as well
    scene = Scenario(20.0, (Part(ram, (Rushing(10.0), Quiet())),), (Layer("room"),), snr_db=10.0, rush_snr_db=30.0)
    steps_db = []
    for agc in (0.0, 0.5, 0.8):
        x = render(replace(scene, phone=Phone(agc=agc, release_s=0.5, noise_db=-120)), 1).samples
        loud, soft = x[4 * RATE_HZ : 9 * RATE_HZ], x[15 * RATE_HZ : 19 * RATE_HZ]
        steps_db.append(20 * np.log10(np.std(loud) / np.std(soft)))
    assert steps_db[0] > 8
    assert_allclose(steps_db[1:], [0.5 * steps_db[0], 0.2 * steps_db[0]], atol=1.5)


def test_stereo_with_a_dead_or_clipped_channel() -> None:
    ram = random_ram(np.random.default_rng(2), rate_per_min=40)
    scene = Scenario(6.0, (Part(ram),), (Layer("room"),), snr_db=20.0)
    mono = render(replace(scene, phone=Phone(noise_db=-200)), 1).samples
    dead = render(replace(scene, phone=Phone(noise_db=-200, stereo=True, dead_channel="right")), 1).samples
    assert dead.shape == (len(mono), 2)
    assert_allclose(dead[:, 0], mono, atol=1e-6)
    assert np.max(np.abs(dead[:, 1])) < 1e-6
    hot = render(replace(scene, phone=Phone(stereo=True, clipped_channel="left", level_db=-3)), 1).samples
    assert np.mean(np.abs(hot[:, 0]) >= 1) > 1e-4
    assert np.max(np.abs(hot[:, 1])) < 1


@pytest.mark.parametrize("name", sorted(MATERIALS))
def test_a_stroke_starts_at_once_and_has_the_standard_level(name: str) -> None:
    for seed in range(5):
        rng = np.random.default_rng(seed)
        voice = random_voice(rng, name)
        assert np.all((voice.mode_hz >= 80) & (voice.mode_hz <= 6000))
        assert np.all((voice.mode_decay_s >= 0.003) & (voice.mode_decay_s <= 0.080))
        rows = Striker(replace(voice, timbre_sd_db=0.0), RATE_HZ, rng).sound(np.array([0.0] * 50 + [-20.0] * 50), rng)
        rms = np.sqrt(np.mean(rows[:, : int(0.02 * RATE_HZ)] ** 2, axis=1))
        assert_allclose(np.mean(rms[:50]), 1, rtol=0.4)  # the burst's share and sign differ from stroke to stroke
        assert_allclose(np.mean(rms[50:]), 0.1, rtol=0.4)
        assert np.all(rows[:, 0] != 0)


@given(n=st.integers(10, 2000), fade=st.integers(0, 400), seed=st.integers(0, 1000))
def test_a_looped_clip_keeps_its_level_and_joins(n: int, fade: int, seed: int) -> None:
    clip = np.sin(np.cumsum(np.random.default_rng(seed).uniform(0.01, 0.05, n))).astype(np.float32)
    endless = looped(clip, fade / RATE_HZ, RATE_HZ)
    n_fade = n - len(endless)
    assert 0 <= n_fade <= n // 2
    if n_fade > 1:  # the end is followed by what followed it in the clip
        assert_allclose(endless[0], clip[n - n_fade], atol=0.05 + np.pi / 2 / n_fade)
    assert np.max(np.abs(endless)) <= 2**0.5 + 1e-6


def test_a_recorded_background_keeps_its_pitch_at_another_rate() -> None:
    tone = np.sin(2 * np.pi * 440 * np.arange(22050 * 3) / 22050)
    source = recorded(tone, 22050, RATE_HZ, np.random.default_rng(0), fade_s=0.1)
    sound = source(RATE_HZ * 8, 0.0, np.random.default_rng(0))
    hz = np.fft.rfftfreq(len(sound), 1 / RATE_HZ)[np.argmax(np.abs(np.fft.rfft(sound)))]
    assert_allclose(hz, 440, atol=1)
    assert_allclose(np.std(sound), 1, rtol=0.1)
    later = source(1000, 5.0, np.random.default_rng(0))
    assert_array_equal(later, sound[5 * RATE_HZ : 5 * RATE_HZ + 1000])


def test_an_unknown_background_or_condition_is_refused_by_name() -> None:
    with pytest.raises(SettingError, match="no background is called 'sea'"):
        Scenario(1.0, layers=(Layer("sea"),))
    with pytest.raises(SettingError, match="no condition is called 'sea'"):
        random_scene("sea", np.random.default_rng(0))
    with pytest.raises(SettingError, match="no story is called 'sea'"):
        random_scene("rain", np.random.default_rng(0), story="sea")
    with pytest.raises(SettingError, match="must be positive"):
        Scenario(0.0)

"""Several channels become one that is no worse than the best of them."""

from __future__ import annotations

import numpy as np
import pytest
from test_clipping import share_in_runs
from test_samples import Given

from clackcount.model import RecordingInfo
from clackcount.recording import Recording

RATE = 8_000


def mixed(*channels: np.ndarray) -> tuple[np.ndarray, RecordingInfo]:
    recording = Recording(Given([np.stack(channels).astype(np.float32)], RATE), "given")
    return np.concatenate(list(recording.blocks())), recording.info()


def noise(seed: int, seconds: float = 10.0, level: float = 0.1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, level, round(seconds * RATE))


def test_healthy_channels_are_averaged() -> None:
    left, right = noise(1), noise(2)
    sound, info = mixed(left, right)
    np.testing.assert_allclose(sound, (left + right) / 2, atol=1e-6)
    assert info.warnings == ()


@pytest.mark.parametrize("dead", [np.zeros(10 * RATE), np.full(10 * RATE, 0.3), noise(5, level=2e-4)])
@pytest.mark.parametrize("side", [0, 1])
def test_a_dead_channel_does_not_halve_the_good_one(dead: np.ndarray, side: int) -> None:
    good = noise(1)
    sound, info = mixed(*((dead, good) if side == 0 else (good, dead)))
    np.testing.assert_allclose(sound, good, atol=1e-6)
    assert info.warnings == ("1 of 2 channels is silent: the other was used",)


def test_a_clipped_channel_does_not_spoil_the_good_one() -> None:
    good = noise(1)
    sound, info = mixed(good, np.clip(10 * good, -1, 1))
    np.testing.assert_allclose(sound, good, atol=1e-6)
    assert info.warnings == ("1 of 2 channels is clipped: the other was used",)
    assert info.clipped_fraction == 0  # what is heard is not clipped


def test_two_clipped_channels_are_said_to_be_clipped() -> None:
    left, right = np.clip(10 * noise(1), -1, 1), np.clip(10 * noise(2), -1, 1)
    sound, info = mixed(left, right)
    np.testing.assert_allclose(sound, (left + right) / 2, atol=1e-6)
    at_rail = np.mean([share_in_runs(side * one == 1) for one in (left, right) for side in (1, -1)]) * 2
    assert info.clipped_fraction == pytest.approx(at_rail, rel=0.1)
    assert any("clipped in" in warning for warning in info.warnings)


def test_channels_against_each_other_do_not_cancel() -> None:
    left = noise(1)
    sound, info = mixed(left, -0.9 * left + noise(2, level=0.01))
    np.testing.assert_allclose(sound, left, atol=1e-6)
    assert info.warnings == ("1 of 2 channels is reversed against the other: the other was used",)


def test_rumble_does_not_hide_that_knocks_cancel() -> None:
    t = np.arange(10 * RATE) / RATE
    rumble, rest = 0.5 * np.sin(2 * np.pi * 8 * t), noise(1, level=0.05)
    sound, _ = mixed(rumble + rest, rumble - rest)
    assert np.std(np.diff(sound)) > 0.9 * np.std(np.diff(rest))


def test_a_change_of_mix_makes_no_click() -> None:
    t = np.arange(20 * RATE) / RATE
    tone = 0.3 * np.sin(2 * np.pi * 203.3 * t)
    gone = np.interp(t, [9.4, 9.9, 14.1, 14.6], [0, 1, 1, 0])  # no click of its own
    sound, info = mixed(tone, (1 - gone) * tone)
    assert np.abs(np.diff(sound, 2)).max() < 1.1 * np.abs(np.diff(tone, 2)).max()
    settled = slice(round(10.5 * RATE), round(14.5 * RATE))
    np.testing.assert_allclose(sound[settled], tone[settled], atol=1e-6)
    np.testing.assert_allclose(sound[-RATE:], tone[-RATE:], atol=1e-6)  # and the channel has come back
    assert "silent in" in info.warnings[0]


def test_a_channel_that_flickers_stays_out() -> None:
    """Without hysteresis the mix would follow the flicker."""
    good = noise(1)
    n = RATE // 4
    flicker = noise(2) * (np.arange(len(good)) // (2 * n) % 2)
    sound, _ = mixed(good, flicker)
    settled = slice(4 * n, None)
    np.testing.assert_allclose(sound[settled], good[settled], atol=1e-6)


def test_eight_channels_with_three_dead() -> None:
    channels = [noise(seed) if seed % 3 else np.zeros(10 * RATE) for seed in range(8)]
    sound, info = mixed(*channels)
    np.testing.assert_allclose(sound, np.mean([c for c in channels if c.any()], axis=0), atol=1e-6)
    assert info.warnings == ("3 of 8 channels are silent: the others were used",)


def test_all_silent_is_said_and_is_no_error() -> None:
    sound, info = mixed(np.zeros(RATE * 2), np.zeros(RATE * 2))
    assert not sound.any()
    assert any("the recording is silent" in warning for warning in info.warnings)

"""From the ram to the file: air, walls and the phone. Every stage is fed blocks and carries its state."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, oaconvolve, sosfilt

from clackcount.simulate.voice import Samples, log_uniform

AGC_STEP_S = 0.010


@dataclass(frozen=True, slots=True)
class Place:
    """Where the phone is. distance_m dulls the sound; reverb_s (time to fall by 60 dB) is a pump house, 0 = outdoors.

    reverb_db: energy of the diffuse tail re the direct sound. tone_db_per_octave: tilt is left to the bodies.
    """

    distance_m: float = 1.0
    reverb_s: float = 0.0
    reverb_db: float = -6.0


@dataclass(frozen=True, slots=True)
class Phone:
    """What the phone does to the sound.

    agc: strength of the automatic gain, 0 = none, 1 = levels everything. knee_db: soft limiting above this, dB re
    full scale (None: none). level_db: peak of the mix in its first minute, before the gain, dB re full scale; above 0
    it clips. noise_db: own noise, dB re full scale. dead_channel: "left" or "right" of a stereo file hears nothing.
    """

    low_hz: float = 80.0
    high_hz: float = 16000.0
    agc: float = 0.0
    attack_s: float = 0.02
    release_s: float = 1.0
    knee_db: float | None = None
    level_db: float = -6.0
    noise_db: float = -80.0
    dc: float = 0.0
    stereo: bool = False
    stereo_delay_s: float = 0.0
    dead_channel: str | None = None
    clipped_channel: str | None = None


def random_phone(rng: np.random.Generator) -> Phone:
    """A phone drawn at random: with or without automatic gain, limiting and some dc."""
    return Phone(
        low_hz=float(log_uniform(rng, 20, 200)),
        high_hz=float(rng.choice([7000, 12000, 16000, 20000])),
        agc=float(rng.choice([0, rng.uniform(0.2, 0.8)])),
        attack_s=float(log_uniform(rng, 0.005, 0.1)),
        release_s=float(log_uniform(rng, 0.3, 3)),
        knee_db=float(rng.uniform(-12, -3)) if rng.random() < 0.4 else None,
        level_db=float(rng.uniform(-20, -1)),
        noise_db=float(rng.uniform(-90, -65)),
        dc=float(rng.choice([0, rng.normal(0, 0.003)])),
    )


class Filter:
    """A second-order-section filter with state."""

    def __init__(self, sos: NDArray[np.float64]) -> None:
        self.sos = sos.astype(np.float32)
        self.state = np.zeros((len(sos), 2), np.float32)

    def __call__(self, block: Samples) -> Samples:
        done, self.state = sosfilt(self.sos, block, zi=self.state)
        return np.asarray(done, np.float32)


class Convolver:
    """Convolution with an impulse response; the tail is carried into the next block."""

    def __init__(self, response: Samples) -> None:
        self.response = response
        self.tail = np.zeros(len(response) - 1, np.float32)

    def __call__(self, block: Samples) -> Samples:
        full: Samples = oaconvolve(block, self.response).astype(np.float32)
        full[: len(self.tail)] += self.tail
        self.tail = full[len(block) :]
        return full[: len(block)]


class Carrier:
    """The way from the ram to the phone, for the ram's sounds only. The direct sound arrives without delay."""

    def __init__(self, place: Place, sample_rate_hz: int, rng: np.random.Generator) -> None:
        self.stages: list[Filter | Convolver] = []
        high_hz = 18000 / (1 + place.distance_m / 8)  # ground and air take the high tones away: a plain guess
        if high_hz < 0.45 * sample_rate_hz:
            self.stages.append(Filter(butter(1, high_hz, fs=sample_rate_hz, output="sos")))
        if place.reverb_s > 0:
            self.stages.append(Convolver(room_response(place, sample_rate_hz, rng)))

    def __call__(self, block: Samples) -> Samples:
        for stage in self.stages:
            block = stage(block)
        return block


def room_response(place: Place, sample_rate_hz: int, rng: np.random.Generator) -> Samples:
    """Impulse response of a small house: 1 at sample 0, early reflections, an exponentially dying diffuse tail."""
    n = max(int(place.reverb_s * sample_rate_hz), 2)
    t_s = np.arange(n) / sample_rate_hz
    tail = rng.standard_normal(n) * 10 ** (-3 * t_s / place.reverb_s)
    tail[: int(0.002 * sample_rate_hz) + 1] = 0  # nothing comes back from a wall before it has been there
    soft = butter(1, min(5000, 0.4 * sample_rate_hz), fs=sample_rate_hz, output="sos")
    tail = sosfilt(soft, tail)
    for _ in range(int(rng.integers(4, 10))):
        at = int(rng.uniform(0.002, 0.025) * sample_rate_hz)
        if at < n:
            tail[at] += rng.choice([-1, 1]) * rng.uniform(0.2, 0.7) * np.sqrt(np.sum(tail**2) / 6)
    tail *= 10 ** (place.reverb_db / 20) / np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    return np.asarray(tail, np.float32)


class Recorder:
    """The phone: blocks of the mix go in (scaled so that 1 is full scale), blocks as recorded come out."""

    def __init__(self, phone: Phone, sample_rate_hz: int, rng: np.random.Generator) -> None:
        self.phone, self.sample_rate_hz, self.rng = phone, sample_rate_hz, rng
        self.bands = [Filter(butter(2, phone.low_hz, "highpass", fs=sample_rate_hz, output="sos"))]
        if phone.high_hz < 0.45 * sample_rate_hz:
            self.bands.append(Filter(butter(4, phone.high_hz, fs=sample_rate_hz, output="sos")))
        self.level = 0.0
        self.gain = 1.0
        n_delay = round(phone.stereo_delay_s * sample_rate_hz)
        self.late = np.zeros(n_delay, np.float32)

    def __call__(self, block: Samples) -> Samples:
        """float32 (n,), or (n, 2) for stereo, within -1..1."""
        for band in self.bands:
            block = band(block)
        if self.phone.agc > 0:
            block = block * self._agc(block)
        if self.phone.stereo:
            return self._stereo(block)
        return self._finish(block)

    def _finish(self, block: Samples, boost: float = 1.0) -> Samples:
        phone = self.phone
        noise = 10 ** (phone.noise_db / 20) * self.rng.standard_normal(len(block), np.float32)
        block = block * np.float32(boost) + noise + np.float32(phone.dc)
        if phone.knee_db is not None:
            knee = 10 ** (phone.knee_db / 20)
            over = np.abs(block) - knee
            squeezed = np.sign(block) * (knee + (1 - knee) * np.tanh(over / (1 - knee)))
            block = np.where(over > 0, squeezed, block)
        return np.clip(block, -1, 1).astype(np.float32)

    def _stereo(self, block: Samples) -> Samples:
        phone = self.phone
        joined = np.concatenate([self.late, block])
        delayed, self.late = joined[: len(block)], joined[len(block) :]
        sides: dict[str, Samples] = {"left": block, "right": np.float32(0.8) * delayed}
        if phone.dead_channel is not None:
            sides[phone.dead_channel] = np.zeros_like(block)
        boosts = {side: 40.0 if side == phone.clipped_channel else 1.0 for side in sides}
        return np.stack([self._finish(sound, boosts[side]) for side, sound in sides.items()], axis=1)

    def _agc(self, block: Samples) -> Samples:
        """Gain for each sample: the level follows up with attack_s and down with release_s, in steps of 10 ms."""
        phone = self.phone
        step = max(1, round(AGC_STEP_S * self.sample_rate_hz))
        n_steps = -(-len(block) // step)
        squares = np.square(np.pad(block, (0, n_steps * step - len(block)))).reshape(n_steps, step)
        heard = np.sqrt(squares.mean(axis=1) + 1e-10).tolist()
        up, down = 1 - np.exp(-AGC_STEP_S / phone.attack_s), 1 - np.exp(-AGC_STEP_S / phone.release_s)
        level, gains = self.level or heard[0], []
        for now in heard:
            level += (up if now > level else down) * (now - level)
            gains.append(min((0.1 / level) ** phone.agc, 30.0))
        ends = np.arange(1, n_steps + 1) * step
        curve = np.interp(
            np.arange(len(block)), np.append(0, ends), np.append(self.gain if self.level else gains[0], gains)
        )
        self.level, self.gain = level, gains[-1]
        return np.asarray(curve, np.float32)

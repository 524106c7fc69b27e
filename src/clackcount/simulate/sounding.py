"""The two sides of the mix, block by block: a ram as it arrives at the phone, and the backgrounds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter

from clackcount.simulate.acts import Kind, Told
from clackcount.simulate.backgrounds import MAKERS, Source, air_noise, bubble_voice, recorded, slow_curve
from clackcount.simulate.channel import Carrier, Filter
from clackcount.simulate.level import background_energy, best_octave
from clackcount.simulate.ram import Ram
from clackcount.simulate.scenario import Part, Scenario
from clackcount.simulate.voice import Samples, Striker, Voice, random_voice

FADE_S = 0.1  # between neighbouring blocks of a made background
ENVELOPE_HZ = 2000

# Roles of the generators.
STORY, VOICES, STROKES, WATER, AIR, CHARACTER, GROUND, MICROPHONE = range(8)
MURMUR = 999


class Seeds:
    """A generator for each role and block, all from one seed, independent of the order they are asked in."""

    def __init__(self, seed: int) -> None:
        self.seed = seed

    def __call__(self, *role: int) -> np.random.Generator:
        return np.random.default_rng([self.seed, *role])


class RamSound:
    """All sounds of one ram, as they arrive at the phone."""

    def __init__(self, part: Part, told: Told, scenario: Scenario, seeds: Seeds, number: int) -> None:
        self.part, self.told, self.seeds, self.number = part, told, seeds, number
        self.rate = scenario.sample_rate_hz
        rng = seeds(VOICES, number)
        ram = part.ram
        self.strikers = {
            Kind.SLAM: Striker(ram.slam, self.rate, rng),
            Kind.REOPEN: Striker(ram.reopen, self.rate, rng),
        }
        others: dict[Kind, Voice | None] = {
            Kind.DELIVERY: ram.knock,
            Kind.SNIFTER: ram.snifter,
            Kind.SECOND: random_voice(rng) if ram.second_valve_s is not None else None,
            Kind.PUSH: ram.reopen,
            Kind.BUBBLE: bubble_voice(rng),
        }
        self.strikers |= {kind: Striker(voice, self.rate, rng) for kind, voice in others.items() if voice is not None}
        self.at = np.round(told.time_s * self.rate).astype(np.int64)
        self.tail = np.zeros(max(len(striker) for striker in self.strikers.values()), np.float32)
        self.water = Water(ram, told, self.rate)
        self.carrier = Carrier(scenario.place, self.rate, seeds(AIR, number))
        self.gain = self.rush_gain = np.float32(1.0)
        self.peak = 1.0
        self.place = scenario.place

    def slams(self) -> Samples:
        """Up to 40 of its slams as they arrive, float32 (n_slams, n), with the levels they have in the story."""
        levels_db = self.told.level_db[self.told.kind == Kind.SLAM]
        if not len(levels_db):
            levels_db = np.zeros(8)
        picked_db = levels_db[np.linspace(0, len(levels_db) - 1, min(40, len(levels_db))).astype(int)]
        rows = self.strikers[Kind.SLAM].sound(picked_db, self.seeds(VOICES, self.number, 1))
        rows = np.pad(rows, ((0, 0), (0, int(0.02 * self.rate))))
        return np.stack([Carrier(self.place, self.rate, self.seeds(AIR, self.number))(row) for row in rows])

    def set_rush(self, rush_snr_db: float, under: NDArray[np.float64]) -> None:
        """Set the rush at the closing velocity so far above the background in its best octave."""
        water = Water(self.part.ram, self.told, self.rate)
        noise = water.colour(self.seeds(WATER, self.number).standard_normal(2 * self.rate, np.float32)) * water.norm
        arrives = Carrier(self.place, self.rate, self.seeds(AIR, self.number))(noise)
        _, as_is_db = best_octave(background_energy(arrives, self.rate), under)
        self.rush_gain = np.float32(10 ** ((rush_snr_db - as_is_db) / 20) / self.gain)

    def block(self, index: int, first: int, n: int) -> Samples:
        """Samples first .. first + n; blocks must be asked for in order."""
        out = np.zeros(n + len(self.tail), np.float32)
        out[: len(self.tail)] += self.tail
        lo, hi = np.searchsorted(self.at, [first, first + n])
        for kind, striker in self.strikers.items():
            here = lo + np.flatnonzero(self.told.kind[lo:hi] == kind)
            rng = self.seeds(STROKES, self.number, int(kind), index)
            striker.add(out, self.at[here] - first, self.told.level_db[here], rng)
        self.tail = out[n:].copy()
        rush = self.water.block(first, n, self.seeds(WATER, self.number, index))
        return np.asarray(self.gain * self.carrier(out[:n] + self.rush_gain * rush), np.float32)


class Water:
    """The rush: noise shaped by the flow. At the closing velocity its mean square is 1."""

    def __init__(self, ram: Ram, told: Told, sample_rate_hz: int) -> None:
        self.ram, self.told, self.rate = ram, told, sample_rate_hz
        high_hz = min(ram.rush.colour_hz[1], 0.45 * sample_rate_hz)
        low_hz = min(ram.rush.colour_hz[0], high_hz / 2)
        sos = butter(1, [low_hz, high_hz], "bandpass", fs=sample_rate_hz, output="sos")
        self.colour, self.started = Filter(sos), False
        probe = Filter(sos)(np.random.default_rng(0).standard_normal(sample_rate_hz, np.float32))
        self.norm = np.float32(1 / np.sqrt(np.mean(np.square(probe[len(probe) // 10 :]))))
        self.wet = 0.0

    def amplitude(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Amplitude of the rush at times t_s, without the lag of the splash."""
        rush, column = self.ram.rush, self.ram.column
        velocity_m_s, gap, slowly = self.told.flow(column, t_s)
        hiss = np.sqrt(gap) * (1 + (10 ** (rush.closing_db / 20) - 1) * (1 - gap))  # the closing gap of a waste valve
        loud = (velocity_m_s / column.closing_velocity_m_s) ** rush.exponent * np.where(slowly, gap, hiss)
        leak = 10 ** (rush.leak_db / 20) if len(self.told.spell) else 0.0
        return np.where(gap > 0, loud, leak)

    def block(self, first: int, n: int, rng: np.random.Generator) -> Samples:
        n_steps = int(np.ceil(n / self.rate * ENVELOPE_HZ)) + 1
        t_s = first / self.rate + np.arange(n_steps) / ENVELOPE_HZ
        keep = float(np.exp(-1 / (self.ram.rush.lag_s * ENVELOPE_HZ)))
        raw = self.amplitude(t_s)
        if not self.started:
            self.wet, self.started = float(raw[0]), True
        curve, _ = lfilter([1 - keep], [1, -keep], raw, zi=np.array([keep * self.wet]))
        self.wet = float(curve[-2])  # the next block begins one step before the last of this one ends
        curve = curve * np.exp(self.ram.rush.flutter * slow_curve(n_steps, 20, ENVELOPE_HZ, rng))
        noise = self.colour(rng.standard_normal(n, np.float32)) * self.norm
        steps = np.arange(n) * (ENVELOPE_HZ / self.rate)
        return np.asarray(noise * np.interp(steps, np.arange(n_steps), curve), np.float32)


class Ground:
    """All background layers together."""

    def __init__(self, scenario: Scenario, seeds: Seeds) -> None:
        self.rate, self.seeds = scenario.sample_rate_hz, seeds
        self.n_fade = int(FADE_S * self.rate)
        self.sources: list[tuple[Source, np.float32, bool]] = []
        for i, layer in enumerate(scenario.layers):
            rng = seeds(CHARACTER, i)
            if isinstance(layer.sound, str):
                source = MAKERS[layer.sound](rng, self.rate)
                trial = source(self.rate * 4, 0.0, seeds(CHARACTER, i, 1))
                level_db = layer.level_db - 10 * np.log10(float(np.mean(np.square(trial))) + 1e-12)
            else:
                source, level_db = recorded(layer.sound, layer.sample_rate_hz, self.rate, rng), layer.level_db
            self.sources.append((source, np.float32(10 ** (level_db / 20)), isinstance(layer.sound, str)))
        # No place is free of a low murmur; without it a made background would have holes no real one has.
        if any(made for _, _, made in self.sources):
            murmur = np.float32(10 ** (seeds(CHARACTER, MURMUR).uniform(-25, -10) / 20))
            self.sources.append((lambda n, start_s, rng: air_noise(n, rng), murmur, True))
        self.run_out: list[Samples | None] = [None] * len(self.sources)

    def block(self, index: int, first: int, n: int) -> Samples:
        """Samples first .. first + n; blocks must be asked for in order."""
        out = np.zeros(n, np.float32)
        for i, (source, gain, made) in enumerate(self.sources):
            sound = source(n + self.n_fade, first / self.rate, self.seeds(GROUND, i, index))
            before = self.run_out[i]
            if made and before is not None:  # the run-out of the block before fades under the beginning of this one
                m = min(n, self.n_fade)
                turn = np.linspace(0, np.pi / 2, self.n_fade, dtype=np.float32)[:m]
                sound[:m] = sound[:m] * np.sin(turn) + before[:m] * np.cos(turn)
            self.run_out[i] = sound[n:]
            out += gain * sound[:n]
        return out

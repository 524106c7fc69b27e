"""A scenario becomes sound, block by block, with the truth beside it.

`render` is `render_blocks` put together, so a minute and a day go through the same code, and the same seed gives the
same samples either way. Memory: one block, and the list of strokes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter

from clackcount.errors import SettingError
from clackcount.simulate.backgrounds import MAKERS, Source, air_noise, bubble_voice, recorded, slow_curve
from clackcount.simulate.channel import Carrier, Filter, Phone, Place, Recorder
from clackcount.simulate.level import background_energy, best_octave, octaves, slam_energy
from clackcount.simulate.ram import Ram
from clackcount.simulate.story import Act, Kind, Running, Told, tell
from clackcount.simulate.truth import Truth, snapped, truth_of
from clackcount.simulate.voice import Samples, Striker, Voice, random_voice

BLOCK_S = 10.0
FADE_S = 0.1  # between neighbouring blocks of a made background
PILOT_S = 60.0  # the background's level is read from so much of the beginning
ENVELOPE_HZ = 2000


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """A background: a name from backgrounds.MAKERS, or samples float (n,) of a recording with its rate.

    level_db: root mean square re the other layers.
    """

    sound: str | NDArray[np.floating]
    level_db: float = 0.0
    sample_rate_hz: int = 48000


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One ram in a scenario, what it does, and its slam's level re snr_db of the scenario."""

    ram: Ram
    acts: tuple[Act, ...] = (Running(),)
    level_db: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Scenario:
    """All that is to be heard. snr_db: see simulate.level; None: 20 dB.

    rush_snr_db: level of the rush at the closing velocity over the background, in the octave where it stands out
    most, for the loudest ram; None leaves it to the ram itself.
    """

    duration_s: float
    parts: tuple[Part, ...] = ()
    layers: tuple[Layer, ...] = ()
    snr_db: float | None = None
    rush_snr_db: float | None = None
    place: Place = field(default_factory=Place)
    phone: Phone = field(default_factory=Phone)
    sample_rate_hz: int = 48000

    def __post_init__(self) -> None:
        if not 0 < self.duration_s < 1e7:
            raise SettingError(f"duration_s is {self.duration_s:g}; it must be positive")
        if not 4000 <= self.sample_rate_hz <= 384000:
            raise SettingError(f"sample_rate_hz is {self.sample_rate_hz}; it must lie in 4000..384000")
        for layer in self.layers:
            if isinstance(layer.sound, str) and layer.sound not in MAKERS:
                raise SettingError(
                    f"no background is called {layer.sound!r}", hint="one of " + ", ".join(sorted(MAKERS))
                )


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """samples: float32 (n,), or (n, 2) for a stereo phone. rams, background: before the phone, at the same scale."""

    samples: Samples
    sample_rate_hz: int
    truth: Truth
    rams: Samples
    background: Samples


class _Seeds:
    """A generator for each role and block, all from one seed, independent of the order they are asked in."""

    def __init__(self, seed: int) -> None:
        self.seed = seed

    def __call__(self, *role: int) -> np.random.Generator:
        return np.random.default_rng([self.seed, *role])


# Roles of the generators.
STORY, VOICES, STROKES, WATER, AIR, CHARACTER, GROUND, MICROPHONE = range(8)


class _RamSound:
    """All sounds of one ram, as they arrive at the phone."""

    def __init__(self, part: Part, told: Told, scenario: Scenario, seeds: _Seeds, number: int) -> None:
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
        self.water = _Water(ram, told, self.rate)
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
        water = _Water(self.part.ram, self.told, self.rate)
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


class _Water:
    """The rush: noise shaped by the flow. At the closing velocity its mean square is 1."""

    def __init__(self, ram: Ram, told: Told, sample_rate_hz: int) -> None:
        self.ram, self.spell, self.rate = ram, told.spell, sample_rate_hz
        high_hz = min(ram.rush.colour_hz[1], 0.45 * sample_rate_hz)
        low_hz = min(ram.rush.colour_hz[0], high_hz / 2)
        sos = butter(1, [low_hz, high_hz], "bandpass", fs=sample_rate_hz, output="sos")
        self.colour, self.started = Filter(sos), False
        probe = Filter(sos)(np.random.default_rng(0).standard_normal(sample_rate_hz, np.float32))
        self.norm = np.float32(1 / np.sqrt(np.mean(np.square(probe[len(probe) // 10 :]))))
        self.wet = 0.0

    def amplitude(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Amplitude of the rush at times t_s, without the lag of the splash."""
        if not len(self.spell):
            return np.zeros(len(t_s))
        rush, column = self.ram.rush, self.ram.column
        row = self.spell[np.maximum(np.searchsorted(self.spell[:, 0], t_s, "right") - 1, 0)]
        left_s = row[:, 1] - t_s
        open_now = (t_s >= row[:, 0]) & (left_s > 0)
        flow = row[:, 2] * column.velocity_m_s(t_s - row[:, 0]) / column.closing_velocity_m_s
        gap = np.clip(left_s / row[:, 3], 0, 1)
        slow_end = row[:, 3] > 0.2  # a gate valve turned off by hand: the flow fades; the waste valve: the gap hisses
        hiss = np.where(slow_end, gap, np.sqrt(gap) * (1 + (10 ** (rush.closing_db / 20) - 1) * (1 - gap)))
        return np.where(open_now, flow**rush.exponent * hiss, 10 ** (rush.leak_db / 20) * (len(self.spell) > 0))

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


class _Ground:
    """All background layers together."""

    def __init__(self, scenario: Scenario, seeds: _Seeds) -> None:
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
            murmur = np.float32(10 ** (seeds(CHARACTER, 999).uniform(-25, -10) / 20))
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


class _Session:
    """Everything needed to render one scenario once, levels settled."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario, seeds = scenario, _Seeds(seed)
        rate = scenario.sample_rate_hz
        self.n = round(scenario.duration_s * rate)
        self.n_block = int(BLOCK_S * rate)
        stories = [
            snapped(tell(part.ram, part.acts, self.n / rate, seeds(STORY, i)), rate)
            for i, part in enumerate(scenario.parts)
        ]
        self.rams = [
            _RamSound(part, told, scenario, seeds, i)
            for i, (part, told) in enumerate(zip(scenario.parts, stories, strict=True))
        ]
        self.ground = _Ground(scenario, seeds)
        self.recorder = Recorder(scenario.phone, rate, seeds(MICROPHONE))
        self.spans = [
            (i, first, min(self.n_block, self.n - first)) for i, first in enumerate(range(0, self.n, self.n_block))
        ]
        n_pilot = max(1, min(len(self.spans), int(PILOT_S / BLOCK_S * min(1.0, 48000 / rate))))
        self.under = [self.ground.block(*span) for span in self.spans[:n_pilot]]
        snr = self._set_levels()
        self.over = [self._ram_block(*span) for span in self.spans[:n_pilot]]
        self.scale = np.float32(self._scale())
        # Loudest first; of rams alike in level the one given first.
        order = sorted(range(len(self.rams)), key=lambda i: -scenario.parts[i].level_db)
        self.truth = truth_of(
            stories,
            [order.index(i) + 1 for i in range(len(self.rams))],
            [part.ram.rhythm.pattern for part in scenario.parts],
            [part.ram.reopen_db is not None for part in scenario.parts],
            snr,
            self.n / rate,
            rate,
        )

    def _ram_block(self, index: int, first: int, n: int) -> Samples:
        return np.asarray(sum((ram.block(index, first, n) for ram in self.rams), np.zeros(n, np.float32)), np.float32)

    def _set_levels(self) -> list[tuple[float | None, float | None]]:
        """Set the gain of each ram; returns its (ratio to the background in dB, octave in Hz), None without one."""
        scenario, rate = self.scenario, self.scenario.sample_rate_hz
        centres = [hz for hz, _ in octaves(rate)]
        under = background_energy(np.concatenate(self.under), rate) if scenario.layers else None
        found: list[tuple[float | None, float | None]] = []
        for ram, part in zip(self.rams, scenario.parts, strict=True):
            slams = ram.slams()
            ram.peak = float(np.median(np.max(np.abs(slams), axis=1)))
            ram.rush_gain = np.float32(10 ** (part.ram.rush.level_db / 20))
            if under is None:
                ram.gain = np.float32(10 ** (part.level_db / 20))
                found.append((None, None))
                continue
            wanted_db = (20.0 if scenario.snr_db is None else scenario.snr_db) + part.level_db
            octave, as_is_db = best_octave(slam_energy(slams, rate), under)
            ram.gain = np.float32(10 ** ((wanted_db - as_is_db) / 20))
            found.append((wanted_db, centres[octave]))
            if scenario.rush_snr_db is not None and part is scenario.parts[0]:
                ram.set_rush(scenario.rush_snr_db, under)
        return found

    def _scale(self) -> float:
        """What brings the loudest of the mix to the phone's level."""
        mix = np.abs(np.concatenate(self.under) + np.concatenate(self.over))
        loud = max([float(np.max(mix)), *(float(ram.gain) * ram.peak for ram in self.rams)])
        return float(10 ** (self.scenario.phone.level_db / 20)) / max(loud, 1e-9)

    def blocks(self) -> Iterator[tuple[Samples, Samples, Samples]]:
        """(as recorded, rams alone, background alone) of each block in turn."""
        for span in self.spans:
            known = span[0] < len(self.over)
            under = self.under[span[0]] if known else self.ground.block(*span)
            over = self.over[span[0]] if known else self._ram_block(*span)
            if known:  # let go of the pilot as it is used up
                self.under[span[0]] = self.over[span[0]] = np.empty(0, np.float32)
            over, under = over * self.scale, under * self.scale
            yield self.recorder(over + under), over, under


def _seed(seed: int | np.random.Generator) -> int:
    return int(seed.integers(2**62)) if isinstance(seed, np.random.Generator) else int(seed)


def render(scenario: Scenario, seed: int | np.random.Generator) -> Rendered:
    """The whole recording. The same scenario and seed give the same samples.

    Raises:
        SettingError: a scenario that contradicts itself.
    """
    session = _Session(scenario, _seed(seed))
    parts = list(session.blocks())
    samples, rams, background = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Rendered(samples, scenario.sample_rate_hz, session.truth, rams, background)


def render_blocks(scenario: Scenario, seed: int | np.random.Generator) -> tuple[Truth, Iterator[Samples]]:
    """(the truth, an iterator over blocks of BLOCK_S as recorded), for recordings of any length in bounded memory."""
    session = _Session(scenario, _seed(seed))
    return session.truth, (recorded_block for recorded_block, _, _ in session.blocks())

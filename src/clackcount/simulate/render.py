"""A scenario becomes sound, block by block, with the truth beside it.

`render` is `render_blocks` put together, so a minute and a day go through the same code, and the same seed gives the
same samples either way. Memory: one block, and the list of strokes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from clackcount.simulate.channel import Recorder
from clackcount.simulate.level import background_energy, best_octave, octaves, slam_energy
from clackcount.simulate.scenario import Scenario
from clackcount.simulate.sounding import MICROPHONE, STORY, Ground, RamSound, Seeds
from clackcount.simulate.story import tell
from clackcount.simulate.truth import Truth, snapped, truth_of
from clackcount.simulate.voice import Samples

BLOCK_S = 10.0
PILOT_S = 60.0  # the background's level is read from so much of the beginning


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """samples: float32 (n,), or (n, 2) for a stereo phone. rams, background: before the phone, at the same scale."""

    samples: Samples
    sample_rate_hz: int
    truth: Truth
    rams: Samples
    background: Samples


class _Rendering:
    """Everything needed to render one scenario once, levels settled."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.scenario, seeds = scenario, Seeds(seed)
        rate = scenario.sample_rate_hz
        self.n = round(scenario.duration_s * rate)
        self.n_block = int(BLOCK_S * rate)
        stories = [
            snapped(tell(part.ram, part.acts, self.n / rate, seeds(STORY, i)), rate)
            for i, part in enumerate(scenario.parts)
        ]
        self.rams = [
            RamSound(part, told, scenario, seeds, i)
            for i, (part, told) in enumerate(zip(scenario.parts, stories, strict=True))
        ]
        self.ground = Ground(scenario, seeds)
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
    rendering = _Rendering(scenario, _seed(seed))
    parts = list(rendering.blocks())
    samples, rams, background = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Rendered(samples, scenario.sample_rate_hz, rendering.truth, rams, background)


def render_blocks(scenario: Scenario, seed: int | np.random.Generator) -> tuple[Truth, Iterator[Samples]]:
    """(the truth, an iterator over blocks of BLOCK_S as recorded), for recordings of any length in bounded memory."""
    rendering = _Rendering(scenario, _seed(seed))
    return rendering.truth, (recorded_block for recorded_block, _, _ in rendering.blocks())

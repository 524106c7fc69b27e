"""Sound made for tests: knocks at known moments, and a source for the pipeline."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clackcount.hearing.ear import Ear, LiveEar
from clackcount.model import Passage, RecordingInfo, Wanted
from clackcount.settings import HearingSettings

Samples = NDArray[np.float32]


class Sound:
    """Samples float32 (n,) as a recording, in blocks of a given length."""

    def __init__(self, samples: NDArray[np.floating], sample_rate_hz: int, block: int = 100_000) -> None:
        self.samples, self.sample_rate_hz, self.block = samples.astype(np.float32), sample_rate_hz, block

    def blocks(self) -> Iterator[Samples]:
        for first in range(0, len(self.samples), self.block):
            yield self.samples[first : first + self.block]

    def info(self) -> RecordingInfo:
        return RecordingInfo(
            "made.wav", len(self.samples) / self.sample_rate_hz, self.sample_rate_hz, 1, "wav", "float32"
        )


def knocks(
    time_s: NDArray[np.float64],
    duration_s: float,
    sample_rate_hz: int,
    rng: np.random.Generator,
    *,
    noise: float = 0.001,
    level: float = 0.2,
    hz: float = 900.0,
) -> tuple[Samples, NDArray[np.float64]]:
    """Ringing knocks in white noise, and their true starts, s, each on a sample.

    A knock is a struck body: a few modes that begin at once and die away in some 10 ms.
    """
    n = int(duration_s * sample_rate_hz)
    samples = rng.normal(0, noise, n)
    first = np.round(time_s * sample_rate_hz).astype(int)
    t = np.arange(int(0.08 * sample_rate_hz)) / sample_rate_hz
    wave = sum(
        share * np.exp(-t / decay_s) * np.cos(2 * np.pi * hz * ratio * t)
        for ratio, share, decay_s in ((1.0, 1.0, 0.012), (1.9, 0.6, 0.008), (3.1, 0.5, 0.004))
    )
    for start in first:
        stop = min(n, start + len(t))
        samples[start:stop] += level * wave[: stop - start]
    return samples.astype(np.float32), first / sample_rate_hz


def cut(samples: Samples, lengths: list[int]) -> Iterator[Samples]:
    """The samples in blocks of these lengths, over and over."""
    first, i = 0, 0
    while first < len(samples):
        yield samples[first : first + lengths[i % len(lengths)]]
        first += lengths[i % len(lengths)]
        i += 1


def live_passages_of(
    samples: Samples, sample_rate_hz: int, settings: HearingSettings, wanted: Wanted, *, block: int = 50_000
) -> list[Passage]:
    """All passages that an ear gives while the recording comes in, each as wanted."""
    ear = LiveEar(sample_rate_hz, settings, longest_s=wanted.window_s)
    found = []
    for part in [*cut(samples, [block]), None]:
        ear.finish() if part is None else ear.feed(part)
        while (passage := ear.passage(wanted)) is not None:
            found.append(passage)
    return found


def passages_of(
    samples: Samples, sample_rate_hz: int, settings: HearingSettings, *, block: int = 50_000
) -> list[Passage]:
    """All passages of a recording, their samples copied (a passage's own are only good until the next block)."""
    ear = Ear(sample_rate_hz, settings)
    found = []
    for part in cut(samples, [block]):
        found += [_held(passage) for passage in ear.feed(part)]
    return found + [_held(passage) for passage in ear.finish()]


def _held(passage: Passage) -> Passage:
    return replace(
        passage, rises=passage.rises.copy(), level_db=passage.level_db.copy(), samples=passage.samples.copy()
    )

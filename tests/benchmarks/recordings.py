"""The recordings that are listened to, by condition, each with its truth: a condition and a number give one.

Numbers start at FIRST: nobody has looked at these while tuning.
"""

from __future__ import annotations

import functools
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks import clips
from clackcount.model import RecordingInfo
from clackcount.simulate import Layer, Scenario, random_scene, render, without_ram
from support.codecs import encode, encode_decode

FIRST = 90000
DURATION_S = 45.0
BLOCK = 1 << 16
LOW_HZ = 250.0  # a slam that stands out most at or below this is hardly heard at these ratios
SUFFIX = {"aac": ".m4a", "opus": ".ogg", "mp3": ".mp3", "amr_nb": ".3gp"}
# codec, bits a second: what phones' recorders and messengers use; narrow AMR at its best and its worst
BIT_RATES = (
    ("aac", 64000),
    ("aac", 32000),
    ("opus", 32000),
    ("opus", 16000),
    ("mp3", 64000),
    ("amr_nb", 12200),
    ("amr_nb", 5900),
)


@dataclass(frozen=True, eq=False)
class Case:
    """One recording and what is in it.

    samples: float32 (n,). slam_s, pump: (n_slams,), of all rams, increasing. rates_per_min: of pump 1, 2...
    octave_hz: where the loudest ram's slam stands out most (None: no background). file: the encoded file and its
    suffix, where the way leads through a codec.
    """

    samples: NDArray[np.float32]
    sample_rate_hz: int
    slam_s: NDArray[np.float64]
    pump: NDArray[np.int32]
    rates_per_min: tuple[float, ...]
    octave_hz: float | None = None
    pattern: str = ""
    file: tuple[bytes, str] | None = field(default=None, repr=False)

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """The samples, block by block, as a recording gives them."""
        for first in range(0, len(self.samples), BLOCK):
            yield self.samples[first : first + BLOCK]

    def info(self) -> RecordingInfo:
        """What a recording says about itself."""
        duration_s = len(self.samples) / self.sample_rate_hz
        return RecordingInfo("made", duration_s, self.sample_rate_hz, 1, "none", "float")


@dataclass(frozen=True)
class Condition:
    """A way to make recordings. group: the table it goes to. share: how many of the usual number are made."""

    name: str
    group: str
    make: Callable[[int], Case]
    share: float = 1.0


def simulated(kind: str, snr_db: float, number: int) -> Case:
    """A ram of the simulator under one of its conditions."""
    rng = np.random.default_rng([number, zlib.crc32(kind.encode())])
    return _case_of(random_scene(kind, rng, duration_s=DURATION_S, snr_db=snr_db), number)


@functools.cache  # every codec gets the same rams
def clear_ram(number: int) -> Case:
    """The first of the rams drawn for this number, beside a stream at 6 dB, that is no low one."""
    for again in range(100):
        case = simulated("stream", 6.0, 1000 * number + again)
        if case.octave_hz is not None and case.octave_hz > LOW_HZ:
            return case
    raise AssertionError("every second ram or so is clear")


def encoded(codec: str, bit_rate: int, number: int) -> Case:
    """A clear ram after a codec: a file for the package; for the other tools its sound, the delay taken out."""
    case = clear_ram(number)
    data = encode(case.samples, case.sample_rate_hz, codec, bit_rate)
    sound = encode_decode(case.samples, case.sample_rate_hz, codec, bit_rate)
    return replace(case, samples=sound, file=(data, SUFFIX[codec]))


def _case_of(scenario: Scenario, number: int) -> Case:
    made = render(scenario, number)
    truth, samples = made.truth, made.samples
    first = truth.pumps[0] if truth.pumps else None
    return Case(
        samples if samples.ndim == 1 else samples.mean(axis=1),
        made.sample_rate_hz,
        np.asarray(truth.slam_s),
        np.asarray(truth.pump),
        tuple(pump.rate_per_min for pump in truth.pumps),
        first and first.snr_octave_hz,
        str(first.pattern) if first else "",
    )


def over_a_place(clip: clips.Clip, number: int) -> Case:
    """A ram of the simulator over a recorded place, at 6 dB."""
    rng = np.random.default_rng([number, zlib.crc32(clip.name.encode())])
    under = clips.shuffled(clip, DURATION_S, clips.RATE_HZ, rng)
    layers = (Layer(under, sample_rate_hz=clips.RATE_HZ),)
    scene = random_scene(
        "stream", rng, duration_s=DURATION_S, snr_db=6.0, layers=layers, sample_rate_hz=clips.RATE_HZ
    )
    return _case_of(scene, number)


def from_recordings(
    impacts: list[clips.Clip], places: list[clips.Clip], snr_db: float, whole_cycle: bool, number: int
) -> Case:
    """A ram put together from recordings only."""
    rng = np.random.default_rng([number, int(whole_cycle), int(snr_db)])
    made = clips.recorded_ram(impacts, places, rng, snr_db=snr_db, duration_s=DURATION_S, whole_cycle=whole_cycle)
    slam_s = made.slam_s
    rate = 60 * (len(slam_s) - 1) / float(slam_s[-1] - slam_s[0])
    pump = np.ones(len(slam_s), np.int32)
    return Case(made.samples, clips.RATE_HZ, slam_s, pump, (rate,), made.octave_hz)


def _empty(samples: NDArray[np.float32], rate_hz: int) -> Case:
    return Case(samples, rate_hz, np.zeros(0), np.zeros(0, np.int32), ())


def made_place(name: str, number: int) -> Case:
    """A made place without a ram, with some stream or room beneath it."""
    rng = np.random.default_rng([number, zlib.crc32(name.encode()), 1])
    # in this order: the same numbers are to give the same sound in every process
    names = tuple(dict.fromkeys((name, str(rng.choice(["stream", "room"])))))
    return _case_of(without_ram(names, rng, duration_s=DURATION_S), number)


def real_place(clip: clips.Clip, number: int) -> Case:
    """A recorded place without a ram: the clip as it is first, shuffled to length after that."""
    if number == FIRST:
        return _empty(clip.samples, clip.sample_rate_hz)
    rng = np.random.default_rng([number, zlib.crc32(clip.name.encode()), 1])
    return _empty(clips.shuffled(clip, DURATION_S, clips.RATE_HZ, rng), clips.RATE_HZ)


def conditions(audio: Iterable[Path]) -> list[Condition]:
    """All conditions; audio: folders shaped like tests/data."""
    folders = list(audio)
    impacts = _once(clip for folder in folders for clip in clips.read(folder, "impacts"))
    places = _once(clip for folder in folders for clip in clips.read(folder, "backgrounds"))
    found: list[Condition] = []

    def add(name: str, group: str, make: Callable[..., Case], *given: object, share: float = 1.0, **named: object):
        found.append(Condition(name, group, functools.partial(make, *given, **named), share))

    for snr_db in (6, 3, 0):
        add(f"stream, {snr_db} dB", "stream", simulated, "stream", float(snr_db), share=2.0)
    add("clean", "other", simulated, "clean", 6.0)
    for kind in ("speech", "rain", "wind", "engine", "birds", "footsteps", "pump-house", "far", "automatic-gain"):
        add(kind, "other", simulated, kind, 6.0)
    add("clipped", "other", simulated, "clipped", 6.0)
    add("8 kHz", "other", simulated, "narrow-band", 6.0)
    add("stacked valves", "other", simulated, "stacked", 6.0)
    add("two rams", "two", simulated, "two-rams", 12.0)
    for codec, bit_rate in BIT_RATES:
        name = f"{codec.split('_')[0].upper()} {bit_rate / 1000:g} kbit/s"
        add(name, "codec", encoded, codec, bit_rate)
    for clip in places:
        add(f"over {clip.name}", "place", over_a_place, clip, share=0.6)
    add("recorded cycle, 12 dB", "recorded", from_recordings, impacts, places, 12.0, True)
    add("recorded cycle, 6 dB", "recorded", from_recordings, impacts, places, 6.0, True)
    add("recorded knocks only, 12 dB", "knocks", from_recordings, impacts, places, 12.0, False)
    for name in ("room", "stream", "rain", "wind", "engine", "speech", "birds", "footsteps", "typing"):
        add(f"no ram: {name}", "none", made_place, name, share=0.4)
    for clip in places:
        add(f"no ram: recorded {clip.name}", "none", real_place, clip, share=0.3)
    for name in ("clock", "hammering"):
        add(f"knocks: {name}", "even", made_place, name)
    for clip in impacts:
        add(f"knocks: recorded {clip.name}", "even", real_place, clip, share=0.1)
    return found


def _once(found: Iterable[clips.Clip]) -> list[clips.Clip]:
    return list({clip.name: clip for clip in found}.values())

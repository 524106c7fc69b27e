"""Recordings that nobody here made, and rams put together from them."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from math import gcd
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, resample_poly, sosfilt

from clackcount.simulate.level import background_energy, best_octave, octaves, slam_energy

Samples = NDArray[np.float32]
DATA = Path(__file__).parents[1] / "data"
RATE_HZ = 44100
LEAD_S, KNOCK_S = 0.003, 0.25  # a knock is cut out so long before its annotated onset, and so long at most


@dataclass(frozen=True, eq=False)
class Clip:
    """One recording. onsets_s: float64 (n,), empty for a place without impacts. rate_per_min: None where unknown."""

    name: str
    samples: Samples
    sample_rate_hz: int
    onsets_s: NDArray[np.float64]
    uncertainty_s: float = 0.0
    rate_per_min: float | None = None

    def at(self, rate_hz: int) -> Samples:
        """The sound at another sample rate."""
        common = gcd(rate_hz, self.sample_rate_hz)
        if rate_hz == self.sample_rate_hz:
            return self.samples
        return np.asarray(resample_poly(self.samples, rate_hz // common, self.sample_rate_hz // common), np.float32)


def read(folder: Path, kind: str) -> list[Clip]:
    """The clips of FOLDER/KIND as FOLDER/KIND.toml lists them; kind is "impacts" or "backgrounds"."""
    found = []
    for row in tomllib.loads((folder / f"{kind}.toml").read_text(encoding="utf-8"))["clip"]:
        samples, rate_hz = soundfile.read(folder / kind / row["file"], dtype="float32")
        found.append(
            Clip(
                Path(row["file"]).stem,
                samples,
                rate_hz,
                np.array(row.get("onsets_s", []), np.float64),
                row.get("onset_uncertainty_ms", 0.0) / 1000,
                row.get("known_rate_per_min", row.get("rate_per_min")),
            )
        )
    return found


def shuffled(clip: Clip, duration_s: float, rate_hz: int, rng: np.random.Generator) -> Samples:
    """As much as is wanted of a short clip: pieces of 1.5 to 4 s from anywhere in it, cross-faded.

    A loop would beat at its own length; this does not.
    """
    sound, n_fade = clip.at(rate_hz), int(0.2 * rate_hz)
    up = np.sin(np.linspace(0, np.pi / 2, n_fade, dtype=np.float32))
    out = np.zeros(int(duration_s * rate_hz) + 5 * rate_hz, np.float32)
    at = 0
    while at < duration_s * rate_hz:
        n = min(int(rng.uniform(1.5, 4) * rate_hz), len(sound) - 1)
        start = int(rng.integers(0, len(sound) - n))
        piece = sound[start : start + n].copy()
        piece[:n_fade] *= up
        piece[-n_fade:] *= up[::-1]
        out[at : at + n] += piece
        at += n - n_fade
    return out[n_fade : n_fade + int(duration_s * rate_hz)]


def knocks(clip: Clip, rate_hz: int) -> Samples:
    """The impacts of a clip cut out, float32 (n, length); each onset lies LEAD_S after the start of its row."""
    sound, n_lead, n = clip.at(rate_hz), int(LEAD_S * rate_hz), int(KNOCK_S * rate_hz)
    room_s = min(KNOCK_S, 0.9 * float(np.min(np.diff(clip.onsets_s))))
    fade = np.ones(n, np.float32)
    fade[:n_lead] = np.linspace(0, 1, n_lead)
    last = int(room_s * rate_hz)
    fade[last // 4 : last] = 0.5 + 0.5 * np.cos(np.linspace(0, np.pi, last - last // 4))  # the clip's own noise goes
    fade[last:] = 0
    rows = [
        sound[start : start + n] * fade
        for start in (np.round(clip.onsets_s * rate_hz).astype(int) - n_lead)
        if start >= 0 and start + n <= len(sound)
    ]
    return np.array(rows, np.float32)


@dataclass(frozen=True, eq=False)
class Made:
    """A ram put together from recordings. octave_hz: where its slam stands out most."""

    samples: Samples
    slam_s: NDArray[np.float64]
    octave_hz: float


def periods(n: int, period_s: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Periods that jitter and wander, as float64 (n,): not the simulator's rhythm."""
    jitter, pull = float(np.exp(rng.uniform(np.log(0.002), np.log(0.03)))), rng.uniform(0.02, 0.2)
    slow, step = np.zeros(n), rng.uniform(0, 0.01)
    for i in range(1, n):
        slow[i] = (1 - pull) * slow[i - 1] + rng.normal(0, step)
    return np.asarray(period_s * np.exp(slow + jitter * rng.standard_normal(n)))


def recorded_ram(
    impacts: list[Clip],
    backgrounds: list[Clip],
    rng: np.random.Generator,
    *,
    snr_db: float,
    duration_s: float,
    whole_cycle: bool,
) -> Made:
    """Real knocks as slams on a drawn rhythm, over a real place; nothing in it comes from the simulator.

    whole_cycle: other knocks, dulled, as reopenings, and water from a recorded brook that swells from the reopening
    to the slam. Otherwise bare knocks. snr_db: as in simulate.level.
    """
    rate_hz, n = RATE_HZ, int(duration_s * RATE_HZ)
    strikes = knocks(impacts[int(rng.integers(len(impacts)))], rate_hz)
    dull = knocks(impacts[int(rng.integers(len(impacts)))], rate_hz)
    dull = sosfilt(butter(2, rng.uniform(500, 2500), fs=rate_hz, output="sos"), dull, axis=1)
    period_s = 60 / float(np.exp(rng.uniform(np.log(20), np.log(200))))
    slam_s = rng.uniform(0.1, 0.5) + np.cumsum(periods(int(duration_s / period_s) + 2, period_s, rng))
    slam_s = np.round(slam_s[slam_s < duration_s - 0.3] * rate_hz) / rate_hz
    shut_s = min(rng.uniform(0.08, 0.3), 0.5 * period_s) * np.exp(rng.normal(0, 0.02, len(slam_s)))
    out = np.zeros(n + strikes.shape[1] + rate_hz, np.float32)
    lead = int(LEAD_S * rate_hz)
    peak = float(np.median(np.sqrt(np.mean(strikes[:, lead : lead + rate_hz // 50] ** 2, axis=1))))

    def strike(rows: Samples, at_s: NDArray[np.float64], level_db: float) -> None:
        for t in at_s:
            row = rows[int(rng.integers(len(rows)))] * 10 ** ((level_db + rng.normal(0, 1.5)) / 20)
            start = round(t * rate_hz) - lead
            out[start : start + len(row)] += row

    strike(strikes, slam_s, 0.0)
    if whole_cycle:
        own = float(np.sqrt(np.mean(dull[:, lead : lead + rate_hz // 50] ** 2)))
        strike((dull * peak / own).astype(np.float32), slam_s + shut_s, rng.uniform(-15, -3))
        brook = next((clip for clip in backgrounds if clip.name == "brook"), backgrounds[0])
        water = shuffled(brook, duration_s, rate_hz, rng)
        t_s = np.arange(n) / rate_hz
        before = np.maximum(np.searchsorted(slam_s, t_s, "right") - 1, 0)
        opened_s = t_s - slam_s[before] - shut_s[before]
        swell = np.clip(opened_s / (period_s - float(np.median(shut_s))), 0, 1.1) ** rng.uniform(1.3, 2.5)
        level = peak * 10 ** (rng.uniform(-25, -9) / 20) / np.sqrt(np.mean(water**2))
        out[:n] += (level * swell * water).astype(np.float32)
    under = shuffled(backgrounds[int(rng.integers(len(backgrounds)))], duration_s, rate_hz, rng)
    octave, ratio_db = best_octave(slam_energy(strikes[:, lead:], rate_hz), background_energy(under, rate_hz))
    out = out[:n] + under * np.float32(10 ** ((ratio_db - snr_db) / 20))
    out *= np.float32(10 ** (rng.uniform(-15, -1) / 20) / np.max(np.abs(out)))
    return Made(out, slam_s, octaves(rate_hz)[octave][0])

"""What a struck body sounds like: damped modes and a short burst of noise behind the contact of two bodies."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, sosfilt

Samples = NDArray[np.float32]

N_BURSTS = 8  # so many different noise bursts a voice has: no two knocks in a row are copies of each other
STANDARD_S = 0.020  # the level of a voice is that of its first 20 ms


@dataclass(frozen=True, slots=True, eq=False)
class Voice:
    """A body that rings when struck. mode_*: float64 (n_modes,).

    contact_s: how long the two bodies touch (half-sine force); longer is duller. burst_*: noise let loose with the
    stroke. timbre_sd_db: how much each mode's share changes from stroke to stroke.
    """

    mode_hz: NDArray[np.float64]
    mode_decay_s: NDArray[np.float64]
    mode_level_db: NDArray[np.float64]
    contact_s: float
    burst_db: float
    burst_decay_s: float
    burst_hz: tuple[float, float]
    timbre_sd_db: float = 1.5

    def with_tone(self, hz: float, decay_s: float, level_db: float) -> Voice:
        """The same body with one more mode, such as the ring of the pipe it sits on."""
        return replace(
            self,
            mode_hz=np.append(self.mode_hz, hz),
            mode_decay_s=np.append(self.mode_decay_s, decay_s),
            mode_level_db=np.append(self.mode_level_db, level_db),
        )


@dataclass(frozen=True, slots=True)
class Material:
    """Ranges from which voices of one make are drawn, (low, high)."""

    n_modes: tuple[int, int]
    mode_hz: tuple[float, float]
    decay_s: tuple[float, float]
    contact_s: tuple[float, float]
    burst_db: tuple[float, float]
    tilt_db_per_octave: tuple[float, float]


# Ranges from reasoning about hard and soft contacts, not fitted to any recording.
MATERIALS = {
    "brass-on-steel": Material((6, 14), (500, 6000), (0.008, 0.080), (5e-5, 3e-4), (-12, 3), (-4, 2)),
    "cast-iron": Material((5, 12), (250, 3800), (0.006, 0.060), (1e-4, 5e-4), (-12, 2), (-6, 0)),
    "rubber-seat": Material((3, 8), (80, 1100), (0.004, 0.030), (5e-4, 2e-3), (-18, -3), (-9, -2)),
    "plastic-pipe": Material((4, 10), (130, 2600), (0.003, 0.025), (2e-4, 8e-4), (-12, 2), (-6, 0)),
    "buried-body": Material((3, 7), (80, 600), (0.008, 0.050), (5e-4, 2e-3), (-20, -6), (-12, -4)),
}


def log_uniform(rng: np.random.Generator, low: float, high: float, size: int | None = None) -> NDArray[np.float64]:
    """Draws that are uniform in the logarithm; a 0-d array when size is None."""
    return np.asarray(np.exp(rng.uniform(np.log(low), np.log(high), size)))


def random_voice(rng: np.random.Generator, material: str | None = None) -> Voice:
    """A body of the given material, or of any."""
    name = material or str(rng.choice(sorted(MATERIALS)))
    made = MATERIALS[name]
    n = int(rng.integers(made.n_modes[0], made.n_modes[1] + 1))
    hz = np.sort(log_uniform(rng, *made.mode_hz, n))
    # High modes die sooner in any one body, with plenty of scatter.
    decay_s = log_uniform(rng, *made.decay_s, n) * (hz / hz[0]) ** -rng.uniform(0, 0.3)
    tilt_db = rng.uniform(*made.tilt_db_per_octave) * np.log2(hz / hz[0])
    top_hz = made.mode_hz[1] * rng.uniform(1, 2)
    return Voice(
        mode_hz=hz,
        mode_decay_s=np.maximum(decay_s, 0.003),
        mode_level_db=tilt_db + rng.normal(0, 5, n),
        contact_s=float(log_uniform(rng, *made.contact_s)),
        burst_db=float(rng.uniform(*made.burst_db)),
        burst_decay_s=float(log_uniform(rng, 0.001, 0.012)),
        burst_hz=(float(made.mode_hz[0] * rng.uniform(0.7, 2)), float(top_hz)),
        timbre_sd_db=float(rng.uniform(0.5, 3)),
    )


def softened(voice: Voice, rng: np.random.Generator, *, shift: tuple[float, float] = (0.4, 0.9)) -> Voice:
    """The same body struck more softly and elsewhere: other shares of the modes, longer contact, lower pitch."""
    n = len(voice.mode_hz)
    return replace(
        voice,
        mode_hz=voice.mode_hz * rng.uniform(*shift) * np.exp(rng.normal(0, 0.1, n)),
        mode_decay_s=np.maximum(voice.mode_decay_s * rng.uniform(0.4, 1.0), 0.003),
        mode_level_db=rng.normal(0, 6, n) - 3 * np.log2(np.maximum(voice.mode_hz / voice.mode_hz[0], 1)),
        contact_s=voice.contact_s * float(log_uniform(rng, 1.0, 4)),
        burst_db=voice.burst_db + float(rng.uniform(-6, 3)),
    )


class Striker:
    """A voice made ready at one sample rate: strokes go in, their sound comes out.

    The waveform of a stroke begins at its own sample, not later; its first 20 ms have a mean square of about 1.
    """

    def __init__(self, voice: Voice, sample_rate_hz: int, rng: np.random.Generator) -> None:
        self.timbre_sd_db = voice.timbre_sd_db
        hears = voice.mode_hz < 0.45 * sample_rate_hz
        longest_s = max(float(np.max(voice.mode_decay_s[hears], initial=0.0)), voice.burst_decay_s)
        n = max(int(6.9 * longest_s * sample_rate_hz), int(STANDARD_S * sample_rate_hz))  # to -60 dB
        t_s = np.arange(n) / sample_rate_hz
        modes = np.exp(-t_s / voice.mode_decay_s[hears, None]) * np.sin(
            2 * np.pi * voice.mode_hz[hears, None] * t_s + rng.uniform(0.3, np.pi - 0.3, (int(hears.sum()), 1))
        )
        modes *= 10 ** (voice.mode_level_db[hears, None] / 20)
        bursts = _bursts(voice, t_s, sample_rate_hz, rng)
        if len(modes):
            energy = np.sum(modes.sum(axis=0) ** 2) / np.sum(bursts[0] ** 2)
            bursts *= np.sqrt(energy) * 10 ** (voice.burst_db / 20)
        self.n_modes = len(modes)
        n_touch = max(1, round(voice.contact_s * sample_rate_hz))
        touch = np.sin(np.pi * (np.arange(n_touch) + 0.5) / n_touch)
        rows = fftconvolve(np.vstack([modes, bursts]), touch[None, :], axes=1)
        whole = rows[: self.n_modes].sum(axis=0) + rows[self.n_modes]
        rms = np.sqrt(np.mean(whole[: int(STANDARD_S * sample_rate_hz)] ** 2))
        self.rows: Samples = (rows / rms).astype(np.float32)

    def __len__(self) -> int:
        """Samples a stroke lasts."""
        return int(self.rows.shape[1])

    def sound(self, level_db: NDArray[np.float64], rng: np.random.Generator) -> Samples:
        """One row a stroke, float32 (n_strokes, len(self)), with level_db (n_strokes,) re the standard level."""
        n = len(level_db)
        share_db = rng.normal(0, self.timbre_sd_db, (n, self.rows.shape[0]))
        gains = np.zeros((n, self.rows.shape[0]))
        gains[:, : self.n_modes] = 10 ** (share_db[:, : self.n_modes] / 20)
        which = self.n_modes + rng.integers(0, N_BURSTS, n)
        gains[np.arange(n), which] = 10 ** (share_db[np.arange(n), which] / 20) * rng.choice([-1.0, 1.0], n)
        gains *= 10 ** (np.asarray(level_db)[:, None] / 20)
        return gains.astype(np.float32) @ self.rows

    def add(
        self,
        into: Samples,
        at: NDArray[np.int64],
        level_db: NDArray[np.float64],
        rng: np.random.Generator,
        *,
        batch: int = 64,
    ) -> None:
        """Add strokes beginning at samples `at`; into must reach len(self) beyond the last."""
        for first in range(0, len(at), batch):
            for start, row in zip(
                at[first : first + batch], self.sound(level_db[first : first + batch], rng), strict=True
            ):
                into[start : start + len(row)] += row


def _bursts(
    voice: Voice, t_s: NDArray[np.float64], sample_rate_hz: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """N_BURSTS decaying bursts of band-limited noise, float64 (N_BURSTS, n), full at their first sample."""
    high_hz = min(voice.burst_hz[1], 0.45 * sample_rate_hz)
    low_hz = min(voice.burst_hz[0], 0.5 * high_hz)
    warm = int(0.05 * sample_rate_hz)  # let the filter settle, so that the burst starts at full height
    noise = rng.standard_normal((N_BURSTS, warm + len(t_s)))
    band = butter(1, [low_hz, high_hz], "bandpass", fs=sample_rate_hz, output="sos")
    return np.asarray(sosfilt(band, noise, axis=1)[:, warm:] * np.exp(-t_s / voice.burst_decay_s))

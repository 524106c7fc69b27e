"""Sounds of the place, made from nothing: stream, rain, wind, engine, voices, birds, footsteps, typing, hammering.

Each maker draws the character of one such sound and returns a function of (n samples, start in seconds, generator)
that gives float32 (n,), at about unit root mean square. The start keeps strict rhythms (a clock, an engine)
going from block to block. Their constants come from plain acoustics, not from fitting.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

from clackcount.simulate.voice import Samples, Striker, Voice, log_uniform, random_voice

Source = Callable[[int, float, np.random.Generator], Samples]
Maker = Callable[[np.random.Generator, int], Source]


def band_noise(
    n: int, low_hz: float, high_hz: float, sample_rate_hz: int, rng: np.random.Generator, *, order: int = 1
) -> Samples:
    """Noise between two frequencies with gentle slopes, unit root mean square, float32 (n,)."""
    high_hz = min(high_hz, 0.45 * sample_rate_hz)
    low_hz = min(low_hz, high_hz / 2)
    warm = int(0.1 * sample_rate_hz)
    sos = butter(order, [low_hz, high_hz], "bandpass", fs=sample_rate_hz, output="sos").astype(np.float32)
    sound = sosfilt(sos, rng.standard_normal(n + warm, np.float32))[warm:]
    return np.asarray(sound / (np.sqrt(np.mean(np.square(sound))) + 1e-12), np.float32)


def air_noise(n: int, rng: np.random.Generator) -> Samples:
    """Noise falling by about 3 dB an octave, as open air has it, unit root mean square, float32 (n,).

    Three poles and three zeros spread evenly over the logarithm of frequency: the usual approximation.
    """
    warm = 4096
    b = np.poly([0.98443604, 0.83392334, 0.07568359])
    a = np.poly([0.99572754, 0.94790649, 0.53567505])
    sound = lfilter(b, a, rng.standard_normal(n + warm, np.float32))[warm:]
    return np.asarray(sound / (np.sqrt(np.mean(np.square(sound))) + 1e-12), np.float32)


def slow_curve(n: int, hz: float, sample_rate_hz: int, rng: np.random.Generator) -> Samples:
    """A curve that wanders about `hz` times a second around 0 with unit standard deviation, float32 (n,)."""
    n_knots = max(int(n / sample_rate_hz * hz * 2) + 4, 4)
    knots = rng.standard_normal(n_knots) * 1.2  # straight lines between knots lose variance
    return np.interp(np.linspace(0, n_knots - 1, n), np.arange(n_knots), knots).astype(np.float32)


def scattered(n: int, per_s: float, sample_rate_hz: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """Sample positions of events at random times, increasing."""
    return np.sort(rng.integers(0, max(n, 1), rng.poisson(per_s * n / sample_rate_hz)))


def room(rng: np.random.Generator, sample_rate_hz: int) -> Source:
    """Plain noise of a room or a quiet yard, falling with frequency, with some mains hum at times."""
    high_hz = float(log_uniform(rng, 300, 4000))
    hum = rng.choice([0.0, rng.uniform(0.05, 0.5)])
    mains_hz = rng.choice([50.0, 60.0])

    def sound(n: int, start_s: float, rng: np.random.Generator) -> Samples:
        t_s = start_s + np.arange(n) / sample_rate_hz
        tones = sum(np.sin(2 * np.pi * mains_hz * k * t_s + k) / k for k in (1, 2, 3))
        noise = band_noise(n, 60, high_hz, sample_rate_hz, rng) + 0.1 * rng.standard_normal(n, np.float32)
        return np.asarray(noise + hum * tones, np.float32)

    return sound


def stream(rng: np.random.Generator, sample_rate_hz: int) -> Source:
    """A brook: two or three bands of noise whose levels flutter, and bubbles that ring."""
    bands = [(low, low * rng.uniform(2, 8)) for low in log_uniform(rng, 150, 2500, int(rng.integers(2, 4)))]
    levels = rng.uniform(0.3, 1, len(bands))
    bubbles_per_s = float(log_uniform(rng, 2, 80))
    voice = Striker(bubble_voice(rng), sample_rate_hz, rng)
    depth, hz = rng.uniform(0.05, 0.3), rng.uniform(0.5, 8)

    def sound(n: int, start_s: float, rng: np.random.Generator) -> Samples:
        out = np.zeros(n + len(voice), np.float32)
        for (low, high), level in zip(bands, levels, strict=True):
            flutter = np.exp(depth * slow_curve(n, hz, sample_rate_hz, rng))
            out[:n] += level * flutter * band_noise(n, low, high, sample_rate_hz, rng)
        at = scattered(n, bubbles_per_s, sample_rate_hz, rng)
        voice.add(out, at, rng.normal(-8, 6, len(at)), rng)
        return out[:n]

    return sound


def rain(rng: np.random.Generator, sample_rate_hz: int) -> Source:
    """Rain: drops at random on something that rings briefly, of widely spread strength, over a hiss."""
    drops_per_s = float(log_uniform(rng, 30, 3000))
    rings_hz = log_uniform(rng, 400, 7000, 3)
    decay_s = log_uniform(rng, 0.0005, 0.006, 3)
    spread, hiss = rng.uniform(0.6, 1.3), rng.uniform(0.1, 0.8)

    def sound(n: int, start_s: float, rng: np.random.Generator) -> Samples:
        out = np.zeros(n, np.float32)
        for hz, decay in zip(rings_hz, decay_s, strict=True):
            at = scattered(n, drops_per_s / 3, sample_rate_hz, rng)
            hits = np.zeros(n, np.float32)
            np.add.at(hits, at, np.exp(spread * rng.standard_normal(len(at))).astype(np.float32))
            out += _resonated(hits, min(hz, 0.4 * sample_rate_hz), decay, sample_rate_hz)
        out /= np.sqrt(np.mean(np.square(out))) + 1e-9
        swell = np.exp(0.3 * slow_curve(n, 0.2, sample_rate_hz, rng))
        return np.asarray((out + hiss * band_noise(n, 1000, 9000, sample_rate_hz, rng)) * swell, np.float32)

    return sound


def wind(rng: np.random.Generator, sample_rate_hz: int) -> Source:
    """Wind: gusts that buffet the microphone (below 200 Hz), and leaves that hiss with them."""
    gust, gust_hz = rng.uniform(0.4, 1.0), rng.uniform(0.1, 0.7)
    leaves = rng.uniform(0.03, 0.5)
    buffet_hz = rng.uniform(60, 250)

    def sound(n: int, start_s: float, rng: np.random.Generator) -> Samples:
        force = np.exp(gust * slow_curve(n, gust_hz, sample_rate_hz, rng))
        buffet = band_noise(n, 15, buffet_hz, sample_rate_hz, rng)
        buffet *= np.exp(0.5 * slow_curve(n, 6, sample_rate_hz, rng))
        return np.asarray(force * (buffet + leaves * band_noise(n, 800, 6000, sample_rate_hz, rng)), np.float32)

    return sound


def engine(rng: np.random.Generator, sample_rate_hz: int) -> Source:
    """An engine: harmonics of its firing rate, uneven from firing to firing, with mechanical noise in step."""
    firing_hz = float(log_uniform(rng, 6, 120))
    n_tones = max(3, min(int(2500 / firing_hz), 40))
    level = np.exp(rng.normal(0, 0.8, n_tones)) / np.arange(1, n_tones + 1) ** rng.uniform(0.3, 1.2)
    phase = rng.uniform(0, 2 * np.pi, n_tones)
    angle = np.linspace(0, 2 * np.pi, 16384, endpoint=False)
    wave = np.sum(level[:, None] * np.sin(np.arange(1, n_tones + 1)[:, None] * angle + phase[:, None]), axis=0)
    wave = (wave / np.sqrt(np.mean(wave**2))).astype(np.float32)  # one firing, read over and over
    rattle, wobble = rng.uniform(0.05, 0.5), rng.uniform(0.0, 0.4)

    def sound(n: int, start_s: float, rng: np.random.Generator) -> Samples:
        turn = 2 * np.pi * firing_hz * (start_s + np.arange(n) / sample_rate_hz)
        turn += wobble * slow_curve(n, 2, sample_rate_hz, rng)
        out = wave[(turn * (len(wave) / (2 * np.pi))).astype(np.int64) % len(wave)]
        strokes = (0.5 + 0.5 * np.cos(turn)) ** 8
        return np.asarray(out + 3 * rattle * strokes * band_noise(n, 500, 5000, sample_rate_hz, rng), np.float32)

    return sound


def speech(rng: np.random.Generator, sample_rate_hz: int) -> Source:
    """Somebody talking, without words: voiced syllables through three formants, hisses and stops, pauses between."""
    pitch_hz = float(log_uniform(rng, 85, 250))
    syllable_s, pause_share = rng.uniform(0.15, 0.28), rng.uniform(0.08, 0.3)

    def sound(n: int, start_s: float, rng: np.random.Generator) -> Samples:
        out = np.zeros(n, np.float32)
        at = 0
        while at < n:
            if rng.random() < pause_share:
                at += int(rng.uniform(0.2, 1.2) * sample_rate_hz)
            length = int(syllable_s * rng.uniform(0.5, 1.6) * sample_rate_hz)
            piece = _syllable(length, pitch_hz * np.exp(rng.normal(0, 0.15)), sample_rate_hz, rng)[: max(n - at, 0)]
            out[at : at + len(piece)] += piece
            at += int(length * rng.uniform(0.85, 1.05))
        return out

    return sound


def birds(rng: np.random.Generator, sample_rate_hz: int) -> Source:
    """Birds: phrases of chirps that glide between 1.5 and 8 kHz."""
    singers = [
        (float(log_uniform(rng, 1800, 5500)), rng.uniform(0.03, 0.2), int(rng.integers(1, 12))) for _ in range(4)
    ]
    phrases_per_s = rng.uniform(0.3, 1.5)

    def sound(n: int, start_s: float, rng: np.random.Generator) -> Samples:
        out = 0.02 * rng.standard_normal(n, np.float32)
        for at in scattered(n, phrases_per_s, sample_rate_hz, rng):
            hz, chirp_s, n_chirps = singers[int(rng.integers(len(singers)))]
            glide, loud = rng.normal(0, 0.35), np.exp(rng.normal(0, 0.7))
            length = int(chirp_s * sample_rate_hz)
            x = np.linspace(0, 1, length)
            chirp = np.sin(np.pi * x) ** 0.7 * np.sin(2 * np.pi * np.cumsum(hz * np.exp(glide * x)) / sample_rate_hz)
            for k in range(n_chirps):
                first = int(at + k * 1.35 * length)
                piece = (3 * loud * chirp)[: max(n - first, 0)]
                out[first : first + len(piece)] += piece.astype(np.float32)
        return out

    return sound


def _knocker(
    rng: np.random.Generator,
    sample_rate_hz: int,
    voice: Voice,
    times: Callable[[float, float, np.random.Generator], NDArray[np.float64]],
    spread_db: float,
) -> Source:
    """Strokes of one voice at the times that times(start_s, end_s, rng) gives."""
    striker = Striker(voice, sample_rate_hz, rng)

    def sound(n: int, start_s: float, rng: np.random.Generator) -> Samples:
        out = np.zeros(n + len(striker), np.float32)
        at = np.round((times(start_s, start_s + n / sample_rate_hz, rng) - start_s) * sample_rate_hz).astype(np.int64)
        at = at[(at >= 0) & (at < n)]
        striker.add(out, at, rng.normal(0, spread_db, len(at)), rng)
        return out[:n] + 0.01 * rng.standard_normal(n, np.float32)

    return sound


def _gapped(mean_s: float, cv: float, rest_share: float, rest_s: float) -> Callable[..., NDArray[np.float64]]:
    """Times with human gaps, broken by rests."""

    def times(start_s: float, end_s: float, rng: np.random.Generator) -> NDArray[np.float64]:
        n = int((end_s - start_s) / mean_s * 2) + 8
        gaps = mean_s * np.exp(cv * rng.standard_normal(n)) + (rng.random(n) < rest_share) * rng.exponential(
            rest_s, n
        )
        at = start_s + np.cumsum(gaps) - gaps[0] * rng.random()
        return np.asarray(at[at < end_s])

    return times


def footsteps(rng: np.random.Generator, sample_rate_hz: int) -> Source:
    """Somebody walking, now and then standing."""
    voice = Voice(log_uniform(rng, 60, 500, 5), log_uniform(rng, 0.005, 0.03, 5), rng.normal(0, 4, 5), 3e-3,
                  rng.uniform(-6, 8), rng.uniform(0.01, 0.05), (300.0, 5000.0), 4.0)  # fmt: skip
    return _knocker(rng, sample_rate_hz, voice, _gapped(rng.uniform(0.45, 0.7), 0.05, 0.06, 3.0), 3.0)


def typing(rng: np.random.Generator, sample_rate_hz: int) -> Source:
    """Keys of a keyboard, or fingers on the phone's own case."""
    voice = Voice(np.sort(log_uniform(rng, 400, 5000, 6)), log_uniform(rng, 0.002, 0.012, 6), rng.normal(0, 5, 6),
                  4e-4, rng.uniform(-6, 6), 0.004, (800.0, 8000.0), 5.0)  # fmt: skip
    return _knocker(rng, sample_rate_hz, voice, _gapped(rng.uniform(0.1, 0.25), 0.4, 0.12, 1.2), 3.5)


def hammering(rng: np.random.Generator, sample_rate_hz: int) -> Source:
    """Hammering or chopping: human rhythm, one body, rests between."""
    rests = _gapped(rng.uniform(0.4, 1.3), rng.uniform(0.03, 0.12), rng.uniform(0.03, 0.2), 4.0)
    return _knocker(rng, sample_rate_hz, random_voice(rng), rests, 2.0)


def clock(rng: np.random.Generator, sample_rate_hz: int) -> Source:
    """A clock: strictly even ticks, every second one a little different."""
    tick_s = 1 / rng.choice([1.0, 2.0, 2.5, 3.0, 4.0, 5.0])

    def times(start_s: float, end_s: float, rng: np.random.Generator) -> NDArray[np.float64]:
        return np.asarray(np.arange(np.ceil(start_s / tick_s), np.ceil(end_s / tick_s)) * tick_s, np.float64)

    voice = Voice(np.sort(log_uniform(rng, 900, 7000, 8)), log_uniform(rng, 0.002, 0.02, 8), rng.normal(0, 5, 8),
                  1e-4, rng.uniform(-8, 3), 0.002, (1000.0, 9000.0), 1.0)  # fmt: skip
    return _knocker(rng, sample_rate_hz, voice, times, 1.0)


MAKERS: dict[str, Maker] = {
    "room": room,
    "stream": stream,
    "rain": rain,
    "wind": wind,
    "engine": engine,
    "speech": speech,
    "birds": birds,
    "footsteps": footsteps,
    "typing": typing,
    "hammering": hammering,
    "clock": clock,
}


def looped(clip: NDArray[np.floating], fade_s: float, sample_rate_hz: int) -> Samples:
    """A clip made endless: its end is cross-faded into its beginning (equal power), float32 (n - n_fade,).

    Repeat the result and no seam is heard. Shorter than two fades: the fade shrinks to half the clip.
    """
    n_fade = min(int(fade_s * sample_rate_hz), len(clip) // 2)
    body = np.array(clip[: len(clip) - n_fade], np.float32)
    turn = np.linspace(0, np.pi / 2, n_fade, dtype=np.float32)
    body[:n_fade] = body[:n_fade] * np.sin(turn) + np.asarray(clip[len(clip) - n_fade :], np.float32) * np.cos(turn)
    return body


def recorded(
    clip: NDArray[np.floating],
    clip_rate_hz: int,
    sample_rate_hz: int,
    rng: np.random.Generator,
    *,
    fade_s: float = 0.5,
) -> Source:
    """A source from an external recording (mono, any rate), looped without a seam from a random place on."""
    if clip_rate_hz != sample_rate_hz:
        from math import gcd

        from scipy.signal import resample_poly

        common = gcd(clip_rate_hz, sample_rate_hz)
        clip = resample_poly(np.asarray(clip, np.float32), sample_rate_hz // common, clip_rate_hz // common)
    endless = looped(clip, fade_s, sample_rate_hz)
    endless = endless / (np.sqrt(np.mean(np.square(endless, dtype=np.float64))) + 1e-12)
    offset = int(rng.integers(len(endless)))

    def sound(n: int, start_s: float, rng: np.random.Generator) -> Samples:
        first = (offset + round(start_s * sample_rate_hz)) % len(endless)
        return np.asarray(np.resize(np.roll(endless, -first), n), np.float32)

    return sound


def bubble_voice(rng: np.random.Generator) -> Voice:
    """Bubbles: one pitch at a time out of many, no hiss."""
    hz = log_uniform(rng, 200, 2500, 12)
    return Voice(
        hz, log_uniform(rng, 0.003, 0.02, 12), rng.normal(0, 3, 12), 1e-3, -30.0, 0.003, (300.0, 3000.0), 9.0
    )


def _resonated(hits: Samples, hz: float, decay_s: float, sample_rate_hz: int) -> Samples:
    """Hits through one resonance."""
    pole = np.exp(-1 / (decay_s * sample_rate_hz))
    a = [1.0, -2 * pole * np.cos(2 * np.pi * hz / sample_rate_hz), pole**2]
    return np.asarray(lfilter([1.0], np.asarray(a), hits), np.float32)


def _syllable(n: int, pitch_hz: float, sample_rate_hz: int, rng: np.random.Generator) -> Samples:
    """One syllable: a stop or a hiss at times, then a vowel."""
    t_s = np.arange(n) / sample_rate_hz
    glide = pitch_hz * np.exp(rng.normal(0, 0.15) * np.linspace(0, 1, n))
    buzz = np.diff(np.floor(np.cumsum(glide) / sample_rate_hz), prepend=0).astype(np.float32)
    vowel = np.zeros(n, np.float32)
    for low, high, level in ((250, 850, 1.0), (800, 2400, 0.5), (2200, 3400, 0.2)):
        hz = min(rng.uniform(low, high), 0.4 * sample_rate_hz)
        vowel += level * _resonated(buzz, hz, rng.uniform(0.003, 0.008), sample_rate_hz)
    vowel *= (np.sin(np.pi * np.minimum(t_s / t_s[-1], 1)) ** 0.5).astype(np.float32)
    vowel *= np.float32(np.exp(rng.normal(0, 0.35))) / (np.sqrt(np.mean(np.square(vowel))) + 1e-6)
    start = rng.random()
    if start < 0.3:  # a stop: silence, then a burst
        gap = int(0.04 * sample_rate_hz)
        vowel[:gap] = 0
        m = min(int(0.01 * sample_rate_hz), max(n - gap, 0))
        burst = rng.standard_normal(m) * np.exp(-np.arange(m) / (0.003 * sample_rate_hz)) * rng.uniform(0.3, 1.5)
        vowel[gap : gap + m] += burst.astype(np.float32)
    elif start < 0.5:  # a hiss
        m = min(int(rng.uniform(0.05, 0.12) * sample_rate_hz), n)
        shape = np.sin(np.pi * np.linspace(0, 1, m)) * rng.uniform(0.1, 0.5)
        vowel[:m] = (shape * band_noise(m, 3000, 9000, sample_rate_hz, rng)).astype(np.float32)
    return vowel

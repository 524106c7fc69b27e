"""Samples in, impacts out, whatever made them: what stands out from the sound just before it, knock by knock.

Slams are not looked for this way, for they repeat and are known by it. This is for sounds that need not: a clock, a
tap, a single stroke. It says where something struck, not what.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from clackcount.errors import RecordingError
from clackcount.hearing.bands import band_edges_hz
from clackcount.hearing.ear import Ear
from clackcount.hearing.novelty import BEFORE, REACH
from clackcount.hearing.placing import place, struck
from clackcount.middle import middle_and_spread
from clackcount.model import FloatArray, Impacts, Passage, locked
from clackcount.settings import HearingSettings

SPANS = 3  # of the spans after a moment, those that end within 20 ms: a knock fills them, a voice grows longer
LOUD_Z = 8.0  # deviations beyond which a band counts no more, so that no single one decides
CLEAR = 5.5  # deviations of the passage's novelty above its median; lower, and rain drops fill the list
STRONG_DB = 6.0  # four times the energy that was there: noise alone makes three
LEAST = 0.1  # deviation of the mean over bands, at least: noise makes 0.15, digital silence none
LOUD_CURVE, AFTER_S = 12.0, 0.6  # a knock this loud lifts the floor for so long: one and a half of its time constants
APART_S = 0.05  # closer together it is one sound and its echo; common practice, no source
LOWEST_RATE_HZ = 4000
QUIET_FRAMES = (-12, -2)  # frames around 60 to 10 ms before the start: what was there before
STRUCK_FRAME = 2  # the frame whose 20 ms begin at the start
NEIGHBOURS = 3  # bands in which the strength is measured together: one alone scatters by several decibels
STANDS_DB = 6.0  # a band that rises by less says nothing of how the impact dies away
DECAY_DB, DECAY_MAX_S = 10.0, 0.5


def find_impacts(
    samples: NDArray[np.floating], sample_rate_hz: int, settings: HearingSettings | None = None
) -> Impacts:
    """Every sudden broadband sound in samples, floating (n,), mono, full scale 1; sample_rate_hz 4000 or more.

    Frames of 20 ms find them by how many bands rise at once above a floor that follows each band, every band in
    units of its own scatter (spectral flux: Dixon 2006, "Onset detection revisited", DAFx, from memory); the start is
    then placed on the waveform. Works through passages of a minute; beside the samples only the impacts are kept.
    A sound in the first 30 ms has nothing before it that it could stand out from, and one in the last 40 ms cannot be
    told from the recording's breaking off. Raises RecordingError for samples
    that are not one channel and for a lower sample rate.
    """
    if np.ndim(samples) != 1:
        raise RecordingError(f"samples of shape {np.shape(samples)}; impacts are looked for in one channel")
    if sample_rate_hz < LOWEST_RATE_HZ:
        raise RecordingError(f"{sample_rate_hz} samples a second are too few to tell a knock from a thud")
    settings = settings or HearingSettings()
    ear = Ear(sample_rate_hz, settings)
    band_hz = band_edges_hz(sample_rate_hz, settings)[1:-1]
    found = []
    for first in range(0, len(samples), sample_rate_hz):
        block = np.asarray(samples[first : first + sample_rate_hz], dtype=np.float32)
        found += [_impacts_of(passage, band_hz) for passage in ear.feed(block)]
    found += [_impacts_of(passage, band_hz) for passage in ear.finish()]
    return _joined(found, band_hz)


def novelty(rises: NDArray[np.float32], frames_per_s: float) -> FloatArray:
    """How far each frame stands out, in robust deviations of the quiet frames: float64 (n_frames,).

    The mean over bands of how far each rises, in its own deviations. For a while after a loud knock the floor is high
    and hides the scatter of what lies beneath, so deviations are taken a second time without those frames.
    rises: float32 (n_frames, n_bands, n_spans), of some seconds at least.
    """
    rise = rises[:, :, :SPANS].mean(axis=2)
    curve = _standing_out(rise, np.ones(len(rise), dtype=np.bool_))
    knocked = np.flatnonzero(curve > LOUD_CURVE)
    since = (
        np.arange(len(curve))
        - np.append(-len(curve), knocked)[np.searchsorted(knocked, np.arange(len(curve)), "right")]
    )
    quiet = (since > AFTER_S * frames_per_s) & (curve < CLEAR)
    return _standing_out(rise, quiet) if quiet.sum() > frames_per_s else curve


def _standing_out(rise: NDArray[np.float32], quiet: NDArray[np.bool_]) -> FloatArray:
    usual, spread = middle_and_spread(rise[quiet])
    curve = np.clip((rise - usual) / np.maximum(spread, 1e-3), 0, LOUD_Z).mean(axis=1)
    usual, spread = middle_and_spread(curve[quiet])
    return np.asarray((curve - usual) / np.maximum(spread, LEAST), dtype=np.float64)


def _impacts_of(passage: Passage, band_hz: FloatArray) -> Impacts:
    apart = max(1, round(APART_S * passage.frames_per_s))
    curve: FloatArray = novelty(passage.rises, passage.frames_per_s)
    frame = np.flatnonzero((curve > CLEAR) & (curve == maximum_filter1d(curve, 2 * apart - 1)))
    earliest = max(passage.keep[0], -BEFORE[0] - passage.first_frame)
    # the last frames of all see the recording break off, which sounds like a knock
    frame = frame[(frame >= earliest) & (frame < min(passage.keep[1], len(curve) - REACH))]
    approx: FloatArray = (frame + passage.first_frame) * np.float64(passage.hop)
    time_s = place(passage.samples, passage.first_sample, passage.sample_rate_hz, approx)
    # several frames stand before one blow: drawn onto it, they are one
    at = np.round(time_s * passage.sample_rate_hz) - passage.first_sample
    time_s = (struck(passage.samples, at, passage.sample_rate_hz) + passage.first_sample) / passage.sample_rate_hz
    return _described(passage, np.unique(time_s), band_hz)


def _described(passage: Passage, time_s: FloatArray, band_hz: FloatArray) -> Impacts:
    """The strong ones among the starts, and what each was like, from the levels of the frames around it."""
    energy = 10 ** (passage.level_db.astype(np.float64) / 10)
    n_frames, n_bands = energy.shape
    start = np.round(time_s * passage.frames_per_s).astype(np.int64) - passage.first_frame
    padded = np.pad(energy, ((-QUIET_FRAMES[0], STRUCK_FRAME + 1), (0, 0)), mode="edge")
    total = np.cumsum(np.pad(padded, ((1, 0), (0, 0))), axis=0)
    start = np.clip(start, 0, n_frames - 1)
    span = QUIET_FRAMES[1] - QUIET_FRAMES[0]
    before = (total[start + span] - total[start]) / span
    struck = padded[start - QUIET_FRAMES[0] + STRUCK_FRAME]
    width = min(NEIGHBOURS, n_bands)

    def grouped(bands: FloatArray) -> FloatArray:
        return np.asarray(np.lib.stride_tricks.sliding_window_view(bands, width, axis=1).sum(axis=2))

    strength_db = 10 * np.log10(grouped(struck) / grouped(before)).max(axis=1) if len(start) else np.zeros(0)
    strong = strength_db > STRONG_DB
    start, before, struck = start[strong], before[strong], struck[strong]
    shape = np.maximum(10 * np.log10(struck / before), 0)
    return Impacts(
        time_s=time_s[strong],
        strength_db=strength_db[strong].astype(np.float32),
        background_db=(10 * np.log10(before.sum(axis=1))).astype(np.float32),
        decay_s=_decay_s(energy, start, before, shape, passage.frames_per_s),
        shape=shape.astype(np.float32),
        band_hz=band_hz,
    )


def _decay_s(
    energy: FloatArray, start: NDArray[np.int64], before: FloatArray, shape: FloatArray, frames_per_s: float
) -> NDArray[np.float32]:
    """How long the excess over the background takes from its peak to DECAY_DB below, float32 (n,), NaN: not seen."""
    result = np.full(len(start), np.nan, dtype=np.float32)
    longest = round(DECAY_MAX_S * frames_per_s)
    following = np.append(start[1:], len(energy))
    for i, first in enumerate(start):
        bands = shape[i] > STANDS_DB
        if not bands.any():
            continue
        last = min(following[i], first + longest)
        excess = energy[first:last, bands].sum(axis=1) - before[i, bands].sum()
        peak = int(np.argmax(excess[: 2 * STRUCK_FRAME + 1])) if len(excess) else 0
        below = np.flatnonzero(excess[peak:] < excess[peak : peak + 1] * 10 ** (-DECAY_DB / 10))
        if len(below):
            result[i] = below[0] / frames_per_s
    return result


def _joined(found: list[Impacts], band_hz: FloatArray) -> Impacts:
    """All impacts in order; of two that both sides of a passage's border placed at the same start, the first."""
    none = np.zeros(0, dtype=np.float32)
    parts = [Impacts(np.zeros(0), none, none, none, np.zeros((0, len(band_hz)), np.float32), band_hz), *found]
    time_s = np.concatenate([part.time_s for part in parts])
    order = np.argsort(time_s, kind="stable")
    order = order[np.diff(time_s[order], prepend=-np.inf) > APART_S / 2]
    return Impacts(
        locked(time_s[order]),
        locked(np.concatenate([part.strength_db for part in parts])[order], np.float32),
        locked(np.concatenate([part.background_db for part in parts])[order], np.float32),
        locked(np.concatenate([part.decay_s for part in parts])[order], np.float32),
        locked(np.concatenate([part.shape for part in parts])[order], np.float32),
        locked(band_hz),
    )

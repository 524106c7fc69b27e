"""The other sounds of a cycle, and which of two is the slam.

A cycle holds more than the slam: the valve drops open again some 50 to 400 ms later, often softer, sometimes just
as loud. Between the slam and the reopening the waste valve is shut and the rush of water is gone; from the
reopening to the next slam it grows. That, the gap, the loudness and the width of the spectrum tell which is which.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.series import Series
from clackcount.beats.template import Field, Frames

SHUT_S = (0.045, 0.45)  # from slam to reopening; published and measured: 60 to 350 ms, with room
SHARE_MAX = 0.75  # of the period that the valve may stay shut


@dataclass(frozen=True, slots=True)
class Companion:
    """A second sound at a constant lag after (or, lag < 0, before) the members of a series.

    lag: frames. strength: mean onset there over its scatter by chance.
    """

    lag: int
    strength: float


def fold(rises: NDArray[np.float32], frames: Frames, lags: NDArray[np.intp]) -> NDArray[np.float64]:
    """How far a sound stands out at each lag from the members, float64 (n_lags,); chance alone gives about 0 to 3.

    The rise in each band is averaged over the members and measured in its standard errors; the squares of those
    above 0 are averaged over the bands, so that a thud in one octave counts as well as a crack in all.
    """
    onset = np.maximum(0.5 * (rises[:, :, 0] + rises[:, :, 1]), 0)
    # the lag strays by a frame or two
    onset = np.maximum(np.maximum(onset[:-2], onset[1:-1]), onset[2:])
    onset = np.minimum(onset, np.percentile(onset[::4], 99, axis=0))
    where = frames[:, None] + lags[None, :] - 1
    inside = np.all((where >= 0) & (where < len(onset)), axis=1)
    if inside.sum() < 4:
        return np.zeros(len(lags))
    mean = np.stack([onset[where[inside, i]].mean(axis=0) for i in range(len(lags))])
    errors = onset.std(axis=0) / np.sqrt(inside.sum()) + 1e-9
    excess = np.maximum((mean - onset.mean(axis=0)) / errors, 0)
    result: NDArray[np.float64] = ((excess**2).mean(axis=1) - 0.5) / 0.3
    return result


def companions(
    field: Field, series: Series, frames_per_s: float, strength_min: float
) -> tuple[Companion | None, Companion | None]:
    """The strongest second sound after the members and before them, each within the shut phase's reach."""
    longest = min(SHUT_S[1] * frames_per_s, SHARE_MAX * series.period)
    lags = np.arange(int(np.ceil(SHUT_S[0] * frames_per_s)), int(longest) + 1)
    found: list[Companion | None] = []
    for sign in (1, -1):
        if len(lags) < 3:
            found.append(None)
            continue
        strength = echoes(field, series.frames, sign * lags)
        # a ring dying away after the slam falls from lag to lag: only a rise and fall is a sound of its own
        inner = (strength[1:-1] >= strength[:-2]) & (strength[1:-1] >= strength[2:])
        inner &= strength[1:-1] > max(strength_min, STAND_OUT * float(np.percentile(strength, 25)))
        if not inner.any():
            found.append(None)
            continue
        best = 1 + int(np.argmax(np.where(inner, strength[1:-1], -np.inf)))
        found.append(Companion(int(sign * lags[best]), float(strength[best])))
    return found[0], found[1]


def echoes(field: Field, frames: Frames, lags: NDArray[np.intp]) -> NDArray[np.float64]:
    """How far a knock stands out at each lag from the members, in deviations of chance, float64 (n_lags,).

    The mean of the uncorrelated features over the members: n times its squared length is chi-squared by chance. 0
    where the bands do not rise: the ring of the slam before is no knock.
    """
    frames = frames[(frames + lags.min() >= 0) & (frames + lags.max() < len(field.features))]
    if len(frames) < 4:
        return np.zeros(len(lags))
    mean = np.stack([field.features[frames + lag].mean(axis=0) for lag in lags]) - field.mean
    n_features = mean.shape[1]
    length = len(frames) * ((mean @ field.whiten) ** 2).sum(axis=1)
    rise = (mean / np.sqrt(field.variance)).reshape(len(lags), -1, N_SPANS)[:, :, :2].mean(axis=2)
    rising = np.maximum(rise, 0).sum(axis=1) * np.sqrt(len(frames)) > RISING_MIN
    result: NDArray[np.float64] = np.where(rising, (length - n_features) / np.sqrt(2 * n_features), 0.0)
    return result


N_SPANS = 4
RISING_MIN = 15.0  # standard errors summed over the bands; chance gives about 0.4 for each


STAND_OUT = 3.0  # over the other lags: rain and rush make all lags stand out a little


def rush_contrast(level_db: NDArray[np.float32], first: Frames, last: Frames, lag: int) -> float:
    """How much louder the water is just before the next member than at the end of the gap, as a t value.

    level_db float32 (n_frames, n_bands). first, last: members that begin a cycle, and the next ones; the gap lies
    between ``first`` and ``first + lag``. Positive when the gap is the shut phase. Measured at the ends of the two
    spans, where the ring of the knock that began them has died away most.
    """
    shut = _level_before(level_db, first + lag)
    open_ = _level_before(level_db, last)
    difference = (open_ - shut).mean(axis=1)
    difference = difference[np.isfinite(difference)]
    if len(difference) < 4:
        return 0.0
    middle = float(np.median(difference))
    scatter = 1.4826 * float(np.median(np.abs(difference - middle))) + 0.2
    return middle / scatter * float(np.sqrt(len(difference)))


def _level_before(level_db: NDArray[np.float32], frames: Frames) -> NDArray[np.float32]:
    """Mean level of the last frames that a knock at each of ``frames`` does not touch, float32 (n, n_bands)."""
    where = frames[:, None] + np.arange(-6, -2)[None, :]
    return np.asarray(level_db[np.clip(where, 0, len(level_db) - 1)].mean(axis=1))


def profile(rises: NDArray[np.float32], frames: Frames) -> NDArray[np.float64]:
    """Mean rise of these moments by band, float64 (n_bands,), in the deviations of each band, not below 0."""
    onset = 0.5 * (rises[:, :, 0] + rises[:, :, 1])
    mean = onset[frames].mean(axis=0) - onset.mean(axis=0)
    result: NDArray[np.float64] = np.maximum(mean / (onset.std(axis=0) + 1e-9), 0).astype(np.float64)
    return result


def likeness(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Cosine of the angle between two profiles: 1 the same shape at any loudness, 0 nothing in common."""
    scale = float(np.linalg.norm(one) * np.linalg.norm(other))
    return float(one @ other) / scale if scale > 0 else 0.0


def slam_odds(
    rises: NDArray[np.float32],
    level_db: NDArray[np.float32],
    frames: Frames,
    lag: int,
    period: float,
    frames_per_s: float,
) -> float:
    """Log odds that the members are the slams and the sound ``lag`` frames later the reopening.

    The same question with the roles exchanged has its own odds; only the difference of the two means something.
    """
    gap_s = lag / frames_per_s
    odds = -0.5 * (np.log(gap_s / 0.15) / 0.7) ** 2  # shut phases cluster about 150 ms
    if lag > 0.6 * period:
        odds -= 2.0
    single = np.diff(frames) < 1.5 * period
    t_value = rush_contrast(level_db, frames[:-1][single], frames[1:][single], lag)
    # within a tenth of a second the ring of the louder knock drowns the water
    shorter_s = min(lag, period - lag) / frames_per_s
    odds += float(np.clip((shorter_s - 0.06) / 0.1, 0.25, 1.0) * np.clip(t_value / 2, -6, 6))
    other = frames + lag
    other = other[(other > 0) & (other < len(rises) - 1)]
    mine, theirs = profile(rises, frames), profile(rises, other)
    louder = np.log((struck_energy(level_db, frames) + 1e-12) / (struck_energy(level_db, other) + 1e-12))
    odds += float(np.clip(louder, -LOUDER_MAX, LOUDER_MAX))
    # a falling valve thuds, a slamming one cracks: the slam's spectrum reaches higher
    odds += float(np.clip((middle_band(mine) - middle_band(theirs)) / 5, -1.5, 1.5))
    return float(odds)


LOUDER_MAX = 3.0


def struck_energy(level_db: NDArray[np.float32], frames: Frames) -> float:
    """Energy that a knock at these frames adds to what was there before, over all bands, median over the frames.

    Energy, not how far a band rises over its own background: a soft thud in a silent band would seem the louder.
    """
    last = len(level_db) - 1
    power = 10 ** (level_db[np.clip(frames[:, None] + np.arange(-6, 5)[None, :], 0, last)].astype(np.float64) / 10)
    added = power[:, 6:].max(axis=1) - power[:, :4].mean(axis=1)
    return float(np.maximum(np.median(added, axis=0), 0).sum())


def middle_band(mean_rise: NDArray[np.float64]) -> float:
    """Centre of gravity of a profile, in bands."""
    return float(mean_rise @ np.arange(len(mean_rise)) / (mean_rise.sum() + 1e-9))

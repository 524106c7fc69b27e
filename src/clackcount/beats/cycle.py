"""The sounds of a cycle, and which of them is the slam.

A cycle holds more than the slam: the valve drops open again some 50 to 400 ms later, often softer, sometimes just
as loud. Between the slam and the reopening the waste valve is shut and the rush of water is gone; from the
reopening to the next slam it grows. That, the gap, the loudness and the width of the spectrum tell which is which.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.series import Series
from clackcount.beats.template import N_SPANS, Field, Frames
from clackcount.beats.water import RINGS_FRAMES, rush_contrast

SHUT_S = (0.045, 0.45)  # from slam to reopening; published and measured: 60 to 350 ms, with room
SHARE_MAX = 0.75  # of the period that the valve may stay shut


@dataclass(frozen=True, slots=True)
class Sound:
    """A sound at a constant lag after (or, lag < 0, before) the members of a series.

    lag: frames. strength: mean onset there over its scatter by chance. energy: see struck_energies.
    """

    lag: int
    strength: float
    energy: float


def sounds_of_cycle(
    field: Field,
    level_db: NDArray[np.float32],
    series: Series,
    frames_per_s: float,
    strength_min: float,
) -> list[Sound]:
    """All sounds that come at a constant lag from the members, the members' own among them, in order of lag.

    Of a fast ram a whole cycle about the members is looked at, of a slow one REACH_S to either side.
    """
    reach = int(min(REACH_S * frames_per_s, series.period / 2))
    lags = np.arange(-reach, reach + 1)
    strength = echoes(field, series.frames, lags)
    # a ring dying away after the slam falls from lag to lag: only a rise and fall is a sound of its own
    peak = (strength[1:-1] >= strength[:-2]) & (strength[1:-1] > strength[2:])
    peak &= strength[1:-1] > max(strength_min, STAND_OUT * float(np.percentile(strength, 25)))
    where = lags[1:-1][peak]
    if not np.any(np.abs(where) <= OWN_FRAMES):
        where = np.sort(np.append(where, 0))
    found: list[Sound] = []
    for lag in where:
        sound = knock_near(level_db, series.frames, int(lag), float(strength[lag + reach]))
        if found and sound.lag - found[-1].lag <= OWN_FRAMES:
            sound = max(sound, found.pop(), key=lambda either: either.energy)
        found.append(sound)
    return found


def knock_near(level_db: NDArray[np.float32], frames: Frames, lag: int, strength: float = 0.0) -> Sound:
    """The sound about this lag, at the frame in which it begins to add its energy.

    The features look ahead and back, and may stand out most some frames before or after the knock itself.
    """
    lags = np.arange(lag - LOOK_BACK, lag + LOOK_AHEAD + 1)
    energy = struck_energies(level_db, frames, lags)
    first = int(np.argmax(energy >= BEGINS * energy.max()))
    return Sound(int(lags[first]), strength, float(energy[first])) if energy.max() > 0 else Sound(lag, strength, 0.0)


LOOK_BACK, LOOK_AHEAD, BEGINS = 3, 4, 0.7
REACH_S = 0.5
OWN_FRAMES = 2


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


RISING_MIN = 15.0  # standard errors summed over the bands; chance gives about 0.4 for each


STAND_OUT = 3.0  # over the other lags: rain and rush make all lags stand out a little


def profile(field: Field, frames: Frames) -> NDArray[np.float64]:
    """Mean rise of these moments by band, float64 (n_bands,), in the deviations of each band, not below 0."""
    onset = field.onset
    mean = onset.rise[frames].mean(axis=0) - onset.mean
    result: NDArray[np.float64] = np.maximum(mean / (onset.deviation + 1e-9), 0).astype(np.float64)
    return result


def breadth(profile_: NDArray[np.float64]) -> float:
    """How many bands a sound of this profile is heard in: 1 for a single one, all of them where they rise alike.

    The participation ratio, the square of the sum over the sum of the squares (any textbook of statistical physics).
    """
    square = float(profile_ @ profile_)
    return float(profile_.sum()) ** 2 / square if square > 0 else 0.0


def likeness(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Cosine of the angle between two profiles: 1 the same shape at any loudness, 0 nothing in common."""
    scale = float(np.linalg.norm(one) * np.linalg.norm(other))
    return float(one @ other) / scale if scale > 0 else 0.0


def slam_odds(
    sounds: list[Sound],
    which: int,
    field: Field,
    water_db: NDArray[np.float32],
    series: Series,
    frames_per_s: float,
) -> float:
    """Log odds, up to a constant, that of the sounds of a cycle this one is the slam.

    The slam comes first: what else sounds in a cycle (splash, delivery valve, reopening) follows it while the waste
    valve is shut, then there is only water until the next slam. It is loud, and the water is louder before it than at
    the end of the shut phase.
    """
    slam, period = sounds[which], series.period
    loudest = max(sound.energy for sound in sounds) + 1e-12
    odds = max(float(np.log((slam.energy + 1e-12) / loudest)), -LOUDER_MAX)
    disturbance = 0.0
    for other in sounds:
        lag = lag_after(slam, other, period, frames_per_s)
        if other is not slam and not 0 < lag <= min(REACH_S * frames_per_s, SHARE_MAX * period):
            fainter_db = 10 * float(np.log10((slam.energy + 1e-12) / (other.energy + 1e-12)))
            disturbance = max(disturbance, float(np.clip((15 - fainter_db) / 10, 0, 1)))
    odds -= BEFORE_COST * disturbance
    reopening = reopening_of(sounds, slam, period, frames_per_s)
    if reopening is None:
        return odds - UNHEARD_COST
    lag = lag_after(slam, reopening, period, frames_per_s)
    odds -= min(0.5 * (np.log(lag / frames_per_s / 0.15) / 0.7) ** 2, 2.0)  # shut phases cluster about 150 ms
    if lag > 0.6 * period:
        odds -= 2.0
    frames = series.frames + slam.lag
    single = np.diff(frames) < 1.5 * period
    most = 0.0 if rings_before(slam, sounds, period, frames_per_s) else RUSH_MAX
    least = 0.0 if rings_before(reopening, sounds, period, frames_per_s) else -RUSH_MAX
    if most > least:  # or the water says nothing
        t_value = rush_contrast(water_db, frames[:-1][single], frames[1:][single], lag)
        odds += float(np.clip(t_value / 2, least, most))
    # a falling valve thuds, a slamming one cracks: the slam's spectrum reaches higher
    mine, theirs = (
        middle_band(profile(field, np.clip(series.frames + sound.lag, 0, len(water_db) - 1)))
        for sound in (slam, reopening)
    )
    return float(odds + np.clip((mine - theirs) / 5, -HIGHER_MAX, HIGHER_MAX) / 2)


LOUDER_MAX, RUSH_MAX, HIGHER_MAX = 5.0, 4.0, 1.5
BEFORE_COST, UNHEARD_COST = 4.0, 1.0


def rings_before(one: Sound, sounds: list[Sound], period: float, frames_per_s: float) -> bool:
    """Whether another sound, not much fainter, came so shortly before this one that it still rings."""
    return any(
        0 < lag_after(other, one, period, frames_per_s) < RINGS_FRAMES and other.energy > 0.01 * one.energy
        for other in sounds
    )


def lag_after(one: Sound, other: Sound, period: float, frames_per_s: float) -> int:
    """Frames from one sound of the cycle to the other: within the cycle, where it was looked at as a whole."""
    lag = other.lag - one.lag
    return int(lag % round(period)) if period / 2 <= REACH_S * frames_per_s else lag


def reopening_of(sounds: list[Sound], slam: Sound, period: float, frames_per_s: float) -> Sound | None:
    """The strongest of the sounds that follow this one at a lag that the shut phase may have; None without any."""
    longest = min(SHUT_S[1] * frames_per_s, SHARE_MAX * period)
    shut = [
        sound
        for sound in sounds
        if SHUT_S[0] * frames_per_s <= lag_after(slam, sound, period, frames_per_s) <= longest
    ]
    return max(shut, key=lambda sound: sound.strength, default=None)


def struck_energies(level_db: NDArray[np.float32], frames: Frames, lags: NDArray[np.intp]) -> NDArray[np.float64]:
    """Energy that a knock adds to what was there before, at lags that follow one another: float64 (n_lags,).

    Median over the frames, sum over the bands in which it surely adds any. Energy, not how far a band rises over its
    own background: a soft thud in a silent band would seem the louder.
    """
    n, around = len(lags), np.arange(lags[0] + STRUCK_BEFORE[0], lags[-1] + STRUCK_AFTER[-1] + 1)
    where = np.clip(frames[:, None] + around[None, :], 0, len(level_db) - 1)
    power = 10 ** (level_db[where].astype(np.float64) / 10)

    def mean_at(offsets: tuple[int, ...]) -> NDArray[np.float64]:
        first = [offset - STRUCK_BEFORE[0] for offset in offsets]
        return np.asarray(sum(power[:, at : at + n] for at in first) / len(first))

    added = mean_at(STRUCK_AFTER) - mean_at(STRUCK_BEFORE)  # (n_frames, n_lags, n_bands)
    middle = np.median(added, axis=0)
    # 1.4826 for a deviation from a median one, 1.2533 for the standard error of a median
    error = 1.4826 * 1.2533 * np.median(np.abs(added - middle), axis=0) / np.sqrt(len(frames))
    energy: NDArray[np.float64] = np.where(middle > ADDS_ERRORS * error, middle, 0.0).sum(axis=1)
    return energy


STRUCK_BEFORE, STRUCK_AFTER = (-5, -4, -3), (0, 1)
ADDS_ERRORS = 3.0


def middle_band(mean_rise: NDArray[np.float64]) -> float:
    """Centre of gravity of a profile, in bands."""
    return float(mean_rise @ np.arange(len(mean_rise)) / (mean_rise.sum() + 1e-9))

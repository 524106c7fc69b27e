"""Which beat the members of a series make: pairs of sounds parted, and intervals of any shape followed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from clackcount.beats.cycle import likeness, profile
from clackcount.beats.regularity import TURNS, locally_even, of_two_rates, two_clusters
from clackcount.beats.series import Series, fullness, nearby, of_moments, refine
from clackcount.beats.signs import roughness
from clackcount.beats.template import PEAK_REACH, Field, Frames, Scoring, gain, local_maxima
from clackcount.middle import median
from clackcount.settings import BeatsSettings


def unpaired(series: Series, field: Field, settings: BeatsSettings) -> Series:
    """The first of each pair, where short and long intervals take turns and differ too much for one valve's beat.

    Those are slams and reopenings, however alike they sound.
    """
    log = np.log(np.diff(series.frames).astype(np.float64))
    slow = two_clusters(log)
    if slow is None or np.mean(slow[1:] != slow[:-1]) < TURNS:
        return series
    short, long = float(median(log[~slow])), float(median(log[slow]))
    if long - short < PAIR_RATIO:
        return series
    period = float(np.exp(short) + np.exp(long))
    firsts = refine(field, series.frames[:-1][~slow], period, settings, rounds=2)
    return series if firsts is None else firsts


PAIR_RATIO = np.log(1.75)


def part_mixture(series: Series, field: Field, settings: BeatsSettings) -> Series:
    """The louder of two interleaved sounds, where every second member sounds unlike the others; else the series.

    Slam, reopening, slam, reopening at even distances looks like one series of twice the rate. A pump that slams
    strong and weak in turn does too, but there the shape of the spectrum is the same.
    """
    even, odd = series.frames[::2], series.frames[1::2]
    if len(odd) < 3 or one_sound(series, field, settings):
        return series
    louder = even if series.z_honest[::2].mean() >= series.z_honest[1::2].mean() else odd
    half = refine(field, louder, 2 * series.period, settings, rounds=2)
    return series if half is None else half


def one_sound(series: Series, field: Field, settings: BeatsSettings) -> bool:
    """Whether the spectrum of every second member has the shape of the others', at any loudness."""
    like, own = likeness_in_turn(series, field)
    return like > max(settings.likeness_min, VERY_ALIKE * own)


def loosened(series: Series, field: Field, settings: BeatsSettings) -> Series:
    """The series with whatever intervals its sound is found at, where that explains more.

    So a beat that hops between two rates, is long and short in turn, or ragged is followed through.
    """
    between = between_members(series)
    everywhere = look_alikes(series)
    more = len(everywhere) >= MORE_ALIKE * len(series.frames)
    if between is None and goes_evenly(series) and not more:
        return series
    best = series
    clear = [series.frames, everywhere] if series.typical_z > LOOSENED_MIN_Z else []
    for frames in [*clear, between]:
        if frames is None:
            continue
        loose = refine(field, frames, float(median(np.diff(frames))), settings, rounds=3, even=False)
        if loose is None or loose.typical_z < LOOSENED_SHARE * series.typical_z:
            continue
        loose = within_rhythm(loose, settings)
        if frames is everywhere and not hops(loose, series):
            continue  # what is like it by chance may lie anywhere
        if frames is between and not all_alike(loose, field, settings):
            continue
        if loose.evidence > (ROUGHENED_ADVANTAGE if roughens(loose, series) else LOOSENED_ADVANTAGE) * best.evidence:
            best = loose
    return best


def first_sounds(series: Series, field: Field, settings: BeatsSettings) -> Series:
    """The series moved to the first of two sounds, where its members are now the one and now the other; else itself.

    Intervals of any shape let a path step from a slam to the reopening of the next cycle. Of two loud sounds at a
    constant lag a member has the other either after it or before it; where both happen, it was mixed up.
    """
    if len(series.frames) < ALIKE_LEAST or roughness(series.frames, series.period) < SMOOTH:
        return series
    loud = maximum_filter1d(field.onset.rise.sum(axis=1), 2 * MIXED_REACH + 1)
    least = MIXED_SHARE * float(median(loud[series.frames])) + (1 - MIXED_SHARE) * float(median(loud))
    lags = np.arange(MIXED_LAG[0], min(MIXED_LAG[1], int(0.6 * series.period)))
    if len(lags) == 0:
        return series
    where = series.frames[None, :] + np.concatenate([lags, -lags])[:, None]
    heard = loud[np.clip(where, 0, len(loud) - 1)] > least
    after, before = heard[: len(lags)], heard[len(lags) :]
    mixed = np.minimum(after.mean(axis=1), before.mean(axis=1)) > MIXED_LEAST
    sure = np.where(mixed, (after ^ before).mean(axis=1), 0.0)
    best = int(np.argmax(sure))
    if sure[best] < MIXED_SURE:
        return series
    seconds = before[best] & ~after[best]
    moved = np.unique(np.maximum(np.where(seconds, series.frames - lags[best], series.frames), 0))
    first = refine(field, moved, float(median(np.diff(moved))), settings, rounds=2, even=False)
    return series if first is None else first


MIXED_REACH, MIXED_LAG = 3, (11, 75)  # frames of 5 ms: the shut phase lasts 60 to 350 ms
MIXED_SHARE, MIXED_SURE, MIXED_LEAST = 0.3, 0.8, 0.08


def roughens(loose: Series, series: Series) -> bool:
    """Whether an even beat would turn ragged: at any interval there is something that sounds a little like it."""
    rough = roughness(loose.frames, loose.period)
    return goes_evenly(series, FULLISH) and rough > SMOOTH and not hops(loose, series)


def look_alikes(series: Series) -> Frames:
    """Whatever sounds as the members do, at any distance that is not much less than theirs.

    A beat that hops to another rate and stays there leaves the path of the first.
    """
    candidates = local_maxima(series.z, PEAK_REACH)
    candidates = candidates[series.z[candidates] > LOOKS_ALIKE * median(series.z[series.frames])]
    apart = int(NEAREST * series.period)
    kept, free = [], np.ones(len(series.z), dtype=bool)
    for frame in candidates[np.argsort(-series.z[candidates], kind="stable")].tolist():
        if free[frame]:
            kept.append(frame)
            free[max(0, frame - apart) : frame + apart + 1] = False
    return np.array(sorted(kept), dtype=np.intp)


LOOKS_ALIKE, NEAREST, MORE_ALIKE = 0.25, 0.45, 1.1


def goes_evenly(series: Series, full: float = 0.96) -> bool:
    """Whether the series is even and hardly has gaps, so that no other intervals can explain more."""
    return fullness(series) > full and roughness(series.frames, series.period) < SMOOTH


def hops(series: Series, was: Series) -> bool:
    """Whether nearly all intervals are of one of two rates, and from one to the next it is as even as it was."""
    two = float(of_two_rates(series.frames.astype(np.float64), RHYTHM_SPREAD).mean()) > HOPS
    rough = roughness(series.frames, series.period)
    return two and rough < max(SMOOTH, roughness(was.frames, was.period))


HOPS = 0.9


FULLISH, SMOOTH = 0.8, 0.04


def all_alike(series: Series, field: Field, settings: BeatsSettings) -> bool:
    """Whether every second member sounds as the others do, and not much softer: not slams and reopenings in turn."""
    even, odd = series.z_honest[::2].mean(), series.z_honest[1::2].mean()
    return bool(one_sound(series, field, settings) and min(even, odd) > ALIKE_SHARE * max(even, odd))


ALIKE_SHARE = 0.3
LOOSENED_MIN_Z, LOOSENED_SHARE, LOOSENED_ADVANTAGE = 3.0, 0.6, 1.03
ROUGHENED_ADVANTAGE = 1.4


def within_rhythm(series: Series, settings: BeatsSettings) -> Series:
    """The series without what lies off its rhythm, where most of it has one.

    A pump that beats evenly does not turn ragged when it stops: what sounds like it then is water.
    """
    frames = series.frames.astype(np.float64)
    even = locally_even(frames, RHYTHM_SPREAD, RHYTHM_LEAST)
    if even.all() or even.sum() < RHYTHM_MEMBERS or even.mean() < 0.5:
        return series
    lost = float(gain(series.z_honest[~even], series.typical_z, settings.gain_max).sum())
    return replace(
        series, frames=series.frames[even], z_honest=series.z_honest[even], evidence=series.evidence - max(lost, 0.0)
    )


RHYTHM_SPREAD, RHYTHM_LEAST, RHYTHM_MEMBERS = 0.1, 5, 10


def between_members(series: Series) -> Frames | None:
    """The members with what lies between them, where the same sound comes once more in most gaps; else None.

    Long and short in turn looks like a beat of half the rate.
    """
    single = series.frames[:-1][np.diff(series.frames) < 1.4 * series.period]
    lags = np.arange(max(9, int(0.25 * series.period)), int(0.75 * series.period))
    if len(single) < 4 or len(lags) < 3:
        return None
    z = maximum_filter1d(series.z, 5)
    usual = np.median(z[np.minimum(single[:, None] + lags[None, :], len(z) - 1)], axis=0)
    best = int(np.argmax(usual))
    if usual[best] < BETWEEN_SHARE * series.typical_z:
        return None
    extra = single + lags[best]
    window = np.minimum(extra[:, None] + np.arange(-3, 4)[None, :], len(z) - 1)
    extra = window[np.arange(len(extra)), np.argmax(series.z[window], axis=1)]
    return np.unique(np.concatenate([series.frames, extra]))


BETWEEN_SHARE = 0.15  # of what a member scores; nine in ten made rams of the right period stay below 0.1


def doubled(series: Series, field: Field, settings: BeatsSettings) -> Series | None:
    """The members with one more slam between each two, where the very sound of the slams comes there; else None.

    A pump that slams strong and weak, or after long and short, in turn looks like a beat of half the rate. The sound
    is looked for without a template: one that was learned from the strong slams knows the weak for noise.
    """
    between = slams_between(series, field)
    if between is None:
        return None
    between, _scoring = nearby(field, between, int(min(PAIR_REACH, series.period / 8)))
    frames = np.union1d(series.frames, between)
    scoring = Scoring.learn(field, frames)
    if scoring is None:
        return None
    # a weak slam is held against the weak ones
    z, first = scoring.honest(frames), np.isin(frames, series.frames)
    expected = np.where(first, z[first].mean(), z[~first].mean()) if not first.all() else z.mean()
    return of_moments(frames, scoring, np.maximum(expected, 1.5), settings)


def slams_between(series: Series, field: Field) -> Frames | None:
    """About when one more slam comes after each member, a period before the next; None where none does."""
    period, last = series.period, len(field.rise) - 1
    # a shorter one, of a beat that hops, has the next slam there
    single = risen(series.frames, field)[:-1][np.abs(np.log(np.diff(series.frames) / period)) < NEARLY]
    if len(single) < ALIKE_LEAST or period < 2 * SHORTEST_PAIRED:
        return None
    like_slam = field.rise @ field.rise[single].mean(axis=0)
    lags = np.arange(max(RINGS, round(OFF * period)), round((1 - OFF) * period) + 1)
    share = like_slam[np.minimum(single[None, :] + lags[:, None], last)].mean(axis=1)
    amid = np.abs(lags / period - 0.5) <= BETWEEN
    lag = int(lags[amid][np.argmax(share[amid])])
    # of two slams nearly as strong the members may be now the one, now the other: then the time between is, too
    either = np.minimum(single[:, None] + np.array([lag, round(period) - lag]), last)
    usual = uniform_filter1d(like_slam[either], SIDE, axis=0, mode="nearest")
    between: Frames = either[np.arange(len(single)), np.argmax(usual, axis=1)]
    if not one_voice(single, between, field):
        return None
    # what comes at other times as well is a beat of which these are every fourth or fifth
    apart = np.minimum(np.abs(lags - lag), np.abs(lags - (period - lag))) > APART * period
    if apart.any():
        other = single + int(lags[apart][np.argmax(share[apart])])
        if one_voice(single, np.minimum(other, last), field):
            return None
    return between


# Drawn intervals that take turns differ by up to 1.75 times, see PAIR_RATIO; no ram slams faster than 400 a minute.
BETWEEN, APART, NEARLY, SHORTEST_PAIRED, PAIR_REACH = 0.14, 0.07, 0.2, 29.5, 6
OFF, RINGS = 0.15, 9  # of a period, and frames, about the members, that their own ring may fill
SIDE = 9  # members, told together which slam they are


def risen(frames: Frames, field: Field) -> Frames:
    """These moments, all moved to where they rise most, if hardly any rise is left here but a ring."""
    where = np.clip(frames[None, :] + np.arange(-PAIR_REACH, PAIR_REACH + 1)[:, None], 0, len(field.rise) - 1)
    in_errors = np.stack([field.rise[at].mean(axis=0) for at in where]) * np.sqrt(len(frames))
    rise = np.maximum(in_errors - SURELY_RISES, 0).sum(axis=1)  # over the bands in which it surely does
    loudest = int(np.argmax(rise))
    moved: Frames = where[loudest] if rise[loudest] > RISES_MORE * rise[PAIR_REACH] else frames
    return moved


SURELY_RISES, RISES_MORE = 3.0, 4.0


def one_voice(one: Frames, other: Frames, field: Field) -> bool:
    """Whether two kinds of moments are the same sound, at any loudness, as far as the noise lets it be told.

    The cosine between their mean features, the noise in either mean taken out by means over every second moment
    (split halves; the correction for attenuation, Spearman 1904, Am. J. Psychol. 15, 72-101, from memory): of the
    rises alone, and of all features, uncorrelated. Of 57 made pumps that slam in turns, and whose weaker slams can be
    heard, the rises of one are less alike than 0.86; of 336 others, at what lies between their slams, those of two
    are more so.
    """
    alike, _certain = corrected_cosine(field.rise[one], field.rise[other])
    if alike <= RISES_MIN:
        return False
    features = field.features
    of_all, certain = corrected_cosine(
        (features[one] - field.mean) @ field.whiten, (features[other] - field.mean) @ field.whiten
    )
    least = OF_ALL_MIN if alike > RISES_ALIKE else OF_ALL_ALIKE
    return of_all > least and certain > CERTAIN_MIN


RISES_MIN, RISES_ALIKE, OF_ALL_MIN, OF_ALL_ALIKE, CERTAIN_MIN = 0.86, 0.96, 0.3, 0.66, 3.0


def corrected_cosine(one: NDArray[np.floating], other: NDArray[np.floating]) -> tuple[float, float]:
    """(cosine between the means of two samples, (n, n_features) each, as without noise; how surely the other is any).

    The second in deviations by chance, were the features uncorrelated and of variance 1. (0, 0) where either mean is
    no more than noise.
    """
    mine, others = ([some[half::2].mean(axis=0).astype(np.float64) for half in (0, 1)] for some in (one, other))
    own, their = float(mine[0] @ mine[1]), float(others[0] @ others[1])
    if min(own, their) <= 0:
        return 0.0, 0.0
    common = float(mine[0] @ others[1] + mine[1] @ others[0]) / 2
    by_chance = 2 * np.sqrt(other.shape[1]) / len(other)
    return common / float(np.sqrt(own * their)), their / float(by_chance)


def likeness_in_turn(series: Series, field: Field) -> tuple[float, float]:
    """How like every second member is to the others, and how like those are among themselves that are so least."""
    frames = risen(series.frames, field)
    even, odd = frames[::2], frames[1::2]
    own = [likeness(profile(field, some[::2]), profile(field, some[1::2])) for some in (even, odd)]
    return likeness(profile(field, even), profile(field, odd)), min(own)


ALIKE_LEAST, VERY_ALIKE = 8, 0.95

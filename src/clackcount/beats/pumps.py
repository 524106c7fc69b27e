"""One passage, all its pumps: a series of slams for each, with the reopenings that belong to them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from clackcount.beats.cycle import (
    Sound,
    breadth,
    lag_after,
    likeness,
    middle_band,
    profile,
    reopening_of,
    slam_odds,
    sounds_of_cycle,
    struck_energies,
)
from clackcount.beats.hypotheses import find_series
from clackcount.beats.series import Series, elsewhere, nearby, refine
from clackcount.beats.shaping import doubled, first_sounds, loosened, part_mixture, unpaired
from clackcount.beats.signs import at_best, ram_odds, roughness
from clackcount.beats.template import SAME_REACH, Field, Scoring, distance, gain
from clackcount.beats.water import rush_contrast
from clackcount.middle import median
from clackcount.model import Passage
from clackcount.settings import BeatsSettings


@dataclass(frozen=True, slots=True, eq=False)
class PumpHeard:
    """One pump in one passage.

    series: its slams. reopening_lag: frames from slam to reopening, None where none is heard. slam_odds: log odds of
    the slams being the slams and no other sound of the cycle (0 where there is none to confuse them with). rush_t: t
    value of the rush of water being louder before the slam than after it. ram_odds: see signs. sounds: lags of all
    sounds of the cycle, frames after the slam. note: whether the slams are heard in so few and so high bands that
    they may be a bird's. twin: whether what follows them half a period later may be one of their kind, as a clock's
    second tick is.
    """

    series: Series
    reopening_lag: int | None
    slam_odds: float
    rush_t: float
    ram_odds: float
    sounds: tuple[int, ...] = (0,)
    note: bool = False
    twin: bool = False


@dataclass(frozen=True, eq=False)
class Scene:
    """A passage as the beats room works on it: its rises, perhaps with a pump taken out, and their statistics.

    taken: bool (n_frames,), the frames that were taken out.
    """

    passage: Passage
    rises: NDArray[np.float32]
    taken: NDArray[np.bool_]

    @classmethod
    def of(cls, passage: Passage) -> Scene:
        """The whole passage."""
        return cls(passage, passage.rises, np.zeros(len(passage.rises), dtype=bool))

    @property
    def hidden(self) -> float:
        """Share of the frames in which nothing can be heard, HIDDEN_MAX at most."""
        return min(float(self.taken.mean()), HIDDEN_MAX)

    @cached_property
    def field(self) -> Field:
        """The statistics of the rises; live, most passages that hold nothing do not need them."""
        n = int(FLOOR_S * self.passage.frames_per_s)
        return Field(self.rises, uniform_filter1d(self.passage.level_db, n, axis=0, mode="nearest"))

    @property
    def n_frames(self) -> int:
        """Frames in the passage."""
        return len(self.rises)

    def without(self, pump: PumpHeard, *, whole: bool = True) -> Scene:
        """The same without the sounds of this pump's cycle, noise from other moments in their place.

        whole: all of them, so that none is taken for another pump; else its slams and reopenings, so that fewer of
        another pump's go with them.
        """
        rises, taken = without(self.rises, pump, whole)
        return Scene(self.passage, rises, self.taken | taken)


HIDDEN_MAX = 0.5
FLOOR_S = 0.4  # a gust or a passing car lasts longer, a knock is shorter


def settle(
    series: Series, scene: Scene, settings: BeatsSettings, prior: float = 0.0, *, loosen: bool = True
) -> PumpHeard:
    """Find all sounds of the cycle, and move the series to the likeliest slam among them.

    prior: log odds, from earlier listening, that the series is that of the slams. loosen: whether it may take on
    intervals of any shape.
    """
    field, frames_per_s = scene.field, scene.passage.frames_per_s
    series = part_mixture(unpaired(series, field, settings), field, settings)
    shapes = [(doubled(series, field, settings), series)]
    if loosen:
        series = first_sounds(loosened(series, field, settings), field, settings)
        series = unpaired(series, field, settings)
        shapes.append((doubled(series, field, settings), series))
    whole = [(both, half) for both, half in shapes if both is not None]
    series, half = max(whole, key=lambda pair: len(pair[0].frames), default=(series, None))
    sounds, odds = weighed(series, scene, settings, prior)
    own = sound_at(0, sounds, odds)
    for other in rivals(sounds, odds, own):
        lag = sounds[other].lag
        moved = other_sound(series, lag, field, settings)
        seen, seen_odds = weighed(moved, scene, settings, 0.0)
        there, back = sound_at(0, seen, seen_odds), sound_at(-lag, seen, seen_odds)
        # each sound is known best as seen from there: where the shut phase varies, the other is blurred from here
        if seen_odds[back] - seen_odds[there] <= odds[other] - odds[own]:
            series, sounds, odds, own = moved, seen, seen_odds, there
            break
    slam = sounds[own]
    lead = odds[own] - max((value for i, value in enumerate(odds) if i != own), default=odds[own])
    reopening = reopening_of(sounds, slam, series.period, frames_per_s)
    reopening_lag = None if reopening is None else lag_after(slam, reopening, series.period, frames_per_s)
    series = shifted(series, slam.lag, scene.n_frames)
    contrast = rush_t(series, reopening_lag, scene.passage.water_db, frames_per_s)
    ram = _odds(series, reopening_lag, contrast, scene)
    if half is not None:  # of few drips some lie between the others, too
        ram = min(ram, _odds(half, reopening_lag, contrast, scene))
    lags = tuple(sound.lag - slam.lag for sound in sounds)
    heard_in = profile(field, series.frames)
    twin = reopening_lag is not None and is_twin(series, reopening_lag, field, frames_per_s)
    return PumpHeard(series, reopening_lag, lead, contrast, ram, lags, is_note(heard_in), twin)


def rivals(sounds: list[Sound], odds: list[float], own: int) -> list[int]:
    """Which sounds, by their places, may be the slam instead of the members' own: the likelier, and those before it.

    The likeliest comes first; what comes after the members and is less likely than they are is none.
    """
    order = sorted(range(len(sounds)), key=lambda i: -odds[i])
    apart = [i for i in order if abs(sounds[i].lag) > SAME_SOUND]
    return [i for i in apart if odds[i] > odds[own] or sounds[i].lag < 0]


def is_note(heard_in: NDArray[np.float64]) -> bool:
    """Whether what is heard so, by band (see cycle.profile), may be one high note, as birds and crickets sing."""
    return breadth(heard_in) < NOTE_BANDS and middle_band(heard_in) > NOTE_FROM


def is_twin(series: Series, lag: int, field: Field, frames_per_s: float) -> bool:
    """Whether the sound at this lag, late and about half a period on, has much the same shape of spectrum.

    A valve that drops open thuds lower than it slams, and at that pace it is not shut for half the time.
    """
    if lag < TWIN_FROM_S * frames_per_s or abs(lag / series.period - 0.5) > TWIN_OFF:
        return False
    slams = series.frames[series.frames + lag < len(field.features)]
    return likeness(profile(field, slams), profile(field, slams + lag)) > TWIN_ALIKE


# of ten made rams with a shut phase of about half a period the reopening of none is more like the slam than 0.37; the
# second tick of a recorded clock is, 0.6
TWIN_FROM_S, TWIN_OFF, TWIN_ALIKE = 0.2, 0.12, 0.5
NOTE_BANDS, NOTE_FROM = 4.5, 17.0  # mel bands: a tone is heard in three or four; low slams may be as narrow


def sound_at(lag: int, sounds: list[Sound], odds: list[float]) -> int:
    """Which of the sounds lies at this lag, by its place: the likeliest near it, else the nearest."""
    near = [i for i, sound in enumerate(sounds) if abs(sound.lag - lag) <= SAME_SOUND]
    return max(near, key=lambda i: odds[i]) if near else int(np.argmin([abs(sound.lag - lag) for sound in sounds]))


SAME_SOUND = 6  # frames from where a template scores most to the knock itself: it may know it by what comes before


def weighed(series: Series, scene: Scene, settings: BeatsSettings, prior: float) -> tuple[list[Sound], list[float]]:
    """The sounds of the cycle and the log odds of each being the slam; prior is for the members' own."""
    passage, frames_per_s = scene.passage, scene.passage.frames_per_s
    sounds = sounds_of_cycle(scene.field, passage.level_db, series, frames_per_s, settings.companion_strength_min)
    odds = [slam_odds(sounds, i, scene.field, passage.water_db, series, frames_per_s) for i in range(len(sounds))]
    own = int(np.argmin([abs(sound.lag) for sound in sounds]))
    odds[own] += prior
    return sounds, odds


def _odds(series: Series, reopening_lag: int | None, contrast: float, scene: Scene) -> float:
    per_s = scene.passage.frames_per_s
    # a heel and a toe are no further apart
    reopens = reopening_lag is not None and reopening_lag > STEP_S * per_s
    surely = reopening_lag is not None and not series.even and surely_reopens(series, reopening_lag, scene)
    n_bands = breadth(profile(scene.field, series.frames))
    return ram_odds(
        series, per_s, reopens=reopens, surely=surely, rush_t=contrast, n_bands=n_bands, hidden=scene.hidden
    )


def surely_reopens(series: Series, lag: int, scene: Scene) -> bool:
    """Whether nearly each member is followed at this lag by a loud sound of its own kind, told without learning it.

    Further off than a heel and a toe, or the end of a bark. What only chance strung together has no such sound; nor
    is a pump as ragged as the phrases of a bird. Of an even beat it says less: that may be picked out of many pairs.
    """
    if roughness(series.frames, series.period) > RAGGEDEST:
        return False
    due = series.frames + lag
    due = due[due < scene.n_frames]
    if lag <= BARK_S * scene.passage.frames_per_s or len(due) < REOPENINGS_MIN:
        return False
    scoring = Scoring.learn(scene.field, due)
    if scoring is None:
        return False
    z = scoring.honest(due)
    return bool(z.mean() > REOPENING_Z and np.mean(z > REOPENING_HEARD_Z) > REOPENING_SHARE)


RAGGEDEST = 0.25
BARK_S, REOPENING_Z, REOPENING_HEARD_Z, REOPENING_SHARE = 0.11, 8.0, 1.5, 0.85
REOPENINGS_MIN = 12  # a bird may sing a phrase of two calls eight times in a minute
STEP_S = 0.1


def rush_t(series: Series, reopening_lag: int | None, water_db: NDArray[np.float32], frames_per_s: float) -> float:
    """t value of the water being louder before the slam than after it.

    Where no reopening is heard, the part of the cycle in which water hardly flows stands for the shut phase.
    """
    lag = min(0.3 * series.period, 0.15 * frames_per_s) if reopening_lag is None else reopening_lag
    single = np.diff(series.frames) < 1.5 * series.period
    return rush_contrast(water_db, series.frames[:-1][single], series.frames[1:][single], int(lag))


def shifted(series: Series, lag: int, n_frames: int) -> Series:
    """The series moved to where its knock is, without the members that fall off the passage."""
    frames = series.frames + lag
    inside = (frames >= 0) & (frames < n_frames)
    return replace(series, frames=frames[inside], z_honest=series.z_honest[inside], late=series.late + lag)


def other_sound(series: Series, lag: int, field: Field, settings: BeatsSettings) -> Series:
    """The series moved to another sound of the same cycles, and known by it where it is not much fainter.

    Cycle by cycle, for a path of its own may go back to the sound that this one resembles.
    """
    series = shifted(series, lag, len(field.features))
    frames, scoring = nearby(field, series.frames, int(min(SAME_SOUND, series.period / 8)))
    if scoring is None:
        return series
    # of two that come to lie at one moment, or change places, the second is none
    later = frames > np.maximum.accumulate(np.concatenate([[-1], frames[:-1]]))
    frames, series = frames[later], replace(series, frames=series.frames[later], z_honest=series.z_honest[later])
    z_honest = scoring.honest(frames)
    loudness = field.loudness(scoring.weights, frames)[frames]
    worth = gain(z_honest, max(1.5, float(z_honest.mean())), settings.gain_max, loudness)
    intervals_cost = float(gain(series.z_honest, series.typical_z, settings.gain_max).sum()) - series.evidence
    evidence = float(worth.sum()) - max(intervals_cost, 0.0)
    if evidence < OWN_SHARE * series.evidence:
        return replace(series, frames=frames)
    return replace(
        series, frames=frames, weights=scoring.weights, z=scoring.z, z_honest=z_honest, evidence=evidence, late=0
    )


OWN_SHARE = 0.5


def search(scene: Scene, settings: BeatsSettings, *, quick: bool = False) -> list[PumpHeard]:
    """The likeliest pump of a passage, and what else goes like a ram beside it, at other times; likeliest first.

    Empty where nothing beats. quick: see find_series.
    """
    found = find_series(scene.rises, scene.field, scene.passage.frames_per_s, settings, quick=quick)
    heard = []
    for series in found:
        if series.evidence < settings.evidence_min:
            continue
        heard.append(settle(series, scene, settings))
        astray = heard[-1].ram_odds < settings.ram_odds_min and not heard[-1].series.even
        # its sound leads astray, its rhythm may not, if it could be a ram's with water and a reopening
        if astray and at_best(series, scene.passage.frames_per_s) >= settings.ram_odds_min:
            heard.append(settle(series, scene, settings, loosen=False))
    heard.sort(key=lambda pump: -pump.ram_odds)
    if not heard:
        return []
    likeliest = heard[0]
    for other in heard[1:]:
        if same_rhythm(likeliest.series, other.series) and louder_by(other, likeliest, scene) > LOUDER_DB:
            # two sounds of one cycle, each taken for the slam: that is the loudest, and their rhythm is the same
            if other.ram_odds > likeliest.ram_odds - LESS_LIKELY:
                likeliest = other
            continue
        # the same slams and more of them, or fewer: a series of every second slam is even, too, and so is one rate of
        # two, or one that finds another between those of a ram that hops
        more, fewer = (
            np.mean(distance(one.series.frames, two.series.frames) <= SAME_REACH) > MOSTLY
            for one, two in ((likeliest, other), (other, likeliest))
        )
        if not (more or fewer) or other.series.evidence < MORE * likeliest.series.evidence:
            continue
        rest = other.series.frames[distance(other.series.frames, likeliest.series.frames) > SAME_REACH]
        least = likeliest.ram_odds - LESS_LIKELY
        at_other_times = more and elsewhere(rest, likeliest.series)
        if other.ram_odds > (min(least, settings.ram_odds_min) if at_other_times else least):
            likeliest = other
    likeliest = polished(likeliest, scene, settings)
    beside = [other for other in heard if other.ram_odds > settings.ram_odds_min and apart(other, likeliest)]
    return [likeliest, *beside]


def polished(pump: PumpHeard, scene: Scene, settings: BeatsSettings) -> PumpHeard:
    """The pump walked again at an even beat from where it was settled, if it then goes more like a ram.

    On the way there it may have taken on what sounds like it, or lost its way for some beats.
    """
    if pump.ram_odds > POLISHED_ODDS:
        return pump
    was = pump.series
    begun = shifted(was, -was.late, scene.n_frames)  # another sound of its cycle may have moved past the end
    series = refine(scene.field, begun.frames, was.period, settings, rounds=3)
    if series is None or series.evidence < settings.evidence_min:
        return pump
    again = settle(series, scene, settings, prior=POLISHED_PRIOR)
    near = distance(again.series.frames, was.frames)
    # of one sound, for which of the cycle is the slam has been asked before
    same = float(median(near)) <= POLISHED_REACH
    return again if same and again.ram_odds > pump.ram_odds else pump


POLISHED_PRIOR, POLISHED_REACH = 3.0, 1.0  # log odds, frames
POLISHED_ODDS = 10.0  # surer than that there is little to mend


def apart(one: PumpHeard, other: PumpHeard) -> bool:
    """Whether two pumps' slams hardly ever fall together, as those of two rams do."""
    near = distance(one.series.frames, other.series.frames) <= SAME_REACH
    return float(near.mean()) < TOGETHER and not same_rhythm(one.series, other.series)


MORE, MOSTLY, TOGETHER = 1.1, 0.8, 0.35
LESS_LIKELY = 1.0
LOUDER_DB = 3.0  # so much louder is the slam


def same_rhythm(one: Series, other: Series) -> bool:
    """Whether two series are two sounds of the same cycles: nearly all members lie at one lag, which is not none."""
    if not 0.8 < len(one.frames) / len(other.frames) < 1.25:
        return False
    after = np.searchsorted(other.frames, one.frames)
    for step in (-1, 0):
        lag = other.frames[np.clip(after + step, 0, len(other.frames) - 1)] - one.frames
        middle = float(median(lag))
        if abs(middle) > SAME_REACH and float(np.mean(np.abs(lag - middle) <= SAME_SOUND)) > MOSTLY:
            return True
    return False


def louder_by(one: PumpHeard, other: PumpHeard, scene: Scene) -> float:
    """How much more energy the slams of one pump add than those of the other, dB."""
    at = np.zeros(1, dtype=np.intp)
    mine, others = (
        float(struck_energies(scene.passage.level_db, pump.series.frames, at)[0]) for pump in (one, other)
    )
    return 10 * float(np.log10((mine + 1e-12) / (others + 1e-12)))


def without(
    rises: NDArray[np.float32], pump: PumpHeard, whole: bool
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """The passage with noise from other moments in place of the sounds of this pump's cycle, and where."""
    taken = np.zeros(len(rises), dtype=bool)
    for lag in pump.sounds if whole else (0, pump.reopening_lag or 0):
        where = (pump.series.frames[:, None] + lag + np.arange(-8, 12)[None, :]).ravel()
        taken[where[(where >= 0) & (where < len(rises))]] = True
    free = np.flatnonzero(~taken)
    if len(free) == 0:
        return rises, np.zeros(len(rises), dtype=bool)
    rest = rises.copy()
    # drawn by lot, always the same lot: any order of its own would be a beat
    lot = np.random.default_rng(0).integers(len(free), size=int(taken.sum()))
    rest[taken] = rises[free[lot]]
    return rest, taken

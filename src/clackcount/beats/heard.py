"""The slams of one pump in the kept part of a passage: members, strays, reopenings, how loud and how sure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.fading import faded
from clackcount.beats.known import Known
from clackcount.beats.missing import due_between, unheard
from clackcount.beats.pumps import PumpHeard, Scene
from clackcount.beats.series import Series
from clackcount.beats.strays import confidence, find_strays
from clackcount.beats.template import Field, Frames, learn, standardise
from clackcount.beats.water import OCTAVE_BANDS
from clackcount.settings import BeatsSettings


class Reckoned(NamedTuple):
    """Slams between others: frame float64, confidence float32, strength_db float32, (m,) each, as in Heard."""

    frame: NDArray[np.float64]
    confidence: NDArray[np.float32]
    strength_db: NDArray[np.float32]


class Perhaps(NamedTuple):
    """Knocks: time_s float64 (k,), in the recording, strength_db float32 (k,)."""

    time_s: NDArray[np.float64]
    strength_db: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """Slams of one pump in the part of a passage that is kept.

    frame: float64 (n,), frame numbers in the recording. confidence, strength_db: float32 (n,).
    reopen_frame: float64 (n,), NaN where not heard. fades: bool (n,), one of the last of a run, see fading.
    none_odds: float32 (n,), log odds that between this slam and the next none came that went unheard. reckoned: slams
    that went unheard, but the beat says when they came. perhaps: knocks off the beat that sound somewhat like them.
    """

    pump: int
    frame: NDArray[np.float64]
    confidence: NDArray[np.float32]
    strength_db: NDArray[np.float32]
    reopen_frame: NDArray[np.float64]
    fades: NDArray[np.bool_]
    none_odds: NDArray[np.float32]
    reckoned: Reckoned
    perhaps: Perhaps


def collect(known: Known, pump: PumpHeard, scene: Scene, settings: BeatsSettings, *, fades: bool) -> Heard:
    """The slams of a pump that was heard beating, and what else sounds like them.

    fades: a run that ends is followed on as one that fades.
    """
    series = pump.series
    field_ = scene.field
    reopen = reopening_frames(pump, field_)
    sure = supported(series)
    reopen, last = reopen[sure], faded(series, sure) if fades else np.zeros(0, dtype=np.intp)
    members = np.sort(np.concatenate([series.frames[sure], last]))
    taken = np.sort(np.concatenate([members, reopen[np.isfinite(reopen)].astype(np.intp)]))
    strays, stray_z, perhaps = find_strays(
        field_,
        series.z,
        known.print_,
        known.alike,
        series.typical_z,
        taken,
        series.period,
        series.late,
        settings,
    )
    free = _apart(strays, members, series.period)
    strays, stray_z = strays[free], stray_z[free]
    perhaps = perhaps[_apart(perhaps, members, series.period)]
    frames = np.concatenate([series.frames[sure], last, strays])
    confident = np.concatenate(
        [
            confidence(series.z_honest[sure], series.typical_z, on_beat=True),
            confidence(np.roll(series.z, series.late)[last], series.typical_z, on_beat=True),
            confidence(stray_z, series.typical_z, on_beat=False),
        ]
    )
    reopen = np.concatenate([reopen, np.full(len(last) + len(strays), np.nan)])
    return _kept(known, frames, confident, reopen, np.isin(frames, last), perhaps, scene, series)


def strays_only(known: Known, scene: Scene, settings: BeatsSettings) -> Heard:
    """What sounds like the slams of a pump that was not heard beating."""
    field_ = scene.field
    strays, z, perhaps = find_strays(
        field_,
        field_.features @ known.weights,
        known.print_,
        known.alike,
        known.expected_z,
        np.zeros(0, dtype=np.intp),
        known.period,
        known.late,
        settings,
    )
    confident = confidence(z, known.expected_z, on_beat=False)
    none = np.full(len(strays), np.nan)
    return _kept(known, strays, confident, none, np.zeros(len(strays), bool), perhaps, scene, None)


def _apart(strays: Frames, members: Frames, period: float) -> NDArray[np.bool_]:
    """Whether each may be a slam, bool (n,): between two a period apart there is none, the valve is on its way."""
    after = np.searchsorted(members, strays)
    inside = (after > 0) & (after < len(members))
    gap = np.full(len(strays), np.inf)
    gap[inside] = members[after[inside]] - members[after[inside] - 1]
    return np.asarray(gap > 1.6 * period)


def _kept(
    known: Known,
    frames: Frames,
    confident: NDArray[np.float32],
    reopen: NDArray[np.float64],
    fades: NDArray[np.bool_],
    perhaps: Frames,
    scene: Scene,
    series: Series | None,
) -> Heard:
    passage = scene.passage
    order = np.argsort(frames, kind="stable")
    none_odds = np.zeros(len(frames), dtype=np.float32)
    reckoned = odds = np.empty(0)
    if series is not None:
        z = np.roll(series.z, series.late)
        due = due_between(scene.field, series.weights, z, frames[order], scene.taken)
        for i, _at, absent in due:
            none_odds[order[i]] = absent.min()
        reckoned, odds = unheard(frames[order], due)
    order = order[(frames[order] >= passage.keep[0]) & (frames[order] < passage.keep[1])]
    frames = frames[order]
    # between two that are kept, for between their times on the waveform they lie
    kept = (reckoned > frames[0]) & (reckoned < frames[-1]) if len(frames) else np.zeros(len(reckoned), dtype=bool)
    reckoned, odds = reckoned[kept], odds[kept]
    perhaps = perhaps[(perhaps >= passage.keep[0]) & (perhaps < passage.keep[1])]
    return Heard(
        pump=known.pump,
        frame=frames.astype(np.float64) + passage.first_frame,
        confidence=confident[order],
        strength_db=strengths(passage.level_db, frames),
        reopen_frame=reopen[order] + passage.first_frame,
        fades=fades[order],
        none_odds=none_odds[order],
        reckoned=Reckoned(
            reckoned + passage.first_frame,
            (1 / (1 + np.exp(odds - RECKONED_ODDS))).astype(np.float32),
            strengths(passage.level_db, np.round(reckoned).astype(np.intp)),
        ),
        perhaps=Perhaps((perhaps + passage.first_frame) / passage.frames_per_s, strengths(passage.level_db, perhaps)),
    )


RECKONED_ODDS = 2.5  # that a gap in an even beat went unheard, before anything is listened for


def supported(series: Series) -> NDArray[np.bool_]:
    """False for members at the ends of a run that were only reckoned, not heard, bool (n,).

    Within a run a slam lost in a gust is filled in where it was due. Past the last one heard nothing says that there
    was another: water rushing through a valve that stuck open hides slams that never came.
    """
    heard = series.z_honest > SUPPORT_SHARE * min(series.typical_z, 8.0)
    breaks = np.flatnonzero(np.diff(series.frames) > 1.6 * series.period) + 1
    keep = np.ones(len(series.frames), dtype=bool)
    for run in np.split(np.arange(len(series.frames)), breaks):
        sure = run[heard[run]]
        if len(sure) == 0:
            keep[run] = False
        else:
            keep[run[0] : sure[0]] = False
            keep[sure[-1] + 1 : run[-1] + 1] = False
    return keep


SUPPORT_SHARE = 0.35


def reopening_frames(pump: PumpHeard, field_: Field) -> NDArray[np.float64]:
    """Frame of the reopening after each slam, NaN where none stands out: float64 (n,).

    The reopenings of all cycles together teach what one sounds like, as the slams do.
    """
    frames = pump.series.frames
    result = np.full(len(frames), np.nan)
    if pump.reopening_lag is None:
        return result
    lag = pump.reopening_lag
    due = frames + lag
    due = due[due < len(field_.features)]
    weights = learn(field_, due) if len(due) >= 4 else np.zeros(1, dtype=np.float32)
    if not np.any(weights):
        return result
    z = standardise(field_.features @ weights, due)
    reach = max(3, int(0.12 * lag))
    for i, frame in enumerate(frames):
        first = frame + max(lag - reach, 4)
        window = z[first : frame + lag + reach + 1]
        if len(window) > reach and window[best := int(np.argmax(window))] > REOPENING_MIN_Z:
            result[i] = first + best
    return result


REOPENING_MIN_Z = 0.5


def strengths(level_db: NDArray[np.float32], frames: Frames) -> NDArray[np.float32]:
    """Level of the first 20 ms over that of the 60 ms before, in the octave where it stands out most, dB."""
    if len(frames) == 0:
        return np.zeros(0, dtype=np.float32)

    def octaves(offset: NDArray[np.intp]) -> NDArray[np.float32]:
        where = np.clip(frames[:, None] + offset[None, :], 0, len(level_db) - 1)
        power = (10 ** (level_db[where] / 10)).mean(axis=1)
        total = np.concatenate([np.zeros((len(power), 1), np.float32), np.cumsum(power, axis=1)], axis=1)
        return np.asarray(total[:, OCTAVE_BANDS:] - total[:, :-OCTAVE_BANDS] + 1e-12, dtype=np.float32)

    ratio = octaves(np.array([2])) / octaves(np.arange(-14, -2))
    return np.asarray(10 * np.log10(ratio.max(axis=1)), dtype=np.float32)

"""From what was heard passage by passage to the slams of the whole recording and the beat of each pump."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clackcount.beats.heard import Heard
from clackcount.beats.known import Known
from clackcount.beats.pumps import STEP_S
from clackcount.beats.regularity import (
    RAGGED_CV,
    folded,
    locally_even,
    longest_stretch,
    measure_rate,
    measure_regularity,
    of_two_rates,
    on_grid,
    unevenness,
)
from clackcount.beats.signs import (
    FAST_PER_MIN,
    RAGGED_ODDS,
    RUSH_FIRST_T,
    WALK_PER_MIN,
    alone,
)
from clackcount.middle import median
from clackcount.model import Beat, Beats, FloatArray, SlamTrain
from clackcount.settings import BeatsSettings

RUN_MIN = 10
CLEAR_Z = 4.0
APART = 0.4  # of an interval, between a slam that was reckoned and any other
RAGGED_SPREAD, RAGGED_UNEVEN = 0.6, 0.09
# from where water says something for a ram to where it says all it can
RUSH_T, RAGGED_RUSH_T = (1.0, 4.0), (4.0, 10.0)
LIKE_CLOCK = "it beats as evenly as a clock, and no ram does: perhaps it is a clock or a machine"
DRY = "its knocks are loud, and hardly any water is heard between them: perhaps it is a clock or a machine"
LIKE_TICKS = "half a beat after each knock comes one of its kind: perhaps it is a clock or a machine"
LIKE_ENGINE = "it beats as fast as an engine, and no rush of water was heard: perhaps it is one"
LIKE_BIRD = "its knocks are a single high note, and no rush of water was heard: perhaps it is a bird"
LIKE_PHRASE = "few beats and no rush of water were heard, perhaps a bird's phrase: record two minutes"
BY_BEAT_ONLY = "it beats like a ram, but neither rush of water nor reopening valve was heard beside the knocks"
TOO_FEW = "some knocks were heard, too few or too uneven to be a ram running by itself"
# from these log odds on a beat is taken for left out by the pump, not for unheard: slams go unheard more often; and
# between which limits either may be true, for the interval of the rate
NONE_ODDS, NONE_ODDS_RANGE = 4.0, (3.0, 5.0)
HOPS_ODDS, HOPS_SPAN = 5.0, 0.5  # so surely a ram, half the span that is asked of others will do
# Pressure logs of one rig strayed by 1.1 to 1.6 % from beat to beat (Cornell AguaClara 2019); clocks by far less.
CLOCK_UNEVENNESS, CLOCK_SURE = 0.0015, 0.3
FEW_BEATS = 26  # a bird sings a phrase of two calls as often in a minute; live, most rams are known sooner
FASTEST_RAM_PER_MIN = 405.0  # published rams go up to 375 a minute; beyond, of 36 made engines one beat like a ram
DOUBTFUL = 0.6  # no surer than that, it is told with a doubt
STEPS_PER_MIN = 200.0  # people walk and run no faster
# Made rams whose rush is too faint for this stay below 25 dB; clocks recorded close by reach 33 to 45.
DRY_DB, DRY_SURE, RUSHES_T, RUSHES_PER_DB = 27.0, 0.45, 6.0, 0.35
BESIDE_ODDS = 0.7  # more for another beside a ram: two rams are rare, and one leaves sounds enough to string together
BESIDE_WALK_ODDS, BESIDE_EVEN = 4.0, (0.015, 0.03)  # somebody who walks about beside it is less rare, but less even
BESIDE_UNEVEN, BESIDE_ALONE = 0.065, 0.1  # of false second pumps the uneven, and those of sounds heard at any time
PERHAPS = 0.3  # how sure a knock is a slam that sounds somewhat like one
OPENED_MAX_S = 6.0  # a reopening heard longer ago than the slowest ram's period has nothing to do with this slam


@dataclass(slots=True)
class Collector:
    """Gathers the slams of all passages, with their times on the waveform."""

    _parts: dict[int, list[tuple[FloatArray, Heard, FloatArray]]] = field(default_factory=dict)

    def add(self, heard: Heard, time_s: FloatArray, reopen_s: FloatArray) -> None:
        """One pump's slams in one passage; time_s, reopen_s float64 (n,), as heard.frame."""
        if len(time_s):
            self._parts.setdefault(heard.pump, []).append((time_s, heard, reopen_s))

    def beats(self, known: list[Known], duration_s: float, settings: BeatsSettings, *, live: bool = False) -> Beats:
        """The slams and beats of the recording, the loudest ram first; live: of what was heard of it so far."""
        doubts: list[str] = []
        pumps: list[_Pump] = []
        for pump in known:
            if pump.pump not in self._parts:
                continue
            heard = _Pump.of(pump, self._parts[pump.pump], duration_s)
            if len(heard.time_s) < 3:
                continue
            verdict = heard.judge(settings, few=0 if live else FEW_BEATS)
            if verdict is None:
                pumps.append(heard)
                if not live:
                    heard.reckon(self._parts[pump.pump])
            else:
                doubts.append(verdict)
        if len(pumps) > 1:
            likeliest = max(pumps, key=lambda pump: pump.sure)
            pumps = [pump for pump in pumps if pump is likeliest or pump.stands_beside(settings)]
        pumps.sort(key=lambda pump: -pump.loudness)
        for number, heard in enumerate(pumps, start=1):
            heard.number = number
        # what else knocked matters where no ram was heard
        return Beats(
            _train(pumps, duration_s),
            tuple(pump.beat() for pump in pumps),
            () if pumps else tuple(doubts),
            None if live else _perhaps({pump.number: self._parts[pump.known.pump] for pump in pumps}, duration_s),
        )

    def slams(self, known: Known, duration_s: float, sure: float) -> SlamTrain:
        """The slams of one pump without judging it; sure: 0..1, that it is a ram."""
        if known.pump not in self._parts:
            return _train([], duration_s)
        pump = _Pump.of(known, self._parts[known.pump], duration_s)
        pump.number, pump.sure = 1, sure
        return _train([pump], duration_s)


NOTHING = (np.zeros(0), np.zeros(0, np.float32), np.zeros(0, np.float32))


@dataclass(slots=True)
class _Pump:
    known: Known
    time_s: FloatArray
    strength_db: NDArray[np.float32]
    confidence: NDArray[np.float32]
    reopen_s: FloatArray
    on_beat: NDArray[np.bool_]
    none_odds: NDArray[np.float32]
    duration_s: float
    stretch: tuple[int, int] = (0, 0)
    sure: float = 0.0
    doubt: str = ""
    number: int = 0
    reckoned: tuple[FloatArray, NDArray[np.float32], NDArray[np.float32]] = NOTHING

    @classmethod
    def of(cls, known: Known, parts: list[tuple[FloatArray, Heard, FloatArray]], duration_s: float) -> _Pump:
        time_s = np.concatenate([part[0] for part in parts])
        strength_db = np.concatenate([part[1].strength_db for part in parts])
        confidence = np.concatenate([part[1].confidence for part in parts])
        reopen_s = np.concatenate([part[2] for part in parts])
        none_odds = np.concatenate([part[1].none_odds for part in parts])
        fades = np.concatenate([part[1].fades for part in parts])
        order = np.argsort(time_s, kind="stable")
        order = order[(time_s[order] >= 0) & (time_s[order] <= duration_s)]
        time_s, confidence = time_s[order], confidence[order]
        # the same slam may be placed from either side of a border between passages
        close_s = min(0.03, 0.15 * float(median(np.diff(time_s)))) if len(time_s) > 1 else 0.0
        keep = np.ones(len(time_s), dtype=bool)
        for i in np.flatnonzero(np.diff(time_s) <= close_s):
            keep[i if confidence[i] < confidence[i + 1] else i + 1] = False
        order, time_s, confidence = order[keep], time_s[keep], confidence[keep]
        reopen_s = reopen_s[order]
        following = np.append(time_s[1:], np.inf)
        reopen_s = np.where((reopen_s > time_s) & (reopen_s < following), reopen_s, np.nan)
        grid = on_grid(time_s)
        order, time_s, confidence, reopen_s = order[grid], time_s[grid], confidence[grid], reopen_s[grid]
        pump = cls(
            known,
            time_s,
            strength_db[order],
            confidence,
            reopen_s,
            locally_even(time_s) | of_two_rates(time_s),
            none_odds[order],
            duration_s,
        )
        pump.stretch = longest_stretch(time_s, pump.on_beat)
        first, last = pump.stretch
        if known.expected_z > CLEAR_Z:
            whole = longest_stretch(time_s, locally_even(time_s, RAGGED_SPREAD))
            if last - first < RUN_MIN or unevenness(time_s[whole[0] : whole[1]]) > RAGGED_CV:
                # a ragged beat: what follows from what is chance, but the sound is sure
                pump.stretch = whole
        pump.stretch = _trimmed(time_s, pump.stretch)
        pump.on_beat |= fades[order]  # no part of an even stretch, but beats all the same
        return pump

    def reckon(self, parts: list[tuple[FloatArray, Heard, FloatArray]]) -> None:
        """Put in the slams that went unheard but were due: times, confidence and strength, for the train alone.

        Rate and regularity are measured without them, for they lie where the others say.
        """
        time_s = np.concatenate([np.interp(heard.reckoned.frame, heard.frame, at) for at, heard, _reopen_s in parts])
        order = np.argsort(time_s, kind="stable")
        apart_s = APART * float(median(np.diff(self.time_s)))
        after = np.searchsorted(self.time_s, time_s[order])
        inside = (after > 0) & (after < len(self.time_s))
        order, after = order[inside], after[inside]
        clear = np.minimum(self.time_s[after] - time_s[order], time_s[order] - self.time_s[after - 1]) > apart_s
        order = order[clear]
        # from either side of a border between passages
        order = order[np.append(True, np.diff(time_s[order]) > apart_s)] if len(order) else order
        confidence, strength_db = (
            np.concatenate([getattr(heard.reckoned, name) for _at, heard, _reopen_s in parts])
            for name in ("confidence", "strength_db")
        )
        self.reckoned = time_s[order], confidence[order], strength_db[order]

    @property
    def loudness(self) -> float:
        """Mean strength, dB, a little less for a pump heard seldom."""
        return float(np.mean(self.strength_db)) + 3 * float(np.log10(len(self.time_s)))

    def stands_beside(self, settings: BeatsSettings) -> bool:
        """Whether this is surely enough another pump beside a likelier one, and not what that one left over.

        Some even row can be picked out of many alike sounds once the pump that was sought is taken out.
        """
        first, last = self.stretch
        uneven = unevenness(folded(self.time_s[first:last]))
        rate = measure_rate(self.time_s[first:last]).per_min
        walks = WALK_PER_MIN[0] <= rate <= WALK_PER_MIN[1] and self.sure < DOUBTFUL
        more = float(np.interp(uneven, BESIDE_EVEN, (BESIDE_ODDS, BESIDE_WALK_ODDS))) if walks else BESIDE_ODDS
        return (
            self.known.ram_odds > settings.ram_odds_min + more
            and uneven < BESIDE_UNEVEN
            and alone(self.known.settled.series) > BESIDE_ALONE
            and self.doubt != LIKE_ENGINE
        )

    def judge(self, settings: BeatsSettings, few: int) -> str | None:
        """None where this is taken for a ram, ``sure`` and ``doubt`` set; else a sentence about what it was instead.

        Whether it goes like a ram is told passage by passage (``signs``). A clock does, too: without a reopening
        valve or water that rushes before the slam and not after it, no more than half sure. few: so many beats does a
        reopening take to vouch for a ram.
        """
        first, last = self.stretch
        span_s = self.time_s[last - 1] - self.time_s[first] if last > first else 0.0
        # what surely goes like a ram may hop to another rate every few seconds
        least_s = settings.span_min_s * (HOPS_SPAN if self.known.ram_odds > HOPS_ODDS else 1.0)
        if last - first < settings.slams_min or span_s < min(least_s, 0.5 * self.duration_s):
            return TOO_FEW
        rate = measure_rate(self.time_s[first:last], self._audible(first, last)).per_min
        if rate > FASTEST_RAM_PER_MIN:
            return f"knocks at {rate:.0f} a minute were heard, faster than any ram: an engine, perhaps"
        ram_odds = self.known.ram_odds
        uneven = unevenness(self.time_s[first:last])
        ragged = uneven > RAGGED_UNEVEN
        if ram_odds < settings.ram_odds_min:
            return f"knocks at about {rate:.0f} a minute were heard, but nothing that says they come from a ram"
        shut_s = self.reopen_s[first:last] - self.time_s[first:last]
        reopening = float(np.mean(shut_s > STEP_S)) if rate < STEPS_PER_MIN else float(np.mean(np.isfinite(shut_s)))
        rush_t = self.known.rush_t / np.sqrt(self.known.n_passages)
        # a ragged beat goes by its water alone, and chance finds some water before what it strings together
        barely = ragged or ram_odds <= RAGGED_ODDS
        own = float(np.interp(rush_t, RAGGED_RUSH_T if barely else RUSH_T, (0.0, 1.0)))
        # after drips or barks picked out of many something follows, too; of an engine's firing there is an echo
        fast = rate > FAST_PER_MIN
        phrase = last - first < few and rush_t < RUSH_FIRST_T and reopening > 0
        note = self.known.settled.note and rush_t < RUSHES_T
        if not (ragged or fast or phrase) and ram_odds > RAGGED_ODDS:
            own = max(min(reopening / 0.6, 1.0), own)
        # a phrase of two notes goes like slam and reopening
        self.sure = (0.5 + 0.5 * (0.0 if note else own)) / (1 + float(np.exp(-ram_odds)))
        # where a slam stands out so far, the water that makes it is heard, too, the better the farther
        above_db = float(median(self.strength_db[first:last])) - DRY_DB
        dry = above_db > 0 and rush_t < RUSHES_T + RUSHES_PER_DB * above_db
        signs = (  # of something else that beats evenly; no surer than so, and what is said
            (uneven < CLOCK_UNEVENNESS, CLOCK_SURE, LIKE_CLOCK),
            (dry, DRY_SURE, LIKE_ENGINE if fast else DRY),
            (self.known.settled.twin, DRY_SURE, LIKE_TICKS),
            (
                self.sure < DOUBTFUL,
                self.sure,
                LIKE_ENGINE if fast else LIKE_BIRD if note else LIKE_PHRASE if phrase else BY_BEAT_ONLY,
            ),
        )
        for holds, most, doubt in signs:
            if holds:
                self.sure, self.doubt = min(self.sure, most), doubt
                break
        return None

    def _audible(self, first: int, last: int, none_odds: float = NONE_ODDS) -> NDArray[np.bool_]:
        """For each interval of a stretch, whether a slam within it would surely have been heard."""
        return np.asarray(self.none_odds[first : last - 1] > none_odds)

    def beat(self) -> Beat:
        """Rate and regularity over the longest self-running stretch."""
        first, last = self.stretch
        time_s = self.time_s[first:last]
        audible = self._audible(first, last)
        rate = measure_rate(time_s, audible)
        either = [measure_rate(time_s, self._audible(first, last, odds)) for odds in NONE_ODDS_RANGE]
        ci95_per_min = (
            min(one.ci95_per_min[0] for one in (rate, *either)),
            max(one.ci95_per_min[1] for one in (rate, *either)),
        )
        reopen_s = self.reopen_s[first:last]
        shut_s = reopen_s - time_s
        open_s = np.append(time_s[1:], np.nan) - reopen_s
        heard = np.isfinite(shut_s) & np.isfinite(open_s)
        phases = heard.sum() >= max(5, 0.3 * len(time_s))
        doubts = [self.doubt] if self.doubt else []
        if time_s[-1] - time_s[0] < 20:
            doubts.append("it was heard running for less than 20 seconds: record a minute or more")
        return Beat(
            pump=self.number,
            start_s=float(time_s[0]),
            end_s=float(time_s[-1]),
            n_cycles=len(time_s) - 1,
            rate_per_min=rate.per_min,
            rate_ci95_per_min=ci95_per_min,
            regularity=measure_regularity(time_s, audible),
            open_s=float(median(open_s[heard])) if phases else None,
            shut_s=float(median(shut_s[heard])) if phases else None,
            confidence=self.sure,
            doubts=tuple(doubts),
        )


def _trimmed(time_s: FloatArray, stretch: tuple[int, int]) -> tuple[int, int]:
    """The stretch without intervals at its ends that are unlike its own: the last pushes, the first slowing beats."""
    first, last = stretch
    if last - first < TRIM_FROM:
        return stretch
    log = np.log(np.diff(time_s[first:last]))
    # a hop to another rate goes on as evenly there; no hand pushes so
    some = time_s[first:last]
    slams_even = locally_even(some, TRIM_SPREAD, TRIM_LEAST) | of_two_rates(some, TRIM_SPREAD)
    like = np.flatnonzero((np.abs(log - median(log)) < TRIM_UNLIKE) | (slams_even[1:] & slams_even[:-1]))
    most = len(log) // 3
    if len(like) == 0 or like[0] > most or len(log) - 1 - like[-1] > most:
        return stretch
    return first + int(like[0]), first + int(like[-1]) + 2


TRIM_FROM, TRIM_UNLIKE, TRIM_SPREAD, TRIM_LEAST = 12, 0.12, 0.05, 5


def _train(pumps: list[_Pump], duration_s: float) -> SlamTrain:
    """All slams of all pumps in order of time."""
    columns = [_columns(pump) for pump in pumps] or [_columns(None)]
    time_s, strength_db, confidence, reopen_s, opened_s, number, beating = map(
        np.concatenate, zip(*columns, strict=True)
    )
    order = np.argsort(time_s, kind="stable")
    # two pumps may slam at the same instant, but times must increase
    order = order[np.append(True, np.diff(time_s[order]) > 0)] if len(order) else order
    return SlamTrain(
        time_s=time_s[order],
        strength_db=strength_db[order],
        confidence=confidence[order],
        reopen_s=reopen_s[order],
        opened_s=opened_s[order],
        pump=number[order],
        beating=beating[order],
        duration_s=duration_s,
    )


def _perhaps(parts: dict[int, list[tuple[FloatArray, Heard, FloatArray]]], duration_s: float) -> SlamTrain:
    """The knocks that sound somewhat like the slams of each pump, by its number; see Beats."""
    time_s, strength_db, number = np.empty(0), np.empty(0, np.float32), np.empty(0, np.int32)
    for pump, heard in parts.items():
        for _time_s, part, _reopen_s in heard:
            time_s = np.append(time_s, part.perhaps.time_s)
            strength_db = np.append(strength_db, part.perhaps.strength_db)
            number = np.append(number, np.full(len(part.perhaps.time_s), pump, np.int32))
    time_s, first = np.unique(time_s, return_index=True)
    inside = time_s <= duration_s
    time_s, first = time_s[inside], first[inside]
    none = np.full(len(time_s), np.nan)
    off_beat = np.zeros(len(time_s), np.bool_)
    sure = np.full(len(time_s), PERHAPS, np.float32)
    return SlamTrain(time_s, strength_db[first], sure, none, none, number[first], off_beat, duration_s)


def _columns(pump: _Pump | None) -> tuple[NDArray[Any], ...]:
    """The slams of one pump, heard and reckoned, as in SlamTrain; of none, none."""
    if pump is None:
        return (*NOTHING, np.zeros(0), np.zeros(0), np.zeros(0, np.int32), np.zeros(0, np.bool_))
    time_s, confidence, strength_db = pump.reckoned
    n = len(time_s)
    sure = np.float32(0.4 + 0.6 * pump.sure)
    return (
        np.append(pump.time_s, time_s),
        np.append(pump.strength_db, strength_db),
        np.append(pump.confidence, confidence) * sure,
        np.append(pump.reopen_s, np.full(n, np.nan)),
        np.append(_opened(pump), np.full(n, np.nan)),
        np.full(len(pump.time_s) + n, pump.number, dtype=np.int32),
        np.append(pump.on_beat, np.ones(n, dtype=np.bool_)),
    )


def _opened(pump: _Pump) -> FloatArray:
    """The reopening of the cycle before, where it belongs to this slam."""
    opened_s = np.append(np.nan, pump.reopen_s[:-1])
    return np.where(pump.time_s - opened_s < OPENED_MAX_S, opened_s, np.nan)

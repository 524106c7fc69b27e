"""Rules about other sounds with the slam, and about a pump in order (fault rows 17 to 19, 21, 22, 26, 29)."""

from __future__ import annotations

import numpy as np

from clackcount.diagnosis.facts import Facts
from clackcount.diagnosis.rule import Rule, Sign, source
from clackcount.model import Basis, FloatArray, Pattern, Severity
from clackcount.model.cautions import ANCHOR, AT_THE_VALVE, BESIDE_IT, EVERYWHERE

BEATS_MIN = 30
STEADY_MIN = 20  # beats: a minute of a slow ram
HISS_HZ, HISS_DB = 3000.0, 4.0
HISS_CELLS = 3  # looked for in so many cells after the slam
SOONEST_REOPENING_S = 0.06  # published and measured: 60 to 350 ms after the slam, in rams that are not very fast
NOT_FAST_PER_MIN = 120.0
SECOND_SHARE = 0.6
STRONG_DB = 20.0  # made rams with a rush of their own, 10 to 35 dB softer than the slam, are told with less
NO_RUSH_DB = 0.7
SURE = 0.5


def _second_knock(facts: Facts) -> Sign | None:
    """A second sound after most slams, sooner than the waste valve can drop open."""
    train = facts.train
    if facts.beat is None or len(train) < BEATS_MIN or facts.beat.rate_per_min > NOT_FAST_PER_MIN:
        return None
    gap_s = (train.reopen_s - train.time_s)[np.isfinite(train.reopen_s)]
    if len(gap_s) < SECOND_SHARE * len(train) or float(np.median(gap_s)) >= SOONEST_REOPENING_S:
        return None
    return Sign(
        f"A second knock {1000 * float(np.median(gap_s)):.0f} ms after {100 * len(gap_s) / len(train):.0f} % of the "
        f"slams; a waste valve takes {1000 * SOONEST_REOPENING_S:.0f} ms or more to drop open.",
        0.5,
        (facts.beat.start_s,),
    )


def _hiss(facts: Facts) -> Sign | None:
    train, flow = facts.train, facts.flow
    if facts.beat is None or len(train) < BEATS_MIN or len(flow) < 100:
        return None
    high = flow.band_hz[:-1] >= HISS_HZ
    period_s = 60 / facts.beat.rate_per_min
    if not high.any() or high.all() or period_s < 8 * flow.step_s:
        return None
    first = np.ceil(train.time_s / flow.step_s).astype(np.int64) + 1
    first = first[(first + round(0.6 * period_s / flow.step_s) < len(flow)) & (first >= 0)][:4000]
    if len(first) < BEATS_MIN:
        return None
    after_db = _folded_db(flow.level_db, first, range(HISS_CELLS))
    rest_db = _folded_db(
        flow.level_db, first, range(HISS_CELLS, max(HISS_CELLS + 1, round(0.5 * period_s / flow.step_s)))
    )
    rise_db = after_db.max(axis=0) - rest_db.min(axis=0)
    if float(rise_db[high].max()) < HISS_DB or float(rise_db[high].max()) < float(rise_db[~high].max()) + HISS_DB / 2:
        return None
    return Sign(
        f"A hiss above {HISS_HZ / 1000:.0f} kHz follows each slam, {rise_db[high].max():.0f} dB over the shut phase.",
        0.4,
        (facts.beat.start_s,),
    )


def _folded_db(level_db: np.ndarray, first: np.ndarray, lags: range) -> FloatArray:
    """Median level of each band at each lag after the slams, float64 (n_lags, n_bands)."""
    return np.array([np.median(level_db[first + lag], axis=0) for lag in lags], dtype=np.float64)


def _drowned(facts: Facts) -> Sign | None:
    rush_db = [row.rush_db for row in facts.running.trend if row.rush_db is not None]
    if facts.beat is None or len(facts.train) < BEATS_MIN or not rush_db:
        return None
    strength_db = float(np.median(facts.train.strength_db))
    if strength_db < STRONG_DB or float(np.median(rush_db)) > NO_RUSH_DB:
        return None
    return Sign(
        f"Slams stand {strength_db:.0f} dB over the background, but no rush of water is heard before them.",
        0.3,
        (facts.beat.start_s,),
    )


def _two_rams(facts: Facts) -> Sign | None:
    pumps = facts.beats.pumps
    if len(pumps) < 2:
        return None
    rates = " and ".join(f"{beat.rate_per_min:.1f}" for beat in pumps)
    return Sign(f"Beats at {rates} a minute.", min(beat.confidence for beat in pumps))


def _doubtful(facts: Facts) -> Sign | None:
    if facts.beat is None or facts.beat.confidence >= SURE:
        return None
    told = f": {facts.beat.doubts[0]}" if facts.beat.doubts else ""
    return Sign(f"Even knocks at {facts.beat.rate_per_min:.1f} a minute{told}.", 1 - facts.beat.confidence)


def _steady(facts: Facts) -> Sign | None:
    beat = facts.beat
    good = (Pattern.EVEN, Pattern.WANDERING)
    if beat is None or beat.n_cycles < STEADY_MIN or not facts.runs_at_end or beat.regularity.pattern not in good:
        return None
    return Sign(
        f"{beat.rate_per_min:.1f} beats a minute, even to {100 * beat.regularity.robust_cv:.1f} %, over "
        f"{beat.n_cycles} beats.",
        0.9,
    )


RULES = (
    Rule(
        code="maybe-no-ram",
        severity=Severity.INFO,
        title="Perhaps this is no ram",
        means="Knocks as even as a clock's are heard, but not the rush of water or the reopening that go with a ram.",
        next="Record again within two metres of the waste valve.",
        basis=Basis.INFERENCE,
        source="",
        looks=_doubtful,
        question="Was a ram running near the phone?",
        cautions=BESIDE_IT,
    ),
    Rule(
        code="steady-beat",
        severity=Severity.INFO,
        title="Runs evenly",
        means=(
            "The drive side works. The sound of one recording cannot tell how much water arrives, nor whether the "
            "slam is harder or duller than it should be: with this same beat the delivery valve may leak, the air "
            "vessel may have lost its air, or the delivery line may be broken or too high."
        ),
        next="Measure a catch at the tank, note rate and catch together, and compare in a month.",
        basis=Basis.PUBLISHED,
        source=source("article", "lore"),
        looks=_steady,
        checks=(
            "air: a dull, spongy slam speaks for air in the drive pipe",
            "valve: a hard double knock speaks for a loose nut, a worn guide or rubber; a dribble while it is shut "
            "for dirt on its seat",
            "delivery valve: seat and rubber, if each beat brings less than it did",
            "air vessel: hammering slams, jumping pipes and pulses at the outlet speak for one without air",
            "delivery pipe: leak, blockage, too high a lift; less at the tank than at the ram's outlet is a leak",
        ),
        question="Does as much water arrive at the tank as it used to? Does the slam sound hard, double or dull?",
        cautions=AT_THE_VALVE,
        yields_to=(
            "uneven-beat",
            "long-short",
            "two-rates",
            "missed-beats",
            "slowing",
            "quickening",
            "rate-jump",
            "softer-slams",
            "louder-slams",
            "stopped-open",
            "stopped-shut",
            "starved",
            "stopped",
            "stops-again",
            "chatter",
            "still-settling",
            "first-fill",
            "maybe-no-ram",
        ),
    ),
    Rule(
        code="two-rams",
        severity=Severity.INFO,
        title="More than one ram is heard",
        means="Two rams side by side beat at their own rates; together they sound uneven, each alone is not.",
        next="Record close to the one you mean. The story told here is that of the loudest.",
        basis=Basis.INFERENCE,
        source="a drive pipe for each: " + source("lab"),
        looks=_two_rams,
        question="Does each ram have a drive pipe of its own? It needs one.",
        cautions=BESIDE_IT,
        remark=True,
    ),
    Rule(
        code="second-knock",
        severity=Severity.INFO,
        title="A second knock right after each slam",
        means=(
            "It comes too soon for the waste valve dropping open. The delivery valve may knock so, and is then in "
            "order if it is soft; a hard, metallic one can be the valve bouncing or a loose part."
        ),
        next="Hold a hand on the body and on the pipe, a stick on the valve's stop: where is the second knock?",
        basis=Basis.COMMON_PRACTICE,
        source=source("lore"),
        looks=_second_knock,
        causes=(
            "delivery valve shutting",
            "waste valve bouncing on its seat",
            "loose nut, worn guide, ram not bolted down",
        ),
        checks=("valve: bounce, rubber, guide, nut", "delivery valve: seat rubber", "anchoring: bolted down?"),
        question="Is the second knock hard and metallic, and does the ram or the pipe move?",
        cautions=(*AT_THE_VALVE, ANCHOR),
        yields_to=("two-rams",),
        remark=True,
    ),
    Rule(
        code="hiss",
        severity=Severity.INFO,
        title="A hiss or whistle after each slam",
        means="A snifter spits a little at each slam, as it should; a joint that draws or loses air hisses as well.",
        next="Find it by hand: at the snifter it is normal if small, at a joint it wants sealing.",
        basis=Basis.INFERENCE,
        source="",
        looks=_hiss,
        causes=("snifter working", "joint drawing or losing air"),
        checks=("air: joints of the drive pipe", "snifter: hole of a millimetre or two, short jet"),
        question="Where does it come from?",
        cautions=AT_THE_VALVE,
        remark=True,
    ),
    Rule(
        code="no-rush",
        severity=Severity.INFO,
        title="Clear slams, but no rush of water",
        means="Either the phone stands where the splash is not heard, or the waste valve works under water.",
        next="Look whether the pit drains: a plain waste valve must not stand under water.",
        basis=Basis.PUBLISHED,
        source=source("lab"),
        looks=_drowned,
        causes=("phone too far from the waste water", "pit flooded, waste valve under water"),
        checks=("pit: drain it",),
        question="Does the waste valve stand free of water?",
        cautions=EVERYWHERE,
        yields_to=("maybe-no-ram",),
        remark=True,
    ),
)

"""Rules about how the beat lies, within one recording (fault rows 10 to 13, 25)."""

from __future__ import annotations

import numpy as np

from clackcount.diagnosis.cautions import ANCHOR, AT_THE_INTAKE, AT_THE_VALVE, EVERYWHERE
from clackcount.diagnosis.facts import Facts
from clackcount.diagnosis.rule import Rule, Sign, source
from clackcount.model import Basis, Beat, Pattern, Severity

BEATS_MIN = 20  # fewer beats show no pattern
FAST_PER_MIN, SLOW_PER_MIN = 120.0, 40.0  # usual range of ordinary rams
MISSED_SHARE = 0.02
GAP_MIN = 1.6  # usual intervals
UNEVEN_OVER = 10  # beats
CHATTER_PER_MIN, CHATTER_DB = 240.0, 8.0


def _beat(facts: Facts, pattern: Pattern) -> Beat | None:
    beat = facts.beat
    return beat if beat and beat.n_cycles >= BEATS_MIN and beat.regularity.pattern is pattern else None


def _ragged(facts: Facts) -> Sign | None:
    beat = _beat(facts, Pattern.RAGGED)
    if beat is None:
        return None
    return Sign(_spread(beat), min(0.9, 0.5 + 2 * beat.regularity.robust_cv), (_most_uneven_s(facts),))


def _alternating(facts: Facts) -> Sign | None:
    beat = _beat(facts, Pattern.ALTERNATING)
    if beat is None:
        return None
    odd_s, even_s = _turns(facts)
    return Sign(
        f"Intervals of {odd_s:.2f} s and {even_s:.2f} s in turn, over {beat.n_cycles} beats.", 0.8, (beat.start_s,)
    )


def _hopping(facts: Facts) -> Sign | None:
    if _beat(facts, Pattern.HOPPING) is None or facts.hops is None:
        return None
    low, high = sorted(facts.hops.rates_per_min)
    hops_s = facts.hops.time_s
    words = f"The beat jumps between about {low:.0f} and {high:.0f} a minute"
    return Sign(f"{words}, {len(hops_s)} times." if len(hops_s) > 1 else f"{words}.", 0.75, hops_s[:3])


def _wandering(facts: Facts) -> Sign | None:
    beat = _beat(facts, Pattern.WANDERING)
    if beat is None:
        return None
    return Sign(_spread(beat) + " It drifts to and fro rather than scattering.", 0.6, (beat.start_s,))


def _missed(facts: Facts) -> Sign | None:
    beat = facts.beat
    if beat is None or beat.n_cycles < BEATS_MIN or beat.regularity.missed < 3:
        return None
    share = beat.regularity.missed / (beat.n_cycles + beat.regularity.missed)
    if share < MISSED_SHARE:
        return None
    faint = float(np.median(facts.train.strength_db)) < CHATTER_DB
    words = f"{beat.regularity.missed} of {beat.n_cycles + beat.regularity.missed} beats missing"
    if faint:
        words += "; the slams are faint here, so they may only have gone unheard"
    gap_s = facts.beat_s[:-1][facts.intervals_s > GAP_MIN * np.median(facts.intervals_s)]
    severity = Severity.INFO if faint else None
    return Sign(words + ".", 0.4 if faint else 0.7, tuple(float(t) for t in gap_s[:5]), severity)


def _fast(facts: Facts) -> Sign | None:
    beat = facts.beat
    if beat is None or beat.rate_per_min <= FAST_PER_MIN:
        return None
    return Sign(f"{beat.rate_per_min:.0f} beats a minute; ordinary rams do 40 to 120.", 0.9)


def _slow(facts: Facts) -> Sign | None:
    beat = facts.beat
    if beat is None or beat.rate_per_min >= SLOW_PER_MIN:
        return None
    return Sign(f"{beat.rate_per_min:.0f} beats a minute; ordinary rams do 40 to 120.", 0.9)


def _chatter(facts: Facts) -> Sign | None:
    beat = facts.beat
    if beat is None or beat.rate_per_min < CHATTER_PER_MIN or beat.regularity.robust_cv < 0.08:
        return None
    strength_db = float(np.median(facts.train.strength_db))
    if strength_db > CHATTER_DB:
        return None
    return Sign(
        f"{beat.rate_per_min:.0f} light clicks a minute, {strength_db:.0f} dB over the background, uneven by "
        f"{100 * beat.regularity.robust_cv:.0f} %.",
        0.4,
        (beat.start_s,),
    )


def _most_uneven_s(facts: Facts) -> float:
    """Where in the beat the intervals change most from one to the next, over some beats."""
    change = np.convolve(np.abs(np.diff(np.log(facts.intervals_s))), np.ones(UNEVEN_OVER), mode="valid")
    return float(facts.beat_s[int(np.argmax(change))])


def _spread(beat: Beat) -> str:
    return (
        f"Intervals spread by {100 * beat.regularity.robust_cv:.0f} % over {beat.n_cycles} beats "
        "(a few per cent is usual)."
    )


def _turns(facts: Facts) -> tuple[float, float]:
    """Median of the odd and of the even intervals, the shorter first; turns may swap after a missed beat."""
    interval_s = facts.intervals_s
    pairs = np.sort(interval_s[: len(interval_s) // 2 * 2].reshape(-1, 2), axis=1)
    return float(np.median(pairs[:, 0])), float(np.median(pairs[:, 1]))


RULES = (
    Rule(
        code="chatter",
        severity=Severity.WATCH,
        title="Chatters: many light clicks instead of slams",
        means="The valve flutters without the column ever getting up speed.",
        next="Give the valve more weight or a longer stroke, in small steps; measure the stroke before.",
        basis=Basis.COMMON_PRACTICE,
        source=source("lore"),
        looks=_chatter,
        causes=("weight or spring too light", "valve stroke too short", "too little fall for this valve"),
        checks=("source level", "valve: stroke and weight"),
        question="Does the valve travel its full stroke when you watch it?",
        cautions=EVERYWHERE,
    ),
    Rule(
        code="uneven-beat",
        severity=Severity.WATCH,
        title="Uneven beat",
        means="The intervals scatter without a pattern. A ram in order keeps its time to a few per cent.",
        next=(
            "See whether the level over the intake is steady; look for bubbles at the waste valve, and bleed the "
            "drive pipe."
        ),
        basis=Basis.PUBLISHED,
        source=source("cornell", "lore"),
        looks=_ragged,
        causes=(
            "supply that pulses",
            "air in the drive pipe",
            "dirt in the valve",
            "worn stem guide",
            "loose ram or pipe",
        ),
        checks=(
            "source level: steady?",
            "strainer",
            "air: bleed the drive pipe",
            "valve: dirt, wear, free stem",
            "anchoring: does the ram or the pipe move at the slam?",
        ),
        cautions=(*EVERYWHERE, ANCHOR),
        yields_to=("starved", "chatter"),
    ),
    Rule(
        code="long-short",
        severity=Severity.WATCH,
        title="Long and short beats in turn",
        means="Every second cycle differs: a wave or the recoil of one cycle changes the next.",
        next=(
            "See whether another ram or a stand pipe is on the same drive line; then change weight or stroke a "
            "little and hear whether it goes."
        ),
        basis=Basis.INFERENCE,
        source="",
        looks=_alternating,
        causes=(
            "recoil or reflected wave meets the next cycle",
            "two rams on one drive line",
            "valve bounces on its seat",
        ),
        checks=("drive line: a stand pipe or another ram near?", "valve: bounce, seat rubber, stroke"),
        question="Does another ram hang on the same drive pipe?",
        cautions=AT_THE_VALVE,
    ),
    Rule(
        code="two-rates",
        severity=Severity.WATCH,
        title="Hops between two rates",
        means="The pump has two ways to run at this setting and changes between them; that is not scatter.",
        next="Change weight or stroke in a small step, let it settle, and see whether one rate remains.",
        basis=Basis.INFERENCE,
        source=source("logs") + ", which hop in this way",
        looks=_hopping,
        causes=("setting at the edge between two ways of closing", "supply that pulses", "dirt that comes and goes"),
        checks=("source level", "air: bubbles at the waste valve?", "valve: dirt, stroke, weight"),
        question="Is the level over the intake steady while it hops?",
        cautions=EVERYWHERE,
        yields_to=("rate-jump",),
    ),
    Rule(
        code="wandering-beat",
        severity=Severity.INFO,
        title="The rate wanders slowly",
        means=(
            "The beat is even from one to the next but drifts to and fro: often the water level at the source does."
        ),
        next="Watch the level over the intake for some minutes while it runs.",
        basis=Basis.COMMON_PRACTICE,
        source="",
        looks=_wandering,
        causes=("source level rises and falls", "air passing through"),
        checks=("source level", "strainer", "air"),
        question="Does the level over the intake rise and fall with it?",
        cautions=AT_THE_INTAKE,
        yields_to=("starved", "rate-jump", "slowing", "quickening"),
        remark=True,
    ),
    Rule(
        code="missed-beats",
        severity=Severity.WATCH,
        title="Beats are missing",
        means="At some beats no slam is heard where one was due: the valve did not shut, or the slam was drowned.",
        next="Listen at the valve: does it hang now and then? If so look for air first, then for dirt.",
        basis=Basis.COMMON_PRACTICE,
        source="",
        looks=_missed,
        causes=("valve hangs: dirt or worn guide", "air in the drive pipe", "noise hid the slams"),
        checks=("source level: does the intake draw air?", "air: bleed the drive pipe", "valve: dirt, free stem"),
        question="Does the valve hang for a beat when you watch it?",
        cautions=EVERYWHERE,
        yields_to=("starved", "two-rates", "uneven-beat"),
    ),
    Rule(
        code="fast-beat",
        severity=Severity.INFO,
        title="Beats faster than most rams",
        means=(
            "Fast is not wrong in itself: it uses less water a beat and lifts less. Small rams and short pipes "
            "run fast."
        ),
        next=(
            "If more water is wanted and the source has it: a longer valve stroke or more weight, one step at a time."
        ),
        basis=Basis.PUBLISHED,
        source=source("lab", "malawi", "logs"),
        looks=_fast,
        causes=(
            "small ram or short drive pipe",
            "short valve stroke, light weight or spring",
            "a nut that has turned in",
        ),
        checks=("valve: measure the stroke, is the nut tight?",),
        question="Has it always run at this rate?",
        cautions=AT_THE_VALVE,
        yields_to=("chatter", "quickening"),
        remark=True,
    ),
    Rule(
        code="slow-beat",
        severity=Severity.INFO,
        title="Beats slower than most rams",
        means=(
            "Slow is not wrong in itself: it wastes more a beat and mostly lifts more. Large rams and long pipes "
            "run slow."
        ),
        next="If it used to be faster: level over the intake and strainer first, then stroke and weight.",
        basis=Basis.PUBLISHED,
        source=source("lab", "malawi"),
        looks=_slow,
        causes=("large ram or long drive pipe", "long stroke or heavy valve", "low source, friction, choked intake"),
        checks=("source level", "strainer", "valve: stroke and weight"),
        question="Has it always run at this rate?",
        cautions=EVERYWHERE,
        yields_to=("slowing", "starved"),
        remark=True,
    ),
)

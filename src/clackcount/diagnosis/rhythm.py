"""Rules about how the beat lies, within one recording (fault rows 10 to 13, 25)."""

from __future__ import annotations

import numpy as np

from clackcount.diagnosis.facts import Facts
from clackcount.diagnosis.rule import Rule, Sign, source
from clackcount.model import Basis, Beat, Pattern, Severity
from clackcount.model.cautions import ANCHOR, AT_THE_INTAKE, AT_THE_VALVE, EVERYWHERE

BEATS_MIN = 20  # fewer beats show no pattern
FAST_PER_MIN, SLOW_PER_MIN = 120.0, 40.0  # usual range of ordinary rams
MISSED_MIN, MISSED_SHARE = 3, 0.02
GAP_MIN = 1.6  # usual intervals
UNEVEN_OVER = 10  # beats
CHATTER_PER_MIN = 240.0
FAINT_DB = 8.0  # slams so soft over the background are light clicks, or lost in it now and then


def _beat(facts: Facts, pattern: Pattern) -> Beat | None:
    beat = facts.own_beat
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
    beat = facts.own_beat
    if beat is None or facts.strength_db < FAINT_DB:
        return None
    due = _due(beat, beat.regularity.missed)
    return Sign(f"{beat.regularity.missed} of {due} beats missing.", 0.7, _gaps_s(facts)) if due else None


def _unheard(facts: Facts) -> Sign | None:
    beat = facts.own_beat
    if beat is None:
        return None
    n = beat.regularity.missed + beat.unheard
    due = _due(beat, n)
    words = f"{n} of {due} beats not heard; the slams stand {facts.strength_db:.0f} dB over the background."
    return Sign(words, 0.9, _gaps_s(facts)) if due else None


def _due(beat: Beat, n_missing: int) -> int:
    """Beats that were due, 0 where too few of them are missing to be told."""
    due = beat.n_cycles + beat.regularity.missed + beat.unheard
    told = beat.n_cycles >= BEATS_MIN and n_missing >= MISSED_MIN and n_missing >= MISSED_SHARE * due
    return due if told else 0


def _gaps_s(facts: Facts) -> tuple[float, ...]:
    """The last slam before each of the first missing beats."""
    gaps_s = facts.beat_s[:-1][facts.intervals_s > GAP_MIN * np.median(facts.intervals_s)]
    return tuple(float(t) for t in gaps_s[:5])


def _fast(facts: Facts) -> Sign | None:
    beat = facts.beat
    return _unusual(beat) if beat is not None and beat.rate_ci95_per_min[0] > FAST_PER_MIN else None


def _slow(facts: Facts) -> Sign | None:
    beat = facts.beat
    return _unusual(beat) if beat is not None and beat.rate_ci95_per_min[1] < SLOW_PER_MIN else None


def _unusual(beat: Beat) -> Sign:
    usual = f"ordinary rams do {SLOW_PER_MIN:.0f} to {FAST_PER_MIN:.0f}"
    return Sign(f"{beat.rate_per_min:.1f} beats a minute; {usual}.", 0.9)


def _chatter(facts: Facts) -> Sign | None:
    beat = facts.beat
    if beat is None or beat.rate_per_min < CHATTER_PER_MIN or beat.regularity.robust_cv < 0.08:
        return None
    if facts.strength_db > FAINT_DB:
        return None
    return Sign(
        f"{beat.rate_per_min:.0f} light clicks a minute, {facts.strength_db:.0f} dB over the background, uneven by "
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
        next=(
            "See that the level over the intake is steady; then change weight or stroke in a small step, let it "
            "settle, and see whether one rate remains."
        ),
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
        means="At some beats no slam is heard where one was due, though it would have been heard: the valve hung.",
        next="Listen at the valve: does it hang now and then? If so look for air first, then for dirt.",
        basis=Basis.COMMON_PRACTICE,
        source="",
        looks=_missed,
        causes=("valve hangs: dirt or worn guide", "air in the drive pipe"),
        checks=("source level: does the intake draw air?", "air: bleed the drive pipe", "valve: dirt, free stem"),
        question="Does the valve hang for a beat when you watch it?",
        cautions=EVERYWHERE,
        yields_to=("starved", "two-rates", "uneven-beat"),
    ),
    Rule(
        code="unheard-beats",
        severity=Severity.INFO,
        title="Some beats were missed, or only not heard",
        means=(
            "Where a slam was due none was heard. If the water rushes on until the next slam, the valve did not "
            "shut; if the rush is cut off as ever, the slam was only drowned by other noise."
        ),
        next="Listen to one of the gaps: does the rush of water go on through it? If so, look at the valve.",
        basis=Basis.INFERENCE,
        source="",
        looks=_unheard,
        causes=("noise hid the slams", "valve hangs now and then: dirt or worn guide", "air in the drive pipe"),
        checks=("source level: does the intake draw air?", "air: bleed the drive pipe", "valve: dirt, free stem"),
        question="Does the valve hang for a beat when you watch it?",
        cautions=EVERYWHERE,
        yields_to=("missed-beats", "starved", "two-rates", "uneven-beat", "maybe-no-ram"),
        remark=True,
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

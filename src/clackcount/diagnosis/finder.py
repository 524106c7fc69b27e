"""Runs the rules over one recording and puts what they find in order."""

from __future__ import annotations

from dataclasses import replace

from clackcount.diagnosis import changing, rhythm, sounding, starting, stopping
from clackcount.diagnosis.facts import Facts
from clackcount.diagnosis.rule import Rule
from clackcount.model import Beats, Finding, FlowTrack, RecordingInfo, Running, Severity

RULES: tuple[Rule, ...] = (
    *stopping.RULES,
    *changing.RULES,
    *rhythm.RULES,
    *starting.RULES,
    *sounding.RULES,
)
CODES: tuple[str, ...] = tuple(rule.code for rule in RULES)

RANK = {Severity.ACT: 0, Severity.WATCH: 1, Severity.INFO: 2}
SURE_OF_RAM = 0.5  # below this nobody is sent to the pump because of the beat
WHY_STOPPED = ("stopped-open", "stopped-shut", "starved", "stopped")
NO_RAM = "maybe-no-ram"


def find(beats: Beats, running: Running, flow: FlowTrack, info: RecordingInfo) -> tuple[Finding, ...]:
    """Everything worth telling, gravest and surest first, remarks last.

    A rule is silent where another explains the same evidence better. Stops with different causes stand one under the
    other, the last one's first, each with the stops it belongs to. That it may be no ram stands above what it would
    mean if it were.
    """
    facts = Facts(beats, running, flow, info)
    found = [(rule, sign) for rule in RULES if (sign := rule.looks(facts)) is not None]
    codes = {rule.code for rule, _ in found}
    findings = [rule.told(sign, facts.sure) for rule, sign in found if not codes & set(rule.yields_to)]
    if facts.beat is not None and facts.sure < SURE_OF_RAM:
        findings = [replace(finding, severity=Severity.INFO) for finding in findings]
    last_stop_s = max((stop.time_s for stop in running.stops), default=None)
    order = {rule.code: (rule.remark, place) for place, rule in enumerate(RULES)}

    def key(finding: Finding) -> tuple[int, tuple[bool, bool, bool], float, int]:
        """The cause of the last stop first among its like: that is the one to deal with now."""
        remark, place = order[finding.code]
        of_last = (
            last_stop_s is not None and finding.code in WHY_STOPPED and round(last_stop_s, 2) in finding.listen_at_s
        )
        among_like = finding.code != NO_RAM, not of_last, remark
        return RANK[finding.severity], among_like, -finding.confidence, place

    return tuple(sorted(findings, key=key))


# What the site says of the same evidence is told in place of what holds for rams in general.
USUAL_RATE = ("slow-beat", "fast-beat")
SITE_TELLS = {
    "rate-below-site": USUAL_RATE,
    "rate-above-site": USUAL_RATE,
    "heard-fits-site": USUAL_RATE,
    "air-suspected": ("softer-slams", "uneven-beat"),
}


def joined(found: tuple[Finding, ...], more: tuple[Finding, ...], sure: float) -> tuple[Finding, ...]:
    """found with what the site tells among them, gravest first. sure: that the beat is a ram's.

    That it runs evenly is not told beside something that the site does not explain.
    """
    if sure < SURE_OF_RAM:
        more = tuple(replace(finding, severity=Severity.INFO) for finding in more)
    untold = {code for finding in more for code in SITE_TELLS.get(finding.code, ())}
    if any(finding.severity is not Severity.INFO for finding in more):
        untold.add("steady-beat")
    kept = tuple(finding for finding in found if finding.code not in untold)
    return tuple(sorted((*kept, *more), key=lambda finding: RANK[finding.severity]))

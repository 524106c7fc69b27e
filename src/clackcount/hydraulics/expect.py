"""What was heard held against the site file: does it fit, and if not, what would explain the difference.

The directions are those of the drive column at unchanged tuning: slower with less head, more friction, a longer
stroke or more weight; faster with the contrary; delivery pressure only touches the short pumping phase.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from clackcount.errors import QuantityError
from clackcount.hydraulics.assumed import ASSUMED
from clackcount.hydraulics.cycle import Cycle, cycle_of
from clackcount.hydraulics.figures import COVERAGE, Uncertain, assumed, band95, two_figures, u_of, uncertain, value_of
from clackcount.hydraulics.maths import log
from clackcount.hydraulics.measurement import CAUTION_PRESSURE, Heard, Measurement
from clackcount.hydraulics.site import Site
from clackcount.model import Basis, Finding, Severity

RAGGED_CV = 0.10
FADING_DB_PER_MIN = -1.0

LESS_HEAD = "less drive head than written: source level down, intake pool drawn low"
MORE_FRICTION = "more friction: strainer, intake or drive pipe part blocked"
LONGER_STROKE = "longer valve stroke or more weight than when the site file was written"
MORE_HEAD = "more drive head than written: source risen"
SHORTER_STROKE = "shorter valve stroke, lost weight or weaker spring: look for a nut that has turned"
AIR = "air in the drive pipe"
DELIVERY_LEAK = "water lost on the delivery side: delivery valve leaking, snifter too large, line leaking"


def expected_against_heard(site: Site, heard: Heard, measurement: Measurement) -> tuple[Finding, ...]:
    """Findings about how far rate, phases and water per stroke fit the site file; at least one.

    measurement: of the same site, so that the errors of tape and rule cancel where they should.
    """
    findings = [
        *_rate(heard, measurement),
        *_phases(heard, measurement),
        *_water(measurement),
        *_limits(measurement),
        *_air(heard),
    ]
    if not any(finding.severity is not Severity.INFO for finding in findings):
        findings.append(_fits(site, heard, measurement))
    return tuple(findings)


def _rate(heard: Heard, measurement: Measurement) -> Iterator[Finding]:
    expected = cycle_of(measurement.site)
    rate = expected.rate_per_s * 60
    apart = log(_heard_rate(heard) / rate)
    if abs(value_of(apart)) <= COVERAGE * u_of(apart):
        return
    slower = value_of(apart) < 0
    causes = [LESS_HEAD, MORE_FRICTION, LONGER_STROKE] if slower else [MORE_HEAD, SHORTER_STROKE]
    if slower and heard.robust_cv is not None and heard.robust_cv >= RAGGED_CV:
        causes.insert(0, AIR)
    low, high = band95(rate)
    yield Finding(
        code="rate-below-site" if slower else "rate-above-site",
        severity=Severity.WATCH,
        title=f"Beats {'slower' if slower else 'faster'} than this site should",
        evidence=(
            f"{heard.rate_per_min:.1f} a minute heard; {two_figures(low)} to {two_figures(high)} expected from "
            f"{expected.from_}"
        ),
        next="Measure the drive head again, then look at strainer and valve stroke."
        if slower
        else "Measure the valve stroke and check weight, spring and lock nut, then the drive head.",
        confidence=_sure(apart),
        basis=Basis.INFERENCE,
        source="drive column at unchanged tuning; direction of stroke and weight: Siwinda 2011",
        causes=tuple(causes),
    )


def _phases(heard: Heard, measurement: Measurement) -> Iterator[Finding]:
    """The shut phase: pumping takes longer against less head, shorter against more."""
    if heard.open_s is None or heard.shut_s is None:
        return
    cycle = _at_heard_rate(heard, measurement)
    if cycle is None:
        return
    apart = log(uncertain(heard.shut_s, max(0.01 * heard.shut_s, 0.005)) / cycle.shut_time_s)
    if abs(value_of(apart)) <= COVERAGE * u_of(apart):
        return
    longer = value_of(apart) > 0
    low, high = band95(cycle.shut_time_s)
    yield Finding(
        code="shut-longer-than-site" if longer else "shut-shorter-than-site",
        severity=Severity.WATCH,
        title=f"The waste valve stays shut {'longer' if longer else 'for less time'} than the site explains",
        evidence=f"shut {heard.shut_s:.3f} s of each beat; {two_figures(low)} to {two_figures(high)} s expected",
        next="Read the pressure at the ram, and look along the delivery line."
        if longer
        else "Check that the delivery valve is fully open and the delivery head is as written.",
        confidence=_sure(apart),
        basis=Basis.INFERENCE,
        causes=(
            "delivery head lower than written: line leaking, not yet full, or tank lower",
            AIR,
            "waste valve slow to drop: stem stiff or worn",
        )
        if longer
        else ("delivery head higher than written, or delivery valve part shut", "delivery valve slow or leaking"),
    )


def _water(measurement: Measurement) -> Iterator[Finding]:
    delivered, bound = measurement.delivered_per_stroke_m3, measurement.delivered_bound_m3
    if delivered is None or bound is None or value_of(bound) <= 0:
        return
    share = log(delivered / bound)
    of, at_most = two_figures(value_of(delivered) * 1e6), two_figures(value_of(bound) * 1e6)
    spoken = f"{of} mL a stroke; a frictionless column would give {at_most} mL"
    if value_of(share) > COVERAGE * u_of(share):
        yield Finding(
            code="delivery-over-bound",
            severity=Severity.WATCH,
            title="More water per stroke than the drive column can give",
            evidence=spoken,
            next="Check delivery head, drive head, bore and length in the site file, and the catch.",
            confidence=_sure(share),
            basis=Basis.INFERENCE,
            causes=("delivery head written too high", "drive pipe wider or longer than written", "catch misread"),
        )
    usual = share - log(assumed("delivery_yield"))
    if value_of(usual) < -COVERAGE * u_of(usual):
        yield Finding(
            code="delivery-below-site",
            severity=Severity.WATCH,
            title="Little water per stroke for the speed the column reaches",
            evidence=f"{spoken}, of which {100 * ASSUMED['delivery_yield'].value:.0f} % is usual",
            next="Catch the water at the ram's outlet and at the tank: if they differ, the line leaks.",
            confidence=_sure(usual),
            basis=Basis.INFERENCE,
            causes=(DELIVERY_LEAK, "air vessel waterlogged", AIR),
        )


def _limits(measurement: Measurement) -> Iterator[Finding]:
    """Results that can't be, or should not be."""
    efficiency = measurement.efficiency_daubuisson
    if efficiency is not None and band95(efficiency)[0] > 1:
        yield Finding(
            "efficiency-over-one",
            Severity.ACT,
            "More energy out than in: one of the measurements is wrong",
            f"efficiency by D'Aubuisson {value_of(efficiency):.2f}",
            "Was the delivery head measured from the source? Was all of the waste caught? Check the heads first.",
            _sure(log(efficiency)),
            Basis.PUBLISHED,
            source="definition of the efficiency by D'Aubuisson",
        )
    drive, supply = measurement.drive_flow_m3_s, measurement.site.supply_flow_m3_s
    if drive is not None and supply is not None:
        apart = log(drive / supply)
        taken, supplied = (two_figures(value_of(flow) * 6e4) for flow in (drive, supply))
        if value_of(apart) > COVERAGE * u_of(apart):
            yield Finding(
                "drive-flow-over-supply",
                Severity.WATCH,
                "The ram drinks more than the supply gives",
                f"{taken} L/min taken, {supplied} L/min supplied",
                "Watch the intake level; shorten the stroke or lighten the valve before it sucks air.",
                _sure(apart),
                Basis.COMMON_PRACTICE,
                causes=("tuned for more water than there is", "supply higher than written"),
            )
    reach = measurement.highest_delivery_head_m
    if reach is not None and band95(reach)[1] < value_of(measurement.site.delivery_head_m):
        yield Finding(
            "head-beyond-reach",
            Severity.ACT,
            "The hammer does not reach the delivery head",
            f"at most {value_of(reach):.0f} m reached, {value_of(measurement.site.delivery_head_m):.0f} m wanted",
            "A longer stroke or more weight, more fall, a stiffer pipe, or a lower tank.",
            0.9,
            Basis.INFERENCE,
            causes=(AIR, "valve shuts too early for this lift"),
        )
    peak, rating = measurement.peak_pressure_pa, measurement.site.rating_pa
    if peak is not None and rating is not None and band95(peak)[1] > rating:
        low, high = (bound / 1e5 for bound in band95(peak))
        yield Finding(
            "pressure-over-rating",
            Severity.ACT if band95(peak)[0] > rating else Severity.WATCH,
            "The hammer may go above the rating of the drive pipe",
            f"peak {two_figures(low)} to {two_figures(high)} bar, rated {rating / 1e5:.3g} bar",
            "Use pipe rated for the peak, or let the valve shut earlier (shorter stroke, less weight).",
            0.9 if band95(peak)[0] > rating else 0.6,
            Basis.PUBLISHED,
            source="Joukowsky's pressure rise, without air",
            cautions=(CAUTION_PRESSURE,),
        )


def _air(heard: Heard) -> Iterator[Finding]:
    scatter, trend = heard.robust_cv, heard.strength_trend_db_per_min
    if scatter is None or trend is None or scatter < RAGGED_CV or trend > FADING_DB_PER_MIN:
        return
    yield Finding(
        "air-suspected",
        Severity.WATCH,
        "Slams growing weaker and uneven, as with air in the drive pipe",
        f"strength {trend:+.1f} dB a minute, intervals scatter by {100 * scatter:.0f} %",
        "Is the intake well under water? Hold the waste valve shut, let bubbles rise to the source, and start again.",
        0.5,
        Basis.PUBLISHED,
        source="Pearsall: one part of air in 10,000 halves the wave speed",
        causes=("intake sucking air", "leaking joint", "snifter too large", "pipe not bled or with a high spot"),
    )


def _fits(site: Site, heard: Heard, measurement: Measurement) -> Finding:
    expected = cycle_of(measurement.site)
    low, high = band95(expected.rate_per_s * 60)
    wide = "" if site.calibration.closing_velocity else "; keeping a calibration in the site file narrows this"
    return Finding(
        "heard-fits-site",
        Severity.INFO,
        "What was heard fits the site file",
        f"{heard.rate_per_min:.1f} a minute heard, {two_figures(low)} to {two_figures(high)} expected{wide}",
        "Nothing to do.",
        0.95,
        Basis.INFERENCE,
    )


def _heard_rate(heard: Heard) -> Uncertain:
    low, high = heard.rate_ci95_per_min
    return uncertain(heard.rate_per_min, max((high - low) / (2 * 1.96), 1e-9 * heard.rate_per_min))


def _at_heard_rate(heard: Heard, measurement: Measurement) -> Cycle | None:
    """The site's beat at the rate heard; None where the column can't beat so slowly: the rate is the finding then."""
    try:
        return cycle_of(measurement.site, _heard_rate(heard) / 60)
    except QuantityError:
        return None


def _sure(apart: Uncertain) -> float:
    """How sure it is that a difference is real: the normal probability of being this far out, two-sided."""
    return min(round(math.erf(abs(value_of(apart)) / max(u_of(apart), 1e-12) / math.sqrt(2)), 3), 0.999)

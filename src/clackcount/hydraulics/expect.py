"""What was heard held against the site file: does it fit, and if not, what would explain the difference."""

from __future__ import annotations

import math
from collections.abc import Iterator

from clackcount.errors import QuantityError
from clackcount.hydraulics.assumed import ASSUMED
from clackcount.hydraulics.cycle import Cycle, cycle_of
from clackcount.hydraulics.figures import COVERAGE, Uncertain, assumed, band95, two_figures, u_of, uncertain, value_of
from clackcount.hydraulics.maths import log
from clackcount.hydraulics.meanings import AIR, MEANING
from clackcount.hydraulics.measurement import Heard, Measurement
from clackcount.hydraulics.site import Site
from clackcount.model import Finding, Severity

RAGGED_CV = 0.10
FADING_DB_PER_MIN = -1.0


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
    meaning = MEANING["rate-below-site" if slower else "rate-above-site"]
    ragged = slower and heard.robust_cv is not None and heard.robust_cv >= RAGGED_CV
    low, high = band95(rate)
    yield meaning.finding(
        f"{heard.rate_per_min:.1f} a minute heard; {two_figures(low)} to {two_figures(high)} expected from "
        f"{expected.from_}",
        min(_sure(apart), expected.sure_max),
        causes=(AIR, *meaning.causes) if ragged else None,
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
    yield MEANING["shut-longer-than-site" if longer else "shut-shorter-than-site"].finding(
        f"shut {heard.shut_s:.3f} s of each beat; {two_figures(low)} to {two_figures(high)} s expected", _sure(apart)
    )


def _water(measurement: Measurement) -> Iterator[Finding]:
    delivered, bound = measurement.delivered_per_stroke_m3, measurement.delivered_bound_m3
    if delivered is None or bound is None or value_of(bound) <= 0:
        return
    share = log(delivered / bound)
    of, at_most = two_figures(value_of(delivered) * 1e6), two_figures(value_of(bound) * 1e6)
    spoken = f"{of} mL a beat; a frictionless column would give {at_most} mL"
    if value_of(share) > COVERAGE * u_of(share):
        yield MEANING["delivery-over-bound"].finding(spoken, _sure(share))
    usual = share - log(assumed("delivery_yield"))
    if value_of(usual) < -COVERAGE * u_of(usual):
        spoken = f"{spoken}, of which {100 * ASSUMED['delivery_yield'].value:.0f} % is usual"
        yield MEANING["delivery-below-site"].finding(spoken, _sure(usual))


def _limits(measurement: Measurement) -> Iterator[Finding]:
    """Results that can't be, or should not be."""
    efficiency = measurement.efficiency_daubuisson
    if efficiency is not None and band95(efficiency)[0] > 1:
        spoken = f"efficiency by D'Aubuisson {value_of(efficiency):.2f}"
        yield MEANING["efficiency-over-one"].finding(spoken, _sure(log(efficiency)))
    drive, supply = measurement.drive_flow_m3_s, measurement.site.supply_flow_m3_s
    if drive is not None and supply is not None:
        apart = log(drive / supply)
        taken, supplied = (two_figures(value_of(flow) * 6e4) for flow in (drive, supply))
        if value_of(apart) > COVERAGE * u_of(apart):
            spoken = f"{taken} L/min taken, {supplied} L/min supplied"
            yield MEANING["drive-flow-over-supply"].finding(spoken, _sure(apart))
    reach = measurement.highest_delivery_head_m
    if reach is not None and band95(reach)[1] < value_of(measurement.site.delivery_head_m):
        wanted_m = value_of(measurement.site.delivery_head_m)
        spoken = f"at most {value_of(reach):.0f} m reached, {wanted_m:.0f} m wanted"
        yield MEANING["head-beyond-reach"].finding(spoken, 0.9)
    peak, rating = measurement.peak_pressure_pa, measurement.site.rating_pa
    if peak is not None and rating is not None and band95(peak)[1] > rating:
        low, high = (bound / 1e5 for bound in band95(peak))
        surely = band95(peak)[0] > rating
        yield MEANING["pressure-over-rating"].finding(
            f"peak {two_figures(low)} to {two_figures(high)} bar, rated {rating / 1e5:.3g} bar",
            0.9 if surely else 0.6,
            severity=Severity.ACT if surely else None,
        )


def _air(heard: Heard) -> Iterator[Finding]:
    scatter, trend = heard.robust_cv, heard.strength_trend_db_per_min
    if scatter is None or trend is None or scatter < RAGGED_CV or trend > FADING_DB_PER_MIN:
        return
    yield MEANING["air-suspected"].finding(
        f"strength {trend:+.1f} dB a minute, intervals scatter by {100 * scatter:.0f} %", 0.5
    )


def _fits(site: Site, heard: Heard, measurement: Measurement) -> Finding:
    expected = cycle_of(measurement.site)
    low, high = band95(expected.rate_per_s * 60)
    wide = "" if site.calibration.closing_velocity else "; keeping a calibration in the site file narrows this"
    spoken = f"{heard.rate_per_min:.1f} a minute heard, {two_figures(low)} to {two_figures(high)} expected{wide}"
    return MEANING["heard-fits-site"].finding(spoken, 0.95)


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

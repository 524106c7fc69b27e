"""Sound, catch and tape measure joined: what the water does, each result with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from clackcount.hydraulics.assumed import ASSUMED
from clackcount.hydraulics.catch import Catch, Pooled, pool_catches, single
from clackcount.hydraulics.column import (
    column_velocity_m_s,
    kinetic_energy_j,
    terminal_velocity_m_s,
    wasted_volume_from_open_time_m3,
)
from clackcount.hydraulics.cycle import delivered_bound_m3, open_time_from_period_s
from clackcount.hydraulics.efficiency import (
    beats_per_min,
    daily_yield_m3,
    hydraulic_power_w,
)
from clackcount.hydraulics.figures import COVERAGE, Uncertain, u_of, uncertain, value_of
from clackcount.hydraulics.hammer import (
    highest_delivery_head_m,
    joukowsky_pressure_pa,
    reflection_time_s,
    static_pressure_pa,
)
from clackcount.hydraulics.maths import exp, log, positive
from clackcount.hydraulics.measurement import (
    CAUTION_DAY,
    CAUTION_PLASTIC,
    CAUTION_PRESSURE,
    Heard,
    Measurement,
    rating_cautions,
)
from clackcount.hydraulics.numbers import SiteNumbers, delivery_friction_m, numbers_of
from clackcount.hydraulics.site import Site

MIN_OPEN_TIME_U_S = 0.004
NO_LOSS = 0.05  # as good as frictionless
SURPRISED = 2.5  # standard uncertainties
MORE_THAN_FRICTIONLESS = (
    "More water was caught on the waste side than a frictionless column could pass in the open time heard: check "
    "drive head, bore and length, and that nothing else ran into the bucket."
)
ODD_STROKES, ODD_SHARE = 2, 0.05  # by so much a count may differ from the even beat's before it is said
TAUGHT = 0.7  # a catch read worse than this share of what it is compared with teaches nothing worth keeping


def measure(site: Site, catches: Sequence[Catch] = (), heard: Heard | None = None) -> Measurement:
    """Everything that site, catches and the beat together tell about the water.

    catches: of both sides, repeats welcome. heard: None where no ram beat in the recording; flows then stand alone.
    Raises: QuantityError for a heard rate or phase that is not positive.
    """
    numbers = numbers_of(site)
    results: dict[str, Any] = {}
    notes: list[str] = []
    rate = _rate(heard)
    delivery, waste = _pools(catches, rate, heard)
    if rate is not None:
        results["rate_per_min"] = beats_per_min(rate)
    _drive_side(results, notes, numbers, rate, waste, heard)
    _flows(results, notes, numbers, rate, delivery, waste)
    _energy(results, numbers, rate)
    _hammer(results, numbers)
    if delivery is not None:
        results["delivery_friction_m"] = delivery_friction_m(site, delivery.flow_m3_s)
    _pool_notes(notes, delivery, waste, rate)
    _count_notes(notes, catches, rate, heard)
    assumptions = numbers.assumptions + tuple(said for catch in catches for said in catch.assumptions())
    return Measurement(
        numbers,
        **results,
        n_delivery_catches=delivery.n_catches if delivery else 0,
        n_waste_catches=waste.n_catches if waste else 0,
        catches=tuple(map(single, catches, _counts(catches, heard))),
        assumptions=tuple(dict.fromkeys(assumptions)),
        notes=tuple(notes),
        cautions=_cautions(site, numbers, results),
    )


def _rate(heard: Heard | None) -> Uncertain | None:
    if heard is None:
        return None
    for name, value in (("rate_per_min", heard.rate_per_min), ("open_s", heard.open_s), ("shut_s", heard.shut_s)):
        if value is not None:
            positive(f"heard {name}", value)
    low, high = heard.rate_ci95_per_min
    return uncertain(heard.rate_per_min / 60, (high - low) / (2 * 1.96) / 60, "rate")


def _counts(catches: Sequence[Catch], heard: Heard | None) -> list[int | None]:
    """The slams counted in each catch, None where they were not."""
    return [*(heard.n_slams if heard else ()), *[None] * len(catches)][: len(catches)]


def _pools(
    catches: Sequence[Catch], rate: Uncertain | None, heard: Heard | None
) -> tuple[Pooled | None, Pooled | None]:
    """Delivery and waste catches pooled. Their vessels are taken to differ (a cup here, a bucket there), so that no
    error is thought to cancel that does not."""
    counts = _counts(catches, heard)
    pools: list[Pooled | None] = []
    for side in ("delivery", "waste"):
        chosen = [(c, n) for c, n in zip(catches, counts, strict=False) if c.side == side]
        pool = pool_catches([c for c, _ in chosen], rate, [n for _, n in chosen]) if chosen else None
        pools.append(pool)
    return pools[0], pools[1]


def _drive_side(
    results: dict[str, Any],
    notes: list[str],
    site: SiteNumbers,
    rate: Uncertain | None,
    waste: Pooled | None,
    heard: Heard | None,
) -> None:
    """Closing velocity and modelled waste from the open phase; the loss coefficient, calibrated if it can be."""
    results["loss_coefficient"] = loss = site.loss_coefficient
    results["terminal_velocity_m_s"] = terminal_velocity_m_s(site.supply_head_m, loss)
    if rate is None or heard is None:
        return
    lost = site.lost_start
    if heard.open_s is not None:
        u = max(ASSUMED["open_time"].u * heard.open_s, MIN_OPEN_TIME_U_S)
        open_s, source = uncertain(heard.open_s, u, "open phase"), "the open phase heard"
    else:
        open_s, source = open_time_from_period_s(site, 1 / rate), "the rate alone, open phase not heard"
    volume = _modelled_waste_m3(site, open_s, lost, loss)
    results["modelled_waste_flow_m3_s"] = rate * volume
    if waste is not None and waste.per_stroke_m3 is not None:
        results["waste_ratio"] = waste.per_stroke_m3 / volume
        if heard.open_s is not None and _possible(notes, site, open_s, waste.per_stroke_m3):
            loss, lost = _calibrated(results, notes, site, open_s, waste.per_stroke_m3)
            source += ", with the waste catch"
    results["closing_from"] = source
    results["loss_coefficient"], results["lost_start"] = loss, lost
    results["terminal_velocity_m_s"] = terminal_velocity_m_s(site.supply_head_m, loss)
    velocity = column_velocity_m_s(open_s * (1 - lost), site.length_m, site.supply_head_m, loss)
    results["closing_velocity_m_s"] = velocity
    results["delivered_bound_m3"] = delivered_bound_m3(site, velocity)
    results["column_energy_j"] = kinetic_energy_j(velocity, site.length_m, site.bore_m)


def _modelled_waste_m3(site: SiteNumbers, open_s: Uncertain, lost: Uncertain, loss: Uncertain) -> Uncertain:
    """Water one beat wastes by the drive column, open_s from reopening to slam."""
    speeding_s = open_s * (1 - lost)
    return wasted_volume_from_open_time_m3(speeding_s, site.length_m, site.bore_m, site.supply_head_m, loss)


def _possible(notes: list[str], site: SiteNumbers, open_s: Uncertain, caught: Uncertain) -> bool:
    """Whether a column without any friction could have passed what was caught."""
    excess = caught - _modelled_waste_m3(site, open_s, site.lost_start, NO_LOSS)
    if value_of(excess) > COVERAGE * u_of(excess):
        notes.append(MORE_THAN_FRICTIONLESS)
        return False
    return True


def _calibrated(
    results: dict[str, Any], notes: list[str], site: SiteNumbers, open_s: Uncertain, caught: Uncertain
) -> tuple[Uncertain, Uncertain]:
    """Loss coefficient and lost share of the open time, drawn to what makes the model waste what was caught.

    Both are moved by their covariance with the difference (best linear estimate, in logarithms), so the one the waste
    depends on most takes most of it, and every correlation is kept. Where the valve shuts before friction matters,
    that is the lost time, and the loss coefficient stands as it was thought before.
    """
    from uncertainties import covariance_matrix

    log_loss, kept = log(site.loss_coefficient), log(1 - site.lost_start)
    difference = log(caught / _modelled_waste_m3(site, open_s, site.lost_start, site.loss_coefficient))
    z = abs(value_of(difference)) / u_of(difference)
    if z > SURPRISED:  # then what was thought before was worse than it said
        log_loss = log_loss + uncertain(0.0, u_of(log_loss) * z, "loss coefficient")
        kept = kept + uncertain(0.0, u_of(kept) * z, "lost start")
        difference = log(caught / _modelled_waste_m3(site, open_s, 1 - exp(kept), exp(log_loss)))
    covariance = covariance_matrix([log_loss, kept, difference])
    after = [x - covariance[i][2] / covariance[2][2] * difference for i, x in enumerate((log_loss, kept))]
    results["calibrated"] = u_of(caught) / value_of(caught) < TAUGHT * u_of(difference)
    learnt = "the model was fitted to it." if results["calibrated"] else "too rough a catch to teach the model much."
    ratio = value_of(results["waste_ratio"])
    notes.append(f"Caught waste is {ratio:.2f} of the modelled, {z:.1f} standard uncertainties off: {learnt}")
    return exp(after[0]), 1 - exp(after[1])


def _flows(
    results: dict[str, Any],
    notes: list[str],
    site: SiteNumbers,
    rate: Uncertain | None,
    delivery: Pooled | None,
    waste: Pooled | None,
) -> None:
    if delivery is not None:
        flow = delivery.flow_m3_s
        results["delivery_flow_m3_s"] = flow
        results["delivered_per_stroke_m3"] = delivery.per_stroke_m3
        results["delivered_per_hour_m3"] = flow * 3600
        results["delivered_per_day_m3"] = daily_yield_m3(flow)
    modelled = results.get("modelled_waste_flow_m3_s")
    wasted = waste.flow_m3_s if waste is not None else modelled
    if wasted is None or (waste is None and rate is None):
        return
    if waste is not None:
        results["waste_flow_m3_s"] = waste.flow_m3_s
        results["wasted_per_stroke_m3"] = waste.per_stroke_m3
        results["drive_flow_from"] = "the waste catch"
    else:
        results["wasted_per_stroke_m3"] = wasted / rate
        results["drive_flow_from"] = f"the drive column model and {results['closing_from']}"
        notes.append("No waste catch: the drive flow comes from the model, with a wide band.")
    delivered = results.get("delivery_flow_m3_s")
    if delivered is None:
        notes.append("No delivery catch: the drive flow leaves out what is delivered.")
    results["drive_flow_m3_s"] = drive = wasted + (delivered if delivered is not None else 0.0)
    if delivered is None:
        return
    # Written out, not through the public functions, so that q, Q and the heads keep their correlations.
    head, above = site.supply_head_m, site.delivery_head_m
    results["delivered_fraction"] = delivered / drive
    results["efficiency_daubuisson"] = delivered * above / (drive * head)
    results["efficiency_rankine"] = delivered * (above - head) / (wasted * head)


def _energy(results: dict[str, Any], site: SiteNumbers, rate: Uncertain | None) -> None:
    drive, delivered = results.get("drive_flow_m3_s"), results.get("delivery_flow_m3_s")
    if drive is not None:
        results["power_in_w"] = hydraulic_power_w(drive, site.supply_head_m)
        if rate is not None:
            results["energy_in_per_stroke_j"] = results["power_in_w"] / rate
    if delivered is not None:
        results["power_out_w"] = hydraulic_power_w(delivered, site.delivery_head_m)
        if rate is not None:
            results["energy_out_per_stroke_j"] = results["power_out_w"] / rate


def _hammer(results: dict[str, Any], site: SiteNumbers) -> None:
    """Hammer at the closing velocity: with a little air for what happens, without for the pressure to reckon with."""
    results["wave_speed_m_s"] = site.wave_speed_m_s
    results["reflection_time_s"] = reflection_time_s(site.length_m, site.wave_speed_m_s)
    results["standing_pressure_pa"] = static_pressure_pa(site.delivery_head_m)
    velocity = results.get("closing_velocity_m_s")
    if velocity is None:
        return
    results["hammer_rise_pa"] = joukowsky_pressure_pa(site.wave_speed_m_s, velocity)
    worst = joukowsky_pressure_pa(site.wave_speed_airless_m_s, velocity)
    results["peak_pressure_pa"] = static_pressure_pa(site.supply_head_m) + worst
    results["highest_delivery_head_m"] = highest_delivery_head_m(site.supply_head_m, site.wave_speed_m_s, velocity)


def _pool_notes(notes: list[str], delivery: Pooled | None, waste: Pooled | None, rate: Uncertain | None) -> None:
    for name, pool in (("Delivery", delivery), ("Waste", waste)):
        if pool is None:
            continue
        if pool.scatter is not None:
            notes.append(
                f"{name}: {pool.n_catches} catches, scattering by {100 * pool.scatter:.1f} % about their mean."
            )
        if pool.per_stroke_m3 is not None and rate is not None and pool.n_counted < pool.n_catches:
            left = pool.n_catches - pool.n_counted
            which = "the catch" if pool.n_catches == 1 else f"{left} of {pool.n_catches} catches"
            which = "the catches" if 1 < left == pool.n_catches else which
            notes.append(f"{name}: beats during {which} taken from the rate, not counted.")


def _count_notes(notes: list[str], catches: Sequence[Catch], rate: Uncertain | None, heard: Heard | None) -> None:
    """Says where the strokes counted in a catch are not those of an even beat."""
    for catch, count in zip(catches, heard.n_slams if heard else (), strict=False):
        if count is None or rate is None:
            continue
        even = value_of(rate) * catch.time.value
        if abs(count - even) > max(ODD_STROKES, ODD_SHARE * even):
            notes.append(
                f"{count} slams counted in the catch “{catch.time.given}”, where the beat makes {even:.0f}: the "
                "ram stood still for part of it, or slams were missed; catch again while it runs evenly."
            )


def _cautions(site: Site, numbers: SiteNumbers, results: dict[str, Any]) -> tuple[str, ...]:
    said = []
    if results.get("delivered_per_day_m3") is not None:
        said.append(CAUTION_DAY)
    if results.get("peak_pressure_pa") is not None:
        said.append(CAUTION_PRESSURE)
        if site.drive_pipe.material.lower() not in ("steel", "galvanised steel", "copper", "brass", "cast iron"):
            said.append(CAUTION_PLASTIC)
        said.extend(rating_cautions(numbers, results["peak_pressure_pa"]))
    return tuple(said)

"""What goes into a measurement from the sound, and what comes out of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from clackcount.hydraulics.catch import Catch, SingleCatch, strokes_within
from clackcount.hydraulics.figures import Uncertain, as_json, band95, two_figures
from clackcount.hydraulics.hammer import static_pressure_pa
from clackcount.hydraulics.numbers import SiteNumbers
from clackcount.model import Beat, Listening, SlamTrain

SHORTEST_TREND_S = 60.0  # in less, the scatter of single slams makes any slope
CAUTION_DAY = "Litres a day hold only if the ram runs all day without a stop."
CAUTION_PRESSURE = (
    "The hammer is several to many times the standing pressure. Use pipe, fittings and vessel rated for it, keep "
    "people clear of an air-filled vessel, and follow local codes and licensed practice; this is no certificate."
)
CAUTION_PLASTIC = "Plastic pipe tires under pulses: its wave speed is rough, and any crack means replace it."


def rating_cautions(site: SiteNumbers, peak_pa: Uncertain) -> tuple[str, ...]:
    """What to say where a pipe or a vessel is rated for less than it may get: the hammer, the standing pressure."""
    said = []
    low, high = (bound / 1e5 for bound in band95(peak_pa))
    if site.rating_pa is not None and high > site.rating_pa / 1e5:
        said.append(
            f"The drive pipe is rated {site.rating_pa / 1e5:.3g} bar and the hammer may peak at "
            f"{two_figures(low)} to {two_figures(high)} bar: use pipe rated for that, or let the valve shut earlier."
        )
    standing = band95(static_pressure_pa(site.delivery_head_m))[1] / 1e5
    if site.vessel_rating_pa is not None and standing > site.vessel_rating_pa / 1e5:
        said.append(
            f"The air vessel is rated {site.vessel_rating_pa / 1e5:.3g} bar and stands under up to "
            f"{two_figures(standing)} bar of delivery head alone: shut down and fit one rated for more."
        )
    return tuple(said)


@dataclass(frozen=True, slots=True)
class Heard:
    """What a recording says about a ram, in plain numbers. None where it was not heard.

    rate_per_min and its 95 % interval; open_s, shut_s: median phases. n_slams: for each catch, in the order of the
    catches, the slams counted in its window, or None. robust_cv: share of the interval. strength_trend_db_per_min:
    how the slam's strength drifts over the recording.
    """

    rate_per_min: float
    rate_ci95_per_min: tuple[float, float]
    open_s: float | None = None
    shut_s: float | None = None
    n_slams: tuple[int | None, ...] = ()
    robust_cv: float | None = None
    strength_trend_db_per_min: float | None = None

    @classmethod
    def of(cls, listening: Listening, catches: Sequence[Catch] = ()) -> Heard | None:
        """What listening says about its loudest ram, with the slams counted in each catch; None where none beats."""
        if not listening.beats.pumps:
            return None
        beat = listening.beats.pumps[0]
        train = listening.beats.train.of_pump(beat.pump)
        duration_s = listening.recording.duration_s
        return cls(
            beat.rate_per_min,
            beat.rate_ci95_per_min,
            beat.open_s,
            beat.shut_s,
            tuple(strokes_within(train.time_s, catch.start_s, catch.end_s, duration_s) for catch in catches),
            beat.regularity.robust_cv,
            _strength_trend_db_per_min(train, beat),
        )


def _strength_trend_db_per_min(train: SlamTrain, beat: Beat) -> float | None:
    """Slope of a straight line through the strengths of the running stretch; None where it is too short for one."""
    if beat.end_s - beat.start_s < SHORTEST_TREND_S:
        return None
    running = (train.time_s >= beat.start_s) & (train.time_s <= beat.end_s)
    return float(np.polyfit(train.time_s[running] / 60, train.strength_db[running].astype(np.float64), 1)[0])


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """What the water does. Uncertain numbers in SI, None where nothing tells; correlated among themselves.

    Efficiencies take the heads between water levels (friction in the delivery pipe not credited). drive_flow_from and
    closing_from say where those come from. waste_ratio: caught over modelled waste. loss_coefficient and lost_start
    (share of the open time lost to recoil, fall and closing): after calibration where there was one. assumptions,
    notes, cautions: plain sentences.
    """

    site: SiteNumbers
    rate_per_min: Uncertain | None = None
    delivered_per_stroke_m3: Uncertain | None = None
    wasted_per_stroke_m3: Uncertain | None = None
    delivery_flow_m3_s: Uncertain | None = None
    waste_flow_m3_s: Uncertain | None = None
    drive_flow_m3_s: Uncertain | None = None
    delivered_per_hour_m3: Uncertain | None = None
    delivered_per_day_m3: Uncertain | None = None
    delivered_fraction: Uncertain | None = None
    efficiency_daubuisson: Uncertain | None = None
    efficiency_rankine: Uncertain | None = None
    power_in_w: Uncertain | None = None
    power_out_w: Uncertain | None = None
    energy_in_per_stroke_j: Uncertain | None = None
    energy_out_per_stroke_j: Uncertain | None = None
    column_energy_j: Uncertain | None = None
    delivery_friction_m: Uncertain | None = None
    loss_coefficient: Uncertain | None = None
    lost_start: Uncertain | None = None
    closing_velocity_m_s: Uncertain | None = None
    terminal_velocity_m_s: Uncertain | None = None
    modelled_waste_flow_m3_s: Uncertain | None = None
    waste_ratio: Uncertain | None = None
    delivered_bound_m3: Uncertain | None = None
    wave_speed_m_s: Uncertain | None = None
    hammer_rise_pa: Uncertain | None = None
    peak_pressure_pa: Uncertain | None = None
    standing_pressure_pa: Uncertain | None = None
    highest_delivery_head_m: Uncertain | None = None
    reflection_time_s: Uncertain | None = None
    drive_flow_from: str = ""
    closing_from: str = ""
    calibrated: bool = False
    n_delivery_catches: int = 0
    n_waste_catches: int = 0
    catches: tuple[SingleCatch, ...] = ()
    assumptions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """For a JSON document: every result as value, standard_uncertainty, low95, high95 (null where unknown)."""
        return _plain(self, besides="site")


def _plain(record: Any, besides: str = "") -> dict[str, Any]:
    """The fields of a dataclass as values of a JSON document. Plain floats are moments in the recording."""

    def value_of(value: Any) -> Any:
        if isinstance(value, tuple):
            return [value_of(item) for item in value]
        if isinstance(value, SingleCatch):
            return _plain(value)
        return value if value is None or isinstance(value, (str, bool, int)) else as_json(value)

    out = {each.name: value_of(getattr(record, each.name)) for each in fields(record) if each.name != besides}
    return out | {name: getattr(record, name) for name in ("start_s", "end_s") if name in out}

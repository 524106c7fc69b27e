"""Every value that is assumed where nobody measured, with its spread and the reason: one table."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Assumed:
    """value ± u (standard uncertainty; relative where relative is True), and why."""

    value: float
    u: float
    why: str
    relative: bool = False


ASSUMED = {
    # Reading errors, as standard uncertainties where no ± is written.
    "head_reading": Assumed(0.0, 0.02, "a level and a tape over rough ground: 2 %, at least 2 cm", True),
    "length_reading": Assumed(0.0, 0.01, "a tape along a pipe: 1 %, at least 2 cm", True),
    "bore_reading": Assumed(0.0, 0.015, "mill tolerance, scale and a rule across the end: 1.5 %", True),
    "wall_reading": Assumed(0.0, 0.07, "walls may be an eighth thin: 12.5 % as a limit", True),
    "stroke_reading": Assumed(0.0, 0.0005, "a rule beside the valve: half a millimetre"),
    "weight_reading": Assumed(0.0, 0.03, "kitchen or luggage scales: 3 %", True),
    "flow_reading": Assumed(0.0, 0.05, "a supply flow from a bucket or a guess at the weir: 5 %", True),
    "volume_reading": Assumed(0.0, 0.05, "an air vessel measured from outside: 5 %", True),
    "kept_reading": Assumed(0.0, 0.15, "a value kept in the site file without its ±: 15 %", True),
    "air_reading": Assumed(0.0, 0.50, "a share of air is a guess: 50 %", True),
    "watch": Assumed(0.0, 0.3, "a watch started and stopped by hand, each ± 0.4 s"),
    "clock_in_recording": Assumed(0.0, 0.2, "start and end of a catch picked by ear or by voice in the recording"),
    "count": Assumed(0.0, 0.41, "a window can cut off up to one beat: triangular, ± 1"),
    "open_time": Assumed(0.0, 0.01, "placing of slam and reopening in the recording: 1 %, at least 4 ms", True),
    "vessel": Assumed(1.0, 0.02, "marks of a kitchen or bucket measure, and holding it level: 2 %"),
    # The drive side.
    "friction": Assumed(1.0, 0.15, "friction factor: roughness, age and unsteady flow"),
    "fittings": Assumed(1.0, 0.30, "handbook losses of fittings"),
    "valve_loss_known_stroke": Assumed(1.0, 0.35, "loss of a waste valve from its stroke and seat alone"),
    "seat_bore": Assumed(1.0, 0.15, "seat of the waste valve about as wide as the drive pipe"),
    "valve_loss": Assumed(4.0, 0.50, "loss of a waste valve of which nothing is known: 2 to 8 is usual", True),
    "air_fraction": Assumed(1e-5, 6e-6, "a little free air, one part in 100,000; one in 10,000 halves the hammer"),
    # The beat.
    "lost_start": Assumed(0.07, 0.05, "share of the open time spent on stopping the recoil, falling and shutting"),
    "open_share": Assumed(0.90, 0.06, "share of the beat, delivery aside, with the valve open (0.70-0.95 is usual)"),
    "idle_time_s": Assumed(0.05, 0.4, "recoil, fall and closing motion together: 20 to 120 ms", True),
    "closing_share": Assumed(0.62, 0.30, "t_c/τ of a ram in ordinary tune: closes at 0.3 to 0.8 of v∞", True),
    "valve_drag": Assumed(
        1.3, 0.60, "drag coefficient that lifts a plain disc valve (as v² it halves in speed)", True
    ),
    "disc_over_seat": Assumed(1.3, 0.10, "area of a valve disc over that of its seat", True),
    "delivery_yield": Assumed(
        0.60, 0.28, "delivered over the frictionless bound: leak, compression, slow valves", True
    ),
    "table_efficiency": Assumed(1.0, 0.20, "the old trade table describes good rams well set up"),
}

"""One ram: its drive column, its rhythm and its voices; and rams drawn at random over a wide range."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from clackcount.model import Pattern
from clackcount.simulate.cycle import GRAVITY_M_S2, DriveColumn, Rhythm
from clackcount.simulate.voice import Voice, log_uniform, random_voice, softened


@dataclass(frozen=True, slots=True)
class Rush:
    """Water through the open waste valve: noise whose amplitude grows as a power of the flow.

    level_db: at the closing velocity, root mean square re the first 20 ms of a slam. colour_hz: band edges.
    exponent: amplitude ~ v^exponent. closing_db: gain (or loss) of the hiss as the gap closes. lag_s: how long the
    splash trails the flow. leak_db: what still runs while the valve is shut, re level_db. flutter: unevenness, 0..1.
    """

    level_db: float = -20.0
    colour_hz: tuple[float, float] = (300.0, 6000.0)
    exponent: float = 2.0
    closing_db: float = 0.0
    lag_s: float = 0.02
    leak_db: float = -60.0
    flutter: float = 0.3


@dataclass(frozen=True, slots=True)
class Ram:
    """A ram in numbers. Levels in dB re the slam; None where that sound is not made.

    level_sd_db: how much the slam's level changes from beat to beat. level_per_velocity: the slam's amplitude goes
    with this power of the closing velocity. second_valve_s: a second waste valve on the same body closes so much
    later.
    settle_share, settle_s: after a start the period is longer (or shorter, if negative) by this share, fading
    exponentially.
    """

    column: DriveColumn
    rhythm: Rhythm
    slam: Voice
    reopen: Voice
    reopen_db: float | None = -10.0
    knock: Voice | None = None
    knock_db: float = -16.0
    snifter: Voice | None = None
    snifter_db: float = -20.0
    second_valve_s: float | None = None
    rush: Rush = field(default_factory=Rush)
    level_sd_db: float = 1.0
    level_per_velocity: float = 1.0
    settle_share: float = 0.1
    settle_s: float = 15.0


def random_column(rng: np.random.Generator, rate_per_min: float) -> DriveColumn:
    """A drive column that beats at the rate, over wide ranges of head, loss, pipe and delivery head.

    The times of the phases are drawn first and the pipe follows from them, so that no range of rates is favoured.
    """
    period_s = 60 / rate_per_min
    for _ in range(1000):
        shut_s = float(log_uniform(rng, 0.060, max(0.061, min(0.350, 0.65 * period_s))))
        closing_s = float(log_uniform(rng, 0.010, min(0.050, 0.4 * (period_s - shut_s))))
        open_s = period_s - shut_s
        head_m = float(log_uniform(rng, 0.5, 10))
        loss = float(log_uniform(rng, 3, 80))
        share = rng.uniform(0.15, 0.92)
        v_inf = np.sqrt(2 * GRAVITY_M_S2 * head_m / loss)
        length_m = (open_s - closing_s) * loss * v_inf / (2 * np.arctanh(share))
        delivery_s = shut_s * rng.uniform(0.2, 0.85)
        lift_m = length_m * share * v_inf / (GRAVITY_M_S2 * delivery_s)
        if 0.5 <= length_m <= 150 and 0.5 <= lift_m / head_m <= 40:
            return DriveColumn(
                length_m=float(length_m),
                bore_m=float(log_uniform(rng, 0.015, 0.15)),
                drive_head_m=head_m,
                loss_coefficient=loss,
                closing_velocity_m_s=float(share * v_inf),
                delivery_head_m=head_m + float(lift_m),
                closing_s=closing_s,
                recoil_s=shut_s - delivery_s,
                wave_speed_m_s=float(rng.choice([rng.uniform(1000, 1400), rng.uniform(250, 500)])),
            )
    raise AssertionError(f"no column found that beats {rate_per_min:g} times a minute")  # 15..400 always finds one


def random_rhythm(rng: np.random.Generator, pattern: Pattern | str | None = None) -> Rhythm:
    """A rhythm of the given pattern; of any, mostly even or wandering, when None."""
    shares = {"even": 0.45, "wandering": 0.25, "alternating": 0.1, "hopping": 0.1, "ragged": 0.1}
    kind = str(pattern) if pattern is not None else str(rng.choice(list(shares), p=list(shares.values())))
    white = float(log_uniform(rng, 0.002, 0.02))
    missed = float(rng.choice([0.0, rng.uniform(0.002, 0.03)], p=[0.7, 0.3]))
    shut = float(rng.uniform(0.002, 0.03))
    wander_beats = float(log_uniform(rng, 15, 200))
    if kind == "even":
        return Rhythm(white, rng.uniform(0, 0.01), wander_beats, missed_share=missed, shut_cv=shut)
    if kind == "wandering":
        return Rhythm(white, rng.uniform(0.035, 0.10), wander_beats, missed_share=missed, shut_cv=shut)
    if kind == "alternating":
        return Rhythm(white, 0.005, wander_beats, alternation=rng.uniform(0.06, 0.25), shut_cv=shut)
    if kind == "hopping":
        ratio, beats = rng.uniform(1.2, 1.9), float(log_uniform(rng, 5, 40))
        return Rhythm(white, 0.005, wander_beats, hop_ratio=ratio, hop_beats=beats, shut_cv=shut)
    return Rhythm(rng.uniform(0.10, 0.18), rng.uniform(0, 0.05), wander_beats, missed_share=missed, shut_cv=2 * shut)


def random_ram(
    rng: np.random.Generator,
    *,
    rate_per_min: float | tuple[float, float] = (15, 400),
    pattern: Pattern | str | None = None,
    material: str | None = None,
    second_valve: bool = False,
) -> Ram:
    """A ram drawn from wide ranges; rate_per_min is a rate, or a range to draw from uniformly in the logarithm."""
    rate = float(log_uniform(rng, *rate_per_min)) if isinstance(rate_per_min, tuple) else float(rate_per_min)
    column = random_column(rng, rate)
    slam = random_voice(rng, material)
    if column.pipe_ring_hz > 12 and rng.random() < 0.6:
        slam = slam.with_tone(column.pipe_ring_hz, rng.uniform(0.02, 0.1), rng.uniform(-25, -6))
    reopen = softened(slam, rng) if rng.random() < 0.7 else random_voice(rng)
    # Absent, soft, or as loud as the slam: nothing may be taken for granted about the reopening.
    reopen_db = [None, rng.uniform(-24, -6), rng.uniform(-6, 0)][int(rng.choice(3, p=[0.2, 0.55, 0.25]))]
    return Ram(
        column=column,
        rhythm=random_rhythm(rng, pattern),
        slam=slam,
        reopen=reopen,
        reopen_db=reopen_db,
        knock=random_voice(rng) if rng.random() < 0.6 else None,
        knock_db=rng.uniform(-28, -8),
        snifter=_hiss(rng) if rng.random() < 0.3 else None,
        snifter_db=rng.uniform(-34, -14),
        second_valve_s=rng.uniform(0.001, 0.008) if second_valve else None,
        rush=random_rush(rng),
        level_sd_db=rng.uniform(0.3, 2.5),
        level_per_velocity=rng.uniform(0.5, 2.0),
        settle_share=float(rng.choice([-1, 1], p=[0.3, 0.7]) * log_uniform(rng, 0.03, 0.3)),
        settle_s=float(log_uniform(rng, 4, 40)),
    )


def random_rush(rng: np.random.Generator) -> Rush:
    """The rush of some waste valve, from a hardly heard trickle to a splash that covers softer sounds."""
    low_hz = float(log_uniform(rng, 120, 1500))
    return Rush(
        level_db=rng.uniform(-36, -9),
        colour_hz=(low_hz, low_hz * float(log_uniform(rng, 3, 25))),
        exponent=rng.uniform(1.2, 2.6),
        closing_db=rng.uniform(-12, 6),
        lag_s=float(log_uniform(rng, 0.004, 0.05)),
        leak_db=rng.uniform(-60, -24),
        flutter=rng.uniform(0.05, 0.6),
    )


def _hiss(rng: np.random.Generator) -> Voice:
    """The snifter: a short spit of air and water, no ring."""
    low_hz = rng.uniform(1500, 3500)
    return Voice(
        mode_hz=np.array([low_hz]),
        mode_decay_s=np.array([0.003]),
        mode_level_db=np.array([0.0]),
        contact_s=2e-3,
        burst_db=30.0,
        burst_decay_s=rng.uniform(0.02, 0.08),
        burst_hz=(low_hz, low_hz * 3),
    )

"""The hydraulics of a beat: a column of water speeds up, the waste valve snaps shut, the column is spent lifting.

A rigid column in a drive pipe of length L and bore D under a head H, with one loss coefficient K for the whole open
path, discharging to air. From rest: L dv/dt = g H - K v^2 / 2, solved by v(t) = v_inf tanh(t / tau). After the
slam it slows against the delivery head: t_d = L v_c / (g (h - H)). Valid for constant K, no air, no backflow at
the start. Source: momentum equation of a rigid column; the same delivery time is derived in the Cornell University
AguaClara ram pump reports (2019).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clackcount.errors import QuantityError
from clackcount.model import FloatArray, Pattern

GRAVITY_M_S2 = 9.80665


@dataclass(frozen=True, slots=True)
class DriveColumn:
    """A drive pipe and its valve. delivery_head_m is measured above the ram, like drive_head_m.

    loss_coefficient: all losses of the open path, in velocity heads of the drive pipe.
    closing_s: time of the closing motion. recoil_s: from the end of delivery to the reopening.
    """

    length_m: float
    bore_m: float
    drive_head_m: float
    loss_coefficient: float
    closing_velocity_m_s: float
    delivery_head_m: float
    closing_s: float = 0.02
    recoil_s: float = 0.03
    wave_speed_m_s: float = 1300.0

    def __post_init__(self) -> None:
        for name in (
            "length_m",
            "bore_m",
            "drive_head_m",
            "loss_coefficient",
            "closing_velocity_m_s",
            "wave_speed_m_s",
        ):
            if not getattr(self, name) > 0:
                raise QuantityError(f"{name} is {getattr(self, name):g}; it must be positive")
        if self.delivery_head_m <= self.drive_head_m:
            raise QuantityError(
                f"delivery head {self.delivery_head_m:g} m is not above the drive head {self.drive_head_m:g} m",
                hint="both are measured from the ram",
            )
        if self.closing_velocity_m_s >= self.terminal_velocity_m_s:
            raise QuantityError(
                f"the column never reaches {self.closing_velocity_m_s:g} m/s: "
                f"its friction holds it at {self.terminal_velocity_m_s:.3g} m/s",
                hint="a lighter valve, less loss or more head",
            )

    @property
    def terminal_velocity_m_s(self) -> float:
        """v_inf = sqrt(2 g H / K)."""
        return float(np.sqrt(2 * GRAVITY_M_S2 * self.drive_head_m / self.loss_coefficient))

    @property
    def time_constant_s(self) -> float:
        """tau = 2 L / (K v_inf)."""
        return 2 * self.length_m / (self.loss_coefficient * self.terminal_velocity_m_s)

    @property
    def acceleration_s(self) -> float:
        """t_c, from rest to the closing velocity."""
        return self.time_constant_s * float(np.arctanh(self.closing_velocity_m_s / self.terminal_velocity_m_s))

    @property
    def delivery_s(self) -> float:
        """t_d, from the slam until the column stands still."""
        lift_m = self.delivery_head_m - self.drive_head_m
        return self.length_m * self.closing_velocity_m_s / (GRAVITY_M_S2 * lift_m)

    @property
    def shut_s(self) -> float:
        """From the slam to the reopening."""
        return self.delivery_s + self.recoil_s

    @property
    def open_s(self) -> float:
        """From the reopening to the next slam."""
        return self.acceleration_s + self.closing_s

    @property
    def period_s(self) -> float:
        return self.open_s + self.shut_s

    @property
    def rate_per_min(self) -> float:
        return 60 / self.period_s

    @property
    def pipe_ring_hz(self) -> float:
        """a / (4 L), the lowest tone of a pipe open at the source and shut at the ram."""
        return self.wave_speed_m_s / (4 * self.length_m)

    @property
    def wasted_per_beat_l(self) -> float:
        """Water through the open valve in one beat: -(A L / K) ln(1 - lambda^2)."""
        share = self.closing_velocity_m_s / self.terminal_velocity_m_s
        area_m2 = np.pi * self.bore_m**2 / 4
        return float(-1000 * area_m2 * self.length_m / self.loss_coefficient * np.log1p(-(share**2)))

    @property
    def delivered_per_beat_l(self) -> float:
        """Rigid-column upper bound of the water lifted in one beat: A v_c t_d / 2."""
        return float(1000 * np.pi * self.bore_m**2 / 4 * self.closing_velocity_m_s * self.delivery_s / 2)

    def velocity_m_s(self, open_for_s: FloatArray | float) -> FloatArray:
        """Velocity after the valve has been open for open_for_s (any shape), 0 before."""
        after_s = np.maximum(np.asarray(open_for_s, np.float64), 0)
        return np.asarray(self.terminal_velocity_m_s * np.tanh(after_s / self.time_constant_s))


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How the periods of one ram differ from its mean period. Shares of the period, 0 = none.

    white_cv: scatter from beat to beat. wander_cv, wander_beats: slow wandering that returns, and within how many
    beats.
    alternation: long and short beats in turn, half the difference. hop_ratio, hop_beats: jumps between two periods
    (1 = none) and the mean number of beats before a jump. missed_share: beats at which the valve does not shut.
    shut_cv: scatter of the shut phase alone.
    """

    white_cv: float = 0.01
    wander_cv: float = 0.0
    wander_beats: float = 40.0
    alternation: float = 0.0
    hop_ratio: float = 1.0
    hop_beats: float = 12.0
    missed_share: float = 0.0
    shut_cv: float = 0.01

    @property
    def pattern(self) -> Pattern:
        """The pattern this rhythm was drawn for; the strongest departure from evenness names it."""
        if self.hop_ratio > 1.1:
            return Pattern.HOPPING
        if self.alternation > max(0.03, 1.5 * self.white_cv):
            return Pattern.ALTERNATING
        if self.white_cv > 0.09:
            return Pattern.RAGGED
        return Pattern.WANDERING if self.wander_cv > max(0.03, self.white_cv) else Pattern.EVEN

    def factors(self, n_beats: int, rng: np.random.Generator) -> tuple[FloatArray, NDArray[np.bool_]]:
        """(factor of the mean period for each beat, float64 (n,); whether a beat was missed within it, bool (n,))."""
        if n_beats == 0:
            return np.empty(0), np.empty(0, np.bool_)
        white = self.white_cv * rng.standard_normal(n_beats)
        turn = self.alternation * (1 - 2 * ((np.arange(n_beats) + rng.integers(2)) % 2))
        hop = np.ones(n_beats)
        if self.hop_ratio > 1:
            side = (np.cumsum(rng.random(n_beats) < 1 / self.hop_beats) + rng.integers(2)) % 2
            hop = np.where(side == 1, self.hop_ratio**0.5, self.hop_ratio**-0.5)
        factor = hop * np.clip(1 + white + turn + self._wander(n_beats, rng), 0.4, 2.5)
        missed = rng.random(n_beats) < self.missed_share
        return np.where(missed, 2 * factor, factor), missed

    def _wander(self, n_beats: int, rng: np.random.Generator) -> FloatArray:
        """A random walk pulled back to 0 (first-order autoregression), with standard deviation wander_cv."""
        if self.wander_cv == 0:
            return np.zeros(n_beats)
        from scipy.signal import lfilter

        keep = float(np.exp(-1 / self.wander_beats))
        kicks = self.wander_cv * np.sqrt(1 - keep**2) * rng.standard_normal(n_beats)
        start = keep * self.wander_cv * rng.standard_normal(1)
        walked, _ = lfilter([1.0], [1.0, -keep], kicks, zi=start)
        return np.asarray(walked, np.float64)

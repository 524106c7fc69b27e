"""An independent judge of the hammer: the method of characteristics on an elastic pipe, written for the tests.

The compatibility equations are those of E.B. Wylie, V.L. Streeter & L. Suo, Fluid Transients in Systems, Prentice
Hall 1993, chapter 3 (from memory): along C+ and C- the head changes by a/g times the speed, with opposite signs, less
what friction takes, f dx v|v| / (2 g D).

Reservoir at one end, the ram at the other: the waste valve is shut at once (or over several steps) and, where a
delivery head is given, a delivery valve holds the ram end at that head for as long as water flows forward.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

G = 9.80665


@dataclass(frozen=True)
class Run:
    """Head at the ram and speed through the delivery valve, one value a step of dt_s."""

    dt_s: float
    head_m: NDArray[np.float64]
    delivered_m_s: NDArray[np.float64]


def shut(
    velocity_m_s: float,
    length_m: float,
    supply_head_m: float,
    wave_speed_m_s: float,
    *,
    delivery_head_m: float = np.inf,
    closing_s: float = 0.0,
    duration_s: float = 1.0,
    n: int = 200,
) -> Run:
    """What the pipe does after the waste valve shuts on water that moves at velocity_m_s."""
    dt = length_m / n / wave_speed_m_s
    impedance = wave_speed_m_s / G  # of head to speed
    head, speed = np.full(n + 1, supply_head_m), np.full(n + 1, velocity_m_s)
    heads, delivered = [], []
    delivering = True
    for step in range(int(duration_s / dt)):
        forward = head[:-1] + impedance * speed[:-1]  # carried down the pipe
        backward = head[1:] - impedance * speed[1:]
        new_head, new_speed = np.empty_like(head), np.empty_like(speed)
        new_head[1:-1] = (forward[:-1] + backward[1:]) / 2
        new_speed[1:-1] = (forward[:-1] - backward[1:]) / (2 * impedance)
        new_head[0] = supply_head_m
        new_speed[0] = (supply_head_m - backward[0]) / impedance
        left = velocity_m_s * max(0.0, 1 - (step + 1) * dt / closing_s) if closing_s > 0 else 0.0
        new_head[-1], new_speed[-1] = forward[-1] - impedance * left, left
        if delivering and new_head[-1] > delivery_head_m:
            through = (forward[-1] - delivery_head_m) / impedance
            new_head[-1], new_speed[-1] = delivery_head_m, through
        elif delivered and delivered[-1] > 0:
            delivering = False  # the delivery valve drops shut when the flow ends: the end of the beat for us
        head, speed = new_head, new_speed
        heads.append(head[-1])
        delivered.append(max(speed[-1] - left, 0.0))
    return Run(dt, np.array(heads), np.array(delivered))


@dataclass(frozen=True)
class Surge:
    """Speed through the open waste valve, one value a step of dt_s, and head at the ram after it shut at once."""

    dt_s: float
    speed_m_s: NDArray[np.float64]
    shut_head_m: NDArray[np.float64]


def open_then_shut(
    open_s: float,
    length_m: float,
    bore_m: float,
    supply_head_m: float,
    wave_speed_m_s: float,
    *,
    darcy_factor: float,
    valve_loss: float,
    n: int = 100,
) -> Surge:
    """From rest under the supply head: the waste valve open for open_s, then shut for one reflection.

    Losses: Darcy friction along the pipe, valve_loss (exit included) at the ram.
    """
    dx, dt = length_m / n, length_m / n / wave_speed_m_s
    impedance, drag = wave_speed_m_s / G, darcy_factor * dx / (2 * G * bore_m)
    head, speed = np.full(n + 1, supply_head_m), np.zeros(n + 1)
    out, shut_head = [], []
    n_open = round(open_s / dt)
    for step in range(n_open + 2 * n):
        rub = drag * speed * np.abs(speed)
        forward = (head + impedance * speed - rub)[:-1]
        backward = (head - impedance * speed + rub)[1:]
        head, speed = np.empty_like(head), np.empty_like(speed)
        head[1:-1] = (forward[:-1] + backward[1:]) / 2
        speed[1:-1] = (forward[:-1] - backward[1:]) / (2 * impedance)
        head[0], speed[0] = supply_head_m, (supply_head_m - backward[0]) / impedance
        if step < n_open:  # head at the ram is what the valve takes, K v^2 / 2g
            loss = valve_loss / (2 * G)
            speed[-1] = (np.sqrt(impedance**2 + 4 * loss * max(forward[-1], 0.0)) - impedance) / (2 * loss)
            head[-1] = forward[-1] - impedance * speed[-1]
            out.append(speed[-1])
        else:
            head[-1], speed[-1] = forward[-1], 0.0
            shut_head.append(head[-1])
    return Surge(dt, np.array(out), np.array(shut_head))

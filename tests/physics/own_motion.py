"""The equation of motion once more, from its published form and integrated by scipy: an independent judge.

Nothing of `pacer.physics` is used but the data classes.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from pacer.physics.simulate import Machine, Road
from pacer.units import FloatArray

_G = 9.80665


def resistance(v: float, i: int, road: Road, machine: Machine, cda: float) -> float:
    """Force against a rider at speed v in cell i [N]."""
    theta = math.atan(road.grade[i])
    ahead, aside = v + road.headwind[i], road.crosswind[i]
    air = 0.5 * road.density[i] * cda * math.sqrt(ahead * ahead + aside * aside) * ahead
    return air + machine.mass * _G * (road.crr[i] * math.cos(theta) + math.sin(theta)) + 0.091 + 0.0087 * v


def steady(power: float, i: int, road: Road, machine: Machine, cda: float) -> float:
    """Speed at which power at the pedals and resistance balance [m/s]."""
    return float(
        brentq(
            lambda v: resistance(v, i, road, machine, cda) - machine.drivetrain_efficiency * power / v,
            1e-3,
            60.0,
            xtol=1e-12,
        )
    )


def integrate(
    road: Road, machine: Machine, power: FloatArray, brake: FloatArray, cda: FloatArray, start_speed: float
) -> tuple[FloatArray, FloatArray]:
    """Speed and time at the cell ends, by an adaptive Runge-Kutta method in distance.

    The state is the square of speed, whose slope stays finite but for the first instant of a standing start.
    """
    square, time = max(start_speed, 0.02) ** 2, 0.0
    speeds, times = [start_speed], [0.0]
    for i in range(len(road)):

        def slopes(_s: float, state: FloatArray, i: int = i) -> list[float]:
            v = math.sqrt(max(state[0], 1e-6))
            push = min(machine.drivetrain_efficiency * power[i] / v, machine.traction_force)
            force = push - resistance(v, i, road, machine, cda[i]) - brake[i]
            return [2.0 * force / machine.inertial_mass, 1.0 / v]

        found = solve_ivp(slopes, (0.0, road.length[i]), [square, time], rtol=1e-8, atol=1e-8)
        square, time = found.y[0, -1], found.y[1, -1]
        speeds.append(math.sqrt(max(square, 0.0)))
        times.append(time)
    return np.array(speeds), np.array(times)

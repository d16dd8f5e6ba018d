"""How fast the rider might get anywhere: the speed that the safety rules reckon with.

A ride at more power than any plan holds for long, in the lowest position, with every limit met by a
rider who could slow down at once. What the plan really rides is checked against it at the end.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from pacer.physics.simulate import Machine, Road, Schedule, ride
from pacer.units import FloatArray

__all__ = ["REACH_POWER", "approach_speed"]

REACH_POWER: Final = 1.3
"""Power reckoned with over the fatigue budget; a margin, common practice, no source."""


def approach_speed(
    road: Road,
    machine: Machine,
    *,
    power: float,
    drag_area: float,
    speed_limit: FloatArray,
    start_speed: float,
) -> FloatArray:
    """Speed at each cell end that the rider is not expected to pass, shape (n + 1,) [m/s].

    Parameters
    ----------
    power : float
        Fatigue budget of the race [W].
    drag_area : float
        Of the lowest position [m²].
    speed_limit : FloatArray, shape (n + 1,)
        Where the rider is at the limit, the speed goes on from there [m/s].
    """
    n = len(road)
    strong = Machine(
        mass=machine.mass,
        inertial_mass=machine.inertial_mass,
        drivetrain_efficiency=machine.drivetrain_efficiency,
        brake_force=2e4,  # slows within a cell, so that the approach to a corner is seen at full speed
        traction_force=machine.traction_force,
    )
    schedule = Schedule(
        power=np.full(n, REACH_POWER * power),
        drag_area=np.full(n, drag_area),
        can_brake=np.ones(n, dtype=bool),
        speed_limit=speed_limit,
        start_speed=start_speed,
    )
    return ride(road, strong, schedule).speed

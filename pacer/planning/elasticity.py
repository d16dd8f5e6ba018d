"""How far a small change of power, drag or wind changes the speed, cell by cell of a finished plan.

Where the speed is steady, ``η P / v = F(v)``; with the drive ``D = η P / v`` and the slope ``F' = dF/dv``

::

    d ln v / d ln P = D / (D + v F')          between 1/3 (all drag) and 1 (all climb)
    d ln v / d ln A = -F_air / (D + v F')

Where the rider coasts or brakes, power changes nothing. First order: good for changes of a few per cent,
and it leaves out what a faster cell hands on to the next.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pacer.physics.forces import BEARING_SLOPE, aerodynamic_force, aerodynamic_slope
from pacer.planning.plan import Plan
from pacer.units import FloatArray

__all__ = ["Elasticities", "power_elasticity", "time_elasticities"]

_PEDALLING = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Elasticities:
    """Seconds per unit of relative change of each cell, d t / d ln x, shape (n,) [s]; 0 under braking.

    `wind` is for the mean wind's speed, its direction kept: head and cross component grow together.
    """

    power: FloatArray
    drag: FloatArray
    wind: FloatArray


def _speed(plan: Plan) -> FloatArray:
    nodes = plan.nodes.speed_m_s
    return np.asarray(np.maximum((nodes[1:] + nodes[:-1]) / 2, 0.5))


def _terms(plan: Plan) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Drive, v F' and the aerodynamic force and slope of each cell [N], [N s/m]."""
    cells, speed = plan.cells, _speed(plan)
    air = (speed, cells.headwind_m_s, cells.crosswind_m_s, cells.air_density_kg_m3, cells.cda_m2)
    slope = np.maximum(aerodynamic_slope(*air), 0.0)
    drive = plan.model.drivetrain_efficiency * cells.power_w / speed
    return drive, speed * (slope + BEARING_SLOPE), aerodynamic_force(*air), slope


def power_elasticity(plan: Plan) -> FloatArray:
    """Give d ln v / d ln P of each cell, shape (n,), 0 where the rider coasts or brakes."""
    drive, stiffness, _, _ = _terms(plan)
    working = (plan.cells.power_w > _PEDALLING) & (plan.cells.brake_n <= 0.0)
    return np.where(working, drive / np.maximum(drive + stiffness, 1e-9), 0.0)


def time_elasticities(plan: Plan) -> Elasticities:
    """Seconds that each cell's time changes by per unit of relative change of power, drag and wind."""
    cells = plan.cells
    drive, stiffness, air, slope = _terms(plan)
    seconds = np.diff(plan.nodes.time_s)
    axial = _speed(plan) + cells.headwind_m_s
    resultant = np.maximum(np.hypot(axial, cells.crosswind_m_s), 1e-9)
    sideways = 0.5 * cells.air_density_kg_m3 * cells.cda_m2 * axial * cells.crosswind_m_s**2 / resultant
    free = np.where(cells.brake_n <= 0.0, seconds, 0.0) / np.maximum(drive + stiffness, 1e-9)
    return Elasticities(
        power=-power_elasticity(plan) * seconds,
        drag=air * free,
        wind=(slope * cells.headwind_m_s + sideways) * free,
    )

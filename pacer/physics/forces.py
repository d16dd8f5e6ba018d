"""The equation of motion, stated once; simulation, optimiser, calibration and review all use it.

::

    M v dv/ds = η P / v - ½ ρ A V (v + h) - Crr m g cos θ - (0.091 + 0.0087 v) - m g sin θ - B
    V = hypot(v + h, c)

`v` ground speed, `h` headwind (positive against the rider), `c` crosswind, `A` drag area, `θ` road angle,
`B` braking force. Drag area is taken as constant in the frame of the relative wind.

References
----------
[1] Martin JC, Milliken DL, Cobb JE, McFadden KL, Coggan AR (1998). Validation of a mathematical model for
    road cycling power. J. Appl. Biomech. 14(3):276-291. doi:10.1123/jab.14.3.276
"""

from __future__ import annotations

from typing import Final

import numpy as np

from pacer.units import GRAVITY, FloatArray, Numeric

__all__ = [
    "BEARING_CONSTANT",
    "BEARING_SLOPE",
    "aerodynamic_curvature",
    "aerodynamic_force",
    "aerodynamic_slope",
    "bearing_force",
    "gravity_force",
    "pedal_power",
    "resisting_force",
    "rolling_force",
]

BEARING_CONSTANT: Final = 0.091
"""Wheel-bearing friction at rest [N], [1]."""

BEARING_SLOPE: Final = 0.0087
"""Growth of wheel-bearing friction with speed [N s/m], [1]."""


def aerodynamic_force(
    speed: Numeric,
    headwind: Numeric,
    crosswind: Numeric,
    density: Numeric,
    drag_area: Numeric,
) -> FloatArray:
    """Air drag along the road, negative where a tailwind faster than the rider pushes [N].

    Parameters
    ----------
    speed, headwind, crosswind : float or array, shape (n,)
        [m/s].
    density : float or array, shape (n,)
        [kg/m³].
    drag_area : float or array, shape (n,)
        [m²].

    Notes
    -----
    ½ ρ A hypot(v + h, c) (v + h). In [1] the drag area is measured along the bicycle at the yaw of the run
    and multiplies the square of the axial air speed alone; the two agree where there is no crosswind.
    """
    axial = np.asarray(speed, dtype=np.float64) + headwind
    return np.asarray(0.5 * np.asarray(density) * drag_area * np.hypot(axial, crosswind) * axial)


def aerodynamic_slope(
    speed: Numeric,
    headwind: Numeric,
    crosswind: Numeric,
    density: Numeric,
    drag_area: Numeric,
) -> FloatArray:
    """First derivative of `aerodynamic_force` by speed [N s/m]."""
    axial = np.asarray(speed, dtype=np.float64) + headwind
    air = np.maximum(np.hypot(axial, crosswind), 1e-9)
    return np.asarray(0.5 * np.asarray(density) * drag_area * (air + axial * axial / air))


def aerodynamic_curvature(
    speed: Numeric,
    headwind: Numeric,
    crosswind: Numeric,
    density: Numeric,
    drag_area: Numeric,
) -> FloatArray:
    """Second derivative of `aerodynamic_force` by speed [N s²/m²]; negative under a faster tailwind."""
    axial = np.asarray(speed, dtype=np.float64) + headwind
    air = np.maximum(np.hypot(axial, crosswind), 1e-9)
    return np.asarray(0.5 * np.asarray(density) * drag_area * axial * (3.0 - (axial / air) ** 2) / air)


def rolling_force(mass: Numeric, crr: Numeric, grade: Numeric) -> FloatArray:
    """Rolling resistance, Crr m g cos(atan grade) [N]; mass in kg, grade rise over run."""
    cosine = 1.0 / np.hypot(1.0, np.asarray(grade, dtype=np.float64))
    return np.asarray(np.asarray(crr) * mass * GRAVITY * cosine)


def gravity_force(mass: Numeric, grade: Numeric) -> FloatArray:
    """Weight along the road, m g sin(atan grade), positive uphill [N]."""
    slope = np.asarray(grade, dtype=np.float64)
    return np.asarray(np.asarray(mass) * GRAVITY * slope / np.hypot(1.0, slope))


def bearing_force(speed: Numeric) -> FloatArray:
    """Friction of the wheel bearings, 0.091 + 0.0087 v [N], [1]."""
    return np.asarray(BEARING_CONSTANT + BEARING_SLOPE * np.asarray(speed, dtype=np.float64))


def resisting_force(
    speed: Numeric,
    *,
    grade: Numeric,
    headwind: Numeric,
    crosswind: Numeric,
    density: Numeric,
    drag_area: Numeric,
    mass: Numeric,
    crr: Numeric,
) -> FloatArray:
    """Everything that holds the rider back without brakes, negative where the road pushes [N]."""
    return (
        aerodynamic_force(speed, headwind, crosswind, density, drag_area)
        + rolling_force(mass, crr, grade)
        + bearing_force(speed)
        + gravity_force(mass, grade)
    )


def pedal_power(speed: Numeric, wheel_force: Numeric, drivetrain_efficiency: float) -> FloatArray:
    """Power at the pedals that gives a force at the rear wheel [W]."""
    return np.asarray(np.asarray(wheel_force) * speed / drivetrain_efficiency)

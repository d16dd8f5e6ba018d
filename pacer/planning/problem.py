"""What is to be decided, as arrays: the road, the machine, the positions, the limits, the fatigue budget."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.physics.simulate import Machine, Road, Schedule
from pacer.units import FloatArray

__all__ = ["STILL_RIDING", "DragShape", "Fatigue", "Problem", "drag_shape", "drag_shape_below"]


STILL_RIDING: Final = 0.5
"""Share of the slowest riding speed under which a finished plan is refused."""


@dataclass(frozen=True, slots=True)
class Fatigue:
    """What the body can pay.

    Attributes
    ----------
    critical_power, max_power : float
        [W].
    w_prime, w_prime_reserve : float
        [J].
    budget : float
        Highest mean of the body's power, of the order given by `exponent`, over the race [W].
    exponent : int
        1, 2 or 4; the product plans with 4, the others serve comparison with published optima.
    w_prime_start : float or None
        What is left of W' at the start [J]; None for all of it.
    """

    critical_power: float
    w_prime: float
    w_prime_reserve: float
    max_power: float
    budget: float
    exponent: int = 4
    w_prime_start: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """One race to be optimised; n cells, p positions.

    Attributes
    ----------
    road : Road
        With the air of the moment the rider gets there.
    drag_area, power_factor : FloatArray, shape (p,)
        Drag area with wheels [m²]; sustainable power over that in the best position.
    can_brake : bool array, shape (p,)
        Whether a position has the hands on the brakes.
    allowed : bool array, shape (n, p)
        Which positions a cell allows; at least one in every cell.
    cap : FloatArray, shape (n, p)
        Speed cap that comes with a position, infinite where none [m/s].
    speed_limit : FloatArray, shape (n + 1,)
        Of any position at the cell ends, infinite where none [m/s].
    lowest_speed : FloatArray, shape (n + 1,)
        Slowest that counts as riding, 0 near a standing start [m/s].
    """

    road: Road
    machine: Machine
    fatigue: Fatigue
    drag_area: FloatArray
    power_factor: FloatArray
    can_brake: npt.NDArray[np.bool_]
    allowed: npt.NDArray[np.bool_]
    cap: FloatArray
    speed_limit: FloatArray
    lowest_speed: FloatArray
    start_speed: float

    @property
    def upright(self) -> int:
        """The position of least drag with the hands on the brakes."""
        return int(np.where(self.can_brake, self.drag_area, np.inf).argmin())

    def limit_in(self, position: npt.NDArray[np.int64]) -> FloatArray:
        """Speed limit at the cell ends with the caps of the chosen positions, shape (n + 1,)."""
        caps = self.cap[np.arange(len(self.road)), position]
        beside = np.minimum(np.append(caps, np.inf), np.insert(caps, 0, np.inf))
        return np.asarray(np.minimum(self.speed_limit, beside))

    def schedule(self, position: npt.NDArray[np.int64], power: FloatArray) -> Schedule:
        """Schedule of a position and a power a cell, shape (n,) each, for the simulation."""
        return Schedule(
            power=power,
            drag_area=self.drag_area[position],
            can_brake=self.can_brake[position],
            speed_limit=self.limit_in(position),
            start_speed=self.start_speed,
        )


@dataclass(frozen=True, slots=True, eq=False)
class DragShape:
    """Air drag over ½ρA as `square v² + linear v + constant`, convex in speed, shape (n,) each."""

    square: FloatArray
    linear: FloatArray
    constant: FloatArray


def _true(speed: FloatArray, road: Road) -> FloatArray:
    axial = speed + road.headwind
    return np.hypot(axial, road.crosswind) * axial


def drag_shape(road: Road, speed: FloatArray) -> DragShape:
    """Convex quadratic with the true drag's value and slope at `speed`, shape (n,) [m/s].

    Exact for every speed where there is no crosswind and the rider is faster than the tailwind. The
    curvature is the true one, or zero where a faster tailwind makes it negative.
    """
    axial = speed + road.headwind
    air = np.maximum(np.hypot(axial, road.crosswind), 1e-9)
    slope = air + axial**2 / air
    square = 0.5 * np.maximum(axial * (3.0 - (axial / air) ** 2) / air, 0.0)
    linear = slope - 2.0 * square * speed
    return DragShape(square, linear, _true(speed, road) - square * speed**2 - linear * speed)


def drag_shape_below(road: Road, speed: FloatArray, low: FloatArray, high: FloatArray) -> DragShape:
    """Convex quadratic that is nowhere above the true drag for speeds in [low, high].

    The better of two at `speed`: the tangent of `drag_shape`, lowered until it touches; and, where the
    rider is faster than any tailwind, (v + h)² plus the chord of the concave rest.
    """
    tangent = drag_shape(road, speed)
    grid = low + (high - low) * np.linspace(0.0, 1.0, 41)[:, None]
    over = tangent.square * grid**2 + tangent.linear * grid + tangent.constant - _true(grid, road)
    lowered = tangent.constant - np.maximum(over.max(axis=0), 0.0)

    head = road.headwind
    rest_low, rest_high = _true(low, road) - (low + head) ** 2, _true(high, road) - (high + head) ** 2
    gradient = (rest_high - rest_low) / (high - low)
    chord = DragShape(np.ones_like(head), 2.0 * head + gradient, head**2 + rest_low - gradient * low)

    def at(square: FloatArray, linear: FloatArray, constant: FloatArray) -> FloatArray:
        return square * speed**2 + linear * speed + constant

    better = (low + head >= 0.0) & (
        at(chord.square, chord.linear, chord.constant) > at(tangent.square, tangent.linear, lowered)
    )
    return DragShape(
        np.where(better, chord.square, tangent.square),
        np.where(better, chord.linear, tangent.linear),
        np.where(better, chord.constant, lowered),
    )

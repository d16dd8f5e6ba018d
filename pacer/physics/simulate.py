"""Ride a schedule of power and position along a road, with the equation of `forces.py`.

This is the judge of every plan: it knows nothing of the optimiser, and its steps are finer than the
cells. Speed
follows from dE/ds = F(v) / M with E = v²/2, by a two-stage L-stable Rosenbrock method [1]: on a steep
climb the speed settles within a few metres, where an explicit method would oscillate.

References
----------
[1] Verwer JG, Spee EJ, Blom JG, Hundsdorfer W (1999). A second-order Rosenbrock method applied to
    photochemical dispersion problems. SIAM J. Sci. Comput. 20(4):1456-1480. doi:10.1137/S1064827597326651
    (the method ROS2; from memory)
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.physics.forces import BEARING_CONSTANT, BEARING_SLOPE, gravity_force, rolling_force
from pacer.units import FloatArray, read_only

__all__ = ["Machine", "Road", "Schedule", "Trace", "braking_envelope", "ride", "steady_speed"]

GAMMA: Final = 1.0 - 1.0 / math.sqrt(2.0)
"""Parameter of ROS2, [1]: of the two values that make it L-stable the one with the smaller error."""

CREEP: Final = 0.3
"""Speed [m/s] under which the rider counts as standing still: the trace says that it stalled."""

LONGEST_STEP: Final = 10.0
SHORTEST_STEP: Final = 0.5
STEP_SECONDS: Final = 0.5

BRAKING_RESERVE: Final = 0.98
"""Share of the braking force on which the envelope counts, so that the ride itself never needs more than
all."""


@dataclass(frozen=True, slots=True, eq=False)
class Road:
    """What the rider meets, one entry a cell, shape (n,).

    Attributes
    ----------
    length : FloatArray
        Along the sloping road [m].
    grade : FloatArray
        Rise over run.
    density : FloatArray
        Of the air [kg/m³].
    headwind, crosswind : FloatArray
        At the rider's height [m/s].
    crr : FloatArray
        Rolling-resistance coefficient.
    """

    length: FloatArray
    grade: FloatArray
    density: FloatArray
    headwind: FloatArray
    crosswind: FloatArray
    crr: FloatArray

    def __post_init__(self) -> None:
        for item in fields(self):
            object.__setattr__(self, item.name, read_only(getattr(self, item.name)))

    def __len__(self) -> int:
        return int(self.length.size)


@dataclass(frozen=True, slots=True)
class Machine:
    """Rider and bicycle as the equation of motion sees them.

    Attributes
    ----------
    mass, inertial_mass : float
        [kg].
    drivetrain_efficiency : float
        Wheel power over pedal power.
    brake_force : float
        The most that the plan counts on [N].
    traction_force : float
        The most that the rear wheel can push from a standstill [N].
    """

    mass: float
    inertial_mass: float
    drivetrain_efficiency: float
    brake_force: float
    traction_force: float


@dataclass(frozen=True, slots=True, eq=False)
class Schedule:
    """What the rider means to do.

    Attributes
    ----------
    power : FloatArray, shape (n,)
        At the pedals, held unless a limit bids less [W].
    drag_area : FloatArray, shape (n,)
        [m²].
    can_brake : bool array, shape (n,)
        Whether the hands are on the brakes.
    speed_limit : FloatArray, shape (n + 1,)
        At the cell ends, infinite where none [m/s].
    start_speed : float
        [m/s].
    """

    power: FloatArray
    drag_area: FloatArray
    can_brake: npt.NDArray[np.bool_]
    speed_limit: FloatArray
    start_speed: float


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """What the ride came to.

    Attributes
    ----------
    speed, time : FloatArray, shape (n + 1,)
        At the cell ends [m/s], [s].
    power, brake : FloatArray, shape (n,)
        Power at the pedals as ridden [W] and braking force [N]; never both in one cell.
    overspeed : FloatArray, shape (n + 1,)
        By how much a limit was passed because the hands were off the brakes or the brakes too weak [m/s].
    stalled : int or None
        The first cell that the power could not climb.
    """

    speed: FloatArray
    time: FloatArray
    power: FloatArray
    brake: FloatArray
    overspeed: FloatArray
    stalled: int | None

    @property
    def duration(self) -> FloatArray:
        """Seconds spent in each cell, shape (n,)."""
        return np.diff(self.time)


class _Cell:
    """One cell's constants, and the ride through it."""

    __slots__ = ("constant", "cross2", "drag", "head", "length", "mass", "traction")

    def __init__(
        self, length: float, drag: float, head: float, cross: float, constant: float, machine: Machine
    ) -> None:
        self.length = length
        self.drag = drag
        self.head = head
        self.cross2 = cross * cross
        self.constant = constant
        self.mass = machine.inertial_mass
        self.traction = machine.traction_force

    def resist(self, v: float) -> float:
        axial = v + self.head
        air = math.sqrt(axial * axial + self.cross2)
        return self.drag * air * axial + self.constant + BEARING_SLOPE * v

    def advance(self, speed: float, wheel_power: float, brake: float) -> tuple[float, float, bool]:
        """Speed at the end, seconds taken, and whether the rider came to a standstill."""
        mass, head, cross2, drag, traction = self.mass, self.head, self.cross2, self.drag, self.traction
        constant = self.constant + brake
        sqrt = math.sqrt
        floor = 0.5 * CREEP * CREEP
        energy = 0.5 * speed * speed
        left = self.length
        seconds = 0.0
        stalled = False
        while left > 1e-9:
            v = max(speed, CREEP)
            step = min(max(STEP_SECONDS * v, SHORTEST_STEP), LONGEST_STEP)
            if step > left * 0.75:
                step = left
            axial = v + head
            air = sqrt(axial * axial + cross2) or 1e-9
            push = wheel_power / v
            slope = -(drag * (air + axial * axial / air) + BEARING_SLOPE)
            if push < traction:
                slope -= push / v
            else:
                push = traction
            k = push - drag * air * axial - constant - BEARING_SLOPE * v
            damping = 1.0 - GAMMA * step * slope / (mass * v)
            if damping < 1.0:
                damping = 1.0
            k1 = k / mass / damping
            ahead = energy + step * k1
            if ahead < floor:
                ahead = floor
            v = sqrt(2.0 * ahead)
            axial = v + head
            push = wheel_power / v
            if push > traction:
                push = traction
            k = push - drag * sqrt(axial * axial + cross2) * axial - constant - BEARING_SLOPE * v
            k2 = (k / mass - 2.0 * k1) / damping
            energy += step * (1.5 * k1 + 0.5 * k2)
            if energy < floor:
                energy = floor
                stalled = True
            end = sqrt(2.0 * energy)
            seconds += 2.0 * step / (speed + end)
            speed = end
            left -= step
        return speed, seconds, stalled


def _cells(road: Road, machine: Machine, drag_area: FloatArray) -> list[_Cell]:
    drag = 0.5 * road.density * drag_area
    constant = (
        rolling_force(machine.mass, road.crr, road.grade)
        + gravity_force(machine.mass, road.grade)
        + BEARING_CONSTANT
    )
    columns = (road.length, drag, road.headwind, road.crosswind, constant)
    each = zip(*(c.tolist() for c in columns), strict=True)
    return [_Cell(length, k, head, cross, rest, machine) for length, k, head, cross, rest in each]


def braking_envelope(road: Road, machine: Machine, schedule: Schedule) -> FloatArray:
    """Highest speed at each cell end from which every limit ahead can still be met, shape (n + 1,) [m/s].

    Where the hands are off the brakes, only coasting is counted on. Infinite where nothing ahead binds.
    """
    envelope = schedule.speed_limit.tolist()
    cells = _cells(road, machine, schedule.drag_area)
    hands = schedule.can_brake.tolist()
    for i in range(len(cells) - 1, -1, -1):
        after = envelope[i + 1]
        if math.isinf(after):
            continue
        cell = cells[i]
        brake = machine.brake_force * BRAKING_RESERVE if hands[i] else 0.0
        before = after
        for _ in range(3):
            force = cell.resist(0.5 * (before + after)) + brake
            before = math.sqrt(max(after * after + 2.0 * cell.length * force / cell.mass, 0.0))
        envelope[i] = min(envelope[i], before)
    return np.array(envelope)


def _meet_limit(
    cell: _Cell, speed: float, limit: float, wheel_power: float, brake_force: float
) -> tuple[float, float]:
    """Wheel power and braking force that end the cell at its limit; full brakes where even they can't."""
    coasting = cell.advance(speed, 0.0, 0.0)[0]
    if coasting <= limit:
        low, high, braking = 0.0, wheel_power, False
        f_low, f_high = coasting - limit, cell.advance(speed, wheel_power, 0.0)[0] - limit
    else:
        low, high, braking = brake_force, 0.0, True
        f_low, f_high = cell.advance(speed, 0.0, brake_force)[0] - limit, coasting - limit
        if f_low > 0.0:
            return 0.0, brake_force
    side = 0
    x = low
    for _ in range(40):
        x = (low * f_high - high * f_low) / (f_high - f_low)
        f = cell.advance(speed, 0.0 if braking else x, x if braking else 0.0)[0] - limit
        if abs(f) < 1e-7:
            break
        if f > 0.0:
            high, f_high = x, f
            f_low *= 0.5 if side == 1 else 1.0
            side = 1
        else:
            low, f_low = x, f
            f_high *= 0.5 if side == -1 else 1.0
            side = -1
    return (0.0, x) if braking else (x, 0.0)


def ride(road: Road, machine: Machine, schedule: Schedule) -> Trace:
    """Ride the schedule from start to finish.

    Where the scheduled power would pass the next limit the rider eases off, coasts, or brakes, in that
    order, just enough to meet it at the end of the cell; brakes only where the hands are on them.

    Returns
    -------
    Trace
        Its `overspeed` and `stalled` say where the schedule can't be ridden.
    """
    n = len(road)
    envelope = braking_envelope(road, machine, schedule).tolist()
    cells = _cells(road, machine, schedule.drag_area)
    efficiency = machine.drivetrain_efficiency
    wanted = schedule.power.tolist()
    hands = schedule.can_brake.tolist()
    speeds, times = [0.0] * (n + 1), [0.0] * (n + 1)
    powers, brakes = wanted.copy(), [0.0] * n
    stalled_at: int | None = None
    speed = speeds[0] = min(schedule.start_speed, envelope[0])
    for i, cell in enumerate(cells):
        wheel = wanted[i] * efficiency
        end, seconds, stalled = cell.advance(speed, wheel, 0.0)
        if end > envelope[i + 1] + 1e-7:
            brake_force = machine.brake_force if hands[i] else 0.0
            wheel, brakes[i] = _meet_limit(cell, speed, envelope[i + 1], wheel, brake_force)
            powers[i] = wheel / efficiency
            end, seconds, stalled = cell.advance(speed, wheel, brakes[i])
        if stalled and stalled_at is None:
            stalled_at = i
        speeds[i + 1] = speed = end
        times[i + 1] = times[i] + seconds
    speed_array = np.array(speeds)
    over = np.maximum(speed_array - schedule.speed_limit, 0.0)
    over[over < 1e-5] = 0.0
    return Trace(speed_array, np.array(times), np.array(powers), np.array(brakes), over, stalled_at)


def steady_speed(
    road: Road, machine: Machine, power: FloatArray, drag_area: FloatArray, *, highest: float = 40.0
) -> FloatArray:
    """Speed at which power and resistance balance in each cell, shape (n,) [m/s], by bisection.

    The largest root below `highest`; descents whose terminal speed lies above it return `highest`.
    """
    constant = rolling_force(machine.mass, road.crr, road.grade) + gravity_force(machine.mass, road.grade)
    drag = 0.5 * road.density * drag_area
    low, high = np.full(len(road), 0.05), np.full(len(road), highest)
    for _ in range(50):
        v = 0.5 * (low + high)
        axial = v + road.headwind
        resist = drag * np.hypot(axial, road.crosswind) * axial + constant
        resist = resist + BEARING_CONSTANT + BEARING_SLOPE * v
        faster = machine.drivetrain_efficiency * power / v > resist
        low, high = np.where(faster, v, low), np.where(faster, high, v)
    return np.asarray(0.5 * (low + high))

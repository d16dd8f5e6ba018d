"""What one unit more is worth: seconds for a watt, for drag, mass, rolling resistance and wind.

At an optimum the derivative of the time by a parameter is that of the constraints' residuals alone, each
weighted by its price (the envelope theorem [1]), and the duals are the prices: nothing needs to be
solved again, once W' has come to rest. Air, positions and rules are held; what a change of them adds is of
second order, save where a rule switches.

References
----------
[1] Boyd S, Vandenberghe L (2004). Convex Optimization. Cambridge University Press, section 5.6.3.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pacer.physics.forces import aerodynamic_force, gravity_force, rolling_force
from pacer.planning.problem import drag_shape
from pacer.planning.programme import SPEED_SCALE, Branches, solve
from pacer.planning.scenario import AirOnCells, Scenario
from pacer.planning.solution import Solution, recovery_of
from pacer.units import FloatArray

__all__ = ["Sensitivity", "air_slope", "sensitivity"]

PROBE: Final = 1e-3
"""Step with which the slope of the drag by the wind's strength is taken [m/s]; the drag itself is exact."""

MOST_FOLLOWED: Final = 20
"""Solutions in which recovery is followed to its rest."""

AT_REST: Final = 1e-7
"""Relative change of the time under which it has come to rest."""

ACCURACY: Final = 1e-8
"""Relative accuracy of those solutions."""


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """Derivatives of the time of the free optimum.

    Attributes
    ----------
    power : float
        By the fatigue budget [s/W]; negative.
    drag_area : float
        By the drag area of every position [s/m²].
    mass : float
        By total mass, the brakes growing with it [s/kg].
    crr : float
        By the rolling-resistance coefficient of the bicycle [s].
    wind : float
        By the wind speed 10 m above open ground, its direction kept [s per m/s].
    """

    power: float
    drag_area: float
    mass: float
    crr: float
    wind: float


def air_slope(before: AirOnCells, after: AirOnCells, step: float) -> tuple[FloatArray, FloatArray]:
    """Growth of headwind and crosswind in each cell with the wind at 10 m, from two airs `step` apart."""
    head = (np.asarray(after.headwind) - before.headwind) / step
    cross = (np.asarray(after.crosswind) - before.crosswind) / step
    return head, cross


def sensitivity(
    scenario: Scenario, solution: Solution, wind_slope: tuple[FloatArray, FloatArray]
) -> Sensitivity:
    """Derivatives of the optimum's time.

    Parameters
    ----------
    scenario : Scenario
    solution : Solution
        Of that scenario.
    wind_slope : two arrays, shape (n,)
        By how much headwind and crosswind grow for each m/s of wind at 10 m, see `air_slope`.
    """
    solution = _at_rest(solution)
    problem, optimum = solution.problem, solution.optimum
    road, machine = problem.road, problem.machine
    price, speed = optimum.motion_price, optimum.mean_speed
    area = problem.drag_area[solution.position]

    def drag(step: float) -> FloatArray:
        head = road.headwind + step * wind_slope[0]
        cross = road.crosswind + step * wind_slope[1]
        return aerodynamic_force(speed, head, cross, road.density, area)

    per_area = aerodynamic_force(speed, road.headwind, road.crosswind, road.density, 1.0)
    crr_factor = road.crr / scenario.setup.bike.crr
    chain = _through_the_budget(scenario, solution)
    return Sensitivity(
        power=chain * _per_watt(solution),
        drag_area=chain * float(price @ per_area),
        mass=chain * float(price @ _per_kilogram(solution)),
        crr=chain * float(price @ (rolling_force(machine.mass, 1.0, road.grade) * crr_factor)),
        wind=chain * float(price @ (drag(PROBE) - drag(-PROBE))) / (2.0 * PROBE),
    )


def _at_rest(solution: Solution) -> Solution:
    """The solution with its recovery followed until it no longer moves, positions held.

    The prices of a round whose recovery is still on its way are a few per cent off.
    """
    problem = solution.problem
    for _ in range(MOST_FOLLOWED if solution.recovery is not None else 0):
        optimum = solution.optimum
        recovery = recovery_of(problem, optimum.force, optimum.slowness)
        shape = drag_shape(problem.road, optimum.mean_speed)
        found = solve(problem, Branches.fixed(solution.position), shape, recovery, accuracy=ACCURACY)
        if not found.solved:
            break
        moved = abs(found.time - optimum.time)
        solution = replace(solution, optimum=found, recovery=recovery)
        if moved < AT_REST * found.time:
            break
    return solution


def _per_kilogram(solution: Solution) -> FloatArray:
    """Growth of what holds the rider back with mass, shape (n,) [N/kg]."""
    road, machine, optimum = solution.problem.road, solution.problem.machine, solution.optimum
    inertia = np.diff(optimum.speed**2) / (2.0 * road.length)
    weight = rolling_force(1.0, road.crr, road.grade) + gravity_force(1.0, road.grade)
    # Where more resistance would help, the brakes are at their limit, which grows with the mass they stop.
    held = (optimum.motion_price < 0.0) & (optimum.brake > 1.0)
    return np.asarray(inertia + weight + np.where(held, machine.brake_force / machine.mass, 0.0))


def _per_watt(solution: Solution) -> float:
    """By the budget, everything else held [s/W]: the load over the budget falls with its power."""
    problem, optimum = solution.problem, solution.optimum
    fatigue, road = problem.fatigue, problem.road
    body = optimum.force / optimum.slowness
    weight = road.length * optimum.slowness * SPEED_SCALE / road.length.sum()
    load = float(weight @ (body / fatigue.budget) ** fatigue.exponent)
    return -fatigue.exponent * optimum.endurance_price * load / fatigue.budget


def _through_the_budget(scenario: Scenario, solution: Solution) -> float:
    """Where the budget follows from the duration, a longer race lowers it and so gets longer still."""
    time = solution.optimum.time
    step = 1e-3 * time
    slope = (scenario.budget(time + step) - scenario.budget(time - step)) / (2.0 * step)
    return 1.0 / (1.0 - _per_watt(solution) * slope)

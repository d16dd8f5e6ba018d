"""The race as a general non-linear programme for CasADi and IPOPT: another formulation, another solver.

Written from the equations alone, not from `pacer`'s programme: the unknowns are speeds at the cell ends
and powers and brakes in the cells, the motion is a balance of energy over each cell by the trapezoidal
rule, and nothing is relaxed or made convex. The force terms are stated anew here. A local optimum is all
that it promises.

References
----------
[1] Andersson JAE, Gillis J, Horn G, Rawlings JB, Diehl M (2019). CasADi: a software framework for nonlinear
    optimization and optimal control. Math. Program. Comput. 11:1-36. doi:10.1007/s12532-018-0139-4
[2] Wächter A, Biegler LT (2006). On the implementation of an interior-point filter line-search algorithm for
    large-scale nonlinear programming. Math. Program. 106:25-57. doi:10.1007/s10107-004-0559-y
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import casadi as ca
import numpy as np

from pacer.units import FloatArray

MOST_ITERATIONS = 500
MOST_SECONDS = 120.0


@dataclass(frozen=True)
class Race:
    """What is to be optimised, in numbers alone: n cells, n + 1 cell ends, SI."""

    length: FloatArray
    grade: FloatArray
    density: FloatArray
    headwind: FloatArray
    crosswind: FloatArray
    crr: FloatArray
    drag_area: FloatArray
    power_factor: FloatArray
    can_brake: FloatArray
    speed_limit: FloatArray
    lowest_speed: FloatArray
    mass: float
    inertial_mass: float
    efficiency: float
    brake_force: float
    traction_force: float
    critical_power: float
    w_prime: float
    w_prime_reserve: float
    max_power: float
    budget: float
    start_speed: float


@dataclass(frozen=True)
class Found:
    """What IPOPT came to."""

    status: str
    time: float
    speed: FloatArray
    power: FloatArray
    brake: FloatArray
    iterations: int


def resistance(race: Race, speed: Any) -> tuple[Any, FloatArray]:
    """Air drag and bearings of each cell at a speed, and what doesn't depend on speed [N]."""
    angle = np.arctan(race.grade)
    relative = speed + race.headwind
    air = 0.5 * race.density * race.drag_area * ca.sqrt(relative**2 + race.crosswind**2 + 1e-8) * relative
    weight = race.mass * 9.80665
    return air + 0.0087 * speed, weight * (race.crr * np.cos(angle) + np.sin(angle)) + 0.091


def fastest_ride(race: Race, *, with_w_prime: bool = True, tolerance: float = 1e-8) -> Found:
    """Find the fastest ride over the cells within the budget and the limits."""
    n = race.length.size
    v_unit, p_unit, w_unit = 10.0, race.budget, race.w_prime
    v, p, b, w = (ca.SX.sym(name, size) for name, size in (("v", n + 1), ("p", n), ("b", n), ("w", n + 1)))
    v0, v1 = v_unit * v[:-1], v_unit * v[1:]
    power, brake = p_unit * p, race.brake_force * b
    seconds = race.length / (0.5 * (v0 + v1))
    moving0, still = resistance(race, v0)
    moving1, _ = resistance(race, v1)
    # Work of the wheel = energy of motion gained + work against the means of both ends' resistance.
    gained = 0.5 * race.inertial_mass * (v1**2 - v0**2)
    taken = race.length * (0.5 * (moving0 + moving1) + still + brake)
    work = race.efficiency * power * seconds
    motion = (work - gained - taken) / race.length / 30.0
    body = power / race.power_factor
    total = race.length.sum() / v_unit
    endurance = ca.sum1(seconds * ((body / race.budget) ** 4 - 1.0)) / total
    rows = [motion, endurance]
    low, high = [np.zeros(n), [-np.inf]], [np.zeros(n), [0.0]]
    early = np.flatnonzero(np.cumsum(race.length) - race.length < 60.0)
    rows.append(work[early] / race.length[early] / race.traction_force)
    low.append(np.full(early.size, -np.inf))
    high.append(np.ones(early.size))
    if with_w_prime:
        # Above critical power the first line binds, below it the second: the exact recovery.
        excess = (body - race.critical_power) * seconds / w_unit
        drop = w[1:] - w[:-1]
        rows += [drop + excess, w[1:] - 1.0 + (1.0 - w[:-1]) * ca.exp(excess)]
        low += [np.full(n, -np.inf)] * 2
        high += [np.zeros(n)] * 2
    bounds = _bounds(race, v_unit, p_unit, w_unit)
    problem = {"x": ca.vertcat(v, p, b, w), "f": ca.sum1(seconds) / total, "g": ca.vertcat(*rows)}
    solver = ca.nlpsol("race", "ipopt", problem, _options(tolerance))
    guess = _guess(race, v_unit)
    answer = solver(x0=guess, lbg=np.concatenate(low), ubg=np.concatenate(high), lbx=bounds[0], ubx=bounds[1])
    x = np.array(answer["x"]).ravel()
    stats = solver.stats()
    return Found(
        status=stats["return_status"],
        time=float(answer["f"]) * total,
        speed=v_unit * x[: n + 1],
        power=p_unit * x[n + 1 : 2 * n + 1],
        brake=race.brake_force * x[2 * n + 1 : 3 * n + 1],
        iterations=int(stats["iter_count"]),
    )


def _bounds(race: Race, v_unit: float, p_unit: float, w_unit: float) -> tuple[FloatArray, FloatArray]:
    n = race.length.size
    lowest = np.maximum(race.lowest_speed, 0.05)
    highest = np.minimum(race.speed_limit, 60.0)
    lowest[0] = highest[0] = max(race.start_speed, 1e-3)
    low = [lowest / v_unit, np.zeros(2 * n), np.full(n + 1, race.w_prime_reserve / w_unit)]
    high = [highest / v_unit, np.full(n, race.max_power / p_unit), race.can_brake, np.ones(n + 1)]
    return np.concatenate(low), np.concatenate(high)


def _guess(race: Race, v_unit: float) -> FloatArray:
    n = race.length.size
    speed = np.clip(np.full(n + 1, 8.0), race.lowest_speed, 0.95 * race.speed_limit)
    return np.concatenate(
        (speed / v_unit, np.full(n, 0.9), np.full(n, 0.01) * race.can_brake, np.full(n + 1, 0.95))
    )


def _options(tolerance: float) -> dict[str, Any]:
    return {
        "print_time": False,
        "ipopt": {
            "print_level": 0,
            "sb": "yes",
            "tol": tolerance,
            "max_iter": MOST_ITERATIONS,
            "max_cpu_time": MOST_SECONDS,
            "mu_strategy": "adaptive",
        },
    }

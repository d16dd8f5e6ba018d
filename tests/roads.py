"""Roads, machines and problems made by hand, for tests that know the answer."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pacer.physics.simulate import Machine, Road, Schedule
from pacer.planning.problem import Fatigue, Problem
from pacer.units import GRAVITY, FloatArray

# The road model of 1998 (Martin et al., doi:10.1123/jab.14.3.276): coefficients of its worked example.
MARTIN_CDA = 0.2565
MARTIN_WHEELS = 0.0044
MARTIN_CRR = 0.0032
MARTIN_DENSITY = 1.2234
MARTIN_EFFICIENCY = 0.976
MARTIN_INERTIA = 0.14
MARTIN_RADIUS = 0.311

PUBLISHED_GRAVITY = 9.81
"""Metres a second squared; the published values below were computed with it."""


def weight_as(mass: float, gravity: float = PUBLISHED_GRAVITY) -> float:
    """Mass that weighs here what `mass` weighs under another gravity [kg]."""
    return mass * gravity / GRAVITY


def make_road(
    length: npt.ArrayLike,
    grade: npt.ArrayLike = 0.0,
    *,
    headwind: npt.ArrayLike = 0.0,
    crosswind: npt.ArrayLike = 0.0,
    density: npt.ArrayLike = MARTIN_DENSITY,
    crr: npt.ArrayLike = MARTIN_CRR,
) -> Road:
    """Make a road of the cells given, everything else broadcast to them."""
    cells = np.atleast_1d(np.asarray(length, dtype=np.float64))
    columns = (grade, density, headwind, crosswind, crr)
    return Road(cells, *(np.broadcast_to(np.asarray(x, float), cells.shape) for x in columns))


def make_machine(
    mass: float = 80.0,
    *,
    inertial_mass: float | None = None,
    efficiency: float = MARTIN_EFFICIENCY,
    braking: float = 2.0,
) -> Machine:
    """Make a machine; `braking` in m/s², traction ample."""
    return Machine(
        mass=mass,
        inertial_mass=mass if inertial_mass is None else inertial_mass,
        drivetrain_efficiency=efficiency,
        brake_force=mass * braking,
        traction_force=0.5 * mass * GRAVITY,
    )


def split_cells(road: Road, parts: int) -> Road:
    """Cut every cell of a road into equal parts."""
    return Road(
        np.repeat(road.length / parts, parts),
        *(np.repeat(x, parts) for x in (road.grade, road.density, road.headwind, road.crosswind, road.crr)),
    )


def held_power(
    road: Road,
    power: npt.ArrayLike,
    *,
    cda: npt.ArrayLike = MARTIN_CDA + MARTIN_WHEELS,
    start_speed: float = 0.0,
    speed_limit: npt.ArrayLike = np.inf,
    can_brake: npt.ArrayLike = True,
) -> Schedule:
    """Make a schedule over a road, scalars broadcast to its cells (limits to the cell ends)."""
    n = len(road)
    return Schedule(
        power=np.broadcast_to(np.asarray(power, float), (n,)).copy(),
        drag_area=np.broadcast_to(np.asarray(cda, float), (n,)).copy(),
        can_brake=np.broadcast_to(np.asarray(can_brake, bool), (n,)).copy(),
        speed_limit=np.broadcast_to(np.asarray(speed_limit, float), (n + 1,)).copy(),
        start_speed=start_speed,
    )


def make_fatigue(budget: float, *, exponent: int = 4, max_power: float = 5000.0) -> Fatigue:
    """Make a fatigue budget whose W' never matters."""
    return Fatigue(
        critical_power=budget,
        w_prime=20_000.0,
        w_prime_reserve=0.0,
        max_power=max_power,
        budget=budget,
        exponent=exponent,
    )


def make_problem(
    road: Road,
    machine: Machine,
    fatigue: Fatigue,
    *,
    drag_area: tuple[float, ...] = (MARTIN_CDA + MARTIN_WHEELS,),
    power_factor: tuple[float, ...] | None = None,
    can_brake: tuple[bool, ...] | None = None,
    allowed: npt.NDArray[np.bool_] | None = None,
    cap: FloatArray | None = None,
    speed_limit: npt.ArrayLike = np.inf,
    lowest_speed: npt.ArrayLike = 0.0,
    start_speed: float = 0.0,
) -> Problem:
    """Make a problem; by default one position with the hands on the brakes and no limits."""
    n, p = len(road), len(drag_area)
    return Problem(
        road=road,
        machine=machine,
        fatigue=fatigue,
        drag_area=np.array(drag_area),
        power_factor=np.ones(p) if power_factor is None else np.array(power_factor),
        can_brake=np.array(can_brake if can_brake is not None else [True] * p),
        allowed=np.ones((n, p), dtype=bool) if allowed is None else allowed,
        cap=np.full((n, p), np.inf) if cap is None else cap,
        speed_limit=np.broadcast_to(np.asarray(speed_limit, float), (n + 1,)).copy(),
        lowest_speed=np.broadcast_to(np.asarray(lowest_speed, float), (n + 1,)).copy(),
        start_speed=start_speed,
    )

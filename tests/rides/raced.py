"""A ride of a plan in which what went otherwise is known: power, drag, braking, a stop."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pacer.physics.simulate import Machine, Road, Schedule, ride
from pacer.planning.plan import Plan
from pacer.rides.ride import Ride
from pacer.units import GRAVITY

DETAIL = 3


@dataclass(frozen=True)
class Otherwise:
    """What differs from the plan: factors, a stop (metre, seconds) and a braking (metre, speed)."""

    power: float = 1.0
    power_first_half: float = 1.0
    drag: float = 1.0
    stop: tuple[float, float] | None = None
    brake: tuple[float, float] | None = None
    noise: float = 0.0


def race(plan: Plan, how: Otherwise, seed: int = 1, warm_up: float = 0.0) -> Ride:
    """Ride the plan with what went otherwise, recorded once a second."""
    rng = np.random.default_rng(seed)
    cells = plan.cells
    start = np.repeat(cells.start_m, DETAIL) + np.tile(np.arange(DETAIL), cells.start_m.size) * np.repeat(
        cells.length_m / DETAIL, DETAIL
    )
    fine = {
        name: np.repeat(getattr(cells, name), DETAIL)
        for name in ("grade", "crr", "power_w", "cda_m2", "brake_n")
    }
    power = fine["power_w"] * how.power
    power = np.where(start < cells.start_m[-1] / 2, power * how.power_first_half, power)
    nodes = np.append(start, plan.nodes.distance_m[-1])
    limit = np.full(nodes.size, np.inf)
    braked = np.flatnonzero(fine["brake_n"] > 0.0) + 1
    limit[braked] = np.interp(nodes[braked], plan.nodes.distance_m, plan.nodes.speed_m_s)
    hands = np.where(np.isnan(cells.speed_limit_m_s), np.inf, cells.speed_limit_m_s)
    limit[1:] = np.minimum(
        limit[1:],
        np.maximum(
            np.repeat(hands, DETAIL), np.interp(nodes[1:], plan.nodes.distance_m, plan.nodes.speed_m_s)
        ),
    )
    if how.brake is not None:
        limit[int(np.searchsorted(nodes, how.brake[0]))] = how.brake[1]
    if how.stop is not None:
        limit[int(np.searchsorted(nodes, how.stop[0]))] = 0.8
    weight = plan.model.total_mass_kg * GRAVITY
    trace = ride(
        Road(
            length=np.diff(nodes),
            grade=fine["grade"],
            density=np.repeat(cells.air_density_kg_m3, DETAIL),
            headwind=np.repeat(cells.headwind_m_s, DETAIL),
            crosswind=np.repeat(cells.crosswind_m_s, DETAIL),
            crr=fine["crr"],
        ),
        Machine(
            plan.model.total_mass_kg,
            plan.model.inertial_mass_kg,
            plan.model.drivetrain_efficiency,
            0.5 * weight,
            0.5 * weight,
        ),
        Schedule(
            power=power,
            drag_area=fine["cda_m2"] * how.drag,
            can_brake=np.ones(start.size, dtype=bool),
            speed_limit=limit,
            start_speed=float(plan.nodes.speed_m_s[0]),
        ),
    )
    time = trace.time.copy()
    if how.stop is not None:
        time[int(np.searchsorted(nodes, how.stop[0])) :] += how.stop[1]
    return _record(plan, nodes, time, trace.speed, trace.power, rng, how, warm_up)


def _record(plan, nodes, time, speed, power, rng, how, warm_up):
    clock = np.arange(0.0, time[-1] + 1.0)
    along = np.interp(clock, time, nodes)
    pace = np.interp(clock, time, speed)
    work = np.interp(clock, time, np.append(0.0, np.cumsum(power * np.diff(time))))
    watts = np.append(0.0, np.diff(work))
    if how.stop is not None:
        at = float(time[int(np.searchsorted(nodes, how.stop[0]))])
        still = (clock > at - how.stop[1]) & (clock < at)
        pace[still], watts[still] = 0.0, 0.0
        along[still] = how.stop[0]
    middle = plan.cells.start_m + 0.5 * plan.cells.length_m
    n = clock.size
    return Ride(
        name="race day",
        source="race-day.fit",
        time=1.8e9 + clock,
        distance=along * 1.002,
        speed=np.maximum(pace + how.noise * 0.1 * rng.standard_normal(n), 0.0),
        latitude_deg=np.interp(along, middle, plan.cells.latitude_deg)
        + how.noise * 2e-5 * rng.standard_normal(n),
        longitude_deg=np.interp(along, middle, plan.cells.longitude_deg)
        + how.noise * 2e-5 * rng.standard_normal(n),
        elevation=np.interp(along, middle, plan.cells.elevation_m),
        power=np.maximum(watts * (1 + how.noise * 0.02 * rng.standard_normal(n)), 0.0),
        heart_rate=np.full(n, np.nan),
        cadence=np.full(n, np.nan),
        temperature=np.full(n, np.nan),
    )

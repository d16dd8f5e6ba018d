"""Everything that must hold of any plan, tried on its written numbers."""

from __future__ import annotations

import numpy as np

from pacer.planning.plan import Plan
from pacer.planning.recheck import recheck
from pacer.workflow import Request


def energy_left(plan: Plan) -> tuple[float, float]:
    """Work at the wheel less what climbing, air, tyres, bearings, brakes and speed took; and the sum [J].

    By Simpson's rule in each cell, with speed from the energy that a constant force would give.
    """
    cells, model, speed = plan.cells, plan.model, plan.nodes.speed_m_s
    theta = np.arctan(cells.grade)
    middle = np.sqrt(0.5 * (speed[:-1] ** 2 + speed[1:] ** 2))

    def moving(v: np.ndarray) -> np.ndarray:
        axial = v + cells.headwind_m_s
        air = 0.5 * cells.air_density_kg_m3 * cells.cda_m2
        return np.asarray(air * np.hypot(axial, cells.crosswind_m_s) * axial + 0.0087 * v)

    mean = (moving(speed[:-1]) + 4.0 * moving(middle) + moving(speed[1:])) / 6.0
    weight = model.total_mass_kg * model.gravity_m_s2
    still = weight * (np.sin(theta) + cells.crr * np.cos(theta)) + 0.091 + cells.brake_n
    work = model.drivetrain_efficiency * float(cells.power_w @ np.diff(plan.nodes.time_s))
    taken = float((mean + still) @ cells.length_m)
    kept = 0.5 * model.inertial_mass_kg * float(speed[-1] ** 2 - speed[0] ** 2)
    moved = float(np.abs(mean + still) @ cells.length_m)
    return work - taken - kept, moved


def faults(plan: Plan, request: Request) -> list[str]:
    """What doesn't hold; empty where all is well."""
    found = [violation.what for violation in recheck(plan, request.limits)]
    return found + [what for what, wrong in (_numbers(plan) | _refusals(plan)).items() if wrong]


def _numbers(plan: Plan) -> dict[str, bool]:
    cells, nodes, model, totals = plan.cells, plan.nodes, plan.model, plan.totals
    arrays = [getattr(nodes, name) for name in nodes.__slots__]
    left, moved = energy_left(plan)
    # From a standstill the wheel's grip, not the power, sets the push for half a second: 150 J at most.
    closing = 0.01 * moved + (150.0 if nodes.speed_m_s[0] < 1.0 else 0.0)
    bound = plan.optimality.bound_s
    power = cells.power_w
    parts = sum(segment.duration_s for segment in plan.segments)
    return {
        "a number that isn't finite": not all(np.all(np.isfinite(a)) for a in arrays),
        "time that stands still": bool(np.any(np.diff(nodes.time_s) <= 0.0)),
        "energy that doesn't close": abs(left) > closing,
        "over the budget": totals.fourth_power_mean_w > model.fourth_power_budget_w * 1.0001,
        "under the reserve": totals.min_w_balance_j < model.w_prime_reserve_j - 1.0,
        "power out of its range": bool(np.any(power > model.max_power_w + 0.01) or np.any(power < 0.0)),
        "faster than the bound": bool(np.isfinite(bound)) and totals.time_s < bound * (1.0 - 1e-9),
        "segments that don't add up": abs(parts - totals.time_s) > 1e-6 * totals.time_s,
    }


def _refusals(plan: Plan) -> dict[str, bool]:
    cells = plan.cells
    tucked = np.array([segment.tucked for segment in plan.segments])[cells.segment]
    end = cells.start_m + cells.length_m
    unsafe = np.zeros(tucked.size, dtype=bool)
    for stretch in plan.unsafe_to_tuck:
        unsafe |= (cells.start_m < stretch.end_m - 0.01) & (end > stretch.up_by_m + 0.01)
    return {
        "tucked where refused": bool(np.any(tucked & ~np.asarray(cells.tuck_allowed))),
        "tucked in an unsafe stretch": bool(np.any(tucked & unsafe)),
    }

"""Put the finished plan together: segments with their worth, unsafe stretches, totals, certificate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np

from pacer.planning.cues import make_cues
from pacer.planning.followable import Followable
from pacer.planning.plan import (
    Optimality,
    Plan,
    PlanCells,
    PlanModel,
    PlanNodes,
    PlanSegment,
    PlanTotals,
    UnsafeStretch,
)
from pacer.planning.proven import Proven
from pacer.planning.relaxation import bound_over_positions
from pacer.planning.safety import unsafe_stretches
from pacer.planning.scenario import AirOnCells, Scenario
from pacer.planning.solution import Solution
from pacer.planning.worth import Worth
from pacer.units import GRAVITY, FloatArray

__all__ = ["assemble"]


def _nullable(values: FloatArray) -> FloatArray:
    return np.where(np.isfinite(values), values, np.nan)


def _cells(scenario: Scenario, air: AirOnCells, solution: Solution, plan: Followable) -> PlanCells:
    cells, verdict, problem = scenario.cells, solution.verdict, solution.problem
    positions = scenario.setup.positions
    tucked = np.array([p.tucked for p in positions])
    allowed = np.asarray(problem.allowed[:, tucked].any(axis=1)) if tucked.any() else verdict.tuck_allowed
    return PlanCells(
        start_m=cells.start,
        length_m=cells.length,
        grade=cells.grade,
        heading_deg=np.degrees(cells.heading),
        latitude_deg=cells.latitude_deg,
        longitude_deg=cells.longitude_deg,
        elevation_m=cells.elevation,
        corner_radius_m=_nullable(cells.corner_radius),
        tightest_radius_m=_nullable(cells.tightest_radius),
        air_density_kg_m3=problem.road.density,
        headwind_m_s=problem.road.headwind,
        crosswind_m_s=problem.road.crosswind,
        gust_crosswind_m_s=air.gust_crosswind,
        speed_limit_m_s=_nullable(verdict.cell_speed_limit),
        tuck_allowed=allowed,
        tuck_speed_limit_m_s=np.where(allowed, _nullable(verdict.tuck_speed_cap), np.nan),
        position=tuple(positions[p].name for p in plan.position),
        cda_m2=problem.drag_area[plan.position],
        crr=problem.road.crr,
        power_factor=problem.power_factor[plan.position],
        power_w=plan.ride.trace.power,
        brake_n=plan.ride.trace.brake,
        segment=plan.segment,
    )


def _segments(
    scenario: Scenario, solution: Solution, plan: Followable, worth: Worth
) -> tuple[PlanSegment, ...]:
    cells, road, trace = scenario.cells, solution.problem.road, plan.ride.trace
    nodes = cells.nodes
    found = []
    for k, (first, last) in enumerate(pairwise(plan.cuts.tolist())):
        part = np.arange(first, last)
        length = cells.length[part]
        run = length / np.hypot(1.0, cells.grade[part])
        heading = cells.heading[part]
        mean_heading = np.arctan2(length @ np.sin(heading), length @ np.cos(heading))
        position = scenario.setup.positions[plan.position[first]]
        duration = float(trace.time[last] - trace.time[first])
        found.append(
            PlanSegment(
                index=k,
                start_m=float(nodes[first]),
                end_m=float(nodes[last]),
                mean_grade=float(run @ cells.grade[part] / run.sum()),
                heading_deg=float(np.degrees(mean_heading) % 360.0),
                headwind_m_s=float(length @ road.headwind[part] / length.sum()),
                power_w=float(plan.power[k]),
                position=position.name,
                tucked=position.tucked,
                speed_m_s=float((nodes[last] - nodes[first]) / duration),
                duration_s=duration,
                gain_s=float(worth.gain[part].sum()),
                reasons=() if position.tucked else solution.verdict.reasons(part),
            )
        )
    return tuple(found)


def _totals(
    scenario: Scenario, solution: Solution, plan: Followable, worth: Worth, climb: float
) -> PlanTotals:
    trace, cells = plan.ride.trace, scenario.cells
    seconds = trace.duration
    tucked = np.array([p.tucked for p in scenario.setup.positions])[plan.position]
    work = float(trace.power @ seconds)
    time = plan.ride.time
    return PlanTotals(
        time_s=time,
        distance_m=float(cells.nodes[-1]),
        climb_m=climb,
        mean_power_w=work / time,
        fourth_power_mean_w=plan.ride.fourth_power_mean,
        work_j=work,
        min_w_balance_j=float(plan.ride.w_balance.min()),
        tucked_time_share=float(seconds[tucked].sum() / time),
        tucked_distance_share=float(cells.length[tucked].sum() / cells.length.sum()),
        max_speed_m_s=float(trace.speed.max()),
        upright_time_s=time + worth.saved,
    )


def _model(solution: Solution) -> PlanModel:
    machine, fatigue = solution.problem.machine, solution.problem.fatigue
    return PlanModel(
        total_mass_kg=machine.mass,
        inertial_mass_kg=machine.inertial_mass,
        drivetrain_efficiency=machine.drivetrain_efficiency,
        gravity_m_s2=GRAVITY,
        critical_power_w=fatigue.critical_power,
        w_prime_j=fatigue.w_prime,
        w_prime_reserve_j=fatigue.w_prime_reserve,
        fourth_power_budget_w=fatigue.budget,
        max_power_w=fatigue.max_power,
    )


def _optimality(scenario: Scenario, solution: Solution, time: float) -> Optimality:
    bound = bound_over_positions(solution, scenario.stays.shortest)
    return Optimality(
        bound_s=bound,
        gap=time / bound - 1.0,
        status=solution.status,
        rounds=solution.rounds,
        free_optimum_s=solution.optimum.time,
    )


def _unsafe(solution: Solution, scenario: Scenario, worth: Worth) -> tuple[UnsafeStretch, ...]:
    return unsafe_stretches(scenario.cells, solution.verdict, worth.refusal)


def assemble(
    scenario: Scenario,
    found: Proven,
    *,
    climb: float,
    inputs: Mapping[str, Any],
    cautions: Sequence[str],
    changes: Sequence[str],
) -> Plan:
    """Make the plan that is written, drawn and printed.

    Parameters
    ----------
    climb : float
        Of the course [m].
    inputs : mapping
        As resolved, in the terms of the files.
    cautions, changes : sequences of str
    """
    solution, plan, worth = found.solution, found.plan, found.worth
    _, air = scenario.road(solution.arrival)
    trace = plan.ride.trace
    made = Plan(
        inputs=inputs,
        model=_model(solution),
        cells=_cells(scenario, air, solution, plan),
        nodes=PlanNodes(scenario.cells.nodes, trace.time, trace.speed, plan.ride.w_balance),
        segments=_segments(scenario, solution, plan, worth),
        unsafe_to_tuck=_unsafe(solution, scenario, worth),
        cues=(),
        totals=_totals(scenario, solution, plan, worth, climb),
        optimality=_optimality(scenario, solution, plan.ride.time),
        cautions=tuple(cautions),
        changes=tuple(changes),
    )
    cues = make_cues(made.cells, made.segments, made.unsafe_to_tuck, scenario.corners, scenario.zones)
    return replace(made, cues=cues)

"""Our optimum for given positions against a general non-linear solver on the same cells."""

from __future__ import annotations

import numpy as np
import pytest

from pacer.physics.rider import Skill
from pacer.planning.optimise import optimise
from pacer.planning.problem import Problem
from pacer.planning.race import Race as RaceKind
from pacer.planning.relaxation import bound_over_positions
from pacer.workflow import make_scenario
from tests.demo import RIDERS, demo_solution
from tests.oracle.ipopt import Found, Race, fastest_ride
from tests.planning.courses import draw_course, make_request, rider_of, smooth_grades, windy

MOST_APART = 2e-4
"""0.02 % of the time; they come nearer than 0.005 %."""


def as_race(problem: Problem, position: np.ndarray) -> Race:
    """The numbers of a problem with given positions."""
    road, machine, fatigue = problem.road, problem.machine, problem.fatigue
    return Race(
        length=road.length,
        grade=road.grade,
        density=road.density,
        headwind=road.headwind,
        crosswind=road.crosswind,
        crr=road.crr,
        drag_area=problem.drag_area[position],
        power_factor=problem.power_factor[position],
        can_brake=problem.can_brake[position].astype(float),
        speed_limit=problem.limit_in(position),
        lowest_speed=problem.lowest_speed,
        mass=machine.mass,
        inertial_mass=machine.inertial_mass,
        efficiency=machine.drivetrain_efficiency,
        brake_force=machine.brake_force,
        traction_force=machine.traction_force,
        critical_power=fatigue.critical_power,
        w_prime=fatigue.w_prime,
        w_prime_reserve=fatigue.w_prime_reserve,
        max_power=fatigue.max_power,
        budget=fatigue.budget,
        start_speed=problem.start_speed,
    )


def converged(found: Found) -> Found:
    """Insist that IPOPT itself is content."""
    assert found.status == "Solve_Succeeded"
    return found


@pytest.mark.parametrize("name", RIDERS)
def test_the_optimum_of_a_demo_route_is_ipopts(name: str) -> None:
    """On all cells of the route, with our positions, IPOPT's fastest ride takes the same time within 0.02 %.

    Speeds agree within 0.15 m/s everywhere: the optimum is flat, the times say more.
    """
    solution = demo_solution(name)
    found = converged(fastest_ride(as_race(solution.problem, solution.position)))
    assert solution.optimum.time == pytest.approx(found.time, rel=MOST_APART)
    assert np.abs(solution.optimum.speed - found.speed).max() < 0.15


@pytest.mark.parametrize(
    ("up", "down", "steps", "w_prime", "reserve"),
    [(0.06, -0.01, 60, 9e3, 5e3), (0.08, -0.02, 60, 12e3, 4e3), (0.05, -0.02, 100, 12e3, 4e3)],
)
def test_the_optimum_with_w_prime_at_its_reserve_is_ipopts(
    up: float, down: float, steps: int, w_prime: float, reserve: float
) -> None:
    """On hills where the W' balance binds, the two agree within 0.02 % too, and so does the lowest balance.

    IPOPT has the exact exponential recovery; ours comes to it by rounds. Without W' the ride would be over
    0.5 % faster.
    """
    grade = np.concatenate([np.full(steps, up), np.full(steps, down)] * 4)
    setup = rider_of(Skill.PRACTISED, w_prime=w_prime)
    race = RaceKind(effort=1.05, w_prime_reserve=reserve)
    solution = optimise(make_scenario(make_request(draw_course(grade), setup=setup, race=race)))
    assert solution.recovery is not None
    found = converged(fastest_ride(as_race(solution.problem, solution.position)))
    free = converged(fastest_ride(as_race(solution.problem, solution.position), with_w_prime=False))
    assert found.time > free.time * 1.005
    assert solution.optimum.time == pytest.approx(found.time, rel=MOST_APART)
    assert solution.w_lowest == pytest.approx(reserve, abs=0.01 * w_prime)


@pytest.mark.parametrize("seed", range(4))
def test_the_bound_is_below_ipopt_for_any_positions(seed: int) -> None:
    """For random positions within the rules and stays, IPOPT's fastest ride is slower than the bound."""
    rng = np.random.default_rng(seed)
    course = draw_course(smooth_grades(400, rng), heading=np.repeat(rng.uniform(0.0, 6.0, 8), 50))
    request = make_request(course, weather=windy(4.0, 1.0))
    scenario = make_scenario(request)
    solution = optimise(scenario)
    bound = bound_over_positions(solution, scenario.stays.shortest)
    assert bound <= solution.optimum.time
    problem, cells = solution.problem, len(solution.problem.road)
    tried = 0
    for share in (0.0, 0.6, 0.9, 1.0):
        blocks = np.repeat(rng.random(cells // 16 + 1) < share, 16)[:cells]
        position = long_stays(
            problem, np.where(blocks & problem.allowed[:, 1], 1, 0), scenario.stays.shortest[1]
        )
        found = fastest_ride(as_race(problem, position))
        if found.status == "Solve_Succeeded":
            tried += 1
            assert bound <= found.time
    assert tried >= 3


def long_stays(problem: Problem, position: np.ndarray, shortest: float) -> np.ndarray:
    """The positions without tucked stays that IPOPT's fastest ride leaves before the shortest time."""
    speed = fastest_ride(as_race(problem, position)).speed
    seconds = problem.road.length / (0.5 * (speed[1:] + speed[:-1]))
    kept = position.copy()
    edges = np.flatnonzero(np.diff(np.concatenate(([0], position, [0]))))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if seconds[first:last].sum() < shortest:
            kept[first:last] = 0
    return kept

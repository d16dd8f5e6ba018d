"""The duals' derivatives against finite differences of whole solutions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest

from pacer.decide import request_sensitivity
from pacer.physics.fatigue import w_balance
from pacer.planning.optimise import optimise
from pacer.planning.problem import Problem, drag_shape
from pacer.planning.programme import Branches, solve
from pacer.planning.recovery import recovery_about
from pacer.planning.scenario import Scenario
from pacer.planning.sensitivity import Sensitivity
from pacer.planning.solution import Solution
from pacer.workflow import Request, make_scenario
from tests.workflow.races import race


@dataclass(frozen=True)
class Case:
    """A race solved, with the derivatives on trial."""

    request: Request
    scenario: Scenario
    solution: Solution
    found: Sensitivity

    def time(self, problem: Problem) -> float:
        """Solve again until speed, recovery and budget agree, positions held."""
        speed, recovery = self.solution.optimum.mean_speed, self.solution.recovery
        over = problem.fatigue.budget - self.solution.problem.fatigue.budget
        before = np.inf
        for _ in range(10):
            shape = drag_shape(problem.road, speed)
            optimum = solve(problem, Branches.fixed(self.solution.position), shape, recovery, accuracy=1e-9)
            assert optimum.solved
            if abs(optimum.time - before) < 2e-4:
                break
            before, speed = optimum.time, optimum.mean_speed
            seconds = problem.road.length * optimum.slowness
            if recovery is not None:
                body, fatigue = optimum.force / optimum.slowness, problem.fatigue
                balance = w_balance(body, seconds, fatigue.critical_power, fatigue.w_prime)
                recovery = recovery_about(balance, body, seconds, fatigue)
            budget = self.scenario.budget(optimum.time) + over
            problem = replace(problem, fatigue=replace(problem.fatigue, budget=budget))
        return optimum.time

    def difference(self, change: Callable[[float], Problem], step: float) -> float:
        """Central difference of the time by a change of the problem."""
        return (self.time(change(step)) - self.time(change(-step))) / (2.0 * step)


def _case(request: Request) -> Case:
    scenario = make_scenario(request)
    solution = optimise(scenario)
    return Case(request, scenario, solution, request_sensitivity(request, scenario, solution))


@pytest.fixture(scope="module", params=["budget from the duration", "effort given", "W' at its reserve"])
def case(request: pytest.FixtureRequest) -> Case:
    """Three kinds of race: each has another set of constraints at work."""
    if request.param == "budget from the duration":
        return _case(race("marnhythe-tt"))
    if request.param == "effort given":
        return _case(race("orlibeck-tri", laps=1))
    # Short and hard, so that it is W' and not the fourth-power mean that binds.
    case = _case(race("marnhythe-tt", part=(0.0, 5.0), target_power_w=330.0))
    assert case.solution.recovery is not None
    assert (
        case.solution.w_lowest < case.scenario.race.w_prime_reserve + 0.02 * case.request.setup.rider.w_prime
    )
    return case


def test_a_watt_more_is_worth_what_solving_again_says(case: Case) -> None:
    """The price of the budget, that follows the duration or not, is within 1 % of a finite difference."""
    problem = case.solution.problem

    def change(h: float) -> Problem:
        return replace(problem, fatigue=replace(problem.fatigue, budget=problem.fatigue.budget + h))

    assert case.found.power == pytest.approx(case.difference(change, 1.0), rel=0.01, abs=1e-3)


def test_drag_area_is_worth_what_solving_again_says(case: Case) -> None:
    """The derivative by drag area is within 1 % of a finite difference of whole solutions."""
    problem = case.solution.problem

    def change(h: float) -> Problem:
        return replace(problem, drag_area=problem.drag_area + h)

    assert case.found.drag_area == pytest.approx(case.difference(change, 0.002), rel=0.01)


def test_mass_is_worth_what_solving_again_says(case: Case) -> None:
    """The derivative by mass, brakes and grip growing with it, is within 1 % of a finite difference."""
    problem = case.solution.problem
    machine = problem.machine

    def change(h: float) -> Problem:
        share = 1.0 + h / machine.mass
        heavier = replace(
            machine,
            mass=machine.mass * share,
            inertial_mass=machine.inertial_mass + h,
            brake_force=machine.brake_force * share,
            traction_force=machine.traction_force * share,
        )
        return replace(problem, machine=heavier)

    assert case.found.mass == pytest.approx(case.difference(change, 0.5), rel=0.01)


def test_rolling_resistance_is_worth_what_solving_again_says(case: Case) -> None:
    """The derivative by the tyres' coefficient, rough zones in proportion, is within 1 %."""
    problem = case.solution.problem
    crr = case.request.setup.bike.crr

    def change(h: float) -> Problem:
        return replace(problem, road=replace(problem.road, crr=problem.road.crr * (1.0 + h / crr)))

    assert case.found.crr == pytest.approx(case.difference(change, 2e-4), rel=0.01)


def test_wind_is_worth_what_solving_again_says(case: Case) -> None:
    """The derivative by the wind's speed is within 1 % of head and crosswind scaled together."""
    problem = case.solution.problem
    weather = case.request.weather
    speed = float(np.hypot(weather.wind_east, weather.wind_north)[0])

    def change(h: float) -> Problem:
        share = 1.0 + h / speed
        road = replace(
            problem.road, headwind=problem.road.headwind * share, crosswind=problem.road.crosswind * share
        )
        return replace(problem, road=road)

    assert case.found.wind == pytest.approx(case.difference(change, 0.1), rel=0.01)

"""Rounds of the convex programme until power, position, air and fatigue agree; then the bound.

What a single programme can't hold is settled between rounds: the drag's shape under crosswind, the air
at the moment of arrival, the pace of recovery, the budget that follows from the duration, and the positions.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.errors import InfeasibleError
from pacer.physics.simulate import ride
from pacer.planning.feasibility import explain
from pacer.planning.optimum import SpeedRange
from pacer.planning.positions import CHANGE_COST, choose_positions, position_costs
from pacer.planning.problem import DragShape, Problem, drag_shape
from pacer.planning.programme import Branches, Optimum, solve
from pacer.planning.relaxation import SETTLED_ACCURACY, relax, round_shares
from pacer.planning.rounds import State
from pacer.planning.scenario import Scenario
from pacer.planning.solution import Solution, balance_of
from pacer.units import FloatArray

__all__ = ["optimise", "rounded", "upright_optimum"]

MOST_ROUNDS: Final = 10
SETTLED: Final = 2e-5
"""Relative gain of time between rounds that counts as none."""

UNMOVED: Final = 1e-3
"""Share of the time that changes place between rounds under which another one changes nothing: what the drag
about the last speeds gets wrong is of second order in it."""

ROUGH: Final = 1e-4
"""Relative accuracy of the solution from which the first positions are taken."""

MOST_REPAIRS: Final = 8
"""Passes over the course that make given positions rideable."""

W_PRIME_SLIP: Final = 0.005
"""Share of W' by which a round may miss the reserve and still count; the written plan may not."""

FLAT: Final = 0.5
"""Curvature of the drag over that in still air, under which a round keeps its speeds near the last's."""

MOST_ROUNDED: Final = 3000
"""Cells above which positions rounded from the relaxation aren't tried: the rider waits for under 0.02 %."""

NEAR_BOUND: Final = 2e-4
"""So near the bound they aren't tried either."""


def _upright(problem: Problem) -> npt.NDArray[np.int64]:
    """The hands-on-brakes position of least drag, everywhere."""
    return np.full(len(problem.road), problem.upright)


def _sit_up_to_brake(
    problem: Problem, position: npt.NDArray[np.int64], power: FloatArray
) -> npt.NDArray[np.int64]:
    """Positions with the hands on the brakes wherever a coasting rider would pass a speed cap."""
    position = position.copy()
    upright = _upright(problem)
    for _ in range(MOST_REPAIRS):
        trace = ride(
            problem.road,
            problem.machine,
            problem.schedule(position, power),
        )
        over = trace.overspeed > 0.0
        slow = trace.speed < problem.lowest_speed
        wrong = over[:-1] | over[1:] | slow[1:]
        wrong &= ~problem.can_brake[position]
        if not wrong.any():
            break
        position[wrong] = upright[wrong]
    return position


def _where_drag_is_flat(shape: DragShape, pace: FloatArray | None) -> SpeedRange | None:
    """Speeds looked for where a tailwind takes the curvature of the drag that holds the relaxation tight."""
    flat = shape.square < FLAT
    if pace is None or not flat.any():
        return None
    beside = np.append(flat, False) | np.insert(flat, 0, False)
    return SpeedRange(0.5 * pace, np.where(beside, 1.6 * pace + 1.0, np.inf))


def _solve_fixed(
    problem: Problem, position: npt.NDArray[np.int64], power: FloatArray, state: State
) -> tuple[Optimum, npt.NDArray[np.int64]]:
    """Solve for given positions; where they can't be ridden, sit up wherever the brakes are needed."""
    shape = drag_shape(problem.road, state.speed)
    upright = _upright(problem)
    within = _where_drag_is_flat(shape, state.pace)
    for attempt in range(3):
        tried = (position, None, upright)[attempt]
        if tried is None:
            tried = _sit_up_to_brake(problem, position, power)
        for ranged in (None,) if within is None else (within, None):
            optimum = solve(
                problem,
                Branches.fixed(tried),
                shape,
                state.recovery,
                accuracy=SETTLED_ACCURACY,
                within=ranged,
            )
            if optimum.solved:
                return optimum, tried
    raise explain(problem, state.scenario.cells, upright, shape, state.recovery, optimum.status)


def _first_positions(problem: Problem, state: State) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Positions that the prices of a ride upright ask for, and a power to go with them."""
    upright = _upright(problem)
    shape = drag_shape(problem.road, state.speed)
    optimum = solve(problem, Branches.fixed(upright), shape, state.recovery, accuracy=ROUGH)
    if not optimum.solved:
        return upright, np.full(len(problem.road), problem.fatigue.budget)
    state.set_upright(1.0 / optimum.slowness)
    seconds = problem.road.length * optimum.slowness
    position = choose_positions(position_costs(problem, optimum), seconds, state.scenario.stays)
    return position, problem.power_factor[position] * optimum.force / optimum.slowness


def optimise(scenario: Scenario, near: Solution | None = None, *, relaxed: bool = True) -> Solution:
    """Find the free optimum.

    Parameters
    ----------
    scenario : Scenario
    near : Solution, optional
        Of nearly the same race, on these cells or others, to begin from.
    relaxed : bool
        Whether to solve the relaxation over positions at the end: it gives the bound, and positions worth
        trying, and costs about as much as the rounds before it.

    Raises
    ------
    InfeasibleError
        Where no plan meets the limits, saying which and by how much.
    """
    state = State(scenario)
    stays = scenario.stays
    best: Solution | None = None
    lowest_allowed = _lowest_allowed(scenario)
    guess = None if near is None else state.take(near)
    arrival = state.arrival
    problem, verdict = state.problem()
    wanted, power = _first_positions(problem, state) if guess is None else guess
    problem, verdict = state.problem()
    # From a near solution the first round is as good as another's second.
    for number in range(1 if guess is None else 2, MOST_ROUNDS + 1):
        refused = ~problem.allowed[np.arange(wanted.size), wanted]
        position = np.where(refused, _upright(problem), wanted)
        optimum, position = _solve_fixed(problem, position, power, state)
        cost = position_costs(problem, optimum)
        w_lowest = float(balance_of(problem, optimum.force, optimum.slowness).min())
        found = Solution(
            problem,
            verdict,
            optimum,
            position,
            cost,
            state.recovery,
            w_lowest,
            arrival,
            state.scenario.upright,
            number,
        )
        before = state.seconds
        state.learn(found)
        wanted, power = choose_positions(cost, state.seconds, stays), found.power
        # The first round's drag, air and recovery are guesses: it never counts as the best, nor does a round
        # whose recovery was guessed too fast.
        sound = number > 1 and state.w_lowest > lowest_allowed
        gained = best is None or optimum.time < best.optimum.time * (1.0 - SETTLED)
        if sound and (best is None or optimum.time < best.optimum.time):
            best = found
        moved = float(np.abs(state.seconds - before).sum() / state.seconds.sum())
        as_before = np.array_equal(wanted, position) and state.recovery is None and moved < UNMOVED
        if sound and (as_before or (number > 2 and not gained)):
            break
        arrival = state.arrival
        problem, verdict = state.problem()
    settled = replace(best or found, rounds=number)
    return rounded(settled, relax(settled, stays.shortest), scenario) if relaxed else settled


def _lowest_allowed(scenario: Scenario) -> float:
    """W' balance that a round must leave at least [J]."""
    return scenario.race.w_prime_reserve - W_PRIME_SLIP * scenario.setup.rider.w_prime


def rounded(found: Solution, relaxed: Optimum, scenario: Scenario) -> Solution:
    """The solution with its relaxation, and with positions rounded from that where they are faster.

    Where they aren't, the positions are the very array that they were.
    """
    found = replace(found, relaxed=relaxed)
    if not relaxed.solved:
        return found
    problem, pace, stays = found.problem, found.pace, scenario.stays
    if len(problem.road) > MOST_ROUNDED or found.optimum.time < relaxed.bound * (1.0 + NEAR_BOUND):
        return found
    wanted = round_shares(relaxed, problem.allowed, problem.road.length * found.optimum.slowness, stays)
    shape = drag_shape(problem.road, np.maximum(0.5 * (pace[:-1] + pace[1:]), 0.5))
    optimum = solve(problem, Branches.fixed(wanted), shape, found.recovery, accuracy=SETTLED_ACCURACY)
    if not optimum.solved or _with_changes(optimum, wanted) >= _with_changes(found.optimum, found.position):
        return found
    cost = position_costs(problem, optimum)
    lowest = float(balance_of(problem, optimum.force, optimum.slowness).min())
    if lowest <= _lowest_allowed(scenario) or not np.all(np.isfinite(cost[np.arange(wanted.size), wanted])):
        return found
    return replace(found, optimum=optimum, position=wanted, cost=cost, w_lowest=lowest)


def _with_changes(optimum: Optimum, position: npt.NDArray[np.int64]) -> float:
    """Time and what the changes of position must bring in [s]."""
    return optimum.time + CHANGE_COST * float(np.count_nonzero(np.diff(position)))


def upright_optimum(solution: Solution) -> Optimum:
    """The fastest ride that is never tucked, with the same budget, limits and air.

    Raises
    ------
    InfeasibleError
        Where the hands-on-brakes positions alone can't meet the limits.
    """
    problem = solution.problem
    shape = drag_shape(problem.road, np.maximum(solution.optimum.mean_speed * 0.95, 1.0))
    optimum = solve(
        problem, Branches.fixed(_upright(problem)), shape, solution.recovery, accuracy=SETTLED_ACCURACY
    )
    if not optimum.solved:
        raise InfeasibleError("upright throughout", by=f"an unknown amount (solver: {optimum.status})")
    return optimum

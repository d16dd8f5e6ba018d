"""The relaxation over positions: a bound on every plan, and by its shares positions worth trying."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.physics.simulate import ride
from pacer.planning.optimum import Branches, Optimum, SpeedRange
from pacer.planning.positions import Stays, choose_positions
from pacer.planning.problem import STILL_RIDING, Problem, drag_shape_below
from pacer.planning.programme import solve
from pacer.planning.recovery import recovery_at_most
from pacer.planning.solution import Solution
from pacer.planning.strands import Strands
from pacer.units import FloatArray

__all__ = [
    "FASTEST_SHARE",
    "SETTLED_ACCURACY",
    "SLOWEST_SHARE",
    "bound_over_positions",
    "relax",
    "round_shares",
]

SLOWEST_SHARE: Final = 0.75
FASTEST_SHARE: Final = 1.35
"""The bound holds for plans with speeds between these shares of the optimum's (and 1 m/s) everywhere."""

SETTLED_ACCURACY: Final = 1e-6
"""Relative accuracy of solutions: 5 ms in 5,000 s."""

BESIDE: Final = 5
"""Cells to either side of a doubtful one in which rides are kept apart too."""

FIRMER: Final = 1.02
"""Brakes counted on in the bound over the plan's: ridden in finer steps, a plan may need a little more."""


def _long_enough(problem: Problem, longest: FloatArray, shortest: tuple[float, ...]) -> npt.NDArray[np.bool_]:
    """The allowed positions without runs of cells that any ride leaves before the shortest stay."""
    allowed = problem.allowed.copy()
    for p, stay in enumerate(shortest):
        edges = np.flatnonzero(np.diff(np.concatenate(([0], allowed[:, p].astype(int), [0]))))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            if longest[first:last].sum() < stay:
                allowed[first:last, p] = False
    return allowed


def _doubtful(
    problem: Problem, allowed: npt.NDArray[np.bool_], position: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Cells with another position chosen than the allowed one of least drag, and those beside them."""
    lowest = np.where(allowed, problem.drag_area, np.inf).argmin(axis=1)
    count = np.concatenate(([0], np.cumsum(position != lowest)))
    cell = np.arange(position.size)
    last = np.minimum(cell + BESIDE + 1, position.size)
    return np.asarray(count[last] > count[np.maximum(cell - BESIDE, 0)])


def relax(solution: Solution, shortest: tuple[float, ...]) -> Optimum:
    """Solve for shares of positions instead of positions, drag and recovery on the fast side of the truth.

    Its `bound` is below the programme's time of every choice of power and position whose speed at each cell
    end lies between `SLOWEST_SHARE` of the solution's pace there and `FASTEST_SHARE` of it and 1 m/s more.
    Where the solution's position is not the obvious one, rides are kept apart by position.

    Parameters
    ----------
    solution : Solution
    shortest : tuple of float, length p
        Shortest stay in each position [s].
    """
    problem, pace = solution.problem, solution.pace
    road = problem.road
    within = SpeedRange(SLOWEST_SHARE * pace, FASTEST_SHARE * pace + 1.0)
    low = np.minimum(within.low[:-1], within.low[1:])
    high = np.maximum(within.high[:-1], within.high[1:])
    middle = np.maximum(0.5 * (pace[:-1] + pace[1:]), 1.0)
    longest = road.length / (SLOWEST_SHARE * middle)
    shape = drag_shape_below(road, middle, low, high)
    recovery = None if solution.recovery is None else recovery_at_most(longest, problem.fatigue)
    # What a finished plan is given at the edges, every plan is: a little brake, a slower crawl uphill.
    eased = replace(
        problem,
        machine=replace(problem.machine, brake_force=problem.machine.brake_force * FIRMER),
        lowest_speed=problem.lowest_speed * STILL_RIDING,
    )
    allowed = _long_enough(problem, longest, shortest)
    branches = Branches.open(allowed)
    split = _doubtful(problem, allowed, solution.position)
    strands = Strands.of(branches, split).keeping(branches, shortest, longest)
    return solve(eased, branches, shape, recovery, accuracy=SETTLED_ACCURACY, within=within, strands=strands)


def round_shares(
    relaxed: Optimum, allowed: npt.NDArray[np.bool_], seconds: FloatArray, stays: Stays
) -> npt.NDArray[np.int64]:
    """Positions nearest to the relaxation's shares, weighted by time, within the stays; shape (n,)."""
    away = np.where(allowed, (1.0 - relaxed.share) * seconds[:, None], np.inf)
    return choose_positions(away, seconds, stays)


def bound_over_positions(solution: Solution, shortest: tuple[float, ...]) -> float:
    """Proven lower bound on the time of any plan of power and position within the same limits [s].

    The dual value of the relaxation over positions, less what the cells' mid-point rule gets wrong,
    measured on the optimum by the finer simulation. NaN where the relaxation wasn't solved.

    Parameters
    ----------
    solution : Solution
    shortest : tuple of float, length p
        Shortest stay in each position [s].
    """
    problem, optimum = solution.problem, solution.optimum
    relaxed = solution.relaxed or relax(solution, shortest)
    if not relaxed.solved:
        return float("nan")
    fine = ride(problem.road, problem.machine, problem.schedule(solution.position, solution.power))
    mesh_error = max(optimum.time - float(fine.time[-1]), 0.0)
    return relaxed.bound - mesh_error

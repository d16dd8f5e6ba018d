"""The relaxation over positions: a bound on every plan, and by its shares positions worth trying."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.planning.optimum import Branches, Optimum, SpeedRange
from pacer.planning.positions import Stays, choose_positions
from pacer.planning.problem import STILL_RIDING, Problem, drag_shape_below
from pacer.planning.programme import solve
from pacer.planning.recovery import recovery_at_most
from pacer.units import FloatArray

__all__ = ["FASTEST_SHARE", "SETTLED_ACCURACY", "SLOWEST_SHARE", "relax", "round_shares"]

SLOWEST_SHARE: Final = 0.75
FASTEST_SHARE: Final = 1.35
"""The bound holds for plans with speeds between these shares of the optimum's (and 1 m/s) everywhere."""

SETTLED_ACCURACY: Final = 1e-6
"""Relative accuracy of solutions: 5 ms in 5,000 s."""

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


def relax(problem: Problem, pace: FloatArray, shortest: tuple[float, ...], *, with_w_prime: bool) -> Optimum:
    """Solve for shares of positions instead of positions, drag and recovery on the fast side of the truth.

    Its `bound` is below the programme's time of every choice of power and position whose speed at each cell
    end lies between `SLOWEST_SHARE` of the pace there and `FASTEST_SHARE` of it and 1 m/s more.

    Parameters
    ----------
    problem : Problem
    pace : FloatArray, shape (n + 1,)
        Speed of the optimum at the cell ends [m/s].
    shortest : tuple of float, length p
        Shortest stay in each position [s].
    with_w_prime : bool
        Whether W' is kept account of.
    """
    road = problem.road
    within = SpeedRange(SLOWEST_SHARE * pace, FASTEST_SHARE * pace + 1.0)
    low = np.minimum(within.low[:-1], within.low[1:])
    high = np.maximum(within.high[:-1], within.high[1:])
    middle = np.maximum(0.5 * (pace[:-1] + pace[1:]), 1.0)
    longest = road.length / (SLOWEST_SHARE * middle)
    shape = drag_shape_below(road, middle, low, high)
    recovery = recovery_at_most(longest, problem.fatigue) if with_w_prime else None
    # What a finished plan is given at the edges, every plan is: a little brake, a slower crawl uphill.
    eased = replace(
        problem,
        machine=replace(problem.machine, brake_force=problem.machine.brake_force * FIRMER),
        lowest_speed=problem.lowest_speed * STILL_RIDING,
    )
    allowed = _long_enough(problem, longest, shortest)
    return solve(eased, Branches.open(allowed), shape, recovery, accuracy=SETTLED_ACCURACY, within=within)


def round_shares(
    relaxed: Optimum, allowed: npt.NDArray[np.bool_], seconds: FloatArray, stays: Stays
) -> npt.NDArray[np.int64]:
    """Positions nearest to the relaxation's shares, weighted by time, within the stays; shape (n,)."""
    away = np.where(allowed, (1.0 - relaxed.share) * seconds[:, None], np.inf)
    return choose_positions(away, seconds, stays)

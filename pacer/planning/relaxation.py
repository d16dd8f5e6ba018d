"""The relaxation over positions: a bound on every plan, and by its shares positions worth trying."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.planning.optimum import Branches, Optimum
from pacer.planning.positions import Stays, choose_positions
from pacer.planning.problem import Problem, drag_shape_below
from pacer.planning.programme import solve
from pacer.planning.recovery import recovery_at_most
from pacer.units import FloatArray

__all__ = ["FASTEST_SHARE", "SLOWEST_SHARE", "relax", "round_shares"]

SLOWEST_SHARE: Final = 0.75
FASTEST_SHARE: Final = 1.35
"""The bound holds for plans that ride each cell at between these shares of the optimum's speed there."""

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


def relax(problem: Problem, optimum: Optimum, shortest: tuple[float, ...], *, with_w_prime: bool) -> Optimum:
    """Solve for shares of positions instead of positions, drag and recovery on the fast side of the truth.

    Its `bound` is below the programme's time of every choice of power and position that rides each cell at
    between `SLOWEST_SHARE` and `FASTEST_SHARE` of the optimum's speed there.

    Parameters
    ----------
    problem : Problem
    optimum : Optimum
        Whose speeds the margins are about.
    shortest : tuple of float, length p
        Shortest stay in each position [s].
    with_w_prime : bool
        Whether W' is kept account of.
    """
    road = problem.road
    speed = np.maximum(optimum.mean_speed, 1.0)
    longest = road.length / (SLOWEST_SHARE * speed)
    shape = drag_shape_below(road, speed, SLOWEST_SHARE * speed, FASTEST_SHARE * speed + 1.0)
    recovery = recovery_at_most(longest, problem.fatigue) if with_w_prime else None
    firm = replace(problem.machine, brake_force=problem.machine.brake_force * FIRMER)
    allowed = _long_enough(problem, longest, shortest)
    return solve(replace(problem, machine=firm), Branches.open(allowed), shape, recovery)


def round_shares(
    relaxed: Optimum, allowed: npt.NDArray[np.bool_], seconds: FloatArray, stays: Stays
) -> npt.NDArray[np.int64]:
    """Positions nearest to the relaxation's shares, weighted by time, within the stays; shape (n,)."""
    away = np.where(allowed, (1.0 - relaxed.share) * seconds[:, None], np.inf)
    return choose_positions(away, seconds, stays)

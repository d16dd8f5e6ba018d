"""What being tucked is worth, cell by cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pacer.planning.optimise import upright_optimum
from pacer.planning.positions import position_prices
from pacer.planning.solution import Solution
from pacer.units import FloatArray

__all__ = ["Worth", "worth_of_tuck"]


@dataclass(frozen=True, slots=True, eq=False)
class Worth:
    """What being tucked is worth.

    Attributes
    ----------
    gain : FloatArray, shape (n,)
        Seconds that the tuck saves in each cell that has it, 0 elsewhere; they add up to the whole saving.
    refusal : FloatArray, shape (n,)
        Seconds that each refused cell would save if a tuck were allowed there, at this plan's prices.
    saved : float
        Time of the free optimum never tucked less that of the free optimum [s].
    """

    gain: FloatArray
    refusal: FloatArray
    saved: float


def worth_of_tuck(solution: Solution) -> Worth:
    """Price the tuck cell by cell.

    The seconds of a cell are its mean price at the optimum with and without the tuck, scaled so that all
    cells add up to the difference of the two optima.
    """
    problem, position = solution.problem, solution.position
    tucked = ~problem.can_brake
    if not tucked.any():
        zero = np.zeros(position.size)
        return Worth(zero, zero, 0.0)
    upright = upright_optimum(solution)
    here = position_prices(problem, solution.optimum)
    there = position_prices(problem, upright)
    rows = np.arange(position.size)
    lower_up = here[:, ~tucked].min(axis=1)
    in_tuck = tucked[position]
    mean = 0.5 * (lower_up - here[rows, position] + there[:, ~tucked].min(axis=1) - there[rows, position])
    mean = np.where(in_tuck, mean, 0.0)
    saved = upright.time - solution.optimum.time
    total = float(mean.sum())
    gain = mean * (saved / total) if total > 0.0 else mean
    fast = np.maximum(solution.optimum.speed[:-1], solution.optimum.speed[1:])
    within = fast[:, None] <= problem.cap[:, tucked]
    refusal = np.where(within, lower_up[:, None] - here[:, tucked], 0.0).max(axis=1)
    barred = ~problem.allowed[:, tucked].any(axis=1)
    return Worth(gain, np.where(barred, np.maximum(refusal, 0.0), 0.0), saved)

"""The free optimum: power and position free in every cell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.physics.fatigue import w_balance
from pacer.physics.simulate import ride
from pacer.planning.optimum import Optimum
from pacer.planning.problem import Problem
from pacer.planning.recovery import Recovery, recovery_about
from pacer.planning.safety import Verdict
from pacer.units import FloatArray

__all__ = ["Solution", "balance_of", "recovery_of"]

LOOSE: Final = 1e-4
"""Looseness of the relaxation, weighted by time, above which the plan says so."""


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """The free optimum: power and position free in every cell.

    Attributes
    ----------
    problem : Problem
        Of the last round.
    verdict : Verdict
        Of the safety rules in the last round.
    optimum : Optimum
        For the positions chosen.
    position : int array, shape (n,)
    cost : FloatArray, shape (n, p)
        Seconds that each position would cost in each cell, infinite where refused.
    recovery : Recovery or None
        As used, None where the W' balance doesn't matter.
    w_lowest : float
        Lowest W' balance of the optimum [J].
    arrival : FloatArray, shape (n,)
        Seconds since the start for which the problem's air was resolved.
    upright : FloatArray or None, shape (n,)
        Mean speed of each cell that the rules took for that of a ride never tucked [m/s].
    rounds : int
    relaxed : Optimum or None
        The relaxation over positions about this optimum, or nearly this one.
    """

    problem: Problem
    verdict: Verdict
    optimum: Optimum
    position: npt.NDArray[np.int64]
    cost: FloatArray
    recovery: Recovery | None
    w_lowest: float
    arrival: FloatArray
    upright: FloatArray | None
    rounds: int
    relaxed: Optimum | None = None

    @property
    def pace(self) -> FloatArray:
        """Speed at the cell ends, ridden where the relaxation isn't tight, shape (n + 1,) [m/s]."""
        if not self.optimum.loose.any():
            return self.optimum.speed
        return ride(
            self.problem.road, self.problem.machine, self.problem.schedule(self.position, self.power)
        ).speed

    @property
    def status(self) -> str:
        """What the solver said, and whether the relaxation was tight."""
        loose = self.optimum.looseness
        if loose > LOOSE:
            return f"{self.optimum.status}, relaxation loose by {100.0 * loose:.2g} % of the time"
        return self.optimum.status

    @property
    def power(self) -> FloatArray:
        """At the pedals in each cell, shape (n,) [W]."""
        factor = self.problem.power_factor[self.position]
        return np.asarray(factor * self.optimum.force / self.optimum.slowness)


def balance_of(problem: Problem, force: FloatArray, slowness: FloatArray) -> FloatArray:
    """W' left at the cell ends of a ride, shape (n + 1,) [J]."""
    fatigue, seconds = problem.fatigue, problem.road.length * slowness
    return w_balance(
        force / slowness, seconds, fatigue.critical_power, fatigue.w_prime, fatigue.w_prime_start
    )


def recovery_of(problem: Problem, force: FloatArray, slowness: FloatArray) -> Recovery:
    """How W' comes back about a ride, to first order."""
    balance = balance_of(problem, force, slowness)
    return recovery_about(balance, force / slowness, problem.road.length * slowness, problem.fatigue)

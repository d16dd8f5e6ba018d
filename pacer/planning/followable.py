"""From the free optimum to a plan that a rider can follow: few stretches, each with one power and one position.

The stretches follow the optimum's own changes of power, the grade and the heading; their powers are then scaled and
rounded so that the ride, not only the programme, holds the fatigue budget and the W' reserve.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.segment import cut_by_change
from pacer.physics.fatigue import fourth_power_mean, w_balance
from pacer.physics.simulate import Schedule, Trace, ride
from pacer.planning.optimise import Solution
from pacer.planning.problem import Problem
from pacer.units import FloatArray

__all__ = ["Followable", "Ridden", "followable", "ridden"]

SHORTEST_SEGMENT: Final = 20.0
"""Seconds; less can't be read off a card and acted on (common practice, no source)."""

POWER_STEP: Final = 5.0
"""Segment powers are multiples of this [W]."""

SEGMENT_WORTH: Final = 7e-5
"""A further segment must bring in this share of the race's time."""

GRADE_FEATURE, WIND_FEATURE = 0.15, 0.02
"""Weight, in seconds a second, of a 10 % change of grade and of a 10 m/s change of headwind inside a segment."""


@dataclass(frozen=True, slots=True, eq=False)
class Ridden:
    """A schedule ridden to the finish, with what it cost the body.

    Attributes
    ----------
    trace : Trace
    body_power : FloatArray, shape (n,)
        Power at the pedals over the position's power factor [W].
    w_balance : FloatArray, shape (n + 1,)
        [J].
    fourth_power_mean : float
        Of body power [W].
    """

    trace: Trace
    body_power: FloatArray
    w_balance: FloatArray
    fourth_power_mean: float

    @property
    def time(self) -> float:
        """[s]."""
        return float(self.trace.time[-1])


@dataclass(frozen=True, slots=True, eq=False)
class Followable:
    """The plan as the rider gets it.

    Attributes
    ----------
    cuts : int array, shape (s + 1,)
        Nodes between which the segments lie.
    power : FloatArray, shape (s,)
        Of each segment at the pedals [W].
    position : int array, shape (n,)
        Of each cell, the same throughout a segment.
    ride : Ridden
    """

    cuts: npt.NDArray[np.int64]
    power: FloatArray
    position: npt.NDArray[np.int64]
    ride: Ridden

    @property
    def segment(self) -> npt.NDArray[np.int64]:
        """Segment of each cell, shape (n,)."""
        return np.repeat(np.arange(self.power.size), np.diff(self.cuts))


def ridden(problem: Problem, position: npt.NDArray[np.int64], power: FloatArray) -> Ridden:
    """Ride a power and a position a cell, shape (n,) each, through the problem's road and limits."""
    fatigue = problem.fatigue
    trace = ride(
        problem.road,
        problem.machine,
        Schedule(
            power=power,
            drag_area=problem.drag_area[position],
            can_brake=problem.can_brake[position],
            speed_limit=problem.limit_in(position),
            start_speed=problem.start_speed,
        ),
    )
    body = trace.power / problem.power_factor[position]
    return Ridden(
        trace=trace,
        body_power=body,
        w_balance=w_balance(body, trace.duration, fatigue.critical_power, fatigue.w_prime),
        fourth_power_mean=fourth_power_mean(body, trace.duration),
    )


def _free(solution: Solution) -> npt.NDArray[np.bool_]:
    """Cells where the segment's number acts: neither at a speed limit nor braking, shape (n,)."""
    limit = solution.problem.limit_in(solution.position)
    near = solution.optimum.speed > 0.995 * limit
    bound = near[:-1] | near[1:] | (solution.optimum.brake > 1.0)
    return np.asarray(~bound)


def _carried(values: FloatArray, known: npt.NDArray[np.bool_]) -> FloatArray:
    """Unknown values replaced by the last known one (the first known one at the beginning)."""
    if not known.any():
        return values
    index = np.maximum.accumulate(np.where(known, np.arange(values.size), -1))
    index[index < 0] = np.argmax(known)
    return np.asarray(values[index])


def _cuts(
    solution: Solution, position: npt.NDArray[np.int64], forced: npt.NDArray[np.bool_]
) -> npt.NDArray[np.int64]:
    """Nodes between which power and position are constant."""
    problem, optimum = solution.problem, solution.optimum
    seconds = problem.road.length * optimum.slowness
    total = float(seconds.sum())
    # What a deviation from the optimum's power costs, to second order, through the fourth-power budget.
    price = np.sqrt(6.0 * optimum.endurance_price / total) / problem.fatigue.budget
    power = _carried(solution.power, _free(solution)) * price
    features = np.column_stack(
        (
            power,
            problem.road.grade * (np.sqrt(GRADE_FEATURE) / 0.1) * 0.1,
            problem.road.headwind * (np.sqrt(WIND_FEATURE) / 10.0) * 0.1,
        )
    )
    change = np.flatnonzero(np.diff(position)) + 1
    must = forced.copy()
    must[change] = True
    return cut_by_change(
        seconds,
        features,
        penalty=SEGMENT_WORTH * total,
        shortest=SHORTEST_SEGMENT,
        longest=max(total / 6.0, 3.0 * SHORTEST_SEGMENT),
        forced=must,
    )


def _segment_power(solution: Solution, cuts: npt.NDArray[np.int64]) -> FloatArray:
    """Power of each segment that loses least against the optimum's: a mean weighted by the budget's curvature."""
    seconds = solution.problem.road.length * solution.optimum.slowness
    power, free = solution.power, _free(solution)
    floor = 0.3 * solution.problem.fatigue.budget
    weight = seconds * np.maximum(power, floor) ** 2
    found = []
    for first, last in zip(cuts[:-1], cuts[1:], strict=True):
        part = np.arange(first, last)
        use = part[free[part]] if free[part].any() else part
        found.append(float(weight[use] @ power[use] / weight[use].sum()))
    return np.array(found)


def _largest(rideable: Callable[[float], Ridden | None], low: float, high: float, steps: int) -> float:
    """Largest x in [low, high] found by bisection for which `rideable` gives a ride."""
    if rideable(high) is not None:
        return high
    for _ in range(steps):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rideable(middle) is not None else (low, middle)
    return low


def _fit_budget(
    problem: Problem, position: npt.NDArray[np.int64], cuts: npt.NDArray[np.int64], power: FloatArray
) -> tuple[FloatArray, Ridden]:
    """Scale, then round, the segment powers to the most that the body can pay."""
    fatigue = problem.fatigue
    counts = np.diff(cuts)
    highest = fatigue.max_power

    def attempt(numbers: FloatArray) -> Ridden | None:
        result = ridden(problem, position, np.repeat(numbers, counts))
        pays = (
            result.fourth_power_mean <= fatigue.budget and result.w_balance.min() >= fatigue.w_prime_reserve
        )
        return result if pays else None

    def scaled(factor: float) -> FloatArray:
        return np.minimum(power * factor, highest)

    factor = _largest(lambda x: attempt(scaled(x)), 0.7, 1.1, 10)

    def rounded(shift: float) -> FloatArray:
        return (
            np.minimum(np.floor(scaled(factor) / POWER_STEP + shift), np.floor(highest / POWER_STEP))
            * POWER_STEP
        )

    numbers = rounded(_largest(lambda x: attempt(rounded(x)), 0.0, 0.99, 8))
    result = attempt(numbers)
    if result is None:
        numbers = rounded(0.0)
        result = ridden(problem, position, np.repeat(numbers, counts))
    return numbers, result


def _one_position(position: npt.NDArray[np.int64], cuts: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    return np.repeat(position[cuts[:-1]], np.diff(cuts))


def followable(
    solution: Solution, position: npt.NDArray[np.int64], forced: npt.NDArray[np.bool_]
) -> Followable:
    """Make the plan that the rider follows.

    Parameters
    ----------
    solution : Solution
        The free optimum.
    position : int array, shape (n,)
        Usually the optimum's.
    forced : bool array, shape (n + 1,)
        Nodes where a segment must end whatever the numbers say (a lap, a zone).
    """
    cuts = _cuts(solution, position, forced)
    power, result = _fit_budget(solution.problem, position, cuts, _segment_power(solution, cuts))
    return Followable(cuts, power, _one_position(position, cuts), result)

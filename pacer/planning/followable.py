"""From the free optimum to a plan that a rider can follow: one power and one position a stretch.

The stretches follow the optimum's own changes of power, the grade and the heading; their powers are then
scaled and rounded so that the ride, not only the programme, holds the fatigue budget and the W' reserve.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.segment import cut_by_change
from pacer.errors import InfeasibleError
from pacer.physics.fatigue import fourth_power_mean, w_balance
from pacer.physics.simulate import Trace, ride
from pacer.planning.problem import STILL_RIDING, Problem, drag_shape
from pacer.planning.programme import Branches, Held, solve
from pacer.planning.recovery import recovery_about
from pacer.planning.rounding import POWER_STEP, nearest_steps
from pacer.planning.solution import Solution
from pacer.units import FloatArray

__all__ = ["Followable", "Ridden", "followable", "ridden"]

SHORTEST_SEGMENT: Final = 20.0
"""Seconds; less can't be read off a card and acted on (common practice, no source)."""

SEGMENT_WORTH: Final = 3e-5
"""A further segment must bring in this share of the race's time."""

MOST_SCALINGS: Final = 10
"""Rides with which the powers are scaled to the budget."""

BUDGET_LEFT: Final = 1e-4
"""Share of the budget that scaling may leave unused."""

REFINEMENTS: Final = 2
"""Most rounds of the programme with one power a segment."""

REFINED: Final = 5e-4
"""Gain of time in the first such round under which there is no second: it brings a tenth of the first."""

EASING: Final = (1.001, 1.0005, 1.0, 0.9995, 0.999)
"""Multiples of the powers that are rounded; the fastest that can be paid for is taken."""

MORE_EASING: Final = (0.9985, 0.998, 0.997, 0.996, 0.994, 0.99, 0.985, 0.97, 0.95, 0.9)
"""Tried in turn where none of those can be paid for."""

GRADE_FEATURE, WIND_FEATURE = 0.05, 0.02
"""Weight, in seconds a second, of a 10 % change of grade and of a 10 m/s change of headwind inside a
segment."""


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
        problem.schedule(position, power),
    )
    body = trace.power / problem.power_factor[position]
    return Ridden(
        trace=trace,
        body_power=body,
        w_balance=w_balance(
            body, trace.duration, fatigue.critical_power, fatigue.w_prime, fatigue.w_prime_start
        ),
        fourth_power_mean=fourth_power_mean(body, trace.duration),
    )


def _free(solution: Solution) -> npt.NDArray[np.bool_]:
    """Cells where the segment's number acts: neither up to a speed limit nor braking, shape (n,)."""
    limit = solution.problem.limit_in(solution.position)
    near = solution.optimum.speed[1:] > 0.995 * limit[1:]
    return np.asarray(~(near | (solution.optimum.brake > 1.0)))


def _carried(values: FloatArray, known: npt.NDArray[np.bool_]) -> FloatArray:
    """Unknown values replaced by the last known one (the first known one at the beginning)."""
    if not known.any():
        return values
    index = np.maximum.accumulate(np.where(known, np.arange(values.size), -1))
    index[index < 0] = np.argmax(known)
    return np.asarray(values[index])


def _cuts(solution: Solution, forced: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
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
    change = np.flatnonzero(np.diff(solution.position)) + 1
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
    """Power of each segment that loses least: the optimum's mean, weighted by the budget's curvature."""
    seconds = solution.problem.road.length * solution.optimum.slowness
    power, free = solution.power, _free(solution)
    floor = 0.3 * solution.problem.fatigue.budget
    weight = seconds * np.maximum(power, floor) ** 2
    found = []
    for first, last in pairwise(cuts.tolist()):
        part = np.arange(first, last)
        # Where a limit bids less, any number at or above what holds the limit is as good as another.
        means = [
            float(weight[use] @ power[use] / weight[use].sum())
            for use in (part[free[part]], part[~free[part]])
            if use.size
        ]
        found.append(max(means))
    return np.array(found)


def _pays(problem: Problem, result: Ridden) -> bool:
    fatigue = problem.fatigue
    enough = result.w_balance.min() >= fatigue.w_prime_reserve
    return bool(enough and result.fourth_power_mean <= fatigue.budget)


def _scaled_to_budget(
    problem: Problem, position: npt.NDArray[np.int64], counts: npt.NDArray[np.int64], power: FloatArray
) -> tuple[FloatArray, Ridden]:
    """The largest multiple of the segment powers that the body can pay, and its ride.

    The next trial is where the fourth-power mean would meet the budget, or half way where W' decides.
    """
    fatigue = problem.fatigue
    low, high, factor = 0.6, 1.15, 1.0
    best: tuple[FloatArray, Ridden] | None = None
    for _ in range(MOST_SCALINGS):
        trial = np.minimum(power * factor, fatigue.max_power)
        result = ridden(problem, position, np.repeat(trial, counts))
        if _pays(problem, result):
            low, best = factor, (trial, result)
            if result.fourth_power_mean > fatigue.budget * (1.0 - BUDGET_LEFT):
                break
        else:
            high = factor
        mean = max(result.fourth_power_mean, 1e-3 * fatigue.budget)
        aimed = factor * fatigue.budget / mean * (1.0 - 0.3 * BUDGET_LEFT)
        short = result.w_balance.min() < fatigue.w_prime_reserve
        factor = aimed if low < aimed < high and not short else 0.5 * (low + high)
        if high - low < BUDGET_LEFT:
            break
    return best or (trial, result)


def _refined(
    solution: Solution, position: npt.NDArray[np.int64], cuts: npt.NDArray[np.int64], power: FloatArray
) -> tuple[FloatArray, Ridden]:
    """Segment powers improved by the programme with one power a segment, round its own ride."""
    problem, counts = solution.problem, np.diff(cuts)
    segment = np.repeat(np.arange(counts.size), counts)
    best_power, best = _scaled_to_budget(problem, position, counts, power)
    for _ in range(REFINEMENTS):
        trace = best.trace
        slowness = trace.duration / problem.road.length
        held = Held(
            segment=segment,
            power=best_power,
            slowness=slowness,
            acts=trace.power >= best_power[segment] - 0.01,
        )
        recovery = None
        if solution.recovery is not None:
            recovery = recovery_about(best.w_balance, best.body_power, trace.duration, problem.fatigue)
        shape = drag_shape(problem.road, 1.0 / slowness)
        optimum = solve(problem, Branches.fixed(position), shape, recovery, accuracy=1e-4, held=held)
        if not optimum.solved:
            break
        trial, result = _scaled_to_budget(problem, position, counts, np.maximum(optimum.segment_power, 0.0))
        paid, gained = _pays(problem, best), 1.0 - result.time / best.time
        if not _pays(problem, result) or (paid and gained < 2e-5):
            break
        best_power, best = trial, result
        if paid and gained < REFINED:
            break
    return best_power, best


def _readable(
    problem: Problem,
    position: npt.NDArray[np.int64],
    cuts: npt.NDArray[np.int64],
    power: FloatArray,
    fit: Ridden,
) -> tuple[FloatArray, Ridden]:
    """Powers that can be read off a card and still be paid for."""
    counts = np.diff(cuts)
    seconds = np.diff(fit.trace.time[cuts])

    def attempt(ease: float) -> tuple[FloatArray, Ridden]:
        numbers = nearest_steps(power * ease, seconds, problem.fatigue.max_power)
        return numbers, ridden(problem, position, np.repeat(numbers, counts))

    paid = [pair for pair in map(attempt, EASING) if _pays(problem, pair[1])]
    if paid:
        numbers, result = min(paid, key=lambda pair: pair[1].time)
        fuller = _spent(problem, position, cuts, power, numbers, result)
        better = ridden(problem, position, np.repeat(fuller, counts))
        return (fuller, better) if _pays(problem, better) and better.time < result.time else (numbers, result)
    for ease in MORE_EASING:
        pair = attempt(ease)
        if _pays(problem, pair[1]):
            break
    return pair


def _spent(
    problem: Problem,
    position: npt.NDArray[np.int64],
    cuts: npt.NDArray[np.int64],
    wanted: FloatArray,
    numbers: FloatArray,
    result: Ridden,
) -> FloatArray:
    """Numbers with what the budget has left spent on steps up, first where rounding took most away."""
    budget = problem.fatigue.budget
    seconds = np.diff(result.trace.time[cuts])
    factor = problem.power_factor[position[cuts[:-1]]]
    price = seconds * (((numbers + POWER_STEP) / factor) ** 4 - (numbers / factor) ** 4)
    left = (budget**4 - result.fourth_power_mean**4) * float(seconds.sum()) * 0.98
    numbers = numbers.copy()
    for k in np.argsort(numbers - wanted):
        if numbers[k] >= wanted[k] or numbers[k] + POWER_STEP > problem.fatigue.max_power:
            break
        if price[k] <= left:
            numbers[k] += POWER_STEP
            left -= price[k]
    return numbers


def _one_position(position: npt.NDArray[np.int64], cuts: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    return np.repeat(position[cuts[:-1]], np.diff(cuts))


def followable(solution: Solution, forced: npt.NDArray[np.bool_] | None = None) -> Followable:
    """Make the plan that the rider follows.

    Parameters
    ----------
    solution : Solution
        The free optimum.
    forced : bool array, shape (n + 1,), optional
        Nodes where a segment must end whatever the numbers say (a lap, a zone).

    Raises
    ------
    InfeasibleError
        Where the segments' powers don't carry the rider up a climb.
    """
    if forced is None:
        forced = np.zeros(solution.position.size + 1, dtype=bool)
    cuts = _cuts(solution, forced)
    held = _one_position(solution.position, cuts)
    power, result = _refined(solution, held, cuts, _segment_power(solution, cuts))
    power, result = _readable(solution.problem, held, cuts, power, result)
    _check_moving(solution.problem, result)
    return Followable(cuts, power, held, result)


def _check_moving(problem: Problem, result: Ridden) -> None:
    """Refuse a plan on which the rider all but stands still."""
    short = problem.lowest_speed - result.trace.speed
    worst = int(np.argmax(short))
    if result.trace.stalled is None and short[worst] <= (1.0 - STILL_RIDING) * problem.lowest_speed[worst]:
        return
    at = float(problem.road.length[:worst].sum())
    raise InfeasibleError(
        f"no power held over a stretch carries the rider over the climb at km {at / 1000.0:.2f}",
        by=f"{short[worst] * 3.6:.1f} km/h under the slowest riding speed",
        do="check the file's grades there and the rider's critical and maximum power",
    )

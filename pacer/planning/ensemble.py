"""One plan on many days: what each day makes of it, and what would have been best on that day.

On a day the rider holds the plan's powers and positions stretch by stretch, and sits up wherever that day's
rules refuse the tuck (its gusts, its speeds), as the plan asks of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.physics.fatigue import sustainable_power
from pacer.planning.followable import Ridden, ridden
from pacer.planning.optimise import optimise
from pacer.planning.positions import choose_positions, position_costs
from pacer.planning.problem import Problem, drag_shape
from pacer.planning.programme import Branches, solve
from pacer.planning.scenario import Scenario
from pacer.planning.solution import Solution, balance_of, recovery_of
from pacer.units import FloatArray

__all__ = ["BestOfDay", "DayAir", "DayResult", "Held", "best_of_day", "ride_day"]

WORN_OUT: Final = 1.03
"""Fourth-power mean over what the day's critical power sustains for so long, from which the rider is taken to
fail before the end; less can't be told from the scatter of such curves (common practice, no source)."""

SCALINGS: Final = 7
"""Halvings in the search for the share of the powers that a day's W' carries."""


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """What the rider means to do on any day.

    Attributes
    ----------
    power : FloatArray, shape (n,)
        At the pedals in each cell [W].
    position : int array, shape (n,)
    """

    power: FloatArray
    position: npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class DayAir:
    """What the rider meets, in single precision to send many of them.

    Attributes
    ----------
    headwind, gust_crosswind : float32 array, shape (n,)
        At the rider's height [m/s].
    wet : bool
        The road.
    """

    headwind: npt.NDArray[np.float32]
    gust_crosswind: npt.NDArray[np.float32]
    wet: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class DayResult:
    """A plan ridden on one day.

    Attributes
    ----------
    time : float
        [s]; infinite where the powers don't carry the rider over the course.
    split_time : FloatArray, shape (k,)
        [s].
    load : float
        Fourth-power mean of body power over that day's budget.
    lowest_balance : float
        Of W' [J], negative where the day asks for more than there is.
    holds : bool
        Whether that day's budget and reserve are kept.
    runs_out : bool
        Whether W' is used up, or more is asked than `WORN_OUT` allows.
    scale : float
        Share of the powers at which that day's budget and reserve are just kept.
    refused : bool array, shape (n,)
        Where that day's rules refuse a tuck.
    air : DayAir
    """

    time: float
    split_time: FloatArray
    load: float
    lowest_balance: float
    holds: bool
    runs_out: bool
    scale: float
    refused: npt.NDArray[np.bool_]
    air: DayAir


@dataclass(frozen=True, slots=True, eq=False)
class BestOfDay:
    """What would have been best on one day.

    Attributes
    ----------
    time : float
        Of the free optimum [s].
    tucked : bool array, shape (n,)
    """

    time: float
    tucked: npt.NDArray[np.bool_]


def _arrival(scenario: Scenario, seconds: FloatArray) -> tuple[FloatArray, float]:
    return np.cumsum(seconds) - 0.5 * seconds, scenario.budget(float(seconds.sum()))


def _careful(problem: Problem, position: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """The plan's positions, upright wherever the day refuses them."""
    refused = ~problem.allowed[np.arange(position.size), position]
    return np.where(refused, problem.upright, position)


def ride_day(
    scenario: Scenario, held: Held, seconds: FloatArray, splits: FloatArray, budget_share: float = 1.0
) -> tuple[DayResult, Ridden]:
    """Ride what is held through one day.

    Gives what a day comes to, and the ride itself, as far as the powers carried.

    Parameters
    ----------
    scenario : Scenario
        Of that day.
    seconds : FloatArray, shape (n,)
        Planned time in each cell, for the air of the moment.
    splits : FloatArray, shape (k,)
        Where the clock is read [m].
    budget_share : float
        Of that day's budget over the scenario's, where a target power doesn't follow the day's form itself.
    """
    arrival, budget = _arrival(scenario, seconds)
    problem, _ = scenario.problem(arrival, budget * budget_share)
    position = _careful(problem, held.position)
    result = ridden(problem, position, held.power)
    tucked = ~problem.can_brake
    refused = np.ones(held.power.size, dtype=bool)
    if tucked.any():
        refused = np.asarray(~problem.allowed[:, tucked].any(axis=1))
    _, met = scenario.road(arrival)
    air = DayAir(met.headwind.astype(np.float32), met.gust_crosswind.astype(np.float32))
    if result.trace.stalled is not None:
        nothing = np.full(splits.size, np.inf)
        spent = DayResult(np.inf, nothing, np.inf, -np.inf, False, True, np.inf, refused, air)
        return spent, result
    fatigue = problem.fatigue
    allowed = scenario.budget(result.time) * budget_share
    lowest = float(result.w_balance.min())
    lasts = float(sustainable_power(result.time, fatigue.critical_power))
    day = DayResult(
        time=result.time,
        split_time=np.interp(splits, scenario.cells.nodes, result.trace.time),
        load=result.fourth_power_mean / allowed,
        lowest_balance=lowest,
        holds=result.fourth_power_mean <= allowed and lowest >= fatigue.w_prime_reserve,
        runs_out=lowest < 0.0 or result.fourth_power_mean > WORN_OUT * lasts,
        scale=_scale(problem, position, held.power, result, allowed),
        refused=refused,
        air=air,
    )
    return day, result


def _scale(
    problem: Problem, position: npt.NDArray[np.int64], power: FloatArray, result: Ridden, budget: float
) -> float:
    """The share of the powers that the day's budget and reserve carry."""
    # The mean follows the powers nearly in proportion: one step along the secant settles it.
    reserve = problem.fatigue.w_prime_reserve
    first = budget / result.fourth_power_mean
    trial = ridden(problem, position, power * first)
    growth = math.log(trial.fourth_power_mean / result.fourth_power_mean) / (math.log(first) or 1.0)
    power_law = 1.0 / growth if growth > 0.2 else 1.0
    high = first * float((budget / trial.fourth_power_mean) ** power_law)
    if trial.w_balance.min() - reserve > 0.1 * problem.fatigue.w_prime:
        return high
    low = 0.5 * high
    if ridden(problem, position, power * high).w_balance.min() >= reserve:
        return high
    for _ in range(SCALINGS):
        middle = 0.5 * (low + high)
        enough = ridden(problem, position, power * middle).w_balance.min() >= reserve
        low, high = (middle, high) if enough else (low, middle)
    return low


def best_of_day(scenario: Scenario, guess: Solution, ride: Ridden, budget_share: float = 1.0) -> BestOfDay:
    """What would have been best on one day.

    Solved about the ride that the plan gave on that day, twice where W' or the duration decides: positions
    where the prices of the planned day put them, then once more by the day's own. Against rounds to the end
    the time is good to about one part in four thousand, the positions to one cell in a hundred.

    Parameters
    ----------
    guess : Solution
        Of the planned day.
    ride : Ridden
        The plan on this day.

    Raises
    ------
    InfeasibleError
        Where no plan meets that day's limits.
    """
    tucked = np.array([p.tucked for p in scenario.setup.positions])
    optimum, seconds, recovery = guess.optimum, ride.trace.duration, guess.recovery
    fixed_budget = scenario.race.effort is not None or scenario.race.target_power is not None
    if guess.upright is not None:
        # The day makes a rider sitting up slower or faster by about as much as it does the plan.
        day = seconds / (scenario.cells.length * optimum.slowness)
        scenario = replace(scenario, upright=guess.upright / day)
    for _ in range(1 if guess.recovery is None and fixed_budget else 2):
        arrival, budget = _arrival(scenario, seconds)
        problem, _ = scenario.problem(arrival, budget * budget_share)
        position = choose_positions(position_costs(problem, optimum), seconds, scenario.stays)
        speed = np.maximum(problem.road.length / seconds, 1.0)
        found = solve(problem, Branches.fixed(position), drag_shape(problem.road, speed), recovery)
        fatigue = problem.fatigue
        if not found.solved:
            break
        optimum, seconds = found, problem.road.length * found.slowness
        balance = balance_of(problem, found.force, found.slowness)
        if recovery is not None:
            recovery = recovery_of(problem, found.force, found.slowness)
    # Solved without W', the day must turn out to have enough of it.
    if not found.solved or balance.min() < fatigue.w_prime_reserve - 0.02 * fatigue.w_prime:
        whole = optimise(scenario)
        return BestOfDay(whole.optimum.time, tucked[whole.position])
    position = choose_positions(position_costs(problem, optimum), seconds, scenario.stays)
    return BestOfDay(optimum.time, tucked[position])

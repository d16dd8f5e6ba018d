"""The same race under two conditions, side by side: where the seconds are won or lost.

Every ride compared is that of the free optimum, power and position free in every cell: the numbers of a
written plan are rounded to what a rider can read, and that would drown small differences.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pacer.errors import InfeasibleError
from pacer.planning.followable import Ridden, ridden
from pacer.planning.positions import position_prices
from pacer.planning.scenario import Scenario
from pacer.planning.sensitivity import Sensitivity
from pacer.planning.solution import Solution
from pacer.units import FloatArray

__all__ = ["Comparison", "Difference", "Outcome", "Shares", "compare", "outcome_of", "steady_outcome"]

SLOPE: Final = 0.02
"""Grade from which a cell counts as climb or descent; a choice of display."""

BREEZE: Final = 0.5
"""Head- or tailwind at the rider's height from which a cell counts as such [m/s]; a choice of display."""


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What a race comes to under one set of conditions.

    Attributes
    ----------
    distance, time : FloatArray, shape (n + 1,)
        At the cell ends [m], [s].
    elevation, grade, headwind : FloatArray, shape (n,)
        [m], rise over run, [m/s].
    tucked : FloatArray, shape (n,)
        1 where tucked.
    mean_power, body_power : float
        Mean at the pedals, and fourth-power mean of what the body feels [W].
    lowest_balance : float
        Lowest W' balance [J].
    safety_cost : float
        Seconds that the refused tuck costs, at the optimum's prices.
    """

    distance: FloatArray
    time: FloatArray
    elevation: FloatArray
    grade: FloatArray
    headwind: FloatArray
    tucked: FloatArray
    mean_power: float
    body_power: float
    lowest_balance: float
    safety_cost: float

    @property
    def seconds(self) -> float:
        """The race's time [s]."""
        return float(self.time[-1])

    @property
    def tucked_share(self) -> float:
        """Share of the time that is spent tucked."""
        return float(self.tucked @ np.diff(self.time)) / self.seconds


@dataclass(frozen=True, slots=True)
class Shares:
    """Seconds against the base, shared out twice: by the slope of the road, and by the wind along it.

    Each set adds up to the whole difference.
    """

    climb: float
    flat: float
    descent: float
    headwind: float
    sidewind: float
    tailwind: float


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """One variant against the base.

    Attributes
    ----------
    label : str
    outcome : Outcome or None
        None where no plan meets the limits.
    seconds : float
        Positive where slower than the base.
    shares : Shares or None
        None where it isn't the same road.
    gap : FloatArray, shape (n + 1,)
        Seconds behind the base at the base's cell ends; empty where it isn't the same road.
    why_not : str
        Why there is no outcome.
    """

    label: str
    outcome: Outcome | None
    seconds: float
    shares: Shares | None
    gap: FloatArray
    why_not: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """A base and its variants.

    Attributes
    ----------
    name : str
        Of the race.
    base : Outcome
    base_label : str
    differences : tuple of Difference
    sensitivity : Sensitivity
        Of the base.
    notes : tuple of str
    """

    name: str
    base: Outcome
    base_label: str
    differences: tuple[Difference, ...]
    sensitivity: Sensitivity
    notes: tuple[str, ...] = ()


def outcome_of(scenario: Scenario, solution: Solution) -> Outcome:
    """Ride the free optimum and read off what the race comes to."""
    return _outcome(scenario, solution, ridden(solution.problem, solution.position, solution.power))


def _outcome(scenario: Scenario, solution: Solution, result: Ridden) -> Outcome:
    seconds = result.trace.duration
    hands_off = np.array([p.tucked for p in scenario.setup.positions])
    return Outcome(
        distance=scenario.cells.nodes,
        time=result.trace.time,
        elevation=scenario.cells.elevation,
        grade=scenario.cells.grade,
        headwind=solution.problem.road.headwind,
        tucked=hands_off[solution.position].astype(np.float64),
        mean_power=float(result.trace.power @ seconds / seconds.sum()),
        body_power=result.fourth_power_mean,
        lowest_balance=float(result.w_balance.min()),
        safety_cost=_safety_cost(scenario, solution),
    )


def _safety_cost(scenario: Scenario, solution: Solution) -> float:
    """Seconds that refused cells would save tucked, where the plan's speed is within the tuck's cap."""
    problem = solution.problem
    tucked = np.array([p.tucked for p in scenario.setup.positions])
    if not tucked.any():
        return 0.0
    price = position_prices(problem, solution.optimum)
    gain = (price[:, ~tucked].min(axis=1) - price[:, tucked].min(axis=1)).clip(min=0.0)
    speed = np.maximum(solution.optimum.speed[:-1], solution.optimum.speed[1:])
    within = (speed[:, None] <= problem.cap[:, tucked]).any(axis=1)
    return float(gain[within & ~problem.allowed[:, tucked].any(axis=1)].sum())


def steady_outcome(scenario: Scenario, solution: Solution) -> Outcome:
    """The same positions at one constant power all the way, as much of it as the same budget allows.

    Raises
    ------
    InfeasibleError
        Where no constant power gets over the course.
    """
    problem = solution.problem
    low, high = 0.0, problem.fatigue.max_power
    best: Ridden | None = None
    power = problem.fatigue.budget * float(problem.power_factor.min())
    for _ in range(40):
        trial = ridden(problem, solution.position, np.full(len(problem.road), power))
        fatigue = problem.fatigue
        pays = trial.fourth_power_mean <= fatigue.budget and trial.w_balance.min() >= fatigue.w_prime_reserve
        if pays:
            low, best = power, trial
        else:
            high = power
        if high - low < 0.01:
            break
        power = 0.5 * (low + high)
    if best is None or best.trace.stalled is not None:
        raise InfeasibleError("one constant power all the way", by="more than the budget allows")
    return _outcome(scenario, solution, best)


def compare(label: str, base: Outcome, other: Outcome, *, same_road: bool) -> Difference:
    """Set a variant against the base.

    Parameters
    ----------
    same_road : bool
        Whether both ride the same road in the same direction, so that places can be compared.
    """
    seconds = other.seconds - base.seconds
    if not same_road:
        return Difference(label, other, seconds, None, np.zeros(0))
    time = np.interp(base.distance, other.distance, other.time)
    gap = time - base.time
    lost = np.diff(gap)
    middle = 0.5 * (base.distance[1:] + base.distance[:-1])
    wind = 0.5 * (
        base.headwind + np.interp(middle, 0.5 * (other.distance[1:] + other.distance[:-1]), other.headwind)
    )
    up, down = base.grade >= SLOPE, base.grade <= -SLOPE
    head, tail = wind >= BREEZE, wind <= -BREEZE
    shares = Shares(
        climb=float(lost[up].sum()),
        flat=float(lost[~up & ~down].sum()),
        descent=float(lost[down].sum()),
        headwind=float(lost[head].sum()),
        sidewind=float(lost[~head & ~tail].sum()),
        tailwind=float(lost[tail].sum()),
    )
    return Difference(label, other, seconds, shares, gap)

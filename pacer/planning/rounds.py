"""What goes from round to round of the optimiser: speeds, times, air, budget, recovery."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.physics.simulate import steady_speed
from pacer.planning.problem import Problem
from pacer.planning.recovery import Recovery
from pacer.planning.safety import Verdict
from pacer.planning.scenario import Scenario
from pacer.planning.solution import Solution, balance_of, recovery_of
from pacer.units import FloatArray

__all__ = ["State"]

W_PRIME_MARGIN: Final = 0.10
"""Share of W' above the reserve under which the W' balance joins the programme."""

NEWEST: Final = 0.6
"""Weight of the last round in the ride about which W' recovers.

Deficit times recovery isn't convex: taken about the last round alone, rounds swing to and fro."""


class State:
    """What goes from round to round."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        n = len(scenario.cells)
        length = scenario.cells.length
        self.budget = scenario.budget(float(length.sum()) / 9.0)
        still = np.zeros(n)
        road, _ = scenario.road(still)
        upright = max(scenario.setup.drag_area(p) for p in scenario.setup.positions)
        power = np.full(n, self.budget)
        for _ in range(2):
            guess = steady_speed(road, scenario.machine, power, np.full(n, upright), highest=15.0)
            self.speed: FloatArray = np.maximum(guess, 1.5)
            self.set_times(length / self.speed)
            road, _ = scenario.road(self.arrival)
        self.last: tuple[Scenario, Problem, Verdict] | None = None
        self.pace: FloatArray | None = None
        self.recovery: Recovery | None = None
        self.force = self.slowness = np.zeros(n)
        self.w_lowest = scenario.setup.rider.w_prime

    def set_times(self, seconds: FloatArray) -> None:
        """Arrival in the middle of each cell, and the budget that goes with the duration."""
        self.seconds = seconds
        self.arrival = np.cumsum(seconds) - 0.5 * seconds
        self.budget = self.scenario.budget(float(seconds.sum()))

    def problem(self) -> tuple[Problem, Verdict]:
        """The problem for the times and the budget as they stand; made anew only where it changes."""
        road, _ = self.scenario.road(self.arrival)
        approach = None
        if self.last is not None:
            scenario, problem, verdict = self.last
            before = problem.road
            same = all(np.array_equal(getattr(road, f.name), getattr(before, f.name)) for f in fields(road))
            if same and problem.fatigue.budget == self.budget:
                if scenario is self.scenario:
                    return problem, verdict
                approach = verdict.approach
        problem, verdict = self.scenario.problem(self.arrival, self.budget, approach)
        self.last = self.scenario, problem, verdict
        return problem, verdict

    def take(self, near: Solution) -> tuple[npt.NDArray[np.int64], FloatArray]:
        """Begin from the solution of nearly the same race on other cells; its positions and power."""
        there = np.cumsum(near.problem.road.length)
        length = self.scenario.cells.length
        here = np.cumsum(length) - 0.5 * length
        self.speed = np.interp(here, there - 0.5 * near.problem.road.length, near.optimum.mean_speed)
        self.set_times(length / self.speed)
        cell = np.minimum(np.searchsorted(there, here), there.size - 1)
        if near.upright is not None:
            self.set_upright(np.interp(here, there - 0.5 * near.problem.road.length, near.upright))
        return near.position[cell], near.power[cell]

    def set_upright(self, speed: FloatArray) -> None:
        """Tell the rules how fast a ride is that is never tucked."""
        self.scenario = replace(self.scenario, upright=speed)

    def learn(self, found: Solution) -> None:
        """Take speeds, times and recovery from a round."""
        problem, optimum = found.problem, found.optimum
        self.pace = found.pace
        self.speed = np.maximum(0.5 * (self.pace[:-1] + self.pace[1:]), 0.5)
        loose = optimum.loose
        self.set_times(problem.road.length * np.where(loose, 1.0 / self.speed, optimum.slowness))
        fatigue = problem.fatigue
        self.w_lowest = float(balance_of(problem, optimum.force, optimum.slowness).min())
        near = fatigue.w_prime_reserve + W_PRIME_MARGIN * fatigue.w_prime
        if self.recovery is None and self.w_lowest > near:
            return
        newest = 1.0 if self.recovery is None else NEWEST
        self.force = newest * optimum.force + (1.0 - newest) * self.force
        self.slowness = newest * optimum.slowness + (1.0 - newest) * self.slowness
        self.recovery = recovery_of(problem, self.force, self.slowness)

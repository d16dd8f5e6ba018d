"""Say which limit can't be met, and by how much, where the programme has no solution."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.track import Cells
from pacer.errors import InfeasibleError
from pacer.physics.forces import gravity_force
from pacer.physics.simulate import braking_envelope
from pacer.planning.problem import DragShape, Fatigue, Problem
from pacer.planning.programme import Branches, solve
from pacer.planning.recovery import Recovery

__all__ = ["explain"]

EASINGS: Final = (1.05, 1.1, 1.25, 1.5, 2.0, 3.0)
"""Factors by which a limit is eased in turn."""

Ease = Callable[[Fatigue, float], Fatigue]

FATIGUE_LIMITS: Final[tuple[tuple[str, str, Ease, Callable[[Fatigue], float], str], ...]] = (
    (
        "the maximum power",
        "W",
        lambda fatigue, factor: replace(fatigue, max_power=fatigue.max_power * factor),
        lambda fatigue: fatigue.max_power,
        "check max_power_w in the rider file",
    ),
    (
        "the fatigue budget",
        "W",
        lambda fatigue, factor: replace(fatigue, budget=fatigue.budget * factor),
        lambda fatigue: fatigue.budget,
        "plan with a higher effort or target power, or check critical_power_w",
    ),
    (
        "W' above its reserve",
        "J",
        lambda fatigue, factor: replace(fatigue, w_prime=fatigue.w_prime * factor),
        lambda fatigue: fatigue.w_prime,
        "plan with a lower w_prime_reserve_j, or check w_prime_j",
    ),
    (
        "the rider's power in all",
        "%",
        lambda fatigue, factor: replace(
            fatigue,
            max_power=fatigue.max_power * factor,
            budget=fatigue.budget * factor,
            critical_power=fatigue.critical_power * factor,
            w_prime=fatigue.w_prime * factor,
        ),
        lambda _: 100.0,
        "check the rider's numbers, and the file's grades with `pacer route`",
    ),
)
"""Name, unit, how it is eased, its value, what the user can do."""


def _brakes(problem: Problem, cells: Cells, position: npt.NDArray[np.int64]) -> InfeasibleError | None:
    """A descent on which the brakes that the plan counts on can't hold the speed."""
    schedule = problem.schedule(position, np.zeros(len(problem.road)))
    envelope = braking_envelope(problem.road, problem.machine, schedule)
    needed = np.maximum(problem.lowest_speed[:-1], problem.start_speed * (cells.start == 0.0))
    short = np.flatnonzero(envelope[:-1] < needed)
    if not short.size:
        return None
    # The slope that defeats the brakes begins at the last short cell before the envelope recovers.
    run = np.arange(short[0], min(short[0] + short.size + 20, len(cells)))
    steepest = run[int(np.argmin(cells.grade[run]))]
    pull = -float(gravity_force(problem.machine.mass, cells.grade[steepest])) / problem.machine.mass
    counted = problem.machine.brake_force / problem.machine.mass
    return InfeasibleError(
        f"the brakes can't hold the speed on the descent at km {cells.start[steepest] / 1000:.2f} "
        f"({100 * cells.grade[steepest]:.1f} %)",
        by=f"{pull - counted:.2f} m/s² (the slope pulls {pull:.2f}, the plan counts on {counted:.2f})",
        do="check the file's elevation there, or raise braking_m_s2 in [safety] if brakes and skill allow it",
    )


def explain(
    problem: Problem,
    cells: Cells,
    position: npt.NDArray[np.int64],
    shape: DragShape,
    recovery: Recovery | None,
    status: str,
) -> InfeasibleError:
    """The error to raise where even upright throughout has no solution.

    Each limit is eased in turn; the one that makes a plan possible is named with the amount that it takes.
    """
    brakes = _brakes(problem, cells, position)
    if brakes is not None:
        return brakes
    steepest = int(np.argmax(cells.grade))
    where = f"km {cells.start[steepest] / 1000:.2f} ({100 * cells.grade[steepest]:.1f} %)"
    for name, unit, ease, value, remedy in FATIGUE_LIMITS:
        last = 1.0
        for factor in EASINGS:
            eased = replace(problem, fatigue=ease(problem.fatigue, factor))
            if solve(eased, Branches.fixed(position), shape, recovery, accuracy=1e-4).solved:
                amount = value(problem.fatigue)
                named = name if unit == "%" else f"{name} of {amount:.0f} {unit}"
                return InfeasibleError(
                    f"{named} is too little to carry the rider over the course at riding speed "
                    f"(the steepest climb is at {where})",
                    by=f"{amount * (last - 1.0):.0f} to {amount * (factor - 1.0):.0f} {unit}",
                    do=remedy,
                )
            last = factor
    return InfeasibleError(
        "the speed limits and the lowest riding speed contradict one another or the fatigue limits",
        by=f"an unknown amount (solver: {status})",
        do="look for a very low speed-limit zone, and check the file's grades with `pacer route`",
    )

"""Say which limit can't be met, and by how much, where the programme has no solution."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pacer.course.track import Cells
from pacer.errors import InfeasibleError
from pacer.physics.forces import gravity_force
from pacer.physics.simulate import Schedule, braking_envelope
from pacer.planning.problem import DragShape, Problem
from pacer.planning.programme import Branches, solve
from pacer.planning.recovery import Recovery

__all__ = ["explain"]


def _brakes(problem: Problem, cells: Cells, position: npt.NDArray[np.int64]) -> InfeasibleError | None:
    """A descent on which the brakes that the plan counts on can't hold the speed."""
    schedule = Schedule(
        power=np.zeros(len(problem.road)),
        drag_area=problem.drag_area[position],
        can_brake=problem.can_brake[position],
        speed_limit=problem.limit_in(position),
        start_speed=problem.start_speed,
    )
    envelope = braking_envelope(problem.road, problem.machine, schedule)
    short = np.flatnonzero(
        envelope[:-1] < np.maximum(problem.lowest_speed[:-1], problem.start_speed * (cells.start == 0.0))
    )
    if not short.size:
        return None
    reach = np.arange(short[0], len(cells))
    steepest = reach[int(np.argmin(cells.grade[reach][: max(20, short.size)]))]
    pull = -float(gravity_force(problem.machine.mass, cells.grade[steepest])) / problem.machine.mass
    counted = problem.machine.brake_force / problem.machine.mass
    return InfeasibleError(
        f"the brakes can't hold the speed on the descent at km {cells.start[steepest] / 1000:.2f} "
        f"({100 * cells.grade[steepest]:.1f} %)",
        by=f"{pull - counted:.2f} m/s² (the slope pulls {pull:.2f}, the plan counts on {counted:.2f})",
        do="check the file's elevation there, or raise braking_m_s2 in [safety] if your brakes and skill allow it",
    )


def _with(
    problem: Problem,
    position: npt.NDArray[np.int64],
    shape: DragShape,
    recovery: Recovery | None,
    **fatigue: float,
) -> float | None:
    """Time with some fatigue limits replaced, None where that doesn't help."""
    eased = replace(problem, fatigue=replace(problem.fatigue, **fatigue))
    optimum = solve(eased, Branches.fixed(position), shape, recovery)
    return optimum.time if optimum.solved else None


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
    where = f"the climb at km {cells.start[steepest] / 1000:.2f} ({100 * cells.grade[steepest]:.1f} %)"
    fatigue = problem.fatigue
    trials = (
        (
            "maximum power",
            "W",
            "max_power",
            fatigue.max_power,
            "max_power_w in the rider file, or lower gears can't help",
        ),
        ("the fatigue budget", "W", "budget", fatigue.budget, "a higher effort or target power"),
        ("W' above its reserve", "J", "w_prime", fatigue.w_prime, "a lower w_prime_reserve_j"),
    )
    for name, unit, key, value, remedy in trials:
        for factor in (1.05, 1.1, 1.25, 1.5, 2.0, 3.0):
            if _with(problem, position, shape, recovery, **{key: value * factor}) is not None:
                return InfeasibleError(
                    f"{name} of {value:.0f} {unit} doesn't carry the rider over {where} at walking pace or more",
                    by=f"between {value * (factor - 1) / 3:.0f} and {value * (factor - 1):.0f} {unit}",
                    do=f"try {remedy}",
                )
    return InfeasibleError(
        "the speed limits and the lowest riding speed contradict one another or the fatigue limits",
        by=f"an unknown amount (solver: {status})",
        do="run `pacer check` to see the limits, and look for a very low speed-limit zone or a very steep climb",
    )

"""The free optimum, the plan made from it, and what proves it, the last two side by side.

The proof needs two more programmes, and the plan needs neither of them: they are solved in a second thread
while the plan is made (the solver lets other threads run while it works).
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from pacer.planning.followable import Followable, followable
from pacer.planning.optimise import optimise, rounded
from pacer.planning.relaxation import relax
from pacer.planning.scenario import Scenario
from pacer.planning.solution import Solution
from pacer.planning.worth import Worth, worth_of_tuck

__all__ = ["Proven", "proven"]


@dataclass(frozen=True, slots=True, eq=False)
class Proven:
    """A plan that a rider can follow, with what is known about it.

    Attributes
    ----------
    solution : Solution
        The free optimum, its relaxation solved.
    plan : Followable
    worth : Worth
    """

    solution: Solution
    plan: Followable
    worth: Worth


def proven(
    scenario: Scenario, near: Solution | None = None, progress: Callable[[str], None] = lambda _: None
) -> Proven:
    """Find the free optimum, make the plan, and prove how good it is.

    Parameters
    ----------
    scenario : Scenario
    near : Solution, optional
        Of nearly the same race, to begin from.
    progress : callable
        Told in a few words what is being done.

    Raises
    ------
    InfeasibleError
        Where no plan meets the limits.
    """
    progress("finding the fastest power and position")
    solution = optimise(scenario, near, relaxed=False)
    progress("making it followable, and proving how good it is")
    beside = ThreadPoolExecutor(max_workers=1, thread_name_prefix="proof")
    try:
        relaxation = beside.submit(relax, solution, scenario.stays.shortest)
        worth = beside.submit(worth_of_tuck, solution)
        plan = followable(solution)
        better = rounded(solution, relaxation.result(), scenario)
        if better.position is solution.position:
            return Proven(better, plan, worth.result())
    finally:
        beside.shutdown(cancel_futures=True)
    return Proven(better, followable(better), worth_of_tuck(better))

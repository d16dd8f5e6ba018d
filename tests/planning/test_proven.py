"""Plan and proof made side by side are the ones that would be made one after the other."""

from __future__ import annotations

import threading
from functools import cache

import numpy as np
import pytest

from pacer.errors import InfeasibleError
from pacer.planning import proven as module
from pacer.planning.followable import followable
from pacer.planning.optimise import optimise
from pacer.planning.proven import Proven, proven
from pacer.planning.scenario import Scenario
from pacer.planning.solution import Solution
from pacer.planning.worth import worth_of_tuck
from pacer.workflow import make_scenario
from tests.planning.strategies import random_case

SEEDS = range(12)


@cache
def both(seed: int) -> tuple[Solution, Proven]:
    """The free optimum of a random race, and its plan with the proof."""
    scenario = make_scenario(random_case(seed).request())
    return optimise(scenario), proven(scenario)


@pytest.mark.parametrize("seed", SEEDS)
def test_they_are_the_same_as_one_after_the_other(seed: int) -> None:
    """Solution, relaxation, plan and the worth of the tuck agree to the last digit."""
    solution, found = both(seed)
    assert np.array_equal(found.solution.position, solution.position)
    assert found.solution.optimum.time == solution.optimum.time
    assert solution.relaxed is not None
    assert found.solution.relaxed is not None
    assert found.solution.relaxed.bound == solution.relaxed.bound
    plan = followable(solution)
    assert np.array_equal(found.plan.power, plan.power)
    assert np.array_equal(found.plan.cuts, plan.cuts)
    worth = worth_of_tuck(solution)
    assert found.worth.saved == worth.saved
    assert np.array_equal(found.worth.gain, worth.gain)


def test_races_are_among_them_whose_positions_the_relaxation_changes() -> None:
    """Without such races the test above would say nothing of the plan being made anew."""
    changed = [
        not np.array_equal(
            optimise(make_scenario(random_case(k).request()), relaxed=False).position, s.position
        )
        for k in SEEDS
        for s in (both(k)[0],)
    ]
    assert 0 < sum(changed) < len(changed)


@pytest.mark.parametrize("room", ["followable", "relax", "worth_of_tuck"])
def test_what_goes_wrong_in_either_thread_is_raised(monkeypatch: pytest.MonkeyPatch, room: str) -> None:
    """A refusal comes out whichever thread met it, and no thread is left behind."""

    def refuse(*_: object) -> None:
        raise InfeasibleError("the bridge is out", by="a river")

    monkeypatch.setattr(module, room, refuse)
    scenario: Scenario = make_scenario(random_case(SEEDS[0]).request())
    with pytest.raises(InfeasibleError, match="the bridge is out"):
        proven(scenario)
    assert not [t for t in threading.enumerate() if t.name.startswith("proof")]

"""The demo routes planned: near the proven bound, within every limit, the same each time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.planning.plan import Plan
from pacer.workflow import make_plan
from tests.demo import RIDERS, demo_plan, demo_request, demo_solution
from tests.planning.holds import faults

MOST_GAP = 3e-3
"""What the plan that a rider can follow may lose against the bound on every plan."""

FREE_GAP = 2e-4
"""What the free optimum may lose against the bound."""


@pytest.mark.parametrize("name", RIDERS)
def test_the_plan_is_within_three_thousandths_of_the_bound(name: str) -> None:
    """No plan of power and position within the same limits is more than 0.3 % faster."""
    optimality = demo_plan(name).optimality
    assert 0.0 <= optimality.gap <= MOST_GAP
    assert optimality.status == "solved"
    assert demo_plan(name).totals.time_s == pytest.approx(optimality.bound_s * (1.0 + optimality.gap))


@pytest.mark.parametrize("name", RIDERS)
def test_the_free_optimum_is_near_the_bound(name: str) -> None:
    """With power and position free in every cell, the optimum comes within 0.02 % of the bound."""
    optimality = demo_plan(name).optimality
    assert optimality.bound_s <= optimality.free_optimum_s * (1.0 + 1e-6)
    assert optimality.free_optimum_s <= optimality.bound_s * (1.0 + FREE_GAP)


@pytest.mark.parametrize("name", RIDERS)
def test_everything_holds(name: str) -> None:
    """The last check is silent, energy closes, the budget and the reserve hold, and so on."""
    assert faults(demo_plan(name), demo_request(name)) == []


@pytest.mark.parametrize("name", RIDERS)
def test_the_budget_is_spent(name: str) -> None:
    """After rounding to readable powers, less than 0.2 % of the fatigue budget is left, and none owed."""
    plan = demo_plan(name)
    left = plan.model.fourth_power_budget_w - plan.totals.fourth_power_mean_w
    assert 0.0 <= left <= 2e-3 * plan.model.fourth_power_budget_w
    assert all(segment.power_w % 5.0 == 0.0 for segment in plan.segments)


@pytest.mark.parametrize("name", RIDERS)
def test_segments_can_be_followed(name: str) -> None:
    """A few tens of segments, few of them short, and no stay tucked under the shortest."""
    plan, limits = demo_plan(name), demo_request(name).limits
    seconds = np.array([segment.duration_s for segment in plan.segments])
    assert 10 <= seconds.size <= 90
    assert np.mean(seconds < 19.0) < 0.25
    tucked = np.array([segment.tucked for segment in plan.segments])
    starts = np.flatnonzero(tucked & ~np.append(False, tucked[:-1]))
    ends = np.flatnonzero(tucked & ~np.append(tucked[1:], False)) + 1
    for first, last in zip(starts, ends, strict=True):
        assert seconds[first:last].sum() >= 0.95 * limits.tuck_shortest_stay


def test_the_tuck_is_worth_what_it_is_said_to_be() -> None:
    """The segments' gains add up to what planning upright throughout takes longer, within 3 %."""
    request = demo_request("marnhythe-tt")
    plan = demo_plan("marnhythe-tt")
    hands = tuple(p for p in request.setup.positions if p.hands_on_brakes)
    upright = make_plan(replace(request, setup=replace(request.setup, positions=hands)))
    saved = upright.totals.time_s - plan.totals.time_s
    assert sum(segment.gain_s for segment in plan.segments) == pytest.approx(saved, rel=0.03)
    assert plan.totals.upright_time_s == pytest.approx(upright.totals.time_s, rel=2e-3)


def test_the_same_input_gives_the_same_plan() -> None:
    """Planned twice, every number is the same to the last bit."""

    def numbers(plan: Plan) -> tuple[bytes, bytes, str]:
        return plan.nodes.time_s.tobytes(), plan.cells.power_w.tobytes(), repr(plan.segments)

    assert numbers(make_plan(demo_request("marnhythe-tt"))) == numbers(demo_plan("marnhythe-tt"))


def test_the_free_optimum_agrees_with_the_plan_about_itself() -> None:
    """The plan states the optimum that it was made from."""
    for name in RIDERS:
        stated, found = demo_plan(name).optimality.free_optimum_s, demo_solution(name).optimum.time
        assert stated == pytest.approx(found, rel=1e-3)

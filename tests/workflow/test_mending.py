"""A plan that its own check finds wrong is mended by sitting up there, or isn't given out at all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from pacer import workflow
from pacer.errors import InfeasibleError, SettingsError
from pacer.planning.limits import Limits
from pacer.planning.plan import Plan
from pacer.planning.race import Race
from pacer.planning.recheck import Violation
from pacer.workflow import Request, make_plan, make_scenario
from tests.planning.courses import draw_course, make_request


@pytest.fixture
def request_() -> Request:
    """3 km of level, straight road: tucked nearly throughout."""
    return make_request(draw_course(np.zeros(300)))


def tucked(plan: Plan) -> np.ndarray:
    """Cells in which the plan is tucked."""
    hands = {p["name"]: p["hands_on_brakes"] for p in plan.inputs["positions"]}
    return np.array([not hands[name] for name in plan.cells.position])


def finds(monkeypatch: pytest.MonkeyPatch, *rounds: tuple[Violation, ...]) -> list[Plan]:
    """Let the check find these, one round after the other, the last for good; what it was shown."""
    shown: list[Plan] = []
    told: Iterator[tuple[Violation, ...]] = iter(rounds)
    last = rounds[-1]

    def check(plan: Plan, _: Limits) -> tuple[Violation, ...]:
        shown.append(plan)
        return next(told, last)

    monkeypatch.setattr(workflow, "recheck", check)
    return shown


def test_it_sits_up_where_the_check_found_something(
    request_: Request, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The cell found and the seconds in which the hands come back are upright in the next plan."""
    cell = int(np.flatnonzero(tucked(make_plan(request_)))[-1]) // 2
    shown = finds(monkeypatch, (Violation("a hole in the road", cell, 2.0, 1.0, "m"),), ())
    plan = make_plan(request_)
    assert len(shown) == 2
    assert tucked(shown[0])[cell]
    lead = plan.nodes.time_s[cell] - 1.5 * request_.limits.hands_back
    near = (plan.nodes.time_s[1:] > lead + 0.5) & (np.arange(plan.cells.start_m.size) <= cell)
    assert near.sum() >= 2
    assert not tucked(plan)[near].any()
    assert tucked(plan).any()


def test_what_sitting_up_cant_mend_is_refused_at_once(
    request_: Request, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault of the whole plan: no second try, and the line says what and by how much."""
    shown = finds(monkeypatch, (Violation("over the fatigue budget", None, 230.0, 220.0, "W"),))
    with pytest.raises(InfeasibleError, match=r"own check \(over the fatigue budget\), missed by 10 W"):
        make_plan(request_)
    assert len(shown) == 1


def test_a_fault_that_stays_ends_in_a_refusal_that_names_its_place(
    request_: Request, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once the cells are upright and the check still finds them, there is nothing left to try."""
    shown = finds(monkeypatch, (Violation("braking too hard", 40, 5.0, 2.0, "N"),))
    start = float(make_scenario(request_).cells.start[40]) / 1000.0
    with pytest.raises(InfeasibleError, match=rf"own check \(braking too hard at km {start:.2f}\)"):
        make_plan(request_)
    assert len(shown) == 2


def test_a_reserve_of_all_of_w_prime_is_wrong_input(request_: Request) -> None:
    """Nothing would be left to ride on: told before anything is planned."""
    w_prime = request_.setup.rider.w_prime
    with pytest.raises(SettingsError, match="W' reserve of the race must be less"):
        make_plan(replace(request_, race=Race(w_prime_reserve=w_prime)))

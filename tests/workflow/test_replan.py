"""What to hold from the middle of a race on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.errors import SettingsError
from pacer.physics.fatigue import fourth_power_mean
from pacer.planning.ensemble import Held, ride_day
from pacer.planning.members import Member, setup_on
from pacer.planning.plan import Plan
from pacer.planning.recheck import recheck
from pacer.replan import Moment, Resolved, replan
from pacer.workflow import Request, make_plan, make_scenario
from tests.workflow.races import race


@pytest.fixture(scope="module")
def request_() -> Request:
    """Twenty kilometres of rolling road."""
    return replace(race("orlibeck-tri", laps=1), extra={})


@pytest.fixture(scope="module")
def plan(request_: Request) -> Plan:
    """The plan set out with."""
    return make_plan(request_)


@pytest.fixture(scope="module")
def resolved(request_: Request) -> Resolved:
    """What it was made from."""
    return Resolved(request_.setup, request_.race, request_.limits, request_.zones)


def _planned_time(plan: Plan, at: float) -> float:
    return float(np.interp(at, plan.nodes.distance_m, plan.nodes.time_s))


def test_on_plan_the_rest_is_the_rest_of_the_plan(plan: Plan, resolved: Resolved) -> None:
    """Exactly on time and power, the finish is the plan's to three in a thousand, the day as planned."""
    found = replan(plan, resolved, Moment(8000.0, _planned_time(plan, 8000.0)))
    assert found.behind == pytest.approx(0.0, abs=0.2)
    assert found.drag == pytest.approx(1.0, abs=0.005)
    assert found.finish == pytest.approx(found.planned_finish, rel=3e-3)
    assert not found.overspent


def test_the_rest_passes_the_check_from_scratch(plan: Plan, resolved: Resolved, request_: Request) -> None:
    """It obeys every rule, the budget and the motion, and is never tucked where the plan refused."""
    found = replan(plan, resolved, Moment(6000.0, _planned_time(plan, 6000.0) + 40.0)).plan
    assert recheck(found, request_.limits) == ()
    assert found.nodes.distance_m[0] >= 6000.0
    assert found.nodes.distance_m[-1] == pytest.approx(plan.nodes.distance_m[-1])
    allowed = plan.cells.tuck_allowed[-found.cells.start_m.size :]
    tucked = {p.name for p in request_.setup.positions if p.tucked}
    assert not any(name in tucked for name, ok in zip(found.cells.position, allowed, strict=True) if not ok)


def test_the_rest_is_not_begun_tucked(plan: Plan, resolved: Resolved) -> None:
    """Someone who asks in the middle of a tuck may stand there: the first metres are those of any start."""
    tucked = [s for s in plan.segments if s.tucked and s.end_m < 0.8 * plan.totals.distance_m]
    longest = max(tucked, key=lambda s: s.end_m - s.start_m)
    at = 0.5 * (longest.start_m + longest.end_m)
    found = replan(plan, resolved, Moment(at, _planned_time(plan, at))).plan
    begins = float(found.nodes.distance_m[0])
    first = next(cue for cue in found.cues if cue.tucked)
    assert found.cues[0].text == "from here"
    assert not found.cues[0].tucked
    assert first.at_m >= begins + resolved.limits.start_upright


def test_the_days_drag_is_read_off_the_road_so_far(plan: Plan, resolved: Resolved, request_: Request) -> None:
    """On a day with 6 % more drag, ridden to plan, the clock at 10 km gives 6 % and foretells the finish."""
    day = replace(request_, setup=setup_on(Member("slow", drag_factor=1.06), request_.setup))
    names = [position.name for position in request_.setup.positions]
    power = np.array([s.power_w for s in plan.segments])[plan.cells.segment]
    held = Held(power, np.array([names.index(name) for name in plan.cells.position]))
    result, ride = ride_day(make_scenario(day), held, np.diff(plan.nodes.time_s), np.array([10_000.0]))
    found = replan(plan, resolved, Moment(10_000.0, float(result.split_time[0])))
    assert found.drag == pytest.approx(1.06, abs=0.006)
    assert found.finish == pytest.approx(ride.time, rel=4e-3)


def test_a_stop_is_no_drag(plan: Plan, resolved: Resolved) -> None:
    """Two minutes with a puncture, told: the day is as planned and the finish two minutes later."""
    elapsed = _planned_time(plan, 9000.0) + 120.0
    found = replan(plan, resolved, Moment(9000.0, elapsed, stopped=120.0))
    assert found.drag == pytest.approx(1.0, abs=0.005)
    assert found.finish == pytest.approx(found.planned_finish + 120.0, rel=3e-3)


def test_what_drag_cannot_explain_is_said(plan: Plan, resolved: Resolved) -> None:
    """Twenty minutes lost in nine kilometres are no wind: it is said, and the rest taken as planned."""
    found = replan(plan, resolved, Moment(9000.0, _planned_time(plan, 9000.0) + 1200.0))
    assert found.unexplained
    assert found.drag == 1.0


def test_spending_more_leaves_less(plan: Plan, resolved: Resolved) -> None:
    """Fourth powers add up: what was spent and what is left make the race's budget, to 2 in 1,000."""
    at = 10_000.0
    node = int(np.searchsorted(plan.nodes.distance_m, at))
    seconds = np.diff(plan.nodes.time_s[: node + 1])
    so_far = float(plan.cells.power_w[:node] @ seconds / seconds.sum())
    elapsed = _planned_time(plan, at)
    for share in (0.95, 1.04):
        found = replan(plan, resolved, Moment(at, elapsed, power_so_far=share * so_far, as_ridden=False))
        body = plan.cells.power_w[:node] / plan.cells.power_factor[:node]
        assert found.spent == pytest.approx(share * fourth_power_mean(body, seconds), rel=1e-6)
        rest = found.plan.totals.time_s
        whole = (found.spent**4 * found.elapsed + found.budget**4 * rest) / (found.elapsed + rest)
        assert whole**0.25 == pytest.approx(plan.model.fourth_power_budget_w, rel=2e-3)
        assert found.plan.totals.fourth_power_mean_w <= found.budget * 1.0005


def test_far_too_much_spent_is_said(plan: Plan, resolved: Resolved) -> None:
    """Half as hard again for half the race: the least is planned with, and the rider is told."""
    moment = Moment(12_000.0, _planned_time(plan, 12_000.0), power_so_far=290.0, as_ridden=False)
    found = replan(plan, resolved, moment)
    assert found.overspent
    assert found.budget == pytest.approx(0.7 * plan.model.fourth_power_budget_w)


def test_the_rider_may_say_what_is_left(plan: Plan, resolved: Resolved) -> None:
    """A power to hold overrules the budget; W' left is where the balance begins, and its reserve is kept."""
    moment = Moment(
        9000.0, _planned_time(plan, 9000.0), power_left=205.0, w_prime_left=6000.0, as_ridden=False
    )
    found = replan(plan, resolved, moment)
    assert found.budget == 205.0
    assert found.plan.nodes.w_balance_j[0] == pytest.approx(6000.0)
    assert found.plan.totals.min_w_balance_j >= resolved.race.w_prime_reserve - 1.0


def test_little_w_prime_left_changes_the_plan(plan: Plan, resolved: Resolved) -> None:
    """With the reserve all that is left, nothing above critical power comes before it has come back."""
    reserve = resolved.race.w_prime_reserve
    at = 6300.0  # the long climb begins
    moment = Moment(
        at, _planned_time(plan, at), w_prime_left=reserve + 50.0, power_left=245.0, as_ridden=False
    )
    spent = replan(plan, resolved, moment).plan
    fresh = replan(plan, resolved, replace(moment, w_prime_left=18_000.0)).plan
    assert spent.totals.min_w_balance_j >= reserve - 1.0
    assert spent.totals.time_s > fresh.totals.time_s


@pytest.mark.parametrize("at", [-100.0, 19_500.0, 25_000.0, float("nan")])
def test_a_place_off_the_road_is_refused(plan: Plan, resolved: Resolved, at: float) -> None:
    """Before the start, too near to the finish, beyond it, or no number: one clear error."""
    with pytest.raises(SettingsError, match="must lie between km"):
        replan(plan, resolved, Moment(at, 1000.0))


@pytest.mark.parametrize(("elapsed", "stopped"), [(36.5, 0.0), (1500.0, 1400.0), (900.0, 1000.0)])
def test_a_mistyped_time_is_refused(plan: Plan, resolved: Resolved, elapsed: float, stopped: float) -> None:
    """Seconds where minutes were meant, or a stop as long as the race, give an error and no plan."""
    with pytest.raises(SettingsError, match=r"too short for 9\.00 km"):
        replan(plan, resolved, Moment(9000.0, elapsed, stopped=stopped))


def test_from_the_start_it_is_the_whole_race(plan: Plan, resolved: Resolved) -> None:
    """At kilometre 0 and time 0 the race is planned as a whole, from a standing start."""
    found = replan(plan, resolved, Moment(0.0, 0.0))
    assert found.plan.totals.time_s == pytest.approx(plan.totals.time_s, rel=3e-3)
    assert found.plan.nodes.speed_m_s[0] == 0.0

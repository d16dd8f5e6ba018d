"""One plan on another day, against the plan itself and against planning that day from the beginning."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from pacer.planning.ensemble import Held, best_of_day, ride_day
from pacer.planning.followable import Followable, followable, ridden
from pacer.planning.members import Member, Spreads, draw_members, setup_on, weather_on
from pacer.planning.optimise import optimise
from pacer.planning.scenario import Scenario
from pacer.planning.solution import Solution
from pacer.workflow import Request, make_scenario
from tests.workflow.races import race


@dataclass(frozen=True)
class Planned:
    """A race with its plan."""

    request: Request
    scenario: Scenario
    solution: Solution
    plan: Followable

    @property
    def held(self) -> Held:
        """What the rider does on any day."""
        return Held(np.repeat(self.plan.power, np.diff(self.plan.cuts)), self.plan.position)

    @property
    def seconds(self) -> np.ndarray:
        """Planned time in each cell."""
        return self.plan.ride.trace.duration

    def on(self, member: Member) -> Scenario:
        """The race on another day."""
        request = self.request
        weather = weather_on(member, request.weather)
        return make_scenario(replace(request, setup=setup_on(member, request.setup), weather=weather))


def _planned(request: Request) -> Planned:
    scenario = make_scenario(request)
    solution = optimise(scenario)
    return Planned(
        request,
        scenario,
        solution,
        followable(solution),
    )


@pytest.fixture(scope="module", params=["effort", "duration"])
def planned(request: pytest.FixtureRequest) -> Planned:
    """Races whose budget is given, and follows from the duration."""
    if request.param == "effort":
        return _planned(race("orlibeck-tri", laps=1))
    return _planned(race("marnhythe-tt"))


SPLITS = np.array([5000.0, 10_000.0])


def test_the_planned_day_gives_the_plan(planned: Planned) -> None:
    """On a day that is as forecast the plan takes its own time, to a ten-thousandth, and holds its budget."""
    day, _ = ride_day(planned.on(Member("as forecast")), planned.held, planned.seconds, SPLITS)
    assert day.time == pytest.approx(planned.plan.ride.time, rel=1e-4)
    at = np.interp(SPLITS, planned.scenario.cells.nodes, planned.plan.ride.trace.time)
    assert day.split_time == pytest.approx(at, rel=1e-4)
    assert 0.98 < day.load <= 1.001


def test_drag_and_tyres_make_a_slow_day(planned: Planned) -> None:
    """More drag and slower tyres cost time on the same power; the clock at every split says so."""
    usual, _ = ride_day(planned.on(Member("usual")), planned.held, planned.seconds, SPLITS)
    slow, _ = ride_day(
        planned.on(Member("slow", drag_factor=1.06, crr_factor=1.2)), planned.held, planned.seconds, SPLITS
    )
    assert slow.time > usual.time + 10.0
    assert np.all(slow.split_time > usual.split_time)


def test_a_weak_day_breaks_the_budget(planned: Planned) -> None:
    """With 5 % less critical power the same powers are too much, by about as much."""
    day, _ = ride_day(
        planned.on(Member("weak", critical_power_factor=0.95)), planned.held, planned.seconds, SPLITS
    )
    assert not day.holds
    assert day.load == pytest.approx(1.0 / 0.95, rel=0.01)


def test_the_scale_is_where_the_budget_is_just_held(planned: Planned) -> None:
    """Powers scaled as told are held; one per cent more isn't."""
    scenario = planned.on(Member("weak", critical_power_factor=0.93))
    day, _ = ride_day(scenario, planned.held, planned.seconds, SPLITS)
    for share, holds in ((0.999, True), (1.01, False)):
        held = replace(planned.held, power=planned.held.power * day.scale * share)
        again, _ = ride_day(scenario, held, planned.seconds, SPLITS)
        assert again.holds is holds


def test_the_rider_sits_up_where_the_day_refuses_the_tuck(planned: Planned) -> None:
    """In a storm across the road nobody is tucked whatever the plan says, and the day is slower for it."""
    storm = replace(planned.request.weather, gust=planned.request.weather.gust + 15.0)
    day, ride = ride_day(planned.on(Member("storm", storm)), planned.held, planned.seconds, SPLITS)
    calm, _ = ride_day(planned.on(Member("usual")), planned.held, planned.seconds, SPLITS)
    assert day.refused.mean() > calm.refused.mean() + 0.2
    assert day.time > calm.time
    upright = planned.solution.problem.can_brake.argmax()
    problem, _ = planned.on(Member("storm", storm)).problem(
        np.cumsum(planned.seconds), planned.solution.problem.fatigue.budget
    )
    position = np.where(day.refused, upright, planned.held.position)
    assert ride.time == pytest.approx(ridden(problem, position, planned.held.power).time, rel=1e-6)


def test_powers_too_low_for_the_climb_never_finish(planned: Planned) -> None:
    """A day on which the powers don't carry the rider up has no time; it counts as spent."""
    held = replace(planned.held, power=0.0 * planned.held.power)
    day, _ = ride_day(planned.on(Member("usual")), held, planned.seconds, SPLITS)
    assert np.isinf(day.time)
    assert day.runs_out
    assert not day.holds


def test_the_best_of_a_day_agrees_with_planning_it_anew(planned: Planned) -> None:
    """From the planned day's prices: time to one part in 2,000 of all rounds, positions on 98 % of cells."""
    spreads = Spreads(wind_speed=0.3, wind_from=0.4, drag=0.04, critical_power=0.03)
    tucked = np.array([p.tucked for p in planned.request.setup.positions])
    for member in draw_members(spreads, 5, 11):
        scenario = planned.on(member)
        _, ride = ride_day(scenario, planned.held, planned.seconds, SPLITS)
        quick = best_of_day(scenario, planned.solution, ride)
        whole = optimise(scenario)
        assert quick.time == pytest.approx(whole.optimum.time, rel=5e-4)
        assert np.mean(quick.tucked == tucked[whole.position]) > 0.98

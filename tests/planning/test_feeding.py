"""Where the rider sits up to eat and drink."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pacer.course.track import Zone, ZoneKind
from pacer.physics.rider import Skill
from pacer.planning.feeding import Wish, feed_stops, stop_zones, wish_of
from pacer.planning.optimise import optimise
from pacer.planning.plan import Plan
from pacer.planning.scenario import Scenario
from pacer.planning.solution import Solution
from pacer.workflow import Request, fed, make_plan, make_scenario
from tests.planning.courses import draw_course, make_request, rider_of, windy
from tests.workflow.races import race


def _wishing(request: Request, **table: float) -> Request:
    return replace(request, extra={"feeding": table})


@pytest.fixture(scope="module")
def request_() -> Request:
    """A race of 40 minutes on rolling roads."""
    return race("orlibeck-tri", laps=1)


@pytest.fixture(scope="module")
def scenario(request_: Request) -> Scenario:
    """The same without its own feed zones."""
    zones = tuple(zone for zone in request_.zones if zone.kind is not ZoneKind.FEED)
    return make_scenario(replace(request_, zones=zones))


@pytest.fixture(scope="module")
def solution(scenario: Scenario) -> Solution:
    """Its free optimum."""
    return optimise(scenario)


WISH = Wish(every=480.0, upright=15.0, first=480.0, last_before_end=300.0, words="eat 20 g")


@pytest.mark.parametrize(
    ("table", "every", "words"),
    [
        ({"every_min": 20.0}, 1200.0, "eat and drink"),
        ({"every_min": 20.0, "grams_per_h": 60.0}, 1200.0, "eat 20 g"),
        ({"grams_per_h": 60.0, "grams_each": 30.0}, 1800.0, "eat 30 g"),
        ({"grams_per_h": 50.0}, 1800.0, "eat 25 g"),
        ({"drink_ml_per_h": 600.0}, 900.0, "drink 150 ml"),
        ({"every_min": 15.0, "grams_each": 22.0, "drink_ml_per_h": 500.0}, 900.0, "eat 22 g, drink 125 ml"),
    ],
)
def test_wishes_in_minutes_or_grams(table: dict[str, Any], every: float, words: str) -> None:
    """So many minutes, so many grams an hour, or both: how often, and what the card says."""
    wish = wish_of(table)
    assert wish is not None
    assert wish.every == pytest.approx(every)
    assert wish.words == words


def test_a_table_that_asks_for_nothing_is_no_wish() -> None:
    """Nothing an hour, or only how long to sit up, makes no stops."""
    assert wish_of({}) is None
    assert wish_of({"grams_per_h": 0.0, "upright_s": 12.0}) is None


def test_stops_are_where_no_rule_refuses_and_the_road_is_gentle(
    scenario: Scenario, solution: Solution
) -> None:
    """Each stop lasts as long as asked, begins near its time, and holds no corner, descent, gust or brake."""
    stops, missed = feed_stops(scenario, solution, WISH)
    assert len(stops) + len(missed) == 4
    assert len(stops) >= 3
    cells = scenario.cells
    time = np.concatenate(([0.0], np.cumsum(cells.length * solution.optimum.slowness)))
    for k, stop in enumerate(stops):
        inside = (cells.start >= stop.start - 0.01) & (cells.start + cells.length <= stop.end + 0.01)
        assert inside.any()
        assert solution.verdict.tuck_allowed[inside].all()
        assert np.isinf(cells.corner_radius[inside]).all() or (cells.corner_radius[inside] > 40.0).all()
        assert (cells.grade[inside] > -0.021).all()
        begins, ends = np.interp([stop.start, stop.end], cells.nodes, time)
        assert ends - begins >= WISH.upright - 1e-6
        assert min(abs(begins - WISH.every * n) for n in range(1, 5)) <= 0.49 * WISH.every + 1e-6
        assert stop.time == pytest.approx(begins)
        if k:
            assert stop.start > stops[k - 1].end


def test_no_cheaper_safe_place_is_near(scenario: Scenario, solution: Solution) -> None:
    """A stop costs nothing where the rider is upright anyway, and never more than the dearest of the road."""
    stops, _ = feed_stops(scenario, solution, WISH)
    hands_off = ~solution.problem.can_brake[solution.position]
    for stop in stops:
        inside = (scenario.cells.start >= stop.start - 0.01) & (scenario.cells.start < stop.end - 0.01)
        if not hands_off[inside].any():
            assert stop.cost == 0.0
        assert 0.0 <= stop.cost < 2.0


def test_a_feed_zone_of_the_race_is_used(request_: Request) -> None:
    """Where the race has its own feed zone near the time, that is the stop, at no cost, and none is added."""
    scenario = make_scenario(request_)
    zone = next(zone for zone in request_.zones if zone.kind is ZoneKind.FEED)
    solution = optimise(scenario)
    time = np.concatenate(([0.0], np.cumsum(scenario.cells.length * solution.optimum.slowness)))
    at = float(np.interp(zone.start, scenario.cells.nodes, time))
    wish = replace(WISH, every=2000.0, first=at - 100.0, last_before_end=0.0)
    stops, _ = feed_stops(scenario, solution, wish)
    assert stops[0].given
    assert stops[0].start == zone.start
    assert stop_zones(stops[:1], "eat") == ()


def test_a_time_without_a_safe_place_is_told(request_: Request) -> None:
    """A rider who bears no side wind at all finds no safe place; the plan says so and makes none up."""
    anxious = replace(request_, zones=(), safety={"tuck_gust_crosswind_m_s": 0.0})
    asked = _wishing(anxious, every_min=10.0)
    found = fed(asked)
    assert found.extra["feeding"]["stops"] == []
    assert len(found.extra["feeding"]["missed_s"]) == 3
    plan = make_plan(asked)
    assert any("No safe place to eat or drink" in caution for caution in plan.cautions)


def _level(*, wind: float = 0.0, zones: tuple[Zone, ...] = ()) -> tuple[Scenario, Solution]:
    """Eight kilometres of level road northwards, the wind from behind."""
    weather = windy(wind, np.pi, gust=wind)
    setup = rider_of(Skill.PRACTISED)
    course = draw_course([0.0] * 800)
    scenario = make_scenario(make_request(course, setup=setup, weather=weather, zones=zones))
    return scenario, optimise(scenario, relaxed=False)


def test_no_hand_leaves_the_bars_at_speed() -> None:
    """Blown along at 50 km/h nothing is eaten; in calm air on the same road it is."""
    wish = replace(WISH, first=300.0, last_before_end=0.0)
    calm, blown = (feed_stops(*_level(wind=wind), wish) for wind in (0.0, 12.0))
    assert calm[0]
    assert not blown[0]
    assert blown[1]


def test_nothing_is_eaten_on_cobbles() -> None:
    """Where a surface is too rough to be tucked on both hands are needed."""
    cobbles = Zone(ZoneKind.SURFACE, 0.0, 6000.0, value=3.0)
    wish = replace(WISH, every=1000.0, first=700.0, last_before_end=0.0)
    stops, _ = feed_stops(*_level(zones=(cobbles,)), wish)
    assert stops
    assert all(stop.start >= cobbles.end for stop in stops)


@pytest.fixture(scope="module")
def plan(request_: Request) -> Plan:
    """The race with something to eat every eight minutes."""
    return make_plan(_wishing(request_, every_min=8.0, grams_each=20.0, last_before_end_min=5.0))


def test_the_plan_is_upright_at_every_stop(plan: Plan) -> None:
    """Each stop is ridden with the hands on the brakes, and stands on the card."""
    stops = plan.inputs["feeding"]["stops"]
    assert len(stops) >= 3
    tucked = {p["name"] for p in plan.inputs["positions"] if not p["hands_on_brakes"]}
    for stop in stops:
        start, end = 1000.0 * stop["start_km"], 1000.0 * stop["end_km"]
        inside = (plan.cells.start_m > start - 1.0) & (plan.cells.start_m < end - 1.0)
        assert not any(plan.cells.position[i] in tucked for i in np.flatnonzero(inside))
        if not stop["given"]:
            near = [cue for cue in plan.cues if abs(cue.at_m - start) < 350.0 and "eat 20 g" in cue.text]
            assert near, f"no cue for the stop at km {stop['start_km']}"
            assert not any(cue.tucked for cue in near)


def test_the_cost_is_the_difference_of_two_plans(request_: Request, plan: Plan) -> None:
    """What the table states as the time without stops is that of the same race without a wish."""
    table = plan.inputs["feeding"]
    without = make_plan(replace(request_, extra={}))
    assert table["free_optimum_without_s"] == pytest.approx(without.optimality.free_optimum_s, abs=0.02)
    cost = plan.optimality.free_optimum_s - table["free_optimum_without_s"]
    assert 0.0 <= cost < 10.0


def test_finding_the_stops_again_changes_nothing(request_: Request) -> None:
    """A request whose stops are found is left as it is, so that every plan made from it has the same ones."""
    once = fed(_wishing(request_, every_min=10.0))
    assert fed(once) is once


def test_without_a_wish_nothing_happens(request_: Request) -> None:
    """No table, no stops, the very same request."""
    plain = replace(request_, extra={})
    assert fed(plain) is plain


def test_a_second_zone_of_the_same_name_has_its_own_cue(request_: Request) -> None:
    """Two stops with the same words, kilometres apart: both stand on the card."""
    zones = (
        Zone(ZoneKind.NOTE, 3000.0, 3000.0, "drink"),
        Zone(ZoneKind.NOTE, 12_000.0, 12_000.0, "drink"),
    )
    plan = make_plan(replace(request_, zones=zones, extra={}))
    places = [cue.at_m for cue in plan.cues if "drink" in cue.text]
    assert any(abs(at - 3000.0) < 300.0 for at in places)
    assert any(abs(at - 12_000.0) < 300.0 for at in places)

"""Where no plan meets the limits: which limit, where, and by how much."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from pacer.course.track import Zone, ZoneKind
from pacer.errors import InfeasibleError
from pacer.physics.rider import Skill
from pacer.planning.race import Race, StartKind
from pacer.workflow import Request, make_plan
from tests.planning.courses import draw_course, make_request, rider_of


def refusal(request: Request) -> InfeasibleError:
    """The refusal that planning ends in."""
    with pytest.raises(InfeasibleError) as caught:
        make_plan(request)
    text = str(caught.value)
    assert text.startswith("no plan meets the limits: ")
    assert "missed by" in text
    assert "\n" not in text
    assert caught.value.by
    assert caught.value.do
    return caught.value


def climb(grade: float, *, flat: int = 60, steep: int = 40) -> np.ndarray:
    """Grades of a flat, a steep part and a flat."""
    return np.concatenate([np.zeros(flat), np.full(steep, grade), np.zeros(flat)])


def test_a_descent_that_the_brakes_cannot_hold() -> None:
    """A 35 % descent pulls harder than the 2 m/s² counted on: both are named, the place, and the way out."""
    error = refusal(make_request(draw_course(climb(-0.35)), setup=rider_of(Skill.PRACTISED)))
    assert "the brakes can't hold the speed on the descent at km" in error.limit
    place = float(re.findall(r"km ([\d.]+)", error.limit)[0])
    assert 0.55 <= place <= 1.05
    assert "(-35.0 %)" in error.limit
    pull, counted = re.findall(r"pulls ([\d.]+), the plan counts on ([\d.]+)", error.by)[0]
    assert float(pull) == pytest.approx(9.80665 * np.sin(np.arctan(0.35)), abs=0.01)
    assert float(counted) == pytest.approx(2.0, abs=0.01)
    assert "braking_m_s2" in error.do


def test_the_brakes_hold_a_little_less() -> None:
    """A 12 % descent can be held, and is planned at the limit."""
    plan = make_plan(make_request(draw_course(climb(-0.12)), setup=rider_of(Skill.PRACTISED)))
    assert plan.cells.brake_n.max() > 0.0
    assert plan.totals.max_speed_m_s <= 60.0 / 3.6 + 0.02


def missing(error: InfeasibleError) -> tuple[float, float]:
    """Between what a refusal says is missing."""
    low, high = re.findall(r"^(\d+) to (\d+) ", error.by)[0]
    return float(low), float(high)


def watts_up(grade: float, mass: float = 83.0, speed: float = 1.5) -> float:
    """Power at the pedals that walking pace takes up a slope, air left out [W]."""
    theta = np.arctan(grade)
    return mass * 9.80665 * (np.sin(theta) + 0.0045 * np.cos(theta)) * speed / 0.976


def test_a_climb_that_the_maximum_power_cannot_carry() -> None:
    """Up a 30 % wall the maximum power is what's missing: as many watts as walking pace takes."""
    setup = rider_of(Skill.PRACTISED, critical_power=250.0, max_power=260.0, w_prime=60_000.0)
    race = Race(effort=1.3, w_prime_reserve=0.0)
    error = refusal(make_request(draw_course(climb(0.30, flat=300, steep=30)), setup=setup, race=race))
    assert error.limit.startswith("the maximum power of 260 W is too little")
    assert "(the steepest climb is at km 3." in error.limit
    low, high = missing(error)
    assert low <= watts_up(0.30) - 260.0 <= high
    assert "max_power_w" in error.do


def test_a_budget_that_cannot_carry() -> None:
    """On a long steep climb the fatigue budget is what's missing; the way out is a higher effort."""
    setup = rider_of(Skill.PRACTISED, critical_power=200.0, w_prime=60_000.0)
    race = Race(effort=0.6)
    error = refusal(make_request(draw_course(climb(0.2, steep=60)), setup=setup, race=race))
    assert error.limit.startswith("the fatigue budget of 120 W is too little")
    low, high = missing(error)
    # The flats may be ridden slowly, so that the budget, a mean, can stay under what the climb takes.
    assert 120.0 + low < watts_up(0.2)
    assert 120.0 + high > 0.6 * watts_up(0.2)
    assert "effort" in error.do


def test_a_rider_who_lacks_everything() -> None:
    """Where no single limit eased would do, the rider's power in all is named, in per cent."""
    setup = rider_of(Skill.PRACTISED, critical_power=100.0, max_power=150.0, w_prime=5_000.0)
    error = refusal(make_request(draw_course(climb(0.2, steep=300)), setup=setup))
    assert error.limit.startswith("the rider's power in all is too little")
    low, high = missing(error)
    assert low <= 100.0 * (watts_up(0.2) / 95.0 - 1.0) <= high
    assert error.by.endswith("%")


def test_limits_that_contradict() -> None:
    """A walking-pace limit at the line of a rolling start down a wall can't be met."""
    zone = Zone(ZoneKind.SPEED_LIMIT, 100.0, 120.0, value=5.0 / 3.6)
    request = make_request(
        draw_course(np.full(60, -0.16)),
        zones=(zone,),
        race=Race(effort=0.9, start=StartKind.ROLLING),
        setup=rider_of(Skill.NEW),
    )
    refusal(request)


def test_w_prime_that_cannot_stay_above_its_reserve() -> None:
    """A steep kilometre that W' pays for, with a reserve that forbids it: W' is named, and the reserve."""
    setup = rider_of(Skill.PRACTISED, critical_power=180.0, w_prime=9_000.0, max_power=700.0)
    race = Race(effort=1.2, w_prime_reserve=8_900.0)
    error = refusal(make_request(draw_course(climb(0.17, steep=30)), setup=setup, race=race))
    assert error.limit.startswith("W' above its reserve of 9000 J is too little")
    assert "w_prime_reserve_j" in error.do


def test_an_upright_position_alone_is_enough() -> None:
    """Nothing is refused because a rider has no tucked position."""
    request = make_request(draw_course(climb(0.03)))
    hands = tuple(p for p in request.setup.positions if p.hands_on_brakes)
    plan = make_plan(replace(request, setup=replace(request.setup, positions=hands)))
    assert plan.totals.tucked_time_share == 0.0
    assert {segment.position for segment in plan.segments} == {hands[0].name}

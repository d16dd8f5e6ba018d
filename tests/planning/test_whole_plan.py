"""Properties of the whole of planning, on random races: from a course to the checked plan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from pacer.air.weather import Weather, constant_weather
from pacer.course.track import Zone, ZoneKind
from pacer.errors import InfeasibleError, PacerError
from pacer.physics.rider import Skill
from pacer.planning.optimise import optimise
from pacer.planning.plan import Plan
from pacer.planning.race import Race, StartKind
from pacer.workflow import make_plan, make_scenario
from tests.planning.courses import draw_course, make_request, rider_of, smooth_grades, windy
from tests.planning.holds import faults
from tests.planning.strategies import Case, cases

SEEDS = st.integers(0, 10_000)
few = settings(max_examples=12, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(case=cases())
def test_a_race_is_planned_within_everything_or_refused_in_a_line(case: Case) -> None:
    """Whatever the course, rider, wind and zones: a plan in which everything holds, or one of our own errors.

    Limits, budgets, energy, the last check, the bound: see `holds.faults`.
    """
    refusal, plan = None, None
    try:
        request = case.request()
        plan = make_plan(request)
    except PacerError as error:
        refusal = str(error)
    if plan is not None:
        assert faults(plan, request) == []
    else:
        assert refusal
        assert "\n" not in refusal
        assert "did not pass its own check" not in refusal


def course_of(seed: int, *, steps: int = 300, steepest: float = 0.04) -> tuple[np.ndarray, np.ndarray]:
    """Grades and headings of a random road that turns every 500 m."""
    rng = np.random.default_rng(seed)
    return smooth_grades(steps, rng, steepest), np.repeat(rng.uniform(0.0, 6.0, steps // 50 + 1), 50)[:steps]


def planned(
    grade: np.ndarray,
    heading: np.ndarray,
    *,
    weather: Weather | None = None,
    race: Race | None = None,
    zones: tuple[Zone, ...] = (),
    safety: dict[str, float] | None = None,
) -> Plan:
    """Plan a drawn road for the typical rider, practised."""
    return make_plan(
        make_request(
            draw_course(grade, heading=heading),
            setup=rider_of(Skill.PRACTISED),
            weather=weather or constant_weather(),
            race=race or Race(effort=0.9),
            zones=zones,
            safety=safety,
        )
    )


@few
@given(seed=SEEDS, more=st.floats(1.02, 1.3))
def test_more_power_is_never_slower(seed: int, more: float) -> None:
    """A higher target is never slower, but for what rounding to readable powers loses: 0.15 %."""
    grade, heading = course_of(seed)
    low, high = (planned(grade, heading, race=Race(target_power=p)) for p in (190.0, 190.0 * more))
    assert high.totals.time_s <= low.totals.time_s * 1.0015
    assert high.optimality.free_optimum_s <= low.optimality.free_optimum_s * (1.0 + 5e-4)


@few
@given(
    seed=SEEDS,
    factor=st.floats(0.5, 0.95),
    key=st.sampled_from(["top_speed_kmh", "corner_lateral_g", "tuck_top_speed_kmh", "braking_m_s2"]),
)
def test_a_tighter_limit_is_never_faster(seed: int, factor: float, key: str) -> None:
    """Lowering a safety limit, or adding a speed-limit zone, never gains time beyond the same 0.15 %."""
    default = {
        "top_speed_kmh": 60.0,
        "corner_lateral_g": 0.27,
        "tuck_top_speed_kmh": 52.0,
        "braking_m_s2": 2.0,
    }
    grade, heading = course_of(seed, steepest=0.05)
    zone = Zone(ZoneKind.SPEED_LIMIT, 1_000.0, 1_400.0, value=20.0 / 3.6)
    base = planned(grade, heading)
    tight = planned(grade, heading, safety={key: default[key] * factor})
    zoned = planned(grade, heading, zones=(zone,))
    for changed in (tight, zoned):
        assert changed.totals.time_s >= base.totals.time_s * (1.0 - 1.5e-3)


@few
@given(seed=SEEDS, degrees=st.floats(5.0, 355.0))
def test_road_and_wind_turned_together_change_nothing(seed: int, degrees: float) -> None:
    """The same road laid another way, in a wind turned with it, is ridden in the same time, to 1e-5."""
    grade, heading = course_of(seed)
    turn = np.radians(degrees)
    here = planned(grade, heading, weather=windy(4.0, 1.0))
    there = planned(grade, heading + turn, weather=windy(4.0, 1.0 + turn))
    np.testing.assert_allclose(there.cells.headwind_m_s, here.cells.headwind_m_s, atol=1e-6)
    assert there.totals.time_s == pytest.approx(here.totals.time_s, rel=1e-5)
    assert there.cells.position == here.cells.position


@few
@given(seed=SEEDS)
def test_a_flat_road_in_reversed_wind_takes_as_long(seed: int) -> None:
    """A flat road ridden the other way in the opposite wind takes the same time to 0.5 %.

    Its first and last 500 m run alike, so that the speed brought along at the rolling start is the same.
    """
    _, heading = course_of(seed, steps=500)
    heading[-50:] = heading[:50]
    flat, race = np.zeros(500), Race(effort=0.9, start=StartKind.ROLLING)
    safety = {"start_upright_m": 100.0, "finish_upright_m": 100.0}
    there = planned(flat, heading, weather=windy(4.0, 1.0), race=race, safety=safety)
    turned = heading[::-1] + np.pi
    back = planned(flat, turned, weather=windy(4.0, 1.0 + np.pi), race=race, safety=safety)
    assert back.totals.time_s == pytest.approx(there.totals.time_s, rel=5e-3)


@few
@given(seed=SEEDS, wind_from=st.floats(0.0, 6.28))
def test_a_headwind_costs_more_than_the_tailwind_gives(seed: int, wind_from: float) -> None:
    """On a flat road out and back, any wind makes the race slower than calm air."""
    heading = np.concatenate([np.zeros(150), np.full(150, np.pi)])
    flat = np.zeros(300)
    rng = np.random.default_rng(seed)
    calm = planned(flat, heading)
    blown = planned(flat, heading, weather=windy(float(rng.uniform(2.0, 7.0)), wind_from, gust=0.0))
    assert blown.totals.time_s > calm.totals.time_s * (1.0 - 1e-4)


@few
@given(seed=SEEDS)
def test_a_tuck_that_saves_nothing_is_not_taken(seed: int) -> None:
    """A tucked position with the drag of the hoods and less power is never chosen."""
    grade, heading = course_of(seed)
    setup = rider_of(Skill.EXPERT)
    hoods, bars = setup.positions
    idle = replace(setup, positions=(hoods, replace(bars, cda=hoods.cda, power_factor=0.97)))
    plan = make_plan(make_request(draw_course(grade, heading=heading), setup=idle))
    assert plan.totals.tucked_time_share == 0.0


@few
@given(seed=SEEDS)
def test_a_tuck_that_costs_nothing_is_taken_where_it_may(seed: int) -> None:
    """With no loss of power, a low position is held almost wherever the rules and the stays allow it.

    On a road without steep parts, at speeds under the tuck's own limit.
    """
    grade, heading = course_of(seed, steepest=0.012)
    setup = rider_of(Skill.EXPERT)
    hoods, bars = setup.positions
    free = replace(setup, positions=(hoods, replace(bars, power_factor=1.0, max_continuous=None)))
    plan = make_plan(make_request(draw_course(grade, heading=heading), setup=free))
    allowed = np.asarray(plan.cells.tuck_allowed)
    tucked = np.array([p == "aero bars" for p in plan.cells.position])
    assume(allowed.any())
    assert plan.cells.length_m[tucked].sum() >= 0.97 * plan.cells.length_m[allowed].sum()


@pytest.mark.parametrize("reserve", [0.0, 6_000.0, 12_000.0])
def test_the_reserve_is_kept_and_costs_time(reserve: float) -> None:
    """On hills that draw on W', the balance stays above the reserve, and a higher reserve is slower."""
    grade = np.concatenate([np.full(80, 0.06), np.full(60, -0.02)] * 3)
    race = Race(effort=1.08, w_prime_reserve=reserve)
    setup = rider_of(Skill.PRACTISED, w_prime=14_000.0)
    plan = make_plan(make_request(draw_course(grade), setup=setup, race=race))
    assert plan.nodes.w_balance_j.min() >= reserve - 1.0
    unbound = make_plan(
        make_request(draw_course(grade), setup=setup, race=replace(race, w_prime_reserve=0.0))
    )
    assert plan.totals.time_s >= unbound.totals.time_s * (1.0 - 1e-3)


def test_a_plan_is_planned_for_the_speeds_that_it_rides() -> None:
    """The free optimum's own simulation and the programme agree on a smooth road, to 0.1 %."""
    grade, heading = course_of(7, steps=900)
    scenario = make_scenario(make_request(draw_course(grade, heading=heading)))
    solution = optimise(scenario)
    assert solution.optimum.looseness < 1e-6
    assert solution.status == "solved"


def test_a_refusal_leaves_no_plan() -> None:
    """What can't be planned raises, with nothing half made."""
    with pytest.raises(InfeasibleError):
        planned(np.concatenate([np.zeros(60), np.full(60, -0.4)]), np.zeros(120))

"""What is said of the day and of numbers that are hardly meant as they were entered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.air.weather import (
    DEFAULT_HUMIDITY,
    DEFAULT_PRESSURE,
    DEFAULT_TEMPERATURE,
    Weather,
    constant_weather,
)
from pacer.planning.cautions import STANDING_CAUTIONS
from pacer.planning.plan import Plan
from pacer.render._card_back import back_items
from pacer.render.report import draw_report
from pacer.render.summary import check_summary, plan_summary
from pacer.workflow import make_plan
from tests.planning.courses import draw_course, make_request, windy
from tests.workflow.races import race


def planned(weather: Weather | None = None, rider: float = 0.0, bicycle: float = 0.0) -> Plan:
    """Four kilometres in other weather, or with other masses [kg]."""
    request = race("marnhythe-tt", part=(0.0, 4.0))
    setup = request.setup
    return make_plan(
        replace(
            request,
            weather=weather or request.weather,
            setup=replace(
                setup,
                rider=replace(setup.rider, mass=rider or setup.rider.mass),
                bike=replace(setup.bike, mass=bicycle or setup.bike.mass),
            ),
        )
    )


def said(plan: Plan) -> tuple[str, ...]:
    """What stands there beyond what every plan says."""
    assert plan.cautions[: len(STANDING_CAUTIONS)] == STANDING_CAUTIONS
    return plan.cautions[len(STANDING_CAUTIONS) :]


@pytest.mark.parametrize(
    ("mean", "gust", "name"),
    [
        (10.7, 17.8, ""),
        (10.8, 12.0, "a strong breeze (Beaufort 6)"),
        (6.0, 18.0, "a strong breeze (Beaufort 6)"),
        (13.9, 18.0, "near a gale (Beaufort 7)"),
        (18.0, 30.0, "a gale (Beaufort 8)"),
        (8.0, 30.0, "a gale (Beaufort 8)"),
    ],
)
def test_a_strong_wind_is_told_by_its_force(mean: float, gust: float, name: str) -> None:
    """From Beaufort 6 on, by the mean or by gusts that come with one; off the bars from 7 on."""
    plan = planned(constant_weather(wind_speed=mean, gust=gust))
    found = [line for line in said(plan) if "Wind of" in line]
    assert len(found) == bool(name)
    for line in found:
        assert f"{mean:.1f} m/s" in line
        assert name in line
        assert "in km/h, divide it by 3.6" in line
        assert ("stay off the aero bars" in line) == ("breeze" not in name)


def test_the_strongest_wind_of_the_race_counts_not_that_of_the_evening() -> None:
    """Of a forecast only the hours of the race are looked at."""
    steady = np.ones(3)
    hours = Weather(
        time=np.array([0.0, 3600.0, 7200.0]),
        wind_east=np.array([4.0, 4.0, 25.0]),
        wind_north=0.0 * steady,
        gust=np.array([6.0, 6.0, 40.0]),
        temperature=DEFAULT_TEMPERATURE * steady,
        pressure=DEFAULT_PRESSURE * steady,
        relative_humidity=DEFAULT_HUMIDITY * steady,
        start=0.0,
    )
    assert not any("Wind of" in line for line in said(planned(hours)))
    assert any("Wind of" in line for line in said(planned(replace(hours, start=6600.0))))


def test_the_gale_stands_wherever_the_plan_is_read() -> None:
    """Summary, check, report and the card's back say it."""
    plan = planned(constant_weather(wind_speed=18.0, gust=30.0))
    back = " ".join(item.text for item in back_items(plan, (), (), ()))
    for text in (plan_summary(plan, 10_000), check_summary(plan, 10_000), draw_report(plan).decode(), back):
        assert "a gale (Beaufort 8)" in text.replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(("kg", "asked"), [(119.9, False), (120.0, True), (163.0, True)])
def test_a_rider_who_may_have_been_weighed_in_pounds_is_asked(kg: float, asked: bool) -> None:
    """163 kg is within what can be entered, and more likely 163 lb: 73.9 kg."""
    found = [line for line in said(planned(rider=kg)) if "pounds" in line]
    assert len(found) == asked
    assert kg != 163.0 or "73.9 kg" in found[0]


def test_a_bicycle_weighed_in_pounds_is_asked_about_too() -> None:
    """20 kg is a heavy bicycle, and 20 lb are a common one."""
    assert any("9.1 kg" in line for line in said(planned(bicycle=20.0)))
    assert not any("pounds" in line for line in said(planned(bicycle=15.0)))


@pytest.mark.parametrize(
    ("weather", "told"),
    [
        (constant_weather(), True),
        (windy(2.0, 0.0), False),
        (windy(0.0, 0.0, gust=3.0), False),
    ],
)
def test_a_plan_that_knows_of_no_wind_says_so(weather: Weather, told: bool) -> None:
    """Without wind and gusts the gust rule has nothing to go by, which is a caution of the plan."""
    plan = make_plan(make_request(draw_course([0.0] * 200), weather=weather))
    assert any("knows of no wind" in caution for caution in plan.cautions) == told

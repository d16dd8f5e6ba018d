"""What the rider is told to look out for, and when."""

from __future__ import annotations

import pytest

from pacer.air.weather import Weather, constant_weather
from pacer.workflow import make_plan
from tests.planning.courses import draw_course, make_request, windy


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

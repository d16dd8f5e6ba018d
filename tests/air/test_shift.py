"""Another day's weather."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pacer.air.shift import WeatherShift, shifted
from pacer.air.weather import DEFAULT_GUST_FACTOR, Weather, constant_weather


def _speed(weather: Weather) -> float:
    return float(np.hypot(weather.wind_east, weather.wind_north)[0])


def _came_from(weather: Weather) -> float:
    return math.degrees(math.atan2(-weather.wind_east[0], -weather.wind_north[0])) % 360.0


def test_no_shift_changes_nothing() -> None:
    """The neutral shift gives the same weather, to rounding."""
    before = constant_weather(wind_speed=5.0, wind_from=math.radians(240.0), gust=8.0)
    after = shifted(before, WeatherShift())
    for name in ("wind_east", "wind_north", "gust", "temperature", "pressure", "relative_humidity"):
        assert getattr(after, name) == pytest.approx(getattr(before, name))


def test_stronger_wind_keeps_its_direction_and_gust_factor() -> None:
    """Half as much again: the same direction, gusts half as much again."""
    before = constant_weather(wind_speed=4.0, wind_from=math.radians(200.0), gust=7.0)
    after = shifted(before, WeatherShift(speed_factor=1.5))
    assert _speed(after) == pytest.approx(6.0)
    assert _came_from(after) == pytest.approx(200.0)
    assert after.gust[0] == pytest.approx(10.5)


def test_turn_is_clockwise() -> None:
    """A turn of 30° brings a wind from 350° round to 20°."""
    before = constant_weather(wind_speed=4.0, wind_from=math.radians(350.0))
    assert _came_from(shifted(before, WeatherShift(turn=math.radians(30.0)))) == pytest.approx(20.0)


def test_wind_never_falls_below_calm() -> None:
    """Taking more than there is leaves calm air without gusts."""
    after = shifted(constant_weather(wind_speed=2.0, wind_from=1.0, gust=4.0), WeatherShift(speed=-3.0))
    assert _speed(after) == 0.0
    assert after.gust[0] == 0.0


def test_calm_air_stirs_from_the_north() -> None:
    """A wind added to calm air has a direction and the usual gusts."""
    after = shifted(constant_weather(), WeatherShift(speed=3.0))
    assert _came_from(after) == pytest.approx(0.0)
    assert after.gust[0] == pytest.approx(3.0 * DEFAULT_GUST_FACTOR)


def test_gust_is_never_below_the_mean() -> None:
    """A gust lowered under the mean wind stays at the mean wind."""
    before = constant_weather(wind_speed=5.0, wind_from=0.0, gust=6.0)
    assert shifted(before, WeatherShift(gust=-4.0)).gust[0] == pytest.approx(5.0)


def test_humidity_stays_a_share() -> None:
    """Humidity is held between 0 and 1; temperature and pressure are added to."""
    before = constant_weather(relative_humidity=0.9, temperature=288.0, pressure=100_000.0)
    after = shifted(before, WeatherShift(relative_humidity=0.3, temperature=5.0, pressure=-700.0))
    assert after.relative_humidity[0] == 1.0
    assert after.temperature[0] == pytest.approx(293.0)
    assert after.pressure[0] == pytest.approx(99_300.0)

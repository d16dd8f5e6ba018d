"""The weather at a moment, and the air of a cell."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pacer.air.density import air_density
from pacer.air.resolve import resolve_air
from pacer.air.weather import DEFAULT_GUST_FACTOR, HOLD, Weather, constant_weather, vector_from_wind
from pacer.air.wind import profile_factor
from pacer.errors import WeatherError

_START = 1_781_418_600.0


def forecast(hours: int = 4, start: float | None = _START, turn: float = math.pi) -> Weather:
    """Wind of 6 m/s that turns from north over east by `turn` in three hours."""
    hour = np.arange(hours, dtype=float)
    east, north = vector_from_wind(6.0, turn * hour / 3.0)
    return Weather(
        time=_START + 3600.0 * hour,
        wind_east=east,
        wind_north=north,
        gust=9.0 + hour,
        temperature=285.15 + hour,
        pressure=101_500.0 - 100.0 * hour,
        relative_humidity=np.full(hours, 0.8) - 0.1 * hour,
        start=start,
        source="forecast.csv",
    )


def test_constants_are_the_same_at_any_moment() -> None:
    """Constant weather needs no start time."""
    state = constant_weather(wind_speed=5.0, wind_from=0.0, gust=8.0).at([0.0, 1e6])
    np.testing.assert_allclose(state.wind_north, -5.0)
    np.testing.assert_array_equal(state.gust, [8.0, 8.0])


def test_a_missing_gust_is_the_published_factor_times_the_mean() -> None:
    """3-second gust over 10-minute mean, in-land: 1.66 (WMO/TD-No. 1555, table 1.1)."""
    assert constant_weather(wind_speed=5.0).gust[0] == pytest.approx(8.3)


def test_wind_is_interpolated_as_a_vector() -> None:
    """Halfway from 350° to 10° the wind comes from the north."""
    east, north = vector_from_wind(5.0, np.radians([350.0, 10.0]))
    weather = replace(forecast(2), wind_east=east, wind_north=north)
    state = weather.at(1800.0)
    assert state.wind_east[0] == pytest.approx(0.0, abs=1e-12)
    assert state.wind_north[0] == pytest.approx(-5.0 * math.cos(math.radians(10.0)))


def test_scalars_are_interpolated_between_the_hours() -> None:
    """Half past the second hour lies halfway between two lines of the forecast."""
    state = forecast().at(5400.0)
    assert state.temperature[0] == pytest.approx(286.65)
    assert state.gust[0] == pytest.approx(10.5)
    assert state.held == 0.0


def test_a_forecast_without_a_start_time_is_refused() -> None:
    """The error says what to give."""
    with pytest.raises(WeatherError, match="start_time"):
        forecast(start=None).at(0.0)


@pytest.mark.parametrize("elapsed", [3 * 3600.0 + HOLD + 1.0, -HOLD - 1.0])
def test_a_race_outside_the_forecast_is_refused(elapsed: float) -> None:
    """More than an hour before its first or after its last moment there is no weather to plan with."""
    with pytest.raises(WeatherError, match="doesn't cover the race"):
        forecast().at(elapsed)


def test_within_the_hour_the_last_value_is_held_and_said() -> None:
    """A forecast that ends a little early is used, with a note."""
    air = resolve_air(
        forecast(), heading=np.zeros(1), elevation=np.zeros(1), arrival_time=np.array([3.5 * 3600.0])
    )
    assert air.notes == ("The forecast ends 30 minutes short of the race: its nearest hour was held.",)
    assert forecast().at(3.5 * 3600.0).gust[0] == 12.0


@pytest.mark.parametrize("name", ["temperature", "time", "gust"])
def test_a_series_with_a_hole_is_refused(name: str) -> None:
    """NaN never enters the weather."""
    broken = np.array(getattr(forecast(), name))
    broken[1] = math.nan
    with pytest.raises(ValueError, match=name):
        replace(forecast(), **{name: broken})


def test_moments_must_increase() -> None:
    """Two lines for one hour can't be interpolated."""
    with pytest.raises(ValueError, match="strictly increasing"):
        replace(forecast(3), time=np.array([0.0, 1.0, 1.0]))


def test_the_air_of_a_cell_from_its_parts() -> None:
    """Wind and gust at rider height over open country are 0.635 of those at 10 m, times the shelter."""
    weather = constant_weather(wind_speed=6.0, wind_from=math.radians(270.0), gust=10.0)
    air = resolve_air(
        weather,
        heading=np.radians([270.0, 0.0, 0.0, 45.0]),
        elevation=np.zeros(4),
        wind_factor=np.array([1.0, 1.0, 0.5, 1.0]),
    )
    factor = math.log(1.2 / 0.03) / math.log(10.0 / 0.03)
    np.testing.assert_allclose(
        air.headwind, 6.0 * factor * np.array([1.0, 0.0, 0.0, -math.sqrt(0.5)]), atol=1e-12
    )
    np.testing.assert_allclose(
        air.crosswind, 6.0 * factor * np.array([0.0, -1.0, -0.5, -math.sqrt(0.5)]), atol=1e-12
    )
    np.testing.assert_allclose(
        air.gust_crosswind, 10.0 * factor * np.array([0.0, 1.0, 0.5, math.sqrt(0.5)]), atol=1e-12
    )
    np.testing.assert_allclose(air.density, float(air_density(288.15, 101325.0, 0.5)))


def test_a_gust_without_a_mean_wind_may_come_from_the_side() -> None:
    """Where the direction is unknown the whole gust counts."""
    air = resolve_air(constant_weather(gust=5.0), heading=np.zeros(1), elevation=np.zeros(1))
    assert air.gust_crosswind[0] == pytest.approx(5.0 * 0.6350, abs=1e-3)


def test_air_thins_with_height() -> None:
    """1500 m up the standard atmosphere weighs 1.0581 kg/m³, 13.6 % less (U.S. Standard Atmosphere 1976)."""
    weather = constant_weather(relative_humidity=0.0)
    air = resolve_air(weather, heading=np.zeros(2), elevation=np.array([0.0, 1500.0]))
    assert air.density[1] == pytest.approx(1.0581, rel=6e-4)
    assert "6.5 °C" in air.notes[0]


def test_a_named_elevation_moves_the_temperature() -> None:
    """15 °C meant for 1000 m is 21.5 °C at the sea."""
    weather = constant_weather(relative_humidity=0.0, reference_elevation=1000.0)
    air = resolve_air(weather, heading=np.zeros(1), elevation=np.zeros(1))
    assert air.density[0] == pytest.approx(float(air_density(294.65, 101325.0, 0.0)))


def test_every_cell_sees_the_air_of_its_moment() -> None:
    """With a turning forecast the same road has a headwind first and a tailwind three hours later."""
    air = resolve_air(
        forecast(), heading=np.zeros(2), elevation=np.zeros(2), arrival_time=np.array([0.0, 3 * 3600.0])
    )
    assert air.headwind[0] > 3.0
    assert air.headwind[1] < -3.0


@pytest.mark.parametrize(
    ("mean", "gust", "across"),
    [
        (13.8, 20.0, False),
        (13.9, 20.0, True),  # Beaufort 7 begins (WMO)
        (5.0, 13.8 * DEFAULT_GUST_FACTOR, False),
        (5.0, 14.0 * DEFAULT_GUST_FACTOR, True),
    ],
)
def test_in_a_gale_gusts_come_from_the_side_whichever_way_the_road_runs(
    mean: float, gust: float, across: bool
) -> None:
    """A road straight into the wind meets no gust across it, until the wind is near a gale."""
    weather = constant_weather(wind_speed=mean, wind_from=0.0, gust=gust)
    air = resolve_air(weather, heading=np.zeros(3), elevation=np.zeros(3))
    expected = gust * profile_factor() if across else 0.0
    np.testing.assert_allclose(air.gust_crosswind, expected, atol=1e-9)

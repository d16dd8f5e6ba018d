"""Another day's weather: stronger, turned, warmer, than the one at hand."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pacer.air.weather import DEFAULT_GUST_FACTOR, Weather, vector_from_wind

__all__ = ["WeatherShift", "shifted"]


@dataclass(frozen=True, slots=True)
class WeatherShift:
    """How one day differs from another, all along.

    Attributes
    ----------
    speed_factor : float
        On the mean wind.
    speed : float
        Added to the mean wind after the factor [m/s]; it never falls below calm.
    turn : float
        Of where the wind comes from, clockwise [rad].
    gust : float
        Added to the gust once it has followed the mean wind [m/s]; it never falls below the mean.
    temperature, pressure, relative_humidity : float
        Added [K], [Pa], and as a share; the humidity stays within 0 and 1.
    """

    speed_factor: float = 1.0
    speed: float = 0.0
    turn: float = 0.0
    gust: float = 0.0
    temperature: float = 0.0
    pressure: float = 0.0
    relative_humidity: float = 0.0


def shifted(weather: Weather, shift: WeatherShift) -> Weather:
    """Shift every moment of the weather.

    The gust keeps its ratio to the mean wind; air that was calm stirs from the north, its gust
    `DEFAULT_GUST_FACTOR` times the mean.
    """
    before = np.hypot(weather.wind_east, weather.wind_north)
    came_from = np.where(before > 0.0, np.arctan2(-weather.wind_east, -weather.wind_north), 0.0)
    speed = np.maximum(before * shift.speed_factor + shift.speed, 0.0)
    east, north = vector_from_wind(speed, came_from + shift.turn)
    factor = np.where(before > 0.0, weather.gust / np.maximum(before, 1e-9), DEFAULT_GUST_FACTOR)
    # A gust in calm air follows no mean wind: it stays.
    gust = np.where(before > 0.0, factor * speed, np.maximum(weather.gust, DEFAULT_GUST_FACTOR * speed))
    return replace(
        weather,
        wind_east=east,
        wind_north=north,
        gust=np.maximum(gust + shift.gust, speed),
        temperature=weather.temperature + shift.temperature,
        pressure=weather.pressure + shift.pressure,
        relative_humidity=np.clip(weather.relative_humidity + shift.relative_humidity, 0.0, 1.0),
    )

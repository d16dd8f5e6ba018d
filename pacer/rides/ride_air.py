"""The air of a recorded ride: density along the way, and what is expected of the wind."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pacer.air.density import air_density, pressure_at_elevation, temperature_at_elevation
from pacer.air.weather import (
    DEFAULT_HUMIDITY,
    DEFAULT_PRESSURE,
    DEFAULT_ROUGHNESS,
    DEFAULT_TEMPERATURE,
    Weather,
)
from pacer.air.wind import RIDER_HEIGHT, profile_factor
from pacer.rides.ride import Ride
from pacer.rides.signals import filled
from pacer.units import ZERO_CELSIUS, FloatArray

__all__ = ["RideAir", "ride_air"]

_UNKNOWN_WIND: Final = 2.0
"""Standard deviation of each component of an untold wind at the rider [m/s]; a design choice."""

_TOLD_WIND: Final = (0.5, 0.3)
"""Standard error of each component of a told wind at the rider: [m/s], and share of the wind; hedges and
houses are why a forecast is not what the rider meets. A design choice."""


@dataclass(frozen=True, slots=True, eq=False)
class RideAir:
    """The air of a ride.

    Attributes
    ----------
    density : FloatArray, shape (n - 1,)
        At each step between records [kg/m³].
    wind_east, wind_north : float
        Expected mean wind at the rider's height, where the air goes [m/s].
    wind_error : float
        Standard error of each component [m/s].
    roughness_length : float
        [m].
    notes : tuple of str
        What was assumed.
    """

    density: FloatArray
    wind_east: float
    wind_north: float
    wind_error: float
    roughness_length: float
    notes: tuple[str, ...] = ()


def ride_air(ride: Ride, weather: Weather | None) -> RideAir:
    """Find the air of a ride from the weather, else from the device and the standard atmosphere.

    Raises
    ------
    WeatherError
        A series of weather that doesn't cover the ride.
    """
    elevation = filled(ride.time, ride.elevation) if ride.has("elevation") else np.zeros(len(ride))
    elevation = elevation[1:]
    if weather is None:
        return _without_weather(ride, elevation)
    state = replace(weather, start=float(ride.time[0])).at(ride.elapsed[1:])
    reference = float(elevation[0]) if weather.reference_elevation is None else weather.reference_elevation
    temperature = temperature_at_elevation(state.temperature, reference, elevation)
    pressure = pressure_at_elevation(state.pressure, elevation, temperature)
    factor = profile_factor(RIDER_HEIGHT, weather.roughness_length)
    east, north = factor * float(state.wind_east.mean()), factor * float(state.wind_north.mean())
    base, share = _TOLD_WIND
    return RideAir(
        density=air_density(temperature, pressure, state.relative_humidity),
        wind_east=east,
        wind_north=north,
        wind_error=base + share * float(np.hypot(east, north)),
        roughness_length=weather.roughness_length,
    )


def _without_weather(ride: Ride, elevation: FloatArray) -> RideAir:
    if ride.has("temperature"):
        degrees = float(np.nanmedian(ride.temperature))
        told = f"{degrees - ZERO_CELSIUS:.0f} °C as the device recorded"
    else:
        degrees = DEFAULT_TEMPERATURE
        told = f"{degrees - ZERO_CELSIUS:.0f} °C"
    temperature = np.full(elevation.size, degrees)
    pressure = pressure_at_elevation(DEFAULT_PRESSURE, elevation, temperature)
    return RideAir(
        density=air_density(temperature, pressure, DEFAULT_HUMIDITY),
        wind_east=0.0,
        wind_north=0.0,
        wind_error=_UNKNOWN_WIND,
        roughness_length=DEFAULT_ROUGHNESS,
        notes=(
            f"No weather given for {ride.name}: {told}, standard pressure and an unknown wind are taken; "
            "3 °C or 10 hPa amiss move drag areas by 1 %.",
        ),
    )

"""The air of every cell at the moment the rider gets there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pacer.air.density import air_density, pressure_at_elevation, temperature_at_elevation
from pacer.air.weather import NEAR_GALE, AirState, Weather
from pacer.air.wind import RIDER_HEIGHT, profile_factor, wind_components
from pacer.units import FloatArray, read_only

__all__ = ["Air", "resolve_air"]

_TELLING_CLIMB = 100.0
"""Range of elevation from which the lapse of temperature is worth a sentence [m]: 0.65 K."""


@dataclass(frozen=True, slots=True, eq=False)
class Air:
    """What the rider meets in every cell, shape (n,), at rider height.

    Attributes
    ----------
    density : FloatArray
        [kg/m³].
    headwind : FloatArray
        Mean wind against the rider [m/s].
    crosswind : FloatArray
        Mean wind from the right [m/s].
    gust_crosswind : FloatArray
        Size of the gust's component across the road [m/s].
    notes : tuple of str
        What the user should know of how it was made.
    """

    density: FloatArray
    headwind: FloatArray
    crosswind: FloatArray
    gust_crosswind: FloatArray
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("density", "headwind", "crosswind", "gust_crosswind"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def __len__(self) -> int:
        return int(self.density.size)


def resolve_air(
    weather: Weather,
    *,
    heading: FloatArray,
    elevation: FloatArray,
    arrival_time: npt.ArrayLike = 0.0,
    wind_factor: npt.ArrayLike = 1.0,
) -> Air:
    """Bring the weather to the road.

    Parameters
    ----------
    weather : Weather
    heading : FloatArray, shape (n,)
        [rad], 0 north, clockwise.
    elevation : FloatArray, shape (n,)
        [m]. Its first value is the elevation that the temperature is meant for, unless the weather names one.
    arrival_time : float or array, shape (n,)
        Since the start of the race [s].
    wind_factor : float or array, shape (n,)
        What shelter leaves of the wind.

    Returns
    -------
    Air

    Raises
    ------
    WeatherError
        If a forecast doesn't cover the race or has no start time.

    Notes
    -----
    Gusts are brought to rider height by the factor of the mean wind, and are taken to come from the mean
    wind's direction. Where there is a gust and no mean wind they come from the side; and wherever the road
    points from Beaufort 7 on, by the mean or by gusts that usually come with it, for they swing (a choice).
    """
    times = np.broadcast_to(np.asarray(arrival_time, dtype=np.float64), heading.shape)
    state = weather.at(times)
    reference = float(elevation[0]) if weather.reference_elevation is None else weather.reference_elevation
    temperature = temperature_at_elevation(state.temperature, reference, elevation)
    pressure = pressure_at_elevation(state.pressure, elevation, temperature)
    factor = profile_factor(RIDER_HEIGHT, weather.roughness_length) * np.asarray(wind_factor)
    speed = np.hypot(state.wind_east, state.wind_north)
    wind_from = np.arctan2(-state.wind_east, -state.wind_north)
    headwind, crosswind = wind_components(speed, wind_from, heading)
    steady = (speed > 0.0) & (state.strength < NEAR_GALE)
    across = np.where(steady, np.abs(np.sin(wind_from - heading)), 1.0)
    return Air(
        density=air_density(temperature, pressure, state.relative_humidity),
        headwind=factor * headwind,
        crosswind=factor * crosswind,
        gust_crosswind=factor * state.gust * across,
        notes=_notes(weather, state, elevation),
    )


def _notes(weather: Weather, state: AirState, elevation: FloatArray) -> tuple[str, ...]:
    notes = []
    if state.held > 0.0:
        notes.append(
            f"The forecast ends {state.held / 60.0:.0f} minutes short of the race: its nearest hour was held."
        )
    if float(np.ptp(elevation)) > _TELLING_CLIMB:
        notes.append("The temperature is taken to fall by 6.5 °C for every 1000 m of height.")
    return tuple(notes)

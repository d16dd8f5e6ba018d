"""The weather over the race: constants, or an hourly forecast seen at the rider's arrival time.

Wind is kept as vector components and interpolated as such, never as an angle: halfway from 350° to 10° the
wind comes from the north.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.errors import WeatherError
from pacer.units import ZERO_CELSIUS, FloatArray, read_only

__all__ = [
    "CALM_ASSUMED",
    "DEFAULT_GUST_FACTOR",
    "DEFAULT_HUMIDITY",
    "DEFAULT_PRESSURE",
    "DEFAULT_ROUGHNESS",
    "DEFAULT_TEMPERATURE",
    "HOLD",
    "NEAR_GALE",
    "AirState",
    "Surface",
    "Weather",
    "constant_weather",
    "vector_from_wind",
]

DEFAULT_TEMPERATURE: Final = ZERO_CELSIUS + 15.0
"""Standard atmosphere at mean sea level [K], ISO 2533:1975."""

DEFAULT_PRESSURE: Final = 101_325.0
"""Standard atmosphere at mean sea level [Pa], ISO 2533:1975."""

DEFAULT_HUMIDITY: Final = 0.5
"""Relative humidity when none is given; common practice, no source. All of it moves the density by 0.6 %."""

DEFAULT_ROUGHNESS: Final = 0.03
"""Roughness length of open country, grass [m]; Davenport-Wieringa class 'open'."""

DEFAULT_GUST_FACTOR: Final = 1.66
"""3-second gust over 10-minute mean, in-land, roughly open country. Harper BA, Kepert JD, Ginger JD (2010).
Guidelines for converting between various wind averaging periods. WMO/TD-No. 1555, table 1.1 (read in a
secondary copy); the highest of its four classes, so that a missing gust is rather over- than underrated."""

NEAR_GALE: Final = 13.9
"""Where force 7 of the Beaufort scale begins, mean wind at 10 m [m/s] (WMO)."""

HOLD: Final = 3600.0
"""How far outside a forecast its first or last hour may be held [s]."""

CALM_ASSUMED: Final = (
    "No weather was given: calm air, 15 °C, 1013.25 hPa at sea level, 50 % humidity and a dry road "
    "are assumed."
)


_SERIES: Final = ("wind_east", "wind_north", "gust", "temperature", "pressure", "relative_humidity")


class Surface(StrEnum):
    """The road under the tyres."""

    DRY = "dry"
    WET = "wet"


@dataclass(frozen=True, slots=True, eq=False)
class AirState:
    """The weather at given moments, all shape (n,), 10 m above open ground.

    Attributes
    ----------
    wind_east, wind_north : FloatArray
        Where the air goes [m/s].
    gust : FloatArray
        Gust speed [m/s].
    temperature, pressure, relative_humidity : FloatArray
        [K], [Pa] reduced to mean sea level, 0 to 1.
    held : float
        The longest time by which a moment lies outside the forecast, 0 where none does [s].
    """

    wind_east: FloatArray
    wind_north: FloatArray
    gust: FloatArray
    temperature: FloatArray
    pressure: FloatArray
    relative_humidity: FloatArray
    held: float = 0.0

    @property
    def strength(self) -> FloatArray:
        """Mean wind, or the one with which gusts like these usually come if that is stronger [m/s]."""
        return np.maximum(np.hypot(self.wind_east, self.wind_north), self.gust / DEFAULT_GUST_FACTOR)


@dataclass(frozen=True, slots=True, eq=False)
class Weather:
    """Weather as a series of k moments; k = 1 for constants.

    Attributes
    ----------
    time : FloatArray, shape (k,)
        Seconds since 1970-01-01 UTC, strictly increasing; meaningless where k = 1.
    wind_east, wind_north, gust, temperature, pressure, relative_humidity : FloatArray, shape (k,)
        As in `AirState`.
    roughness_length : float
        Of the country around [m].
    start : float or None
        The race's start, seconds since 1970-01-01 UTC; only a series needs it.
    reference_elevation : float or None
        The elevation that the temperature is meant for [m]; None for that of the start.
    source : str
        Name of the forecast, empty for constants.
    """

    time: FloatArray
    wind_east: FloatArray
    wind_north: FloatArray
    gust: FloatArray
    temperature: FloatArray
    pressure: FloatArray
    relative_humidity: FloatArray
    roughness_length: float = DEFAULT_ROUGHNESS
    surface: Surface = Surface.DRY
    start: float | None = None
    reference_elevation: float | None = None
    source: str = ""

    def __post_init__(self) -> None:
        for name in ("time", *_SERIES):
            values = read_only(getattr(self, name))
            if values.ndim != 1 or values.size != np.size(self.time) or not np.all(np.isfinite(values)):
                raise ValueError(f"weather: {name} must be finite and have one value for each moment")
            object.__setattr__(self, name, values)
        if np.any(np.diff(self.time) <= 0.0):
            raise ValueError("weather: moments must be strictly increasing")

    @property
    def is_constant(self) -> bool:
        """Whether it is the same all day."""
        return self.time.size == 1

    def at(self, arrival_time: npt.ArrayLike) -> AirState:
        """Interpolate the weather at moments of the race.

        Parameters
        ----------
        arrival_time : float or array, shape (n,)
            Since the start of the race [s].

        Raises
        ------
        WeatherError
            A series without a start time, or a moment further outside it than `HOLD`.
        """
        elapsed = np.atleast_1d(np.asarray(arrival_time, dtype=np.float64))
        if self.is_constant:
            same = {name: np.full(elapsed.shape, getattr(self, name)[0]) for name in _SERIES}
            return AirState(**same, held=0.0)
        if self.start is None:
            raise WeatherError(
                "a forecast can't be used without the start time of the race",
                where=self.source,
                do="give start_time in the race file, or --start-time",
            )
        moment = self.start + elapsed
        held = max(float(self.time[0] - moment.min()), float(moment.max() - self.time[-1]), 0.0)
        if held > HOLD:
            raise WeatherError(
                "the forecast doesn't cover the race",
                where=self.source,
                found=_coverage(self.time - self.start, elapsed),
                do="add the missing hours, or correct start_time",
            )
        series = {name: np.interp(moment, self.time, getattr(self, name)) for name in _SERIES}
        return AirState(**series, held=held)


def _coverage(series: FloatArray, elapsed: FloatArray) -> str:
    first, last = series[0] / 3600.0, series[-1] / 3600.0
    begin, end = elapsed.min() / 3600.0, elapsed.max() / 3600.0
    return (
        f"hours {first:+.1f} to {last:+.1f} after the start, while the ride needs {begin:+.1f} to {end:+.1f}"
    )


def vector_from_wind(speed: npt.ArrayLike, wind_from: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """East and north components of the air's motion [m/s] from speed [m/s] and where it comes from [rad]."""
    strength = np.asarray(speed, dtype=np.float64)
    return np.asarray(0.0 - strength * np.sin(wind_from)), np.asarray(0.0 - strength * np.cos(wind_from))


def constant_weather(
    *,
    wind_speed: float = 0.0,
    wind_from: float = 0.0,
    gust: float | None = None,
    temperature: float = DEFAULT_TEMPERATURE,
    pressure: float = DEFAULT_PRESSURE,
    relative_humidity: float = DEFAULT_HUMIDITY,
    roughness_length: float = DEFAULT_ROUGHNESS,
    surface: Surface = Surface.DRY,
    reference_elevation: float | None = None,
) -> Weather:
    """Build weather that stays the same.

    Parameters
    ----------
    wind_speed : float
        Mean at 10 m [m/s].
    wind_from : float
        Where the wind comes from, clockwise from north [rad].
    gust : float, optional
        At 10 m [m/s]; `DEFAULT_GUST_FACTOR` times the mean unless given.
    temperature : float
        [K]
    pressure : float
        At `reference_elevation` [Pa].
    relative_humidity : float
        0 to 1.
    roughness_length : float
        Of the country beside the road [m].
    surface : Surface
    reference_elevation : float, optional
        Where temperature and pressure hold [m]; as for `Weather`.
    """
    east, north = vector_from_wind(wind_speed, wind_from)
    return Weather(
        time=read_only([0.0]),
        wind_east=read_only([east]),
        wind_north=read_only([north]),
        gust=read_only([DEFAULT_GUST_FACTOR * wind_speed if gust is None else gust]),
        temperature=read_only([temperature]),
        pressure=read_only([pressure]),
        relative_humidity=read_only([relative_humidity]),
        roughness_length=roughness_length,
        surface=surface,
        reference_elevation=reference_elevation,
    )

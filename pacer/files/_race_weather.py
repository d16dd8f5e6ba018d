"""The `[weather]` table: from the file's terms to the core's weather."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np

from pacer.air.weather import (
    CALM_ASSUMED,
    DEFAULT_GUST_FACTOR,
    DEFAULT_HUMIDITY,
    DEFAULT_PRESSURE,
    DEFAULT_ROUGHNESS,
    DEFAULT_TEMPERATURE,
    Surface,
    Weather,
    constant_weather,
    vector_from_wind,
)
from pacer.files._schema import Fault, show
from pacer.files._settings_models import WeatherTable
from pacer.files.weather import Forecast
from pacer.units import ZERO_CELSIUS

__all__ = ["override_series", "resolve_weather", "weather_faults"]

_CONSTANTS: Final = (
    "wind_from_deg",
    "wind_speed_m_s",
    "gust_m_s",
    "temperature_c",
    "pressure_hpa",
    "relative_humidity",
)

_ROUGHEST_TRUSTED: Final = 0.25
"""Above this roughness length the log law at rider height is nominal [m]."""


def weather_faults(table: WeatherTable) -> list[Fault]:
    """Tell what contradicts itself in a table whose keys are each in range."""
    if table.forecast is not None:
        double = [key for key in _CONSTANTS if getattr(table, key) is not None]
        what = "can't be given together with " + ", ".join(double)
        return [Fault("[weather] forecast", what, show(table.forecast), "keep one")] if double else []
    speed = table.wind_speed_m_s
    if speed is None:
        told = [key for key in ("wind_from_deg", "gust_m_s") if getattr(table, key) is not None]
        what = f"is missing: {' and '.join(told)} needs it"
        return [Fault("[weather] wind_speed_m_s", what)] if told else []
    faults = []
    if speed > 0.0 and table.wind_from_deg is None:
        faults.append(
            Fault("[weather] wind_from_deg", f"is missing: a wind of {speed:g} m/s comes from somewhere")
        )
    if table.gust_m_s is not None and table.gust_m_s < speed:
        what = f"can't be below the mean wind, {speed:g} m/s"
        faults.append(Fault("[weather] gust_m_s", what, show(table.gust_m_s)))
    return faults


def resolve_weather(
    table: WeatherTable, forecast: Forecast | None, start: float | None
) -> tuple[Weather, tuple[str, ...]]:
    """Make the core's weather of a checked table, with a sentence for each thing assumed.

    Parameters
    ----------
    table : WeatherTable
    forecast : Forecast or None
        What was read from the file that the table names.
    start : float or None
        Start of the race, seconds since 1970-01-01 UTC.
    """
    surface = Surface(table.surface or "dry")
    roughness = DEFAULT_ROUGHNESS if table.roughness_length_m is None else table.roughness_length_m
    if forecast is not None:
        weather = replace(
            forecast.weather,
            roughness_length=roughness,
            surface=surface,
            start=start,
            reference_elevation=table.elevation_m,
        )
        assumed = [*forecast.assumed, *_also_assumed(table)]
    else:
        weather = replace(_constants(table), start=start)
        assumed = _assumed(table)
    if roughness > _ROUGHEST_TRUSTED:
        assumed.append(
            f"With a roughness length of {roughness:g} m the wind at rider height is a nominal figure: "
            "hedges and houses decide it."
        )
    return weather, tuple(assumed)


def _constants(table: WeatherTable) -> Weather:
    optional: dict[str, float] = {}
    if table.temperature_c is not None:
        optional["temperature"] = ZERO_CELSIUS + table.temperature_c
    if table.pressure_hpa is not None:
        optional["pressure"] = 100.0 * table.pressure_hpa
    if table.relative_humidity is not None:
        optional["relative_humidity"] = table.relative_humidity
    if table.roughness_length_m is not None:
        optional["roughness_length"] = table.roughness_length_m
    return constant_weather(
        wind_speed=table.wind_speed_m_s or 0.0,
        wind_from=math.radians(table.wind_from_deg or 0.0),
        gust=table.gust_m_s,
        surface=Surface(table.surface or "dry"),
        reference_elevation=table.elevation_m,
        **optional,
    )


def _assumed(table: WeatherTable) -> list[str]:
    if not table.model_dump(exclude_none=True):
        return [CALM_ASSUMED]
    told = []
    if table.wind_speed_m_s is None:
        told.append("No wind was given: calm air is assumed.")
    elif table.gust_m_s is None and table.wind_speed_m_s > 0.0:
        gust = DEFAULT_GUST_FACTOR * table.wind_speed_m_s
        told.append(
            f"No gust was given: {DEFAULT_GUST_FACTOR:g} times the mean wind is assumed, "
            f"{gust:.1f} m/s at 10 m."
        )
    air = {
        "temperature_c": f"{DEFAULT_TEMPERATURE - ZERO_CELSIUS:g} °C",
        "pressure_hpa": f"{DEFAULT_PRESSURE / 100.0:g} hPa at sea level",
        "relative_humidity": f"{DEFAULT_HUMIDITY:.0%} humidity".replace("%", " %"),
    }
    missing = [words for key, words in air.items() if getattr(table, key) is None]
    if missing:
        told.append("Not given for the air and assumed: " + ", ".join(missing) + ".")
    return told + _also_assumed(table)


def _also_assumed(table: WeatherTable) -> list[str]:
    told = []
    if table.surface is None:
        told.append("No surface was given: a dry road is assumed.")
    if table.roughness_length_m is None:
        told.append(f"No roughness length was given: open country, {DEFAULT_ROUGHNESS:g} m, is assumed.")
    return told


def override_series(weather: Weather, over: Mapping[str, Any]) -> Weather:
    """Put single values, in the terms of the file, over every hour of a forecast."""
    same = np.ones_like(weather.time)
    changed: dict[str, Any] = {}
    if "surface" in over:
        changed["surface"] = Surface(over["surface"])
    if "temperature_c" in over:
        changed["temperature"] = same * (ZERO_CELSIUS + over["temperature_c"])
    if "pressure_hpa" in over:
        changed["pressure"] = same * (100.0 * over["pressure_hpa"])
    if "relative_humidity" in over:
        changed["relative_humidity"] = same * over["relative_humidity"]
    return replace(weather, **changed, **_override_wind(weather, over))


def _override_wind(weather: Weather, over: Mapping[str, Any]) -> dict[str, Any]:
    mean = np.hypot(weather.wind_east, weather.wind_north)
    wind_from = np.arctan2(-weather.wind_east, -weather.wind_north)
    speed, gust = mean, weather.gust
    if "wind_speed_m_s" in over:
        speed = np.full_like(mean, over["wind_speed_m_s"])
        factor = np.where(mean > 0.0, weather.gust / np.maximum(mean, 1e-9), DEFAULT_GUST_FACTOR)
        gust = speed * factor
    if "wind_from_deg" in over:
        wind_from = np.full_like(mean, math.radians(over["wind_from_deg"]))
    if "gust_m_s" in over:
        gust = np.maximum(over["gust_m_s"], speed)
    east, north = vector_from_wind(speed, wind_from)
    return {"wind_east": east, "wind_north": north, "gust": gust}

"""What a plan was made from, as plain tables in the terms of the rider and race files.

This is a declared boundary: every key carries its unit, so that ``inputs`` in plan.json can be read, compared
and planned from again.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from pacer.air.weather import Weather
from pacer.course.track import Zone, ZoneKind
from pacer.physics.rider import Setup
from pacer.planning.race import Race
from pacer.units import KMH, ZERO_CELSIUS

__all__ = ["race_table", "setup_tables", "weather_table", "zone_tables"]


def setup_tables(setup: Setup) -> dict[str, Any]:
    """Give `rider`, `bike` and `positions` of a setup."""
    rider, bike = setup.rider, setup.bike
    return {
        "rider": {
            "mass_kg": rider.mass,
            "critical_power_w": rider.critical_power,
            "w_prime_j": rider.w_prime,
            "max_power_w": rider.max_power,
            "skill": rider.skill.value,
        },
        "bike": {
            "mass_kg": bike.mass,
            "crr": bike.crr,
            "drivetrain_efficiency": bike.drivetrain_efficiency,
            "wheel_inertia_kg_m2": bike.wheel_inertia,
            "wheel_radius_m": bike.wheel_radius,
            "wheel_drag_area_m2": bike.wheel_drag_area,
        },
        "positions": [
            _given(
                name=position.name,
                cda_m2=position.cda,
                power_factor=position.power_factor,
                hands_on_brakes=position.hands_on_brakes,
                max_continuous_s=position.max_continuous,
            )
            for position in setup.positions
        ],
    }


def race_table(race: Race) -> dict[str, Any]:
    """Give the `race` table; a key that the race leaves open is left out."""
    return _given(
        name=race.name,
        start_time=None if race.start_time is None else race.start_time.isoformat(),
        laps=race.laps,
        reverse=race.reverse,
        start=race.start.value,
        finish=race.finish.value,
        effort=race.effort,
        target_power_w=race.target_power,
        w_prime_reserve_j=race.w_prime_reserve,
    )


def weather_table(weather: Weather) -> dict[str, Any]:
    """Give the `weather` table: constants, or the forecast's columns under their names with `time`."""
    speed = np.hypot(weather.wind_east, weather.wind_north)
    wind_from = np.degrees(np.arctan2(-weather.wind_east, -weather.wind_north)) % 360.0
    columns = {
        "wind_from_deg": _rounded(np.where(speed > 0.0, wind_from, 0.0)),
        "wind_speed_m_s": _rounded(speed),
        "gust_m_s": _rounded(weather.gust),
        "temperature_c": _rounded(weather.temperature - ZERO_CELSIUS),
        "pressure_hpa": _rounded(weather.pressure / 100.0),
        "relative_humidity": _rounded(weather.relative_humidity),
    }
    table: dict[str, Any] = {"surface": weather.surface.value, "roughness_length_m": weather.roughness_length}
    if weather.reference_elevation is not None:
        table["elevation_m"] = weather.reference_elevation
    if weather.is_constant:
        return {key: column[0] for key, column in columns.items()} | table
    since = [] if weather.start is None else _rounded(weather.time - weather.start)
    return table | {"forecast": weather.source, "seconds_after_start": since} | columns


def zone_tables(zones: Iterable[Zone]) -> list[dict[str, Any]]:
    """Give the `zones` list, kilometres along the course as ridden."""
    return [
        _given(
            kind=zone.kind.value,
            start_km=_round(zone.start / 1000.0),
            end_km=_round(zone.end / 1000.0),
            note=zone.note,
            limit_kmh=_value(zone, ZoneKind.SPEED_LIMIT, KMH),
            wind_factor=_value(zone, ZoneKind.SHELTERED, 1.0),
            crr_factor=_value(zone, ZoneKind.SURFACE, 1.0),
        )
        for zone in zones
    ]


def _value(zone: Zone, kind: ZoneKind, unit: float) -> float | None:
    return None if zone.value is None or zone.kind is not kind else _round(zone.value / unit)


def _given(**values: Any) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}


def _round(value: float) -> float:
    """Take the dust of a conversion off: 288.15 K is 15 °C and not 14.999999999999943."""
    return round(value, 9) + 0.0 if math.isfinite(value) else value


def _rounded(values: np.ndarray[Any, np.dtype[np.float64]]) -> list[float]:
    return [_round(value) for value in values.tolist()]

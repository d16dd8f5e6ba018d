"""The days of an ensemble as a CSV file, one a line; read and written."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from pacer.air.shift import WeatherShift
from pacer.air.weather import Surface, Weather
from pacer.errors import SettingsError
from pacer.files._csv import Limits, Record, read_table
from pacer.files.settings import RaceSettings, override_race
from pacer.files.weather import COLUMNS, read_forecast
from pacer.planning.members import Member

__all__ = ["MEMBER_COLUMNS", "members_to_csv", "read_members"]

_WEATHER: Final = {name: Limits(column.low, column.high, column.unit) for name, column in COLUMNS.items()}

_FACTORS: Final = {
    "drag_factor": Limits(0.5, 2.0),
    "crr_factor": Limits(0.3, 3.0),
    "critical_power_factor": Limits(0.3, 2.0),
}

_SHIFTS: Final = {
    "wind_speed_factor": Limits(0.0, 10.0),
    "wind_turn_deg": Limits(-360.0, 360.0, "degrees"),
    "temperature_shift_c": Limits(-40.0, 40.0, "°C"),
}

MEMBER_COLUMNS: Final = ("name", "forecast", "surface", *_WEATHER, *_SHIFTS, *_FACTORS)
"""Columns that may stand in the file; an empty field leaves the planned value."""


def read_members(path: Path, racing: RaceSettings) -> tuple[Member, ...]:
    """Read the days.

    Parameters
    ----------
    racing : RaceSettings
        Of the planned day: a day's fields are put over its weather.

    Raises
    ------
    SettingsError
        Naming line, column, value and range.
    WeatherError
        Where a forecast that a line names can't be used.
    """
    records = read_table(path, MEMBER_COLUMNS)
    return tuple(_member(record, k, racing, path.parent) for k, record in enumerate(records, 1))


def _member(record: Record, number: int, racing: RaceSettings, folder: Path) -> Member:
    factors = {name: record.number(name, limits) for name, limits in _FACTORS.items()}
    shifts = {name: record.number(name, limits) for name, limits in _SHIFTS.items()}
    fields = {name: record.number(name, limits) for name, limits in _WEATHER.items()}
    over: dict[str, Any] = {name: value for name, value in fields.items() if value is not None}
    weather = None
    surface = record.fields.get("surface")
    if surface not in (None, "wet", "dry"):
        where = f"{record.where}, surface"
        raise SettingsError("must be wet or dry", where=where, found=repr(surface[:40]))
    if "forecast" in record.fields:
        if over:
            found = ", ".join(over)
            raise SettingsError("a forecast can't go with constants", where=record.where, found=found)
        weather = _forecast(folder / record.fields["forecast"], racing.weather)
    elif over:
        try:
            weather = override_race(racing, **over).weather
        except SettingsError as error:
            raise SettingsError(error.what, where=record.where, found=error.found, do=error.do) from None
    if surface is not None:
        weather = replace(weather or racing.weather, surface=Surface(surface))
    return Member(
        name=record.fields.get("name", f"day {number}")[:60],
        weather=weather,
        shift=WeatherShift(
            speed_factor=_or(shifts["wind_speed_factor"], 1.0),
            turn=math.radians(_or(shifts["wind_turn_deg"], 0.0)),
            temperature=_or(shifts["temperature_shift_c"], 0.0),
        ),
        **{name: _or(value, 1.0) for name, value in factors.items()},
    )


def _or(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


def _forecast(path: Path, planned: Weather) -> Weather:
    """A forecast of its own, over the same country and the same road."""
    return replace(
        read_forecast(path).weather,
        roughness_length=planned.roughness_length,
        surface=planned.surface,
        start=planned.start,
        reference_elevation=planned.reference_elevation,
    )


def members_to_csv(members: Iterable[Member]) -> bytes:
    """Write drawn days, so that they can be lived through again anywhere.

    Raises
    ------
    ValueError
        For a day with a weather of its own, which only the user's file can say.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["name", *_SHIFTS, *_FACTORS])
    for member in members:
        if member.weather is not None:
            raise ValueError("only drawn days can be written")
        shift = member.shift
        values = (
            shift.speed_factor,
            math.degrees(shift.turn),
            shift.temperature,
            member.drag_factor,
            member.crr_factor,
            member.critical_power_factor,
        )
        writer.writerow([member.name, *(f"{value:.9g}" for value in values)])
    return stream.getvalue().encode()

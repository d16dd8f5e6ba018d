"""Read an hourly forecast: a CSV file with a header row, one moment a line.

``time,wind_from_deg,wind_speed_m_s,gust_m_s,temperature_c,pressure_hpa,relative_humidity``; lines that begin
with ``#`` are left out. Time and wind are needed; a missing column, or an empty field in gust, is
filled and said.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np

from pacer.air.weather import (
    DEFAULT_GUST_FACTOR,
    DEFAULT_HUMIDITY,
    DEFAULT_PRESSURE,
    DEFAULT_TEMPERATURE,
    Weather,
    vector_from_wind,
)
from pacer.errors import WeatherError
from pacer.files._content import read_text
from pacer.units import ZERO_CELSIUS, FloatArray

__all__ = ["COLUMNS", "Forecast", "read_forecast"]


@dataclass(frozen=True, slots=True)
class Column:
    """What may stand in a column: its range, its unit, what is taken where it is missing."""

    low: float
    high: float
    unit: str
    default: float | None = None


COLUMNS: Final = {
    "wind_from_deg": Column(0.0, 360.0, "degrees"),
    "wind_speed_m_s": Column(0.0, 40.0, "m/s"),
    "gust_m_s": Column(0.0, 60.0, "m/s", math.nan),
    "temperature_c": Column(-30.0, 50.0, "°C", DEFAULT_TEMPERATURE - ZERO_CELSIUS),
    "pressure_hpa": Column(870.0, 1085.0, "hPa", DEFAULT_PRESSURE / 100.0),
    "relative_humidity": Column(0.0, 1.0, "(70 % is written 0.7)", DEFAULT_HUMIDITY),
}
"""The columns apart from time; those without a default are needed."""

_LARGEST_FILE: Final = 5_000_000

_MOST_ROWS: Final = 20_000


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """A forecast as read: the weather, and a sentence for each thing assumed."""

    weather: Weather
    assumed: tuple[str, ...] = ()


def read_forecast(path: Path) -> Forecast:
    """Read and check a forecast.

    Raises
    ------
    WeatherError
        Naming the file, the line, the column, what was found and its range.
    """
    rows = _rows(path)
    header = _header(rows, path)
    times: list[float] = []
    values: list[list[float]] = []
    for line, row in rows:
        if len(row) != len(header):
            raise WeatherError(f"must have {len(header)} fields", where=_at(path, line), found=str(len(row)))
        if len(times) >= _MOST_ROWS:
            raise WeatherError(f"has more than {_MOST_ROWS} moments", where=str(path))
        fields = dict(zip(header, (item.strip() for item in row), strict=True))
        times.append(_time(fields["time"], path, line, times[-1] if times else -math.inf))
        values.append([_value(name, fields.get(name), path, line) for name in COLUMNS])
        _check_gust(values[-1], path, line)
    if len(times) < 2:
        raise WeatherError("must have at least two moments", where=str(path), found=str(len(times)))
    return _forecast(np.asarray(times), np.asarray(values).T, header, path)


def _at(path: Path, line: int, column: str = "") -> str:
    return f"{path}, line {line}" + (f", {column}" if column else "")


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Yield line number and fields of every line that isn't empty or a comment."""
    text = read_text(path, most=_LARGEST_FILE, kind="a forecast", error=WeatherError)
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        try:
            yield number, next(csv.reader([line], strict=True))
        except csv.Error as error:
            raise WeatherError("is not a line of CSV", where=_at(path, number), found=str(error)) from None


def _header(rows: Iterator[tuple[int, list[str]]], path: Path) -> list[str]:
    line, fields = next(rows, (1, []))
    header = [item.strip() for item in fields]
    known = ("time", *COLUMNS)
    for name in header:
        if name not in known:
            do = "known columns: " + ",".join(known)
            raise WeatherError("has an unknown column", where=_at(path, line), found=repr(name[:40]), do=do)
        if header.count(name) > 1:
            raise WeatherError("has a column twice", where=_at(path, line), found=name)
    needed = ["time", *(name for name, column in COLUMNS.items() if column.default is None)]
    missing = [name for name in needed if name not in header]
    if missing:
        do = "begin the file with " + ",".join(known)
        raise WeatherError("lacks a column", where=_at(path, line), found="no " + ", ".join(missing), do=do)
    return header


def _time(field: str, path: Path, line: int, previous: float) -> float:
    try:
        moment = datetime.fromisoformat(field)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        do = "write it as 2026-06-14T07:00:00+01:00"
        what = "must be a date and time with its offset"
        raise WeatherError(what, where=_at(path, line, "time"), found=repr(field[:40]), do=do)
    try:
        seconds = moment.timestamp()
    except (OverflowError, ValueError):
        raise WeatherError("is out of range", where=_at(path, line, "time"), found=repr(field[:40])) from None
    if seconds <= previous:
        what = "must be later than that of the line before"
        raise WeatherError(what, where=_at(path, line, "time"), found=repr(field[:40]))
    return seconds


def _value(name: str, field: str | None, path: Path, line: int) -> float:
    column = COLUMNS[name]
    if field is None or (not field and name == "gust_m_s"):
        return math.nan if column.default is None else column.default
    try:
        value = float(field)
    except ValueError:
        value = math.nan
    if not column.low <= value <= column.high:
        what = f"must be a number from {column.low:g} to {column.high:g} {column.unit}"
        raise WeatherError(what, where=_at(path, line, name), found=repr(field[:40]))
    return value


def _check_gust(values: list[float], path: Path, line: int) -> None:
    speed, gust = values[1], values[2]
    if gust < speed:
        what = f"can't be below the mean wind, {speed:g} m/s"
        raise WeatherError(what, where=_at(path, line, "gust_m_s"), found=f"{gust:g}")


def _forecast(times: FloatArray, values: FloatArray, header: list[str], path: Path) -> Forecast:
    wind_from, speed, gust, temperature, pressure, humidity = values
    assumed = []
    if np.any(np.isnan(gust)):
        assumed.append(
            "The forecast has no gust for some or all hours: "
            f"{DEFAULT_GUST_FACTOR:g} times the mean wind is assumed."
        )
    defaults = {
        "temperature_c": f"{DEFAULT_TEMPERATURE - ZERO_CELSIUS:g} °C",
        "pressure_hpa": f"{DEFAULT_PRESSURE / 100.0:g} hPa at sea level",
        "relative_humidity": f"{100.0 * DEFAULT_HUMIDITY:g} % humidity",
    }
    missing = [words for name, words in defaults.items() if name not in header]
    if missing:
        assumed.append("Not in the forecast and assumed: " + ", ".join(missing) + ".")
    east, north = vector_from_wind(speed, np.radians(wind_from))
    weather = Weather(
        time=times,
        wind_east=east,
        wind_north=north,
        gust=np.where(np.isnan(gust), DEFAULT_GUST_FACTOR * speed, gust),
        temperature=ZERO_CELSIUS + temperature,
        pressure=100.0 * pressure,
        relative_humidity=humidity,
        source=path.name,
    )
    return Forecast(weather, tuple(assumed))

"""Rides as CSV: a header row, one record a line.

Columns: `time_s` (seconds from any start) or `time` (ISO 8601); `distance_m`, `speed_m_s` or `speed_kmh`,
`latitude_deg`, `longitude_deg`, `elevation_m`, `power_w`, `heart_rate_bpm`, `cadence_rpm`, `temperature_c`,
and `lap` (a name or number; a new lap starts where it changes). Empty fields are missing values; lines that
start with `#` are comments.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import Final

import numpy as np

from pacer.errors import RideError
from pacer.files._content import read_text
from pacer.files._xml import parse_moment
from pacer.files.rides import LARGEST
from pacer.rides.ride import Lap, Recording
from pacer.units import KMH, ZERO_CELSIUS

__all__ = ["read_csv"]

_COLUMNS: Final = {
    "distance_m": ("distance", 1.0, 0.0),
    "speed_m_s": ("speed", 1.0, 0.0),
    "speed_kmh": ("speed", KMH, 0.0),
    "latitude_deg": ("latitude_deg", 1.0, 0.0),
    "longitude_deg": ("longitude_deg", 1.0, 0.0),
    "elevation_m": ("elevation", 1.0, 0.0),
    "power_w": ("power", 1.0, 0.0),
    "heart_rate_bpm": ("heart_rate", 1.0, 0.0),
    "cadence_rpm": ("cadence", 1.0, 0.0),
    "temperature_c": ("temperature", 1.0, ZERO_CELSIUS),
}


def read_csv(file: Path) -> Recording:
    """Read a CSV file; a field that isn't a number is an error that names its line."""
    text = read_text(file, most=LARGEST, kind="a ride", error=RideError)
    numbers, rows = _rows(file, text)
    header = [name.strip().lower() for name in rows[0]] if rows else []
    notes = _check_header(file, header)
    table = [_pad(row, len(header)) for row in rows[1:]]
    numbers = numbers[1:]
    channels = {}
    for name, (channel, factor, offset) in _COLUMNS.items():
        if name in header:
            column = [row[header.index(name)] for row in table]
            channels[channel] = np.array(_numbers(file, name, column, numbers)) * factor + offset
    time = np.array(_times(file, header, table, numbers))
    return Recording(
        name=file.stem,
        source=str(file),
        time=time,
        channels=channels,
        laps=_laps(header, table, time.tolist()),
        notes=tuple(notes),
    )


def _rows(file: Path, text: str) -> tuple[list[int], list[list[str]]]:
    """Line numbers and fields of what is neither empty nor a comment; a record is one line."""
    numbers, rows = [], []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        try:
            rows.append(next(csv.reader([line], strict=True)))
        except csv.Error as error:
            raise RideError(
                "is not a line of CSV", where=f"{file}, line {number}", found=str(error)
            ) from None
        numbers.append(number)
    return numbers, rows


def _check_header(file: Path, header: list[str]) -> list[str]:
    if "time_s" not in header and "time" not in header:
        raise RideError(
            "no column of time",
            where=str(file),
            found=", ".join(header[:8]),
            do="name it time_s (seconds) or time (ISO 8601)",
        )
    known = {*_COLUMNS, "time_s", "time", "lap"}
    unknown = [name for name in header if name not in known]
    return [f"columns not known and not used: {', '.join(unknown)}"] if unknown else []


def _pad(row: list[str], width: int) -> list[str]:
    return (row + [""] * width)[:width]


def _numbers(file: Path, name: str, column: list[str], lines: list[int]) -> list[float]:
    values = []
    for cell, line in zip(column, lines, strict=True):
        if not cell.strip():
            values.append(math.nan)
            continue
        try:
            values.append(float(cell))
        except ValueError as error:
            raise RideError(
                f"{name} isn't a number",
                where=f"{file}, line {line}",
                found=repr(cell.strip()[:40]),
                do="leave missing values empty",
            ) from error
    return values


def _times(file: Path, header: list[str], table: list[list[str]], lines: list[int]) -> list[float]:
    if "time_s" in header:
        return _numbers(file, "time_s", [row[header.index("time_s")] for row in table], lines)
    times = [parse_moment(row[header.index("time")]) for row in table]
    if times and all(math.isnan(t) for t in times):
        raise RideError(
            "no moment of the column time can be read",
            where=f"{file}, line {lines[0]}",
            found=repr(table[0][header.index("time")][:40]),
            do="write it as 2026-06-14T07:30:00Z, or give time_s",
        )
    return times


def _laps(header: list[str], table: list[list[str]], time: list[float]) -> tuple[Lap, ...]:
    if "lap" not in header or len(time) < 2:
        return ()
    names = [row[header.index("lap")].strip() for row in table]
    starts = [0] + [i for i in range(1, len(names)) if names[i] != names[i - 1]]
    ends = [*starts[1:], len(names) - 1]
    return tuple(
        Lap(time[a], time[b], names[a]) for a, b in zip(starts, ends, strict=True) if time[b] > time[a]
    )

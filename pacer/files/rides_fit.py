"""FIT files, read with fitdecode (the extra `rides`)."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from pacer.errors import RideError
from pacer.files.rides import CYCLING_WORDS
from pacer.rides.ride import CHANNELS, Lap, Place, Recording
from pacer.units import ZERO_CELSIUS, FloatArray

__all__ = ["read_fit"]

_SEMICIRCLE: Final = 180.0 / 2**31
"""Degrees in the unit of positions in FIT files."""

_FIELDS: Final[dict[str, tuple[tuple[str, ...], float, float]]] = {
    "distance": (("distance",), 1.0, 0.0),
    "speed": (("enhanced_speed", "speed"), 1.0, 0.0),
    "latitude_deg": (("position_lat",), _SEMICIRCLE, 0.0),
    "longitude_deg": (("position_long",), _SEMICIRCLE, 0.0),
    "elevation": (("enhanced_altitude", "altitude"), 1.0, 0.0),
    "power": (("power",), 1.0, 0.0),
    "heart_rate": (("heart_rate",), 1.0, 0.0),
    "cadence": (("cadence",), 1.0, 0.0),
    "temperature": (("temperature",), 1.0, ZERO_CELSIUS),
}
"""Channel: names in the file by preference, factor, offset."""


@dataclass(slots=True)
class _Found:
    """What the messages of a file said."""

    rows: list[tuple[float, ...]] = field(default_factory=list)
    laps: list[Lap] = field(default_factory=list)
    sessions: list[tuple[float, float, str, str]] = field(default_factory=list)
    sport: str = ""
    sub_sport: str = ""
    rider_mass: float | None = None
    notes: list[str] = field(default_factory=list)


def read_fit(file: Path) -> Recording:
    """Read the cycling part of a FIT file; a file that breaks off is read as far as it goes."""
    found = _Found()
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        for message in _messages(file, found):
            _take(message, found)
    if told:
        found.notes.append("the file's check sum or some messages are damaged; read what could be read")
    if not found.rows:
        raise RideError("no records in the file", where=str(file), do="export the ride again")
    return _recording(file, found)


def _messages(file: Path, found: _Found) -> Iterator[Any]:
    try:
        import fitdecode
    except ModuleNotFoundError as error:
        raise RideError(
            "reading FIT files needs fitdecode",
            where=str(file),
            do="install it with pip install fitdecode, or export the ride as TCX or GPX",
        ) from error
    try:
        with fitdecode.FitReader(
            str(file),
            check_crc=fitdecode.CrcCheck.WARN,
            error_handling=fitdecode.ErrorHandling.WARN,
        ) as reader:
            for frame in reader:
                if frame.frame_type == fitdecode.FIT_FRAME_DATA:
                    yield frame
    except OSError as error:
        raise RideError(f"can't be read: {error.strerror}", where=str(file)) from error
    except Exception as error:  # on damaged files the decoder stumbles in many ways besides its FitError
        if not found.rows:
            told = str(error) or "a message that can't be decoded"
            raise RideError(
                "the FIT file is damaged", where=str(file), found=told, do="export the ride again"
            ) from error
        found.notes.append("the file breaks off; read as far as it goes")


def _number(value: Any) -> float:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    return float("nan")


def _moment(value: Any) -> float:
    return value.timestamp() if isinstance(value, datetime) else float("nan")


def _take(message: Any, found: _Found) -> None:
    name = message.name
    if name == "record":
        found.rows.append(_record_row(message))
        return
    if name not in {"lap", "session", "sport", "user_profile"}:
        return
    values = {item.name: item.value for item in message.fields if item.value is not None}
    if name == "user_profile":
        mass = _number(values.get("weight"))
        found.rider_mass = mass if 30.0 <= mass <= 200.0 else found.rider_mass
        return
    start = _moment(values.get("start_time"))
    end = start + _number(values.get("total_elapsed_time"))
    if name == "lap":
        if end > start:
            found.laps.append(Lap(start, end, f"lap {len(found.laps) + 1}"))
        return
    sport, sub_sport = str(values.get("sport", "")), str(values.get("sub_sport", ""))
    if name == "session" and end > start:
        found.sessions.append((start, end, sport, sub_sport))
    found.sport, found.sub_sport = sport or found.sport, sub_sport or found.sub_sport


_COLUMN: Final = {
    alias: (column, rank)
    for column, channel in enumerate(CHANNELS, start=1)
    for rank, alias in enumerate(_FIELDS[channel][0])
}


def _record_row(message: Any) -> tuple[float, ...]:
    row = [float("nan")] * (len(CHANNELS) + 1)
    ranks = [99] * len(row)
    for item in message.fields:
        if item.name == "timestamp":
            row[0] = _moment(item.value)
            continue
        place = _COLUMN.get(item.name)
        if place is not None and item.value is not None and place[1] < ranks[place[0]]:
            row[place[0]] = _number(item.value)
            ranks[place[0]] = place[1]
    return tuple(row)


def _place(sub_sport: str) -> Place:
    if "virtual" in sub_sport:
        return Place.VIRTUAL
    return Place.INDOORS if sub_sport in {"indoor_cycling", "spin"} else Place.OUTDOORS


def _cycling_part(file: Path, found: _Found, time: FloatArray) -> tuple[np.ndarray, str, str]:
    """Which records belong to cycling, with the names of sport and kind."""
    sports = {sport for _, _, sport, _ in found.sessions} or ({found.sport} - {""})
    others = {sport for sport in sports if sport not in CYCLING_WORDS}
    if not others or sports == {"generic"}:
        return np.ones(time.size, dtype=bool), found.sport, found.sub_sport
    which = np.zeros(time.size, dtype=bool)
    sub_sport = ""
    for start, end, sport, kind in found.sessions:
        if sport in CYCLING_WORDS:
            which |= (time >= start - 1.0) & (time <= end + 1.0)
            sub_sport = kind
    if not which.any():
        raise RideError(
            "no cycling in the file", where=str(file), found=", ".join(sorted(others)), do="give a ride"
        )
    found.notes.append(f"several sports in one file ({', '.join(sorted(sports))}); the cycling part used")
    return which, "cycling", sub_sport


def _recording(file: Path, found: _Found) -> Recording:
    table = np.array(found.rows, dtype=np.float64)
    which, sport, sub_sport = _cycling_part(file, found, table[:, 0])
    table = table[which]
    channels = {
        name: table[:, column] * _FIELDS[name][1] + _FIELDS[name][2]
        for column, name in enumerate(CHANNELS, start=1)
    }
    dated = table[np.isfinite(table[:, 0]), 0]
    first, last = (dated.min(), dated.max()) if dated.size else (np.nan, np.nan)
    laps = tuple(lap for lap in found.laps if lap.end > first and lap.start < last)
    return Recording(
        name=file.stem,
        source=str(file),
        time=table[:, 0],
        channels=channels,
        laps=laps,
        sport=sport,
        place=_place(sub_sport),
        rider_mass=found.rider_mass,
        notes=tuple(found.notes),
    )

"""TCX files, and GPX files with power in their extensions; read by local names, in any namespace."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from xml.etree.ElementTree import Element, ParseError, iterparse

import numpy as np

from pacer.errors import RideError
from pacer.files._xml import DEEPEST, defines_entities, parse_moment
from pacer.files.rides import CYCLING_WORDS
from pacer.rides.ride import CHANNELS, Lap, Place, Recording
from pacer.units import ZERO_CELSIUS

__all__ = ["read_xml"]

_NAMES: Final = {
    "distancemeters": "distance",
    "speed": "speed",
    "latitudedegrees": "latitude_deg",
    "longitudedegrees": "longitude_deg",
    "altitudemeters": "elevation",
    "ele": "elevation",
    "watts": "power",
    "power": "power",
    "powerinwatts": "power",
    "hr": "heart_rate",
    "cadence": "cadence",
    "cad": "cadence",
    "atemp": "temperature",
}
"""Local name of an element below a point, in small letters: the channel it fills."""


_MOST_ELEMENTS: Final = 10_000_000
"""A day's ride with every channel has about a million."""

_OTHER_SPORTS: Final = ("run", "jog", "walk", "hik", "trek", "swim", "ski", "row", "transition")
"""Parts of the names of what isn't cycling; a GPX file may call its type anything else."""


@dataclass(slots=True)
class _Part:
    """One activity of a TCX file or one track of a GPX file."""

    sport: str = ""
    rows: list[dict[str, float]] = field(default_factory=list)
    laps: list[Lap] = field(default_factory=list)


def _local(tag: object) -> str:
    return tag.rsplit("}", 1)[-1].rsplit(":", 1)[-1].lower() if isinstance(tag, str) else ""


def _number(text: str | None) -> float:
    try:
        value = float(text or "")
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def read_xml(file: Path) -> Recording:
    """Read the cycling part of a TCX or GPX file."""
    if defines_entities(file):
        raise RideError(
            "the file defines XML entities, which no ride needs", where=str(file), do="export the ride again"
        )
    parts: list[_Part] = []
    notes: list[str] = []
    events = _events(file, notes, parts)
    root = next(events, None)
    kind = _local(root[1].tag) if root is not None else ""
    reader: Callable[[Iterator[tuple[str, Element]], list[_Part]], None]
    if kind == "trainingcenterdatabase":
        reader = _read_tcx
    elif kind == "gpx":
        reader = _read_gpx
    else:
        raise RideError(
            "not a TCX or GPX file", where=str(file), found=f"<{kind}>", do="export it as TCX, GPX or FIT"
        )
    reader(events, parts)
    return _recording(file, parts, notes)


def _events(file: Path, notes: list[str], parts: list[_Part]) -> Iterator[tuple[str, Element]]:
    depth = elements = 0
    try:
        for event, element in iterparse(file, events=("start", "end")):
            depth += 1 if event == "start" else -1
            elements += event == "start"
            if depth > DEEPEST or elements > _MOST_ELEMENTS:
                what = "nests its elements too deep" if depth > DEEPEST else "has too many elements"
                raise RideError(f"the XML {what} for a ride", where=str(file), do="export the ride again")
            yield event, element
    except (ParseError, UnicodeError, ValueError, LookupError) as error:
        if not any(part.rows for part in parts):
            raise RideError(
                "the XML is damaged", where=str(file), found=str(error), do="export the ride again"
            ) from error
        notes.append("the file breaks off; read as far as it goes")


def _point(element: Element) -> dict[str, float]:
    """Values of a point by channel, with `time`."""
    row: dict[str, float] = {}
    if "lat" in element.attrib:
        row["latitude_deg"] = _number(element.get("lat"))
        row["longitude_deg"] = _number(element.get("lon"))
    for item in element.iter():
        name = _local(item.tag)
        if name == "time":
            row["time"] = parse_moment(item.text)
        elif name == "heartratebpm":
            row["heart_rate"] = _number(next((c.text for c in item if _local(c.tag) == "value"), None))
        elif name in _NAMES:
            row.setdefault(_NAMES[name], _number(item.text))
    if "temperature" in row:
        row["temperature"] += ZERO_CELSIUS
    return row


def _read_tcx(events: Iterator[tuple[str, Element]], parts: list[_Part]) -> None:
    part = _Part()
    for event, element in events:
        name = _local(element.tag)
        if event == "start":
            if name == "activity":
                part = _Part(sport=element.get("Sport", "").lower())
                parts.append(part)
            continue
        if name == "trackpoint":
            part.rows.append(_point(element))
            element.clear()
        elif name == "lap":
            start = parse_moment(element.get("StartTime"))
            seconds = _number(next((c.text for c in element if _local(c.tag) == "totaltimeseconds"), None))
            if seconds > 0.0 and math.isfinite(start):
                part.laps.append(Lap(start, start + seconds, f"lap {len(part.laps) + 1}"))
            element.clear()


def _read_gpx(events: Iterator[tuple[str, Element]], parts: list[_Part]) -> None:
    part = _Part()
    for event, element in events:
        name = _local(element.tag)
        if event == "start":
            if name == "trk":
                part = _Part()
                parts.append(part)
            continue
        if name == "trkpt":
            part.rows.append(_point(element))
            element.clear()
        elif name == "type":
            part.sport = (element.text or "").strip().lower()


def _is_cycling(sport: str) -> bool:
    return sport in CYCLING_WORDS or "cycl" in sport or "bik" in sport


def _recording(file: Path, parts: list[_Part], notes: list[str]) -> Recording:
    parts = [part for part in parts if part.rows]
    if not parts:
        raise RideError(
            "no recorded points in the file", where=str(file), do="give the file that the device recorded"
        )
    sports = sorted({part.sport for part in parts if part.sport})
    chosen = [part for part in parts if _is_cycling(part.sport)]
    unnamed = [part for part in parts if not any(word in part.sport for word in _OTHER_SPORTS)]
    if not chosen and not unnamed:
        raise RideError("no cycling in the file", where=str(file), found=", ".join(sports), do="give a ride")
    if chosen and len(chosen) < len(parts):
        notes.append(f"several sports in one file ({', '.join(sports)}); the cycling part used")
    used = chosen or unnamed
    rows = [row for part in used for row in part.rows]
    channels = {name: np.array([row.get(name, math.nan) for row in rows]) for name in CHANNELS}
    sport = used[0].sport
    return Recording(
        name=file.stem,
        source=str(file),
        time=np.array([row.get("time", math.nan) for row in rows]),
        channels=channels,
        laps=tuple(lap for part in used for lap in part.laps),
        sport="cycling" if _is_cycling(sport) else "",
        place=Place.VIRTUAL if "virtual" in sport else Place.OUTDOORS,
        notes=tuple(notes),
    )

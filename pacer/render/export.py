"""The plan for other programs: GPX and TCX for a head unit, CSV for a spreadsheet. One way only."""

from __future__ import annotations

import csv
import datetime as dt
import io
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from pacer.planning.plan import Cue, Plan
from pacer.planning.splits import expected_splits
from pacer.render.digest import place_at, table
from pacer.render.reasons import reason_words
from pacer.render.words import ascii_name, clean, clock, cue_kilometres, route_name, watts
from pacer.units import FloatArray

__all__ = ["cues_gpx", "segments_csv", "splits_csv", "tcx_course"]

_GPX: Final = "http://www.topografix.com/GPX/1/1"
_TCX: Final = "http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2"
"""Namespace names are facts of the two formats."""

_NO_DATE: Final = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
"""TCX wants times; without a start time in the race file the course starts here."""

_ROUTE_POINTS: Final = 1500
_TRACK_POINTS: Final = 4000
_LABEL: Final = 10
_COURSE_NAME: Final = 15


def cues_gpx(plan: Plan) -> bytes:
    """Write the cues as GPX 1.1: a waypoint each, and the road as a route.

    Waypoint names have at most 10 ASCII characters (``260W TUCK``), the whole sentence stands in
    ``desc``; ``type`` is the kind of cue.
    """
    root = ET.Element("gpx", {"xmlns": _GPX, "version": "1.1", "creator": "pacer"})
    metadata = ET.SubElement(root, "metadata")
    _leaf(metadata, "name", f"{route_name(plan)}: cues")
    for cue, (latitude, longitude, elevation) in zip(plan.cues, _places(plan, _at(plan.cues)), strict=True):
        point = _point(root, "wpt", latitude, longitude, elevation)
        _leaf(point, "name", label(cue))
        _leaf(point, "desc", sentence(plan, cue))
        _leaf(point, "type", cue.kind)
    route = ET.SubElement(root, "rte")
    _leaf(route, "name", route_name(plan))
    for latitude, longitude, elevation in _places(plan, _thinned(plan.nodes.distance_m, _ROUTE_POINTS)):
        _point(route, "rtept", latitude, longitude, elevation)
    return _document(root)


def tcx_course(plan: Plan) -> bytes:
    """Write the plan as a TCX course: the road with the planned times, and a course point for each cue."""
    root = ET.Element("TrainingCenterDatabase", {"xmlns": _TCX})
    course = ET.SubElement(ET.SubElement(root, "Courses"), "Course")
    _leaf(course, "Name", ascii_name(route_name(plan), _COURSE_NAME) or "pacer")
    nodes = plan.nodes
    distances = np.unique(np.concatenate([_thinned(nodes.distance_m, _TRACK_POINTS), _at(plan.cues)]))
    times = np.interp(distances, nodes.distance_m, nodes.time_s)
    places = _places(plan, distances.tolist())
    lap = ET.SubElement(course, "Lap")
    _leaf(lap, "TotalTimeSeconds", f"{nodes.time_s[-1]:.1f}")
    _leaf(lap, "DistanceMeters", f"{nodes.distance_m[-1]:.1f}")
    _position(lap, "BeginPosition", places[0])
    _position(lap, "EndPosition", places[-1])
    _leaf(lap, "Intensity", "Active")
    track = ET.SubElement(course, "Track")
    start = _start(plan)
    for distance, time, place in zip(distances, times, places, strict=True):
        point = ET.SubElement(track, "Trackpoint")
        _leaf(point, "Time", _stamp(start, time))
        _position(point, "Position", place)
        _leaf(point, "AltitudeMeters", f"{place[2]:.1f}")
        _leaf(point, "DistanceMeters", f"{distance:.1f}")
    for cue, place in zip(plan.cues, _places(plan, _at(plan.cues)), strict=True):
        point = ET.SubElement(course, "CoursePoint")
        _leaf(point, "Name", label(cue))
        _leaf(point, "Time", _stamp(start, float(np.interp(cue.at_m, nodes.distance_m, nodes.time_s))))
        _position(point, "Position", place)
        _leaf(point, "PointType", _point_type(cue))
        _leaf(point, "Notes", sentence(plan, cue))
    return _document(root)


def segments_csv(plan: Plan) -> bytes:
    """Write the segments as CSV, UTF-8, one line each, in the terms of plan.json.

    Texts that a spreadsheet would take for a formula are preceded by an apostrophe.

    Parameters
    ----------
    plan : Plan
    """
    head = (
        *("index", "start_m", "end_m", "mean_grade", "heading_deg", "headwind_m_s", "power_w", "position"),
        *("tucked", "speed_m_s", "duration_s", "gain_s", "reasons"),
    )
    rows = (
        (
            s.index,
            round(s.start_m, 4),
            round(s.end_m, 4),
            round(s.mean_grade, 7),
            round(s.heading_deg, 4),
            round(s.headwind_m_s, 5),
            round(s.power_w, 3),
            _cell(s.position),
            "true" if s.tucked else "false",
            round(s.speed_m_s, 5),
            round(s.duration_s, 4),
            round(s.gain_s, 4),
            _cell("; ".join(reason_words(reason) for reason in s.reasons)),
        )
        for s in plan.segments
    )
    return _csv(head, rows)


def splits_csv(plan: Plan, every_km: float) -> bytes:
    """Write expected times every so many kilometres as CSV, with early and late bounds."""
    head = ("distance_km", "time_s", "early_s", "late_s", "time")
    rows = (
        (
            round(s.distance_m / 1000, 3),
            round(s.time_s, 1),
            round(s.early_s, 1),
            round(s.late_s, 1),
            clock(s.time_s),
        )
        for s in expected_splits(plan, every_km * 1000.0)
    )
    return _csv(head, rows)


def label(cue: Cue) -> str:
    """Give a cue's name for a small screen: at most 10 ASCII characters."""
    if cue.kind in {"feed", "note"}:
        return ascii_name(cue.text, _LABEL).upper() or cue.kind.upper()
    task = f"{watts(cue.power_w)}W {'TUCK' if cue.tucked else 'UP'}"
    return task if len(task) <= _LABEL else task.replace(" ", "")[:_LABEL]


def sentence(plan: Plan, cue: Cue) -> str:
    """Give a cue as a whole sentence."""
    where = f"km {cue_kilometres(cue)}"
    seen = clean(cue.text, 120)
    if cue.kind in {"feed", "note"}:
        return f"{where}: {seen}."
    following = (c.at_m for c in plan.cues if c.at_m > cue.at_m and c.kind not in {"feed", "note"})
    until = next(following, float(plan.nodes.distance_m[-1]))
    begin, end = np.interp([cue.at_m, until], plan.nodes.distance_m, plan.nodes.time_s)
    task = f"{'tucked' if cue.tucked else 'hands on the brakes'} ({clean(cue.position, 40)})"
    return f"{where}, {seen}: {task}, hold {watts(cue.power_w)} W for {clock(float(end - begin))}."


def _point_type(cue: Cue) -> str:
    """Give one of the format's own words."""
    if cue.kind == "up":
        return "Danger"
    if cue.kind == "feed":
        return "Food"
    return "Summit" if cue.text == "crest" else "Generic"


def _thinned(distances: FloatArray, most: int) -> list[float]:
    """Give at most so many of the distances, evenly, the first and the last among them."""
    keep = np.linspace(0, distances.size - 1, min(distances.size, most)).round().astype(int)
    return [float(d) for d in distances[np.unique(keep)]]


def _at(cues: Sequence[Cue]) -> list[float]:
    return [cue.at_m for cue in cues]


def _places(plan: Plan, distances: Sequence[float]) -> list[tuple[float, float, float]]:
    if not distances:
        return []
    latitude, longitude, elevation = place_at(plan, distances)
    return list(zip(latitude.tolist(), longitude.tolist(), elevation.tolist(), strict=True))


def _point(parent: ET.Element, tag: str, latitude: float, longitude: float, elevation: float) -> ET.Element:
    point = ET.SubElement(parent, tag, {"lat": f"{latitude:.7f}", "lon": _longitude(longitude)})
    _leaf(point, "ele", f"{elevation:.1f}")
    return point


def _position(parent: ET.Element, tag: str, place: tuple[float, float, float]) -> None:
    position = ET.SubElement(parent, tag)
    _leaf(position, "LatitudeDegrees", f"{place[0]:.7f}")
    _leaf(position, "LongitudeDegrees", _longitude(place[1]))


def _longitude(degrees: float) -> str:
    """Write a longitude in [-180, 180), as GPX wants it, after rounding too."""
    text = f"{degrees:.7f}"
    return "-180.0000000" if text == "180.0000000" else text


def _leaf(parent: ET.Element, tag: str, text: str) -> None:
    ET.SubElement(parent, tag).text = text


def _document(root: ET.Element) -> bytes:
    ET.indent(root, space=" ")
    head = b'<?xml version="1.0" encoding="UTF-8"?>\n'
    return head + ET.tostring(root, encoding="unicode").encode("utf-8") + b"\n"


def _start(plan: Plan) -> dt.datetime:
    """Start of the race in UTC, as given; a fixed date where it isn't."""
    text = table(plan, "race").get("start_time")
    try:
        found = dt.datetime.fromisoformat(text) if isinstance(text, str) else _NO_DATE
        start = found.astimezone(dt.UTC) if found.tzinfo else found.replace(tzinfo=dt.UTC)
        _stamp(start, float(plan.nodes.time_s[-1]) + 1.0)
    except (ValueError, OverflowError):
        return _NO_DATE
    return start


def _stamp(start: dt.datetime, time: float) -> str:
    moment = start + dt.timedelta(seconds=round(time, 3))
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _cell(text: str) -> str:
    """Give a text that no spreadsheet runs as a formula."""
    line = clean(text, 1000)
    return f"'{line}" if line.startswith(("=", "+", "-", "@", "|", "%")) else line


def _csv(head: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return stream.getvalue().encode("utf-8")

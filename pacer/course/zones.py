"""Zones: what the user knows of a stretch, brought to metres along the course and to its cells."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.geodesy import Plane
from pacer.course.track import Cells, Change, Course, Waypoint, Zone, ZoneKind
from pacer.errors import CourseError
from pacer.units import FloatArray, read_only, signed_angle

__all__ = [
    "GeoShape",
    "GeoZone",
    "ZoneEffects",
    "check_zones",
    "match_zones",
    "repeat_over_laps",
    "turned_round",
    "unknown_zones",
    "waypoint_zones",
    "zone_effects",
]

_BESIDE_M: Final = 25.0
"""A line or a point this near to the route lies on it: a carriageway and what a map is wrong by [m]."""

_WAYPOINT_M: Final = 75.0
_AROUND_POINT_M: Final = 50.0
"""A stretch that is given as a point reaches this far to both sides (a choice) [m]."""

_SAME_WAY: Final = np.radians(60.0)
_JOIN_M: Final = 40.0

_FEED_WORDS: Final = re.compile(
    r"\b(feed\w*|aid|food|drinks?|water|nutrition|refreshments?)\b", re.IGNORECASE
)
_DANGER_WORDS: Final = re.compile(
    r"\b(danger\w*|hazard\w*|caution|warning|no.?tuck|obstacles?|sharp|slippery|cobble\w*|setts|gravel|pot.?holes?"
    r"|tunnels?|(level|railway|rail|pedestrian) crossing|tram\w*|rails?|cattle.?grids?|roundabouts?|bollards?"
    r"|speed (bumps?|humps?)|road.?works|dismount|school)\b",
    re.IGNORECASE,
)
"""What a rider meets with the hands on the brakes; a word too many costs seconds."""

_RISE_M: Final = 20.0
"""A road that comes so much nearer again to a point passes it again (a choice) [m]."""


class GeoShape(StrEnum):
    """What a zone is drawn as."""

    POINT = "point"
    LINE = "line"
    AREA = "area"


@dataclass(frozen=True, slots=True, eq=False)
class GeoZone:
    """A zone drawn on the map.

    Attributes
    ----------
    rings : tuple of FloatArray, shape (k, 2)
        Longitude and latitude [°]: the point, the line, or the outer ring of an area and its holes.
    heading : float or None
        Only where the route runs this way, within 60° [rad]; a line has its own way.
    label : str
        How messages name it.
    """

    kind: ZoneKind
    shape: GeoShape
    rings: tuple[FloatArray, ...]
    note: str = ""
    value: float | None = None
    heading: float | None = None
    both_ways: bool = False
    label: str = "zone"


@dataclass(frozen=True, slots=True, eq=False)
class ZoneEffects:
    """What zones do to cells.

    Attributes
    ----------
    no_tuck : bool array, shape (n,)
    speed_limit : FloatArray, shape (n,)
        [m/s], infinite where none.
    wind_factor, crr_factor : FloatArray, shape (n,)
        1 where none; a zone that covers part of a cell counts by its share.
    """

    no_tuck: npt.NDArray[np.bool_]
    speed_limit: FloatArray
    wind_factor: FloatArray
    crr_factor: FloatArray

    def __post_init__(self) -> None:
        for name in ("speed_limit", "wind_factor", "crr_factor"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def check_zones(course: Course, zones: Iterable[Zone], source: str = "") -> tuple[Zone, ...]:
    """Refuse zones that lie beyond the course; shorten those that reach beyond it.

    Raises
    ------
    CourseError
        Naming the zone.
    """
    kept = []
    for zone in zones:
        if zone.start > course.length or zone.end < 0.0:
            raise CourseError(
                f"the {zone.kind.value} zone{_named(zone.note)} touches the route nowhere",
                where=source,
                found=f"km {zone.start / 1e3:g} to {zone.end / 1e3:g} of {course.length / 1e3:.2f} km",
                do="correct its kilometres",
            )
        kept.append(replace(zone, start=max(zone.start, 0.0), end=min(zone.end, course.length)))
    return tuple(kept)


def repeat_over_laps(zones: Iterable[Zone], course: Course) -> tuple[Zone, ...]:
    """Repeat on every lap the zones that begin within the first; the road is the same each time round.

    One that runs over the end of the lap holds where the first lap begins as well.

    Parameters
    ----------
    zones : iterable of Zone
        Metres along the course as ridden; those that begin beyond the first lap, or are longer than one, stay
        where they are.
    course : Course
    """
    found: list[Zone] = []
    for zone in zones:
        lap = course.lap
        if lap is None or zone.start >= lap or zone.end - zone.start > lap:
            found.append(zone)
            continue
        moved = (-lap if zone.end > lap else 0.0) + lap * np.arange(np.ceil(course.length / lap) + 1.0)
        again = (replace(zone, start=zone.start + by, end=zone.end + by) for by in moved.tolist())
        found += [part for part in again if part.start < course.length or part.start == zone.start]
    return tuple(sorted(found, key=lambda zone: zone.start))


def turned_round(zones: Iterable[Zone], length: float) -> tuple[Zone, ...]:
    """Give the places of zones on the same road ridden from its end to its start [m]."""
    turned = (replace(zone, start=length - zone.end, end=length - zone.start) for zone in zones)
    return tuple(sorted(turned, key=lambda zone: zone.start))


def match_zones(course: Course, drawn: Sequence[GeoZone], source: str = "") -> tuple[Zone, ...]:
    """Find where zones drawn on the map meet the course, on every lap.

    A line counts where the route runs along it the same way, so on an out-and-back it can be told to which
    way it belongs. A point or an area counts both ways unless it has a heading.

    Parameters
    ----------
    course : Course
    drawn : sequence of GeoZone
    source : str
        Name of the file, for messages.

    Returns
    -------
    tuple of Zone
        In the order of the road.

    Raises
    ------
    CourseError
        If a zone touches the route nowhere.
    """
    if not drawn:
        return ()
    plane = Plane.about(course.latitude_deg, course.longitude_deg)
    line = plane.to_plane(course.latitude_deg, course.longitude_deg)
    zones: list[Zone] = []
    for item in drawn:
        stretches = _stretches(course, plane, line, item)
        if not stretches:
            raise CourseError(
                f"the {item.kind.value} zone{_named(item.note)} touches the route nowhere",
                where=f"{source}, {item.label}" if source else item.label,
                do=f"draw it within {_BESIDE_M:.0f} m of the route, a line in the direction of travel",
            )
        zones += [Zone(item.kind, start, end, item.note, item.value) for start, end in stretches]
    return tuple(sorted(zones, key=lambda zone: zone.start))


def waypoint_zones(course: Course) -> tuple[tuple[Zone, ...], tuple[Change, ...]]:
    """Turn the named points of the GPX file into zones.

    Words for danger, in the description too, make a stretch without tuck 50 m to both sides, words for food
    and drink a feed, any other name a note. A point farther than 75 m from the route is left out, and said.

    Returns
    -------
    zones : tuple of Zone
        In the order of the road.
    changes : tuple of Change
    """
    if not course.waypoints:
        return (), ()
    plane = Plane.about(course.latitude_deg, course.longitude_deg)
    line = plane.to_plane(course.latitude_deg, course.longitude_deg)
    zones: list[Zone] = []
    changes: list[Change] = []
    for waypoint in course.waypoints:
        kind, name = _waypoint_kind(waypoint)
        point = plane.to_plane(np.array([waypoint.latitude_deg]), np.array([waypoint.longitude_deg]))
        passes = _passes(course, np.hypot(*(line - point).T), _WAYPOINT_M)
        if not passes:
            what = f"the waypoint {name!r} is off the route and was left out"
            changes.append(Change(what, loud=kind is ZoneKind.NO_TUCK))
        reach = _AROUND_POINT_M if kind is ZoneKind.NO_TUCK else 0.0
        zones += [Zone(kind, max(at - reach, 0.0), min(at + reach, course.length), name) for at in passes]
    return tuple(sorted(zones, key=lambda zone: zone.start)), tuple(changes)


def unknown_zones(course: Course) -> tuple[Zone, ...]:
    """Keep the hands at the brakes where the file doesn't know the road or its height."""
    return tuple(
        Zone(ZoneKind.NO_TUCK, start, min(end, course.length), "unknown road")
        for change in course.changes
        for start, end in change.unknown
        if end > start
    )


def zone_effects(cells: Cells, zones: Iterable[Zone]) -> ZoneEffects:
    """Bring zones to cells.

    Where zones overlap, the lowest speed limit holds and factors multiply.

    Parameters
    ----------
    cells : Cells
    zones : iterable of Zone

    Returns
    -------
    ZoneEffects
    """
    n = len(cells)
    no_tuck, limit = np.zeros(n, dtype=np.bool_), np.full(n, np.inf)
    wind, crr = np.ones(n), np.ones(n)
    end = cells.start + cells.length
    for zone in zones:
        covered = np.clip(np.minimum(end, zone.end) - np.maximum(cells.start, zone.start), 0.0, None)
        touched = (covered > 1e-6) | ((cells.start <= zone.start) & (zone.start < end))
        share = covered / cells.length
        value = 1.0 if zone.value is None else zone.value
        if zone.kind is ZoneKind.NO_TUCK:
            no_tuck |= touched
        elif zone.kind is ZoneKind.SPEED_LIMIT and zone.value is not None:
            limit = np.where(touched, np.minimum(limit, value), limit)
        elif zone.kind is ZoneKind.SHELTERED:
            wind *= 1.0 + (value - 1.0) * share
        elif zone.kind is ZoneKind.SURFACE:
            crr *= 1.0 + (value - 1.0) * share
    return ZoneEffects(no_tuck, limit, wind, crr)


def _named(note: str) -> str:
    return f" {note!r}" if note else ""


def _waypoint_kind(waypoint: Waypoint) -> tuple[ZoneKind, str]:
    """What a waypoint makes, and what to call it."""
    name = waypoint.name or waypoint.description or waypoint.kind
    words = f"{waypoint.name} {waypoint.kind}"
    if _DANGER_WORDS.search(words):
        return ZoneKind.NO_TUCK, name
    if _DANGER_WORDS.search(waypoint.description):
        return ZoneKind.NO_TUCK, waypoint.description
    return (ZoneKind.FEED if _FEED_WORDS.search(words) else ZoneKind.NOTE), name


def _stretches(course: Course, plane: Plane, line: FloatArray, item: GeoZone) -> list[tuple[float, float]]:
    rings = [plane.to_plane(ring[:, 1], ring[:, 0]) for ring in item.rings]
    if item.shape is GeoShape.POINT:
        away = np.hypot(*(line - rings[0][0]).T)
        if item.heading is not None:
            away = np.where(np.abs(signed_angle(course.heading - item.heading)) < _SAME_WAY, away, np.inf)
        reach = 0.0 if item.kind in (ZoneKind.FEED, ZoneKind.NOTE) else _AROUND_POINT_M
        passes = _passes(course, away, _BESIDE_M)
        return [(max(at - reach, 0.0), min(at + reach, course.length)) for at in passes]
    inside = _along(course, line, rings[0], item) if item.shape is GeoShape.LINE else _within(line, rings)
    if item.heading is not None:
        inside &= np.abs(signed_angle(course.heading - item.heading)) < _SAME_WAY
    return _runs(course, inside)


def _along(course: Course, line: FloatArray, drawn: FloatArray, item: GeoZone) -> npt.NDArray[np.bool_]:
    """Where the route runs beside a drawn line, the same way."""
    import shapely

    shape, points = shapely.LineString(drawn), shapely.points(line)
    inside = np.asarray(shapely.distance(shape, points) < _BESIDE_M)
    if item.both_ways or not np.any(inside):
        return inside
    at = shapely.line_locate_point(shape, points)
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(shape, np.minimum(at + 5.0, shape.length)))
    behind = shapely.get_coordinates(shapely.line_interpolate_point(shape, np.maximum(at - 5.0, 0.0)))
    heading = np.arctan2(*(ahead - behind).T)
    return np.asarray(inside & (np.abs(signed_angle(course.heading - heading)) < _SAME_WAY))


def _within(line: FloatArray, rings: list[FloatArray]) -> npt.NDArray[np.bool_]:
    import shapely

    area = shapely.make_valid(shapely.polygons(rings[0], holes=rings[1:] or None))
    return np.asarray(shapely.contains_xy(area, line[:, 0], line[:, 1]), dtype=np.bool_)


def _runs(course: Course, inside: npt.NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Stretches of the course where `inside` holds, joined over short breaks."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], inside.astype(np.int8), [0]))))
    found: list[tuple[float, float]] = []
    for first, past in zip(edges[::2], edges[1::2], strict=True):
        start, end = float(course.distance[first]), float(course.distance[past - 1])
        if found and start - found[-1][1] < _JOIN_M:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return found


def _passes(course: Course, away: FloatArray, reach: float) -> list[float]:
    """Where the route comes nearest, once for each time that it comes near."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (away < reach).astype(np.int8), [0]))))
    return [
        float(course.distance[first + k])
        for first, past in zip(edges[::2], edges[1::2], strict=True)
        for k in _lows(away[first:past].tolist())
    ]


def _lows(values: list[float]) -> list[int]:
    """Lowest places of a curve, with a rise of `_RISE_M` at least between any two."""
    found, low, high, falling = [], 0, 0, True
    for k, value in enumerate(values):
        if falling:
            low = k if value < values[low] else low
            if value > values[low] + _RISE_M:
                found.append(low)
                falling, high = False, k
        else:
            high = k if value > values[high] else high
            if value < values[high] - _RISE_M:
                falling, low = True, k
    return [*found, low] if falling else found

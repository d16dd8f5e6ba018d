"""From the points of a file to the road: the whole pipeline, one step after another."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from pacer.course.clean import Points, clean_points
from pacer.course.corners import find_corners
from pacer.course.elevation import Profile, smooth_profile, total_climb
from pacer.course.geodesy import Plane, geodesic_steps
from pacer.course.plan_view import Line, smooth_line
from pacer.course.repair import close_loop, known_elevation, repair_elevation
from pacer.course.track import Change, Corner, Course, RawTrack
from pacer.errors import CourseError
from pacer.units import FloatArray, wrap_heading

__all__ = ["build_course"]

_CLOSED_M: Final = 150.0
"""A lap may end this far from where it began (a choice) [m]."""

_OVERLAP_M: Final = 400.0
_IGNORED_RISE: Final = 0.5
"""Rises smaller than this share of the elevation noise aren't climb (a choice)."""


def build_course(
    track: RawTrack,
    *,
    laps: int = 1,
    reverse: bool = False,
    flat: bool = False,
    start_km: float | None = None,
    end_km: float | None = None,
) -> Course:
    """Clean, smooth and measure the road that a file describes.

    Parameters
    ----------
    track : RawTrack
    laps : int
        How often the course is ridden.
    reverse : bool
        Ride it from its end to its start.
    flat : bool
        Plan without elevation: the file's, if any, is ignored.
    start_km, end_km : float, optional
        Keep only the part between these kilometres of the course as ridden (reversed, all laps).

    Returns
    -------
    Course

    Raises
    ------
    CourseError
        If the file doesn't describe a road that can be planned on.
    """
    if laps < 1:
        raise CourseError("the number of laps must be 1 or more", where=track.source, found=str(laps))
    plane = Plane.about(track.latitude_deg, track.longitude_deg)
    points = Points(
        plane.to_plane(track.latitude_deg, track.longitude_deg), track.elevation, track.time, track.part
    )
    if reverse:
        points = replace(points.take(np.arange(points.z.size)[::-1]), time=-points.time[::-1])
    points, changes = clean_points(points, track.source)
    points = replace(points, z=_elevation(points, changes, track.source, flat=flat))
    again = 0.0
    if laps > 1:
        points, again = _repeat(points, laps, changes, track.source)
    line = smooth_line(points.xy)
    changes = [change.moved(lambda x: float(np.interp(x, points.along, line.samples))) for change in changes]
    profile = smooth_profile(line.samples, points.z, float(line.s[-1]), changes, track.source)
    corners = find_corners(line, points.xy)
    course = _assemble(track, plane, line, profile, corners, changes)
    if laps > 1:
        last = np.interp(np.interp((laps - 1) * again, points.along, line.samples), line.s, course.distance)
        course = replace(course, lap=float(last) / (laps - 1))
    if start_km is not None or end_km is not None:
        course = _trim(course, start_km, end_km)
    return course


def _elevation(points: Points, changes: list[Change], source: str, *, flat: bool) -> FloatArray:
    if flat:
        changes.append(Change("planned flat as asked: climbs and descents are not in this plan", loud=True))
        return np.zeros(points.z.size)
    along = points.along
    z = known_elevation(along, points.z, source, changes)
    z = repair_elevation(along, z, changes)
    return close_loop(points.xy, along, z, changes)


def _repeat(points: Points, laps: int, changes: list[Change], source: str) -> tuple[Points, float]:
    """Lay laps end to end, an overlap of finish and start once; and how far on the next lap begins [m]."""
    along = points.along
    late = np.flatnonzero(along > max(along[-1] - _OVERLAP_M, 0.5 * along[-1]))
    away = np.hypot(*(points.xy[late] - points.xy[0]).T)
    nearest = int(late[np.argmin(away)])
    gap = float(np.min(away))
    if gap > _CLOSED_M:
        raise CourseError(
            f"a course of {laps} laps must end where it starts",
            where=source,
            found=f"its end {gap:.0f} m from its start",
            do="give one lap, or a file that holds every lap",
        )
    lap = points.take(np.arange(nearest + 1))
    if nearest < points.z.size - 1:
        cut = float(along[-1] - along[nearest])
        changes.append(Change("the lap's end overlaps its start: the overlap was cut", amount=cut, unit="m"))
    if gap > 20.0:
        changes.append(
            Change(
                "the lap's end was joined to its start by a straight line",
                amount=gap,
                unit="m",
                loud=True,
                unknown=((float(lap.along[-1]), float(lap.along[-1]) + gap),),
            )
        )
    length = float(lap.along[-1]) + (gap if gap >= 1.0 else 0.0)
    changes[:] = [_on_every_lap(change, length, laps) for change in changes]
    # The same height at the join, or every lap would begin with a step.
    rise = lap.z[0] - lap.z[-1]
    z = lap.z + rise * lap.along / lap.along[-1]
    inner = slice(1 if gap < 1.0 else 0, None)
    count = lap.z.size + (laps - 1) * lap.z[inner].size
    laid = Points(
        np.concatenate([lap.xy] + [lap.xy[inner]] * (laps - 1)),
        np.concatenate([z] + [z[inner]] * (laps - 1)),
        np.full(count, np.nan),
        np.zeros(count, dtype=np.int64),
    )
    return laid, length


def _on_every_lap(change: Change, length: float, laps: int) -> Change:
    spans = ((start + k * length, end + k * length) for k in range(laps) for start, end in change.unknown)
    return replace(change, unknown=tuple(spans))


def _assemble(
    track: RawTrack,
    plane: Plane,
    line: Line,
    profile: Profile,
    corners: tuple[Corner, ...],
    changes: list[Change],
) -> Course:
    latitude, longitude = plane.to_earth(line.xy)
    step, azimuth = geodesic_steps(latitude, longitude)
    z = np.interp(line.s, profile.s, profile.z)
    distance = np.concatenate(([0.0], np.cumsum(np.hypot(step, np.diff(z)))))
    spread = np.gradient(line.s)
    return Course(
        name=track.name,
        source=track.source,
        distance=distance,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation=z,
        heading=_node_heading(azimuth),
        curvature=line.turn / np.maximum(spread, 1e-6),
        corners=tuple(_along_slope(corner, line.s, distance) for corner in corners),
        changes=tuple(
            sorted(
                (change.moved(lambda x: float(np.interp(x, line.s, distance))) for change in changes),
                key=lambda c: -1.0 if c.start is None else c.start,
            )
        ),
        elevation_noise=profile.noise,
        climb=total_climb(z, _IGNORED_RISE * profile.noise),
        waypoints=track.waypoints,
    )


def _node_heading(azimuth: FloatArray) -> FloatArray:
    """Heading at the nodes from that of the steps."""
    east = np.sin(azimuth)
    north = np.cos(azimuth)
    east = np.concatenate((east[:1], east[1:] + east[:-1], east[-1:]))
    north = np.concatenate((north[:1], north[1:] + north[:-1], north[-1:]))
    return wrap_heading(np.arctan2(east, north))


def _along_slope(corner: Corner, s: FloatArray, distance: FloatArray) -> Corner:
    start, apex, end = (float(x) for x in np.interp([corner.start, corner.apex, corner.end], s, distance))
    return replace(corner, start=start, apex=apex, end=end)


def _concerns(change: Change, low: float, high: float) -> bool:
    """Whether a change says something of the part between two places."""
    if change.start is None or low <= change.start <= high:
        return True
    return any(start < high and end > low for start, end in change.unknown)


def _trim(course: Course, start_km: float | None, end_km: float | None) -> Course:
    """Keep the part between two kilometres."""
    low = 0.0 if start_km is None else 1000.0 * start_km
    high = course.length if end_km is None else 1000.0 * end_km
    if not (0.0 <= low < high <= course.length + 50.0) or high - low < 20.0:
        raise CourseError(
            "the part of the course that is asked for doesn't exist",
            where=course.source,
            found=f"km {low / 1000.0:g} to {high / 1000.0:g} of {course.length / 1000.0:.2f} km",
            do="give a start before the end, both on the course",
        )
    high = min(high, course.length)
    inner = course.distance[(course.distance > low + 0.01) & (course.distance < high - 0.01)]
    at = np.concatenate(([low], inner, [high]))
    longitude = np.degrees(np.unwrap(np.radians(course.longitude_deg)))
    z = np.interp(at, course.distance, course.elevation)
    heading = np.interp(at, course.distance, np.unwrap(course.heading))
    corners = tuple(
        replace(c, start=max(c.start, low) - low, apex=c.apex - low, end=min(c.end, high) - low)
        for c in course.corners
        if low < c.apex < high
    )
    changes = tuple(
        change.moved(lambda x: min(max(x - low, 0.0), high - low))
        for change in course.changes
        if _concerns(change, low, high)
    )
    return replace(
        course,
        distance=at - low,
        latitude_deg=np.interp(at, course.distance, course.latitude_deg),
        longitude_deg=(np.interp(at, course.distance, longitude) + 180.0) % 360.0 - 180.0,
        elevation=z,
        heading=wrap_heading(heading),
        curvature=np.interp(at, course.distance, course.curvature),
        corners=corners,
        changes=changes,
        climb=total_climb(z, _IGNORED_RISE * course.elevation_noise),
    )

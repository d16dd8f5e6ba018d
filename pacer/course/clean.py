"""Raw points → points of one ride along one road: no duplicates, no stops, no leaps, no holes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.track import Change
from pacer.errors import CourseError
from pacer.units import FloatArray

__all__ = ["Points", "clean_points"]

_SAME_M: Final = 0.3
"""Points nearer than this to the one before are the same point [m]."""

_STOP_POINTS: Final = 8
_STOP_RADIUS_M: Final = 10.0
_GAP_REFUSED_M: Final = 2000.0
"""A hole longer than this isn't bridged: a kilometre of unknown road can hide anything (a choice) [m]."""

_GAP_SAID_M: Final = 250.0
_FASTEST: Final = 40.0
"""No bicycle on a road goes faster (144 km/h, a choice) [m/s]."""


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Points of the plane, shape (k, 2) [m], with elevation [m], time [s] (NaN where none) and part."""

    xy: FloatArray
    z: FloatArray
    time: FloatArray
    part: npt.NDArray[np.int64]

    def take(self, index: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> Points:
        """Keep some of the points."""
        return Points(self.xy[index], self.z[index], self.time[index], self.part[index])

    @property
    def steps(self) -> FloatArray:
        """Length from each point to the next [m]."""
        return np.asarray(np.hypot(*np.diff(self.xy, axis=0).T))

    @property
    def along(self) -> FloatArray:
        """Length along the points from the first [m]."""
        return np.concatenate(([0.0], np.cumsum(self.steps)))


def clean_points(points: Points, source: str) -> tuple[Points, list[Change]]:
    """Drop what isn't road.

    Parameters
    ----------
    points : Points
    source : str
        Name of the file, for messages.

    Returns
    -------
    points : Points
        No two neighbours nearer than 0.3 m.
    changes : list of Change

    Raises
    ------
    CourseError
        If less than a few metres are left, or a hole is too long to bridge.
    """
    changes: list[Change] = []
    for step in (_drop_duplicates, _drop_spikes, _drop_stops, _drop_duplicates):
        points = step(points, changes)
    if points.z.size < 2 or float(np.sum(points.steps)) < 20.0:
        raise CourseError(
            "the course is shorter than 20 m once repeated points are dropped",
            where=source,
            found=f"{points.z.size} different point{'s' if points.z.size != 1 else ''}",
        )
    _check_gaps(points, changes, source)
    return points, changes


def _drop_duplicates(points: Points, changes: list[Change]) -> Points:
    """Merge runs of points that stand on one spot."""
    keep = np.concatenate(([True], points.steps > _SAME_M))
    dropped = int(np.sum(~keep))
    if not dropped:
        return points
    group = np.cumsum(keep) - 1
    known = np.isfinite(points.z)
    total = np.bincount(group[known], points.z[known], group[-1] + 1)
    count = np.bincount(group[known], minlength=group[-1] + 1)
    z = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    if dropped > 0.01 * points.z.size:
        changes.append(
            Change("repeated points on one spot were merged", amount=float(dropped), unit="points")
        )
    return replace(points.take(keep), z=z)


def _drop_spikes(points: Points, changes: list[Change]) -> Points:
    """Drop up to three points in a row that leap away from the line and back.

    A leap needs an impossible speed where the file has times. Where it has none it must be far longer than
    the steps around it, which must be those of a recording, for a planner's line may well visit a side
    road.
    """
    count = points.z.size
    if count < 6:
        return points
    keep = np.ones(count, dtype=np.bool_)
    steps = points.steps
    usual = _running_median(steps, 15)
    with np.errstate(invalid="ignore", divide="ignore"):
        speed = steps / np.diff(points.time)
    timed = np.isfinite(speed)
    leap = np.where(timed, speed > _FASTEST, (steps > 8.0 * usual) & (usual < 15.0)) & (steps > 25.0)
    for start in np.flatnonzero(leap):
        for width in (1, 2, 3):
            back = start + width
            if back >= steps.size or not leap[back] or not keep[start + 1]:
                continue
            bridged = float(np.hypot(*(points.xy[back + 1] - points.xy[start])))
            if bridged < 0.5 * (steps[start] + steps[back]):
                keep[start + 1 : back + 1] = False
                at = float(np.sum(steps[:start]))
                away = float(np.max(np.hypot(*(points.xy[start + 1 : back + 1] - points.xy[start]).T)))
                changes.append(
                    Change("points that leap away and back were dropped", at, at, away, "m", loud=True)
                )
                break
    return points.take(keep)


def _drop_stops(points: Points, changes: list[Change]) -> Points:
    """Shrink each cloud of points recorded while standing to its middle."""
    half = 6
    count = points.z.size
    if count < 4 * half:
        return points
    index = np.arange(count)
    low, high = np.maximum(index - half, 0), np.minimum(index + half, count - 1)
    net = np.hypot(*(points.xy[high] - points.xy[low]).T)
    along = points.along
    usual = float(np.median(np.diff(along)))
    still = net < min(0.2 * usual * (high - low).mean(), _STOP_RADIUS_M)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], still.view(np.int8), [0]))))
    keep = np.ones(count, dtype=np.bool_)
    xy, z = points.xy.copy(), points.z.copy()
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        if end - start < _STOP_POINTS:
            continue
        middle = np.median(points.xy[start:end], axis=0)
        near = np.hypot(*(points.xy - middle)[max(start - half, 0) : end + half].T) < _STOP_RADIUS_M
        inside = np.flatnonzero(near) + max(start - half, 0)
        first, last = int(inside[0]), int(inside[-1])
        centre = (first + last) // 2
        keep[first : last + 1] = False
        keep[centre] = True
        xy[centre] = middle
        heights = points.z[first : last + 1]
        z[centre] = np.median(heights[np.isfinite(heights)]) if np.any(np.isfinite(heights)) else np.nan
        at = float(along[first])
        changes.append(
            Change("points recorded while standing were merged", at, at, float(last - first), "points")
        )
    return replace(points, xy=xy, z=z).take(keep)


def _check_gaps(points: Points, changes: list[Change], source: str) -> None:
    steps = points.steps
    usual = float(np.median(steps))
    between_parts = np.diff(points.part) != 0
    along = points.along
    worst = int(np.argmax(steps))
    if steps[worst] > _GAP_REFUSED_M:
        raise CourseError(
            f"a hole of {steps[worst] / 1000.0:.1f} km in the course",
            where=f"{source}, km {along[worst] / 1000.0:.1f}",
            found=f"points usually {usual:.0f} m apart",
            do=f"fill it, or cut the course there: holes up to {_GAP_REFUSED_M / 1000.0:.0f} km are bridged",
        )
    said = (steps > np.maximum(_GAP_SAID_M, 10.0 * usual)) | (between_parts & (steps > 50.0))
    what = "a hole was bridged by a straight line"
    changes += [
        Change(
            what,
            float(along[i]),
            float(along[i + 1]),
            float(steps[i]),
            "m",
            loud=True,
            unknown=((float(along[i]), float(along[i + 1])),),
        )
        for i in np.flatnonzero(said)
    ]


def _running_median(values: FloatArray, half: int) -> FloatArray:
    padded = np.pad(values, half, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    return np.asarray(np.median(windows, axis=1), dtype=np.float64)

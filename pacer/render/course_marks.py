"""What of a long course is looked at first: its climbs and descents, and the corners that may be tight."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np

from pacer.course.track import Corner, Course
from pacer.units import FloatArray

__all__ = ["HILL", "IN_FULL", "TIGHT", "first_corners", "grade_before", "hills"]

IN_FULL: Final = 50
"""So many corners or segments are all shown; a choice of display, as are the following."""

HILL: Final = 15.0
"""A rise or fall is a climb or a descent from here on [m]; less in between doesn't cut it in two."""

TIGHT: Final = 60.0
"""A corner that may be tighter than this comes before wider ones [m]; a new rider isn't tucked in it."""

_FIRST: Final = 20
_FOOT: Final = 0.05
"""Share of a hill's rise that is left out at its foot and at its top, where the road is nearly level."""

_BEFORE: Final = 100.0
"""Stretch before a corner whose grade is told [m]."""

_SLOPE: Final = 0.02
"""Grade from which that stretch counts as a descent or a climb."""


def hills(course: Course) -> list[tuple[float, float, float]]:
    """Give the climbs and descents along the road, without their level ends: start, end, rise [m]."""
    found = []
    for first, last in pairwise(_turns(course.elevation)):
        part = course.elevation[first : last + 1]
        share = (part - part[0]) / ((part[-1] - part[0]) or 1.0)
        start = first + int(np.flatnonzero(share <= _FOOT)[-1])
        end = first + int(np.flatnonzero(share >= 1.0 - _FOOT)[0])
        rise = float(course.elevation[end] - course.elevation[start])
        if abs(rise) >= HILL and end > start:
            found.append((float(course.distance[start]), float(course.distance[end]), rise))
    return found


def _turns(height: FloatArray) -> list[int]:
    """Give the ends and the turning points of an elevation; a turn of less than `HILL` is none."""
    turns, best, up = [0], 0, 0
    for k, here in enumerate(height.tolist()):
        if up == 0 and abs(here - height[0]) >= HILL:
            up = 1 if here > height[0] else -1
        if (here - height[best]) * up >= 0.0:
            best = k
        elif (height[best] - here) * up >= HILL:
            turns.append(best)
            best, up = k, -up
    return [*turns, best] if up else turns


def first_corners(course: Course) -> tuple[Corner, ...]:
    """Give the corners to look at first, along the road: all up to 50, of more the first 20.

    First come those that may be tighter than 60 m; of them those after a descent, then after level road; of
    them the tightest, and of those the ones that turn most.
    """

    def rank(corner: Corner) -> tuple[bool, int, int, float]:
        slope = int(np.digitize(grade_before(course, corner), (-_SLOPE, _SLOPE)))
        return corner.tightest >= TIGHT, slope, round(corner.tightest), -abs(corner.turn)

    if len(course.corners) <= IN_FULL:
        return course.corners
    return tuple(sorted(sorted(course.corners, key=rank)[:_FIRST], key=lambda corner: corner.start))


def grade_before(course: Course, corner: Corner) -> float:
    """Give the mean grade of the last 100 m before a corner; 0 at the start of the course."""
    start = max(corner.start - _BEFORE, 0.0)
    if corner.start - start < 1.0:
        return 0.0
    low, high = np.interp([start, corner.start], course.distance, course.elevation)
    return float(high - low) / (corner.start - start)

"""What a course is, for the terminal: what matters first; on a long one the rest only when asked for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.track import Cells, Corner, Course
from pacer.render.course_marks import HILL, IN_FULL, TIGHT, first_corners, grade_before, hills
from pacer.render.summary import bullets
from pacer.render.words import clean, kilometres, wrap

__all__ = ["route_summary"]

_HILLS: Final = 12
"""So many climbs and descents are shown of a course that has more; a choice of display."""

_ALL: Final = "all of them: pacer route --all"


def route_summary(
    course: Course, cells: Cells, cuts: npt.NDArray[np.int64], width: int = 80, *, everything: bool = False
) -> str:
    """Say what the course is: length, climbs, corners, segments and what was cleaned.

    Parameters
    ----------
    cuts : int array, shape (m + 1,)
        Cell ends at which the segments begin and end.
    everything : bool
        Every corner and segment of a long course too.
    """
    low, high = float(course.elevation.min()), float(course.elevation.max())
    steepest = f"grade from {_signed(float(cells.grade.min()))} to {_signed(float(cells.grade.max()))}"
    climbs = f"{course.climb:.0f} m of climbing, between {low:.0f} and {high:.0f} m"
    scatter = f"heights in the file scatter by about {course.elevation_noise:.1f} m"
    changes = [
        change.what + (f" (km {kilometres(change.start)})" if change.start is not None else "")
        for change in sorted(course.changes, key=lambda change: not change.loud)
    ]
    lines = [
        clean(course.name or course.source or "route", width),
        f"{kilometres(course.length)} km, {climbs}",
        f"{steepest}; {scatter}",
        "",
        *_hill_lines(course, everything),
        *_corner_lines(course, width, everything),
        "",
        *_segment_lines(cells, cuts, everything),
        *bullets("What was cleaned", changes or ["nothing"], width),
    ]
    return "\n".join(lines)


def _hill_lines(course: Course, everything: bool) -> Iterator[str]:
    found = hills(course)
    if not found:
        return
    most = len(found) if everything else _HILLS
    shown = sorted(sorted(found, key=lambda hill: -abs(hill[2]))[:most])
    told = f", the {len(shown)} largest of {len(found)}" if len(shown) < len(found) else ""
    yield f"Climbs and descents of {HILL:.0f} m and more{told}"
    yield "   from      to      km     rise   grade"
    for start, end, rise in shown:
        length = end - start
        places = f"{kilometres(start):>7} {kilometres(end):>7} {kilometres(length):>7}"
        yield f"{places} {rise:+6.0f} m {_signed(rise / length):>7}"
    yield ""


def _corner_lines(course: Course, width: int, everything: bool) -> Iterator[str]:
    corners = course.corners
    if not corners:
        yield "No corners that matter."
        return
    yield from wrap(f"Corners: {_counted(corners)}", width)
    shown = corners if everything else first_corners(course)
    if len(shown) < len(corners):
        which = f"maybe under {TIGHT:.0f} m radius, after a descent before others"
        yield f"The {len(shown)} to look at first: {which}"
    yield "     km        turn  radius  road in  what"
    for corner in shown:
        sure = "" if corner.measured else f"  (too coarse: perhaps {corner.tightest:.0f} m)"
        turn = f"{abs(np.degrees(corner.turn)):.0f}\u00b0 {'right' if corner.turn > 0 else 'left'}"
        yield (
            f"{kilometres(corner.apex):>7} {turn:>11} {corner.radius:5.0f} m "
            f"{_signed(grade_before(course, corner)):>8}  {corner.kind.value}{sure}"
        )
    if len(shown) < len(corners):
        yield f"  ... and {len(corners) - len(shown)} more; {_ALL}"


def _counted(corners: Sequence[Corner]) -> str:
    counts = {kind: 0 for kind in dict.fromkeys(corner.kind for corner in corners)}
    for corner in corners:
        counts[corner.kind] += 1
    told = [f"{count} x {kind.value}" for kind, count in counts.items()]
    coarse = sum(not corner.measured for corner in corners)
    return ", ".join(told) + (f"; {coarse} of them too coarse to measure" if coarse else "")


def _segment_lines(cells: Cells, cuts: npt.NDArray[np.int64], everything: bool) -> Iterator[str]:
    nodes, count = cells.nodes, len(cuts) - 1
    told = "1 segment" if count == 1 else f"{count} segments"
    if count > IN_FULL and not everything:
        yield f"{told}, each of one grade and heading; {_ALL}"
        return
    yield f"{told}, each of one grade and heading"
    yield "   from      to      km   grade  heading"
    for first, last in pairwise(cuts.tolist()):
        weight = cells.length[first:last]
        grade = float(np.average(cells.grade[first:last], weights=weight))
        angle = np.angle(np.sum(weight * np.exp(1j * cells.heading[first:last])))
        heading = float(np.degrees(angle)) % 360.0
        yield (
            f"{kilometres(nodes[first]):>7} {kilometres(nodes[last]):>7} {float(weight.sum()) / 1000:7.2f} "
            f"{_signed(grade):>7} {heading:7.0f}\u00b0"
        )


def _signed(grade: float) -> str:
    return f"{round(100 * grade, 1) + 0.0:+.1f} %"

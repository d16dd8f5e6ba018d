"""The picture of a course for sharing: map and profile with its corners, grades, as SVG or PNG."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from pacer.course.track import Cells, Corner, Course
from pacer.render._drawing import (
    GROUND,
    INK,
    MUST,
    PLACES,
    SOFT,
    WASH,
    WHITE,
    WIDTH,
    Panel,
    draw_axis,
    draw_box,
    draw_grid,
    draw_ground,
    draw_map_ground,
    fit,
    open_surface,
    span,
    strip,
    write_title,
)
from pacer.render._surface import Letters, Point, Surface
from pacer.render._view import plane
from pacer.render.course_marks import IN_FULL, first_corners
from pacer.render.words import clean, kilometres

__all__ = ["route_picture"]


def route_picture(course: Course, cells: Cells, cuts: npt.NDArray[np.int64], kind: str = "svg") -> bytes:
    """Draw a course: map with corners, profile with segments, grade of each segment.

    Parameters
    ----------
    cuts : int array, shape (m + 1,)
        Cell ends at which the segments begin and end.
    kind : str
        "svg" or "png".
    """
    name = clean(course.name or course.source or "route", 60)
    surface = open_surface(kind, f"{name}: course")
    told = (
        f"{kilometres(course.length, 1)} km, {course.climb:.0f} m of climbing, {len(course.corners)} corners"
    )
    write_title(surface, name, told, f"{len(cuts) - 1} segments")
    keep = np.unique(
        np.linspace(0, course.distance.size - 1, min(course.distance.size, PLACES)).round().astype(int)
    )
    x, y = plane(course.latitude_deg[keep], course.longitude_deg[keep])
    size = max(float(np.ptp(x)), float(np.ptp(y)), 200.0)
    frame = fit(float(x.min()), float(-y.max()), float(np.ptp(x)), float(np.ptp(y)), 0.08 * size)
    road = [frame(a, -b) for a, b in zip(x, y, strict=True)]
    draw_map_ground(surface)
    surface.line(road, INK, 5.0)
    first = first_corners(course)
    where = course.distance[keep]
    for corner in _least_first(course, first):
        at = frame(float(np.interp(corner.apex, where, x)), -float(np.interp(corner.apex, where, y)))
        _diamond(surface, at, _half(corner, first), corner.measured)
    _ends(surface, road)
    low, high = span(course.elevation[keep], 60.0)
    profile = strip(course.length, 190, 330, low, high)
    draw_ground(surface, profile, course.distance[keep], course.elevation[keep])
    cut = len(cuts) - 1 <= IN_FULL
    _segments(surface, course, cells, cuts, profile if cut else None)
    for corner in _least_first(course, first):
        half = 0.75 * min(_half(corner, first), 8.0)
        _diamond(surface, (profile.x(corner.apex), profile.top + 8), half, corner.measured)
    told = "height, with segments and corners" if cut else "height, with corners"
    surface.write((profile.left, 182), told, Letters(15, bold=True))
    surface.write((profile.left, 567), "grade of each segment", Letters(15, bold=True))
    _legend(surface, course, first)
    return surface.done()


def _least_first(course: Course, first: Sequence[Corner]) -> list[Corner]:
    """Give the corners as they are drawn: those to look at first above others, measured ones below."""
    return sorted(course.corners, key=lambda corner: (corner in first, not corner.measured))


def _half(corner: Corner, first: Sequence[Corner]) -> float:
    """Half the size of a corner's mark; small where a long course has others to look at first."""
    if corner not in first:
        return 3.5
    return 8.0 if corner.measured else 11.0


def _ends(surface: Surface, road: Sequence[Point]) -> None:
    near = math.dist(road[0], road[-1]) < 40.0
    draw_box(surface, road[0], 7.0)
    told = [("start, finish" if near else "start", road[0])] + ([] if near else [("finish", road[-1])])
    if not near:
        draw_box(surface, road[-1], 7.0)
    for name, (x, y) in told:
        surface.write((x, y + 26), name, Letters(17, anchor="middle", bold=True, halo=WASH))


def _legend(surface: Surface, course: Course, first: Sequence[Corner]) -> None:
    _diamond(surface, (60, 862), 8.0, True)
    surface.write((76, 868), "corner", Letters(16))
    _diamond(surface, (180, 862), 11.0, False)
    surface.write((198, 868), "too coarse to measure: hands as for a tight one", Letters(16))
    if len(first) < len(course.corners):
        told = f"large: the {len(first)} to look at first, as pacer route lists them"
        surface.write((WIDTH - 40, 868), told, Letters(16, anchor="end"))


def _diamond(surface: Surface, at: Point, half: float, solid: bool) -> None:
    x, y = at
    shape = [(x, y - half), (x + half, y), (x, y + half), (x - half, y)]
    surface.fill(shape, MUST if solid else WHITE)
    surface.line([*shape, shape[0]], MUST, 1.8)


def _segments(
    surface: Surface, course: Course, cells: Cells, cuts: npt.NDArray[np.int64], profile: Panel | None
) -> None:
    """Draw the mean grade of each segment, and where it begins as a line through the profile, if given."""
    nodes = cells.nodes
    means = [
        float(np.average(cells.grade[a:b], weights=cells.length[a:b])) * 100.0
        for a, b in pairwise(cuts.tolist())
    ]
    reach = max(4.0, 2.0 * math.ceil(max(abs(m) for m in means) / 2.0))
    panel = strip(course.length, 580, 210, -reach, reach)
    draw_grid(surface, panel, "%")
    for (a, b), mean in zip(pairwise(cuts.tolist()), means, strict=True):
        x0, x1 = panel.x(float(nodes[a])), panel.x(float(nodes[b]))
        y = panel.y(mean)
        surface.fill([(x0, panel.y(0.0)), (x0, y), (x1, y), (x1, panel.y(0.0))], GROUND)
        surface.line([(x0, panel.y(0.0)), (x0, y), (x1, y), (x1, panel.y(0.0))], INK, 1.2)
        if profile is not None:
            surface.line([(x0, profile.top), (x0, profile.foot)], SOFT, 0.8)
    draw_axis(surface, panel, course.length)

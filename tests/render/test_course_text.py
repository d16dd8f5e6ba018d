"""A course is told by what matters first; everything on request."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pacer.course.segment import course_segments
from pacer.course.track import Corner, CornerKind, Course
from pacer.render.course_marks import TIGHT, first_corners, grade_before, hills
from pacer.render.course_picture import route_picture
from pacer.render.course_text import route_summary
from pacer.units import FloatArray
from tests.render.sample import sample_course


def road(elevation: FloatArray, corners: tuple[Corner, ...] = ()) -> Course:
    """Draw a straight road north with a point every 10 m."""
    n = elevation.size
    return Course(
        name="straight",
        source="straight.gpx",
        distance=10.0 * np.arange(n),
        latitude_deg=47.0 + 1e-4 * np.arange(n),
        longitude_deg=np.full(n, -28.0),
        elevation=elevation,
        heading=np.zeros(n),
        curvature=np.zeros(n),
        corners=corners,
    )


def bend(at: float, radius: float, tightest: float = math.inf, turn_deg: float = 60.0) -> Corner:
    """Put a corner of 20 m on the road."""
    measured = math.isinf(tightest)
    return Corner(
        at, at + 10, at + 20, radius, math.radians(turn_deg), CornerKind.BEND, measured, min(tightest, radius)
    )


def many() -> tuple[Course, dict[str, Corner]]:
    """A road up, level and down, 2 km each, with wide bends all along and a few that matter."""
    rise = np.concatenate([np.full(200, 0.5), np.zeros(200), np.full(200, -0.5)])
    marked = {
        "tight on the descent": bend(5500.0, 12.0),
        "perhaps tight on the descent": bend(5700.0, 150.0, 6.0, -20.0),
        "tight on the level": bend(3000.0, 10.0),
        "tight on the climb": bend(1000.0, 8.0),
        "wide on the descent": bend(5900.0, 90.0),
    }
    wide = [bend(100.0 + 95.0 * k, 200.0 + k, turn_deg=20.0) for k in range(56)]
    corners = tuple(sorted([*wide, *marked.values()], key=lambda c: c.start))
    return road(100.0 + np.concatenate([[0.0], np.cumsum(rise)]), corners), marked


def test_corners_to_look_at_first() -> None:
    """Of many corners those that may be tight come first, and of them those after a descent."""
    course, marked = many()
    first = first_corners(course)
    assert len(first) == 20
    assert list(first) == sorted(first, key=lambda c: c.start)
    assert set(marked.values()) <= set(first)
    few = replace(course, corners=tuple(marked.values()))
    assert first_corners(few) == few.corners
    down = [c for c in first if grade_before(course, c) < -0.02]
    assert len(down) > 10, "after those that may be tight, the descents fill the list"
    crowd = replace(course, corners=(*course.corners, *(bend(4050.0 + 90 * k, 30.0) for k in range(19))))
    kept = first_corners(crowd)
    assert marked["tight on the descent"] in kept
    assert marked["wide on the descent"] not in kept
    assert marked["tight on the climb"] not in kept
    assert all(c.tightest < TIGHT for c in kept)


def test_the_grade_before_a_corner() -> None:
    """It is that of the last hundred metres; at the start of the course there is no road before it."""
    course, marked = many()
    assert grade_before(course, marked["tight on the descent"]) == pytest.approx(-0.05)
    assert grade_before(course, marked["tight on the climb"]) == pytest.approx(0.05)
    assert grade_before(course, bend(0.0, 20.0)) == 0.0


def test_a_long_course_is_told_by_what_matters() -> None:
    """The list of corners is cut and says so; `everything` has a line for each; all of it fits 80 columns."""
    course, marked = many()
    _, cells = sample_course()
    cuts = np.arange(0, 61)
    short = route_summary(course, cells, cuts)
    whole = route_summary(course, cells, cuts, everything=True)
    assert "... and 41 more; all of them: pacer route --all" in short
    assert "60 segments, each of one grade and heading; all of them" in short
    assert "--all" not in whole
    assert whole.count("  bend") == 61
    assert short.count("  bend") == 20
    for corner in marked.values():
        assert f"{corner.apex / 1000:7.2f}" in short
    assert "1 of them too coarse to measure" in short
    assert all(len(line) <= 80 for line in short.splitlines())


def test_hills_are_what_a_rider_calls_them() -> None:
    """Level ends and dips of a few metres are no part of the count; both ways from either start."""
    ramp = np.linspace(0.0, 80.0, 101)
    dip = np.concatenate(
        [np.zeros(100), ramp, 80.0 - np.linspace(0, 8, 20), 72.0 + ramp / 2, np.full(90, 112.0)]
    )
    ((start, end, rise),) = hills(road(dip))
    assert (start, end) == (pytest.approx(1070.0, abs=40.0), pytest.approx(3070.0, abs=100.0))
    assert 0.88 * 112.0 < rise < 112.0
    (fall,) = hills(road(dip[::-1]))
    assert fall[2] == pytest.approx(-rise, abs=2.0)
    assert hills(road(np.linspace(0.0, 14.0, 50))) == []
    wave = 20.0 * np.sin(np.linspace(0.0, 4 * np.pi, 400))
    assert [round(math.copysign(1.0, rise)) for _, _, rise in hills(road(wave))] == [1, -1, 1, -1, 1]


def test_a_picture_of_many_corners_marks_those_that_matter() -> None:
    """The marks of the corners to look at first are larger and the legend says so; no fence of lines."""
    course, _ = many()
    _, cells = sample_course()
    full, few = (route_picture(course, cells, np.arange(0, count)).decode() for count in (62, 22))
    assert "large: the 20 to look at first" in full
    assert "height, with corners" in full
    assert "height, with segments and corners" in few
    short = route_picture(*sample_course(), course_segments(sample_course()[1])).decode()
    assert "to look at first" not in short


def test_a_picture_fits_the_window() -> None:
    """An SVG is scaled down to the window's width, so that nothing is cut off on a small screen."""
    course, cells = sample_course()
    assert (
        'style="max-width:100%;height:auto"' in route_picture(course, cells, course_segments(cells)).decode()
    )

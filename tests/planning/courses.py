"""Courses and cells drawn by hand, and requests on them, for tests of the planning room."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from pacer.air.weather import Surface, Weather, constant_weather
from pacer.course.track import Cells, Corner, CornerKind, Course, Zone
from pacer.physics.defaults import typical_setup
from pacer.physics.rider import Setup, Skill
from pacer.planning.race import Race
from pacer.units import FloatArray, wrap_heading
from pacer.workflow import Request

_METRES_A_DEGREE = 111_200.0
STEP = 10.0
"""Metres between the points of a drawn course."""


def straight_cells(
    count: int = 40,
    length: npt.ArrayLike = 25.0,
    *,
    grade: npt.ArrayLike = 0.0,
    radius: npt.ArrayLike = np.inf,
) -> Cells:
    """Cells of a straight road, everything broadcast to `count` of them."""

    def column(values: npt.ArrayLike) -> FloatArray:
        return np.broadcast_to(np.asarray(values, dtype=np.float64), (count,)).copy()

    lengths, grades, radii = column(length), column(grade), column(radius)
    start = np.concatenate(([0.0], np.cumsum(lengths)[:-1]))
    return Cells(
        start=start,
        length=lengths,
        grade=grades,
        heading=np.zeros(count),
        latitude_deg=50.0 + start / _METRES_A_DEGREE,
        longitude_deg=np.full(count, 10.0),
        elevation=np.zeros(count),
        corner_radius=radii,
        tightest_radius=radii,
    )


def draw_course(
    grade: npt.ArrayLike,
    *,
    heading: npt.ArrayLike = 0.0,
    corners: tuple[Corner, ...] = (),
    name: str = "drawn by hand",
) -> Course:
    """Draw a course from the grade, and the heading in radians, of steps of 10 m along the road."""
    grades = np.atleast_1d(np.asarray(grade, dtype=np.float64))
    ways = np.broadcast_to(np.asarray(heading, dtype=np.float64), grades.shape)
    rise = STEP * grades / np.hypot(1.0, grades)
    flat = STEP / np.hypot(1.0, grades)
    north = np.concatenate(([0.0], np.cumsum(flat * np.cos(ways))))
    east = np.concatenate(([0.0], np.cumsum(flat * np.sin(ways))))
    elevation = 100.0 + np.concatenate(([0.0], np.cumsum(rise)))
    return Course(
        name=name,
        source=f"{name}.gpx",
        distance=STEP * np.arange(grades.size + 1),
        latitude_deg=50.0 + north / _METRES_A_DEGREE,
        longitude_deg=10.0 + east / (_METRES_A_DEGREE * np.cos(np.radians(50.0))),
        elevation=elevation,
        heading=wrap_heading(np.append(ways, ways[-1])),
        curvature=np.zeros(grades.size + 1),
        corners=corners,
        climb=float(np.maximum(rise, 0.0).sum()),
    )


def corner_at(
    apex: float, radius: float, kind: CornerKind = CornerKind.CORNER, *, half: float = 15.0
) -> Corner:
    """Make a corner of a given radius."""
    return Corner(apex - half, apex, apex + half, radius, 1.5, kind)


def smooth_grades(count: int, rng: np.random.Generator, steepest: float = 0.05) -> FloatArray:
    """Random grades of `count` steps that change over a few hundred metres."""
    knots = np.arange(0, count + 40, 40)
    return np.interp(np.arange(count), knots, rng.uniform(-steepest, steepest, knots.size))


def make_request(
    course: Course,
    *,
    setup: Setup | None = None,
    race: Race | None = None,
    weather: Weather | None = None,
    zones: tuple[Zone, ...] = (),
    safety: Mapping[str, float] | None = None,
) -> Request:
    """Ask for a plan of a drawn course; the typical rider in calm air where nothing else is said."""
    return Request(
        course=course,
        setup=setup or typical_setup(),
        race=race or Race(effort=0.95),
        weather=weather or constant_weather(),
        safety=safety or {},
        zones=zones,
    )


def rider_of(skill: Skill, **changes: Any) -> Setup:
    """Give the typical setup with another skill, and other rider values."""
    setup = typical_setup()
    return replace(setup, rider=replace(setup.rider, skill=skill, **changes))


def windy(speed: float, wind_from: float, *, gust: float | None = None, wet: bool = False) -> Weather:
    """Give constant weather with wind from a direction in radians."""
    return constant_weather(
        wind_speed=speed,
        wind_from=wind_from,
        gust=gust,
        surface=Surface.WET if wet else Surface.DRY,
    )

"""From paths and options to what the workflow needs."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pacer.course.build import build_course
from pacer.course.track import Course, Zone
from pacer.course.zones import check_zones, match_zones, repeat_over_laps, waypoint_zones
from pacer.files.gpx import read_gpx
from pacer.files.settings import (
    RaceSettings,
    default_race,
    default_rider,
    override_race,
    read_race_file,
    read_rider_file,
)
from pacer.files.zones import read_zones_geojson
from pacer.workflow import Request

__all__ = ["CourseOptions", "load_course", "load_request"]


@dataclass(frozen=True, slots=True)
class CourseOptions:
    """Which part of the route file is ridden, and how."""

    track: int | None = None
    flat: bool = False
    start_km: float | None = None
    end_km: float | None = None


def load_course(route: Path, options: CourseOptions, *, laps: int = 1, reverse: bool = False) -> Course:
    """Read and build the course."""
    return build_course(
        read_gpx(route, options.track),
        laps=laps,
        reverse=reverse,
        flat=options.flat,
        start_km=options.start_km,
        end_km=options.end_km,
    )


def _zones(course: Course, race: RaceSettings) -> tuple[Course, tuple[Zone, ...]]:
    by_name, changes = waypoint_zones(course)
    course = replace(course, changes=(*course.changes, *changes))
    written = repeat_over_laps(race.zones, course.length, race.race.laps)
    zones = [*check_zones(course, written, race.source), *by_name]
    if race.zones_file is not None:
        zones += match_zones(course, read_zones_geojson(race.zones_file), race.zones_file.name)
    return course, tuple(sorted(zones, key=lambda zone: zone.start))


def load_request(
    route: Path,
    rider: Path | None,
    race: Path | None,
    *,
    options: CourseOptions | None = None,
    overrides: Mapping[str, Any] | None = None,
) -> Request:
    """Read every input of a plan.

    Parameters
    ----------
    overrides : mapping
        Keyword arguments of `override_race`.

    Raises
    ------
    InputError
        For the first file or option that can't be used.
    """
    riding = default_rider() if rider is None else read_rider_file(rider)
    racing = override_race(default_race() if race is None else read_race_file(race), **(overrides or {}))
    course = load_course(
        route, options or CourseOptions(), laps=racing.race.laps, reverse=racing.race.reverse
    )
    course, zones = _zones(course, racing)
    tables = {"cockpit": riding.cockpit, "feeding": riding.feeding}
    return Request(
        course=course,
        setup=riding.setup,
        race=racing.race,
        weather=racing.weather,
        safety=riding.safety,
        zones=zones,
        assumed=(*riding.assumed, *racing.assumed),
        route_sha256=hashlib.sha256(route.read_bytes()).hexdigest(),
        extra={name: dict(table) for name, table in tables.items() if table},
    )

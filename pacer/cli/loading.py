"""From paths and options to what the workflow needs."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from pacer.course.build import build_course
from pacer.course.track import Change, Course, Zone
from pacer.course.zones import check_zones, match_zones, repeat_over_laps, turned_round, waypoint_zones
from pacer.errors import PlanFileError, SettingsError
from pacer.files.gpx import read_gpx
from pacer.files.settings import (
    RaceSettings,
    RiderSettings,
    default_race,
    default_rider,
    override_race,
    race_from_tables,
    read_race_file,
    read_rider_file,
    rider_from_tables,
)
from pacer.files.zones import read_zones_geojson
from pacer.planning.limits import SAFETY_KEYS, limits_for
from pacer.planning.plan import Plan
from pacer.replan import Resolved
from pacer.workflow import Request

__all__ = [
    "CourseOptions",
    "Loader",
    "load_course",
    "load_request",
    "load_settings",
    "resolved_from_plan",
]


_LATER: Final = frozenset({"tuck_roughest_crr_factor"})
"""Safety limits that plans of this schema may lack, for they were written before; the skill's apply."""


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


def _zones(course: Course, race: RaceSettings, *, cut: bool) -> tuple[Course, tuple[Zone, ...]]:
    by_name, changes = waypoint_zones(course)
    written, told = _written(course, race, cut=cut)
    course = replace(course, changes=(*course.changes, *changes, *told))
    zones = [*written, *by_name]
    if race.zones_file is not None:
        zones += match_zones(course, read_zones_geojson(race.zones_file), race.zones_file.name)
    return course, tuple(sorted(zones, key=lambda zone: zone.start))


def _written(course: Course, race: RaceSettings, *, cut: bool) -> tuple[tuple[Zone, ...], tuple[Change, ...]]:
    """The race file's zones by kilometre on every lap, and what became of their places.

    Raises
    ------
    CourseError
        Where one lies beyond the course.
    SettingsError
        Where an option turns the course round and others cut it: nobody knows from where they count.
    """
    written = check_zones(course, repeat_over_laps(race.zones, course), race.source)
    if not written or not (race.turned or cut):
        return written, ()
    if not race.turned:
        what = "the kilometres of the race file's zones were taken to count from where this part begins"
        return written, (Change(what, loud=True),)
    if cut:
        raise SettingsError(
            "can't go with a part of the course where the race file has zones by kilometre",
            where="--reverse",
            do="write reverse and the zones of that part, as it is ridden, in a race file of its own",
        )
    what = "the course is ridden the other way than the race file says: its zones by kilometre turned with it"
    return turned_round(written, course.length), (Change(what, loud=True),)


class Loader:
    """Reads one route for any number of requests; the course is built once for each way of riding it."""

    def __init__(self, route: Path, options: CourseOptions | None = None) -> None:
        self.route, self.options = route, options or CourseOptions()
        self.courses: dict[tuple[int, bool], Course] = {}
        self.sha256 = ""

    def course(self, laps: int, reverse: bool) -> Course:
        """The course as ridden."""
        way = laps, reverse
        if way not in self.courses:
            self.courses[way] = load_course(self.route, self.options, laps=laps, reverse=reverse)
            self.sha256 = hashlib.sha256(self.route.read_bytes()).hexdigest()
        return self.courses[way]

    def request(self, riding: RiderSettings, racing: RaceSettings) -> Request:
        """Put route, rider file and race file together.

        Raises
        ------
        InputError
            Where the route can't be used, or a zone doesn't lie on it.
        """
        cut = self.options.start_km is not None
        course, zones = _zones(self.course(racing.race.laps, racing.race.reverse), racing, cut=cut)
        tables = {"cockpit": riding.cockpit, "feeding": riding.feeding}
        return Request(
            course=course,
            setup=riding.setup,
            race=racing.race,
            weather=racing.weather,
            safety=riding.safety,
            zones=zones,
            assumed=(*riding.assumed, *racing.assumed),
            route_sha256=self.sha256,
            extra={name: dict(table) for name, table in tables.items() if table},
        )


def load_settings(
    rider: Path | None, race: Path | None, overrides: Mapping[str, Any] | None = None
) -> tuple[RiderSettings, RaceSettings]:
    """Read the rider and the race file, with single values over them.

    Parameters
    ----------
    overrides : mapping
        Keyword arguments of `override_race`.

    Raises
    ------
    InputError
        For the first that can't be used.
    """
    riding = default_rider() if rider is None else read_rider_file(rider)
    racing = default_race() if race is None else read_race_file(race)
    return riding, override_race(racing, **(overrides or {}))


def resolved_from_plan(plan: Plan, source: str) -> Resolved:
    """Read back what a plan was made from, under the checks of the files that said it.

    Raises
    ------
    SettingsError
        Where the plan's inputs can't be used.
    """
    inputs = plan.inputs
    tables = {name: inputs[name] for name in ("rider", "bike", "positions") if name in inputs}
    riding = rider_from_tables(tables, f"{source}: inputs")
    race = {key: value for key, value in inputs.get("race", {}).items() if key != "start_time"}
    racing = race_from_tables({"race": race, "zones": inputs.get("zones", [])}, f"{source}: inputs")
    safety = inputs.get("safety", {})
    numbers = all(isinstance(value, int | float) for value in safety.values())
    if not numbers or safety.keys() - SAFETY_KEYS or SAFETY_KEYS.keys() - safety.keys() - _LATER:
        raise PlanFileError("the safety limits can't be read", where=f"{source}: inputs.safety")
    # Written as they applied on the day: tightened already where it was wet.
    limits = limits_for(riding.setup.rider.skill, safety, wet=False)
    return Resolved(riding.setup, racing.race, limits, racing.zones)


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
    return Loader(route, options).request(*load_settings(rider, race, overrides))

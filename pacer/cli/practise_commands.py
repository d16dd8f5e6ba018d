"""`pacer practise`: where and how to practise on home roads."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pacer.cli import options as o
from pacer.errors import CourseError

if TYPE_CHECKING:
    from pacer.air.weather import Weather
    from pacer.course.track import Course, Zone
    from pacer.course.zones import GeoZone
    from pacer.planning.practice import Road

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the application."""
    app.command()(practise)


def practise(
    routes: Annotated[
        list[Path], typer.Argument(metavar="ROUTE.gpx", help="Home roads, one or more GPX files.")
    ],
    rider: o.RiderFile = None,
    notes: Annotated[
        Path | None,
        typer.Option(
            "--notes",
            metavar="FILE.geojson",
            help="What you know of the roads: zones with notes such as 'quiet' or 'busy', rough surfaces.",
        ),
    ] = None,
    wind_from: o.WindFrom = None,
    wind_speed: o.WindSpeed = None,
    gust: o.Gust = None,
    most: Annotated[
        int, typer.Option("--most", metavar="N", min=1, max=20, help="Stretches for each exercise.")
    ] = 3,
    gpx: Annotated[
        Path | None, typer.Option("--gpx", metavar="FILE.gpx", help="Also write the places as waypoints.")
    ] = None,
    quiet: o.Quiet = False,
    verbose: o.Verbose = False,
) -> None:
    """Find where on your home roads to practise being tucked.

    A gentle climb first, then the flat, hands back before bends, gentle descents, open bends: straight, calm,
    and quiet by your own notes. Common practice: a coach and the law come first.
    """
    from pacer.files._atomic import write_file
    from pacer.files.settings import default_race, default_rider, override_race, read_rider_file
    from pacer.planning.limits import limits_for
    from pacer.planning.practice import find_stretches, progression
    from pacer.render.practice import practice_gpx, practice_summary

    progress = o.Progress(quiet, verbose)
    riding = default_rider() if rider is None else read_rider_file(rider)
    given = {"wind_from_deg": wind_from, "wind_speed_m_s": wind_speed, "gust_m_s": gust}
    over: dict[str, Any] = {key: value for key, value in given.items() if value is not None}
    weather = override_race(default_race(), **over).weather
    skill = riding.setup.rider.skill
    progress("reading the roads")
    found = find_stretches(_roads(routes, notes, weather), limits_for(skill, riding.safety, wet=False), most)
    if gpx is not None:
        write_file(gpx, practice_gpx(found))
    progress.done()
    typer.echo(practice_summary(skill, found, progression(skill)))
    if gpx is not None:
        typer.echo(f"Written to {gpx}")


def _on(course: Course, zone: GeoZone) -> tuple[Zone, ...]:
    """Where a drawn zone lies on a course; nothing where it doesn't."""
    from pacer.course.zones import match_zones

    try:
        return match_zones(course, [zone])
    except CourseError:
        return ()


def _roads(routes: list[Path], notes: Path | None, weather: Weather) -> list[Road]:
    """Read the routes, each with the notes that lie on it.

    Raises
    ------
    CourseError
        For a route that can't be used, or a note that lies on none of them.
    """
    from pacer.air.resolve import resolve_air
    from pacer.cli.loading import CourseOptions, load_course
    from pacer.course.cells import make_cells
    from pacer.course.zones import unknown_zones, waypoint_zones, zone_effects
    from pacer.files.zones import read_zones_geojson
    from pacer.planning.practice import Road

    drawn = () if notes is None else read_zones_geojson(notes)
    used: set[int] = set()
    roads = []
    for path in routes:
        course = load_course(path, CourseOptions())
        cells = make_cells(course)
        zones = [*waypoint_zones(course)[0], *unknown_zones(course)]
        for k, zone in enumerate(drawn):
            here = _on(course, zone)
            used |= {k} if here else set()
            zones += here
        effects = zone_effects(cells, zones)
        air = resolve_air(
            weather, heading=cells.heading, elevation=cells.elevation, wind_factor=effects.wind_factor
        )
        name = course.name or path.stem
        roads.append(Road(name, cells, course.corners, tuple(zones), air.gust_crosswind))
    unused = [zone for k, zone in enumerate(drawn) if k not in used]
    if unused:
        raise CourseError(
            f"the {unused[0].kind.value} zone {unused[0].note!r} touches none of the routes",
            where=str(notes),
            do="draw it within 25 m of a route, a line in the direction of travel",
        )
    return roads

"""The demo routes: as requests, whole or in part, and planned once for all tests that ask."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from pacer.cli.loading import CourseOptions, Loader, load_settings
from pacer.files.plans import plan_to_json
from pacer.planning.optimise import optimise
from pacer.planning.plan import Plan
from pacer.planning.solution import Solution
from pacer.workflow import Request, make_plan, make_scenario

ROUTES = Path(__file__).parent.parent / "routes"

RIDERS = {
    "marnhythe-tt": "rider-expert",
    "orlibeck-tri": "rider-practised",
    "scarnow-pass": "rider-new",
}
"""Route: rider file."""


def demo_request(
    name: str, *, rider: str = "", part: tuple[float, float] | None = None, **over: Any
) -> Request:
    """One of the demo races.

    `rider` is the word after the dash in the rider file's name, the race's own where empty; `part` the
    stretch ridden [km], then without the race's zones; `over` as for `override_race`.
    """
    start, end = part or (None, None)
    rider_file = f"rider-{rider}" if rider else RIDERS[name]
    riding, racing = load_settings(ROUTES / f"{rider_file}.toml", ROUTES / f"{name}.race.toml", over)
    if part is not None:
        racing = replace(racing, zones=(), zones_file=None)
    return Loader(ROUTES / f"{name}.gpx", CourseOptions(start_km=start, end_km=end)).request(riding, racing)


@cache
def demo_solution(name: str) -> Solution:
    """The free optimum of a demo route."""
    return optimise(make_scenario(demo_request(name)))


@cache
def demo_plan(name: str) -> Plan:
    """The finished plan of a demo route."""
    return make_plan(demo_request(name))


@cache
def demo_file(name: str) -> dict[str, Any]:
    """What plan.json holds of it, parsed as anyone would."""
    parsed: dict[str, Any] = json.loads(plan_to_json(demo_plan(name)))
    return parsed

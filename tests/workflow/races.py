"""The demo routes as requests, whole or in part, with another rider or day."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from pacer.cli.loading import CourseOptions, Loader, load_settings
from pacer.workflow import Request

ROUTES = Path(__file__).parents[2] / "routes"


def race(
    name: str, *, rider: str = "practised", part: tuple[float, float] | None = None, **over: Any
) -> Request:
    """One of the demo races.

    `part` is the stretch ridden [km], then without the race's zones; `over` as for `override_race`.
    """
    start, end = part or (None, None)
    riding, racing = load_settings(ROUTES / f"rider-{rider}.toml", ROUTES / f"{name}.race.toml", over)
    if part is not None:
        racing = replace(racing, zones=(), zones_file=None)
    return Loader(ROUTES / f"{name}.gpx", CourseOptions(start_km=start, end_km=end)).request(riding, racing)

"""Power and position for every stretch of a bicycle race, from a GPX file of the course.

The names below are what other programs may rely on; each is loaded when first asked for::

    from pacer import Request, build_course, make_plan, read_gpx, read_race_file, read_rider_file

    race = read_race_file(Path("race.toml"))
    plan = make_plan(
        Request(
            course=build_course(read_gpx("course.gpx")),
            setup=read_rider_file(Path("rider.toml")).setup,
            race=race.race,
            weather=race.weather,
        )
    )
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pacer.air.weather import constant_weather
    from pacer.course.build import build_course
    from pacer.decide import Variant, compare_variants
    from pacer.errors import InfeasibleError, InputError
    from pacer.files.gpx import read_gpx
    from pacer.files.plans import plan_to_json, read_plan
    from pacer.files.rides import read_recording
    from pacer.files.settings import default_race, read_race_file, read_rider_file
    from pacer.physics.defaults import typical_setup
    from pacer.planning.plan import Plan
    from pacer.planning.recheck import recheck
    from pacer.render.card import draw_card
    from pacer.render.export import segments_csv
    from pacer.render.report import draw_report
    from pacer.rides.calibrate import CalibrationRide, calibrate
    from pacer.rides.recording import make_ride
    from pacer.rides.review import review_ride
    from pacer.workflow import Request, make_plan

__all__ = [
    "CalibrationRide",
    "InfeasibleError",
    "InputError",
    "Plan",
    "Request",
    "Variant",
    "build_course",
    "calibrate",
    "compare_variants",
    "constant_weather",
    "default_race",
    "draw_card",
    "draw_report",
    "make_plan",
    "make_ride",
    "plan_to_json",
    "read_gpx",
    "read_plan",
    "read_race_file",
    "read_recording",
    "read_rider_file",
    "recheck",
    "review_ride",
    "segments_csv",
    "typical_setup",
]

_HOME = {
    "pacer.air.weather": ("constant_weather",),
    "pacer.course.build": ("build_course",),
    "pacer.decide": ("Variant", "compare_variants"),
    "pacer.errors": ("InfeasibleError", "InputError"),
    "pacer.files.gpx": ("read_gpx",),
    "pacer.files.plans": ("plan_to_json", "read_plan"),
    "pacer.files.rides": ("read_recording",),
    "pacer.files.settings": ("default_race", "read_race_file", "read_rider_file"),
    "pacer.physics.defaults": ("typical_setup",),
    "pacer.planning.plan": ("Plan",),
    "pacer.planning.recheck": ("recheck",),
    "pacer.render.card": ("draw_card",),
    "pacer.render.export": ("segments_csv",),
    "pacer.render.report": ("draw_report",),
    "pacer.rides.calibrate": ("CalibrationRide", "calibrate"),
    "pacer.rides.recording": ("make_ride",),
    "pacer.rides.review": ("review_ride",),
    "pacer.workflow": ("Request", "make_plan"),
}
_MODULE_OF = {name: module for module, names in _HOME.items() for name in names}


def __getattr__(name: str) -> Any:
    """Load a public name when it is first asked for, so that `import pacer` stays light."""
    if name not in _MODULE_OF:
        raise AttributeError(f"module 'pacer' has no attribute {name!r}")
    found = getattr(import_module(_MODULE_OF[name]), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})

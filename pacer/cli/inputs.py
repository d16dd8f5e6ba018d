"""What every command that plans takes: the route, the rider and race files, and single values over them."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_type_hints

from typer.models import ArgumentInfo

from pacer.cli import options as o

if TYPE_CHECKING:
    from pacer.workflow import Request

__all__ = ["PlanInputs", "takes_plan_inputs"]

_OVERRIDES = {
    "wind_from": "wind_from_deg",
    "wind_speed": "wind_speed_m_s",
    "gust": "gust_m_s",
    "temperature": "temperature_c",
    "pressure": "pressure_hpa",
    "humidity": "relative_humidity",
    "wet": "wet",
    "laps": "laps",
    "reverse": "reverse",
    "effort": "effort",
    "target_power": "target_power_w",
    "start_time": "start_time",
}
"""Option: keyword of `override_race`."""


@dataclass(frozen=True, slots=True)
class PlanInputs:
    """The files and options, not yet read."""

    route: Path
    rider: Path | None
    race: Path | None
    course: dict[str, Any]
    overrides: dict[str, Any]
    progress: o.Progress = field(default_factory=o.Progress)

    def read(self) -> Request:
        """Read all of them.

        Raises
        ------
        InputError
            For the first that can't be used.
        """
        from pacer.cli.loading import CourseOptions, load_request

        self.progress("reading")
        return load_request(
            self.route, self.rider, self.race, options=CourseOptions(**self.course), overrides=self.overrides
        )


def _declared(
    route: o.Route,
    rider: o.RiderFile = None,
    race: o.RaceFile = None,
    wind_from: o.WindFrom = None,
    wind_speed: o.WindSpeed = None,
    gust: o.Gust = None,
    temperature: o.Temperature = None,
    pressure: o.Pressure = None,
    humidity: o.Humidity = None,
    wet: o.Wet = None,
    laps: o.Laps = None,
    reverse: o.Reverse = None,
    effort: o.Effort = None,
    target_power: o.TargetPower = None,
    start_time: o.StartTime = None,
    track: o.Track = None,
    flat: o.Flat = False,
    start_km: o.StartKm = None,
    end_km: o.EndKm = None,
    quiet: o.Quiet = False,
    verbose: o.Verbose = False,
) -> None:
    """Carry the shared parameters' names, types and defaults."""


def _gathered(values: dict[str, Any]) -> PlanInputs:
    return PlanInputs(
        route=values["route"],
        rider=values["rider"],
        race=values["race"],
        course={name: values[name] for name in ("track", "flat", "start_km", "end_km")},
        overrides={key: values[name] for name, key in _OVERRIDES.items() if values[name] is not None},
        progress=o.Progress(values["quiet"], values["verbose"]),
    )


def takes_plan_inputs(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the shared arguments and options in place of its first parameter, a `PlanInputs`."""
    shared = _parameters(_declared)
    own = _parameters(command)[1:]

    @functools.wraps(command)
    def wrapped(**values: Any) -> None:
        inputs = _gathered({p.name: values.pop(p.name) for p in shared})
        command(inputs, **values)

    # Arguments of its own come before the route, as in `pacer squad START.csv ROUTE.gpx`.
    first = [p for p in own if _is_argument(p)]
    parameters = [*first, *shared, *(p for p in own if p not in first)]
    wrapped.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]  # read by typer
    wrapped.__annotations__ = {p.name: p.annotation for p in parameters}
    del wrapped.__wrapped__  # or its signature would be read instead
    return wrapped


def _is_argument(parameter: inspect.Parameter) -> bool:
    return any(isinstance(item, ArgumentInfo) for item in getattr(parameter.annotation, "__metadata__", ()))


def _parameters(function: Callable[..., Any]) -> list[inspect.Parameter]:
    hints = get_type_hints(function, include_extras=True)
    return [
        p.replace(annotation=hints[p.name], kind=inspect.Parameter.KEYWORD_ONLY)
        for p in inspect.signature(function).parameters.values()
    ]

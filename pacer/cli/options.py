"""Options that several commands share, and the progress line."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, TypeAlias

import typer

__all__ = [
    "Effort",
    "EndKm",
    "Flat",
    "Gust",
    "Humidity",
    "Laps",
    "Pressure",
    "Progress",
    "Quiet",
    "RaceFile",
    "Reverse",
    "RiderFile",
    "Route",
    "StartKm",
    "StartTime",
    "TargetPower",
    "Temperature",
    "Track",
    "Verbose",
    "Wet",
    "WindFrom",
    "WindSpeed",
]


Route: TypeAlias = Annotated[
    Path, typer.Argument(metavar="ROUTE.gpx", help="The course: a GPX track or route.")
]
RiderFile: TypeAlias = Annotated[
    Path | None,
    typer.Option("--rider", metavar="R.toml", help="Rider file; without it, a stated typical rider."),
]
RaceFile: TypeAlias = Annotated[
    Path | None, typer.Option("--race", metavar="C.toml", help="Race file: weather, start, effort, zones.")
]
WindFrom: TypeAlias = Annotated[
    float | None,
    typer.Option("--wind-from", help="Where the wind blows from, degrees."),
]
WindSpeed: TypeAlias = Annotated[float | None, typer.Option("--wind-speed", help="Mean wind at 10 m, m/s.")]
Gust: TypeAlias = Annotated[float | None, typer.Option("--gust", help="Gusts, m/s.")]
Temperature: TypeAlias = Annotated[float | None, typer.Option("--temperature", help="Air temperature, °C.")]
Pressure: TypeAlias = Annotated[
    float | None,
    typer.Option("--pressure", help="Pressure reduced to sea level, hPa."),
]
Humidity: TypeAlias = Annotated[float | None, typer.Option("--humidity", help="Relative humidity, 0 to 1.")]
Wet: TypeAlias = Annotated[bool | None, typer.Option("--wet/--dry", help="State of the road.")]
Laps: TypeAlias = Annotated[int | None, typer.Option("--laps", help="Times round.")]
Reverse: TypeAlias = Annotated[bool | None, typer.Option("--reverse/--forward", help="Ride it from its end.")]
Effort: TypeAlias = Annotated[
    float | None,
    typer.Option("--effort", help="Fourth-power mean power over critical power."),
]
TargetPower: TypeAlias = Annotated[
    float | None, typer.Option("--target-power", help="Fourth-power mean power, W.")
]
StartTime: TypeAlias = Annotated[
    str | None,
    typer.Option("--start-time", help="As 2026-06-14T07:30:00+01:00, for a forecast."),
]
Track: TypeAlias = Annotated[
    int | None,
    typer.Option("--track", min=1, help="Which track of a file with several."),
]
Flat: TypeAlias = Annotated[
    bool,
    typer.Option("--flat", help="Plan without elevation, as if the road were flat."),
]
StartKm: TypeAlias = Annotated[float | None, typer.Option("--start-km", min=0.0, help="Begin here.")]
EndKm: TypeAlias = Annotated[float | None, typer.Option("--end-km", min=0.0, help="End here.")]
Quiet: TypeAlias = Annotated[bool, typer.Option("--quiet", "-q", help="No progress.")]
Verbose: TypeAlias = Annotated[bool, typer.Option("--verbose", "-v", help="Timings on stderr.")]


@dataclass(slots=True)
class Progress:
    """A line on stderr that says what is being done; on a terminal only, and timings if asked.

    Attributes
    ----------
    quiet, verbose : bool
    """

    quiet: bool = False
    verbose: bool = False
    _began: float = 0.0
    _last: str = ""
    _since: float = 0.0

    def __post_init__(self) -> None:
        self._began = self._since = time.perf_counter()

    def __call__(self, what: str) -> None:
        """Begin another piece of work."""
        self._tell_time()
        self._last, self._since = what, time.perf_counter()
        if not self.quiet and not self.verbose and sys.stderr.isatty():
            sys.stderr.write(f"\r\x1b[K{what} …")
            sys.stderr.flush()

    def done(self) -> None:
        """End the last piece of work and clear the line."""
        self._tell_time()
        self._last = ""
        if self.verbose:
            sys.stderr.write(f"{time.perf_counter() - self._began:7.2f} s in all\n")
        elif not self.quiet and sys.stderr.isatty():
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()

    def _tell_time(self) -> None:
        if self.verbose and self._last:
            sys.stderr.write(f"{time.perf_counter() - self._since:7.2f} s {self._last}\n")

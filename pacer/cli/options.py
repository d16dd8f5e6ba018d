"""Options that several commands share, and the progress line."""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, TypeAlias

import typer

__all__ = [
    "Cluster",
    "Effort",
    "EndKm",
    "Flat",
    "Gust",
    "Humidity",
    "Jobs",
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


_WEATHER: Final = "Weather, over the race file"
_RACE: Final = "Race, over the race file"
_COURSE: Final = "Course"

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


def _direction(text: str) -> float:
    from pacer.render.words import from_compass

    try:
        return from_compass(text)
    except ValueError:
        told = f"{text!r} is neither degrees nor a point of the compass such as SW"
        raise typer.BadParameter(told) from None


WindFrom: TypeAlias = Annotated[
    float | None,
    typer.Option(
        "--wind-from",
        metavar="DEG",
        parser=_direction,
        rich_help_panel=_WEATHER,
        help="Where the wind blows from: degrees clockwise from true north, or a point such as SW.",
    ),
]
WindSpeed: TypeAlias = Annotated[
    float | None,
    typer.Option(
        "--wind-speed",
        metavar="M/S",
        rich_help_panel=_WEATHER,
        help="Mean wind 10 m above open ground, as forecasts give it, in m/s.",
    ),
]
Gust: TypeAlias = Annotated[
    float | None,
    typer.Option("--gust", metavar="M/S", rich_help_panel=_WEATHER, help="Highest gusts, in m/s."),
]
Temperature: TypeAlias = Annotated[
    float | None,
    typer.Option("--temperature", metavar="C", rich_help_panel=_WEATHER, help="Of the air, °C."),
]
Pressure: TypeAlias = Annotated[
    float | None,
    typer.Option(
        "--pressure", metavar="HPA", rich_help_panel=_WEATHER, help="Of the air, reduced to sea level, hPa."
    ),
]
Humidity: TypeAlias = Annotated[
    float | None,
    typer.Option(
        "--humidity", metavar="SHARE", rich_help_panel=_WEATHER, help="Relative humidity; 70 % is 0.7."
    ),
]
Wet: TypeAlias = Annotated[
    bool | None,
    typer.Option("--wet/--dry", rich_help_panel=_WEATHER, help="State of the road; wet tightens the limits."),
]
Laps: TypeAlias = Annotated[
    int | None,
    typer.Option(
        "--laps", metavar="N", rich_help_panel=_RACE, help="How often the course of the file is ridden."
    ),
]
Reverse: TypeAlias = Annotated[
    bool | None,
    typer.Option("--reverse/--forward", rich_help_panel=_RACE, help="Ride it from its end to its start."),
]
Effort: TypeAlias = Annotated[
    float | None,
    typer.Option(
        "--effort",
        metavar="SHARE",
        rich_help_panel=_RACE,
        help="Fourth-power mean power over critical power, as 0.88.",
    ),
]
TargetPower: TypeAlias = Annotated[
    float | None,
    typer.Option(
        "--target-power",
        metavar="W",
        rich_help_panel=_RACE,
        help="Fourth-power mean power, instead of an effort.",
    ),
]
StartTime: TypeAlias = Annotated[
    str | None,
    typer.Option(
        "--start-time",
        metavar="TIME",
        rich_help_panel=_RACE,
        help="For a forecast, as 2026-06-14T07:30:00+01:00.",
    ),
]
Track: TypeAlias = Annotated[
    int | None,
    typer.Option(
        "--track", metavar="N", min=1, rich_help_panel=_COURSE, help="Which track of a file with several."
    ),
]
Flat: TypeAlias = Annotated[
    bool,
    typer.Option(
        "--flat", rich_help_panel=_COURSE, help="Leave elevation out, as if the road were level everywhere."
    ),
]
StartKm: TypeAlias = Annotated[
    float | None,
    typer.Option(
        "--start-km", metavar="KM", min=0.0, rich_help_panel=_COURSE, help="Begin here instead of at km 0."
    ),
]
EndKm: TypeAlias = Annotated[
    float | None,
    typer.Option(
        "--end-km", metavar="KM", min=0.0, rich_help_panel=_COURSE, help="End here instead of at the end."
    ),
]
Jobs: TypeAlias = Annotated[
    int | None,
    typer.Option("--jobs", "-j", metavar="N", min=1, help="Processes; one for each core unless given."),
]
Cluster: TypeAlias = Annotated[
    str | None,
    typer.Option("--cluster", metavar="ADDRESS", help="Scheduler of dask.distributed that does the work."),
]
Quiet: TypeAlias = Annotated[bool, typer.Option("--quiet", "-q", help="No progress line.")]
Verbose: TypeAlias = Annotated[
    bool, typer.Option("--verbose", "-v", help="Say on stderr how long each part took.")
]


_BAR = 24
"""Length of the progress bar in characters."""


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

    def counted(self, what: str, done: int, of: int) -> None:
        """Show how much of a piece of work is done, as a bar with the time left."""
        if what != self._last:
            self(what)
        if self.quiet or self.verbose or not sys.stderr.isatty():
            return
        spent = time.perf_counter() - self._since
        left = spent * (of - done) / max(done, 1)
        full = round(_BAR * done / max(of, 1))
        bar = "#" * full + "." * (_BAR - full)
        sys.stderr.write(f"\r\x1b[K{what} [{bar}] {done} of {of}, {left:.0f} s left")
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

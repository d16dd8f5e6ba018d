"""What a course is made of: plain, read-only data that the other rooms share."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from pacer.units import FloatArray, read_only

__all__ = [
    "Cells",
    "Change",
    "Corner",
    "CornerKind",
    "Course",
    "RawTrack",
    "Waypoint",
    "Zone",
    "ZoneKind",
]


@dataclass(frozen=True, slots=True)
class Waypoint:
    """A named point of a GPX file; coordinates in degrees on WGS84."""

    latitude_deg: float
    longitude_deg: float
    name: str
    description: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class RawTrack:
    """The points of a GPX file as they stand there, coordinates already validated.

    Attributes
    ----------
    latitude_deg, longitude_deg : FloatArray, shape (k,)
        WGS84 degrees.
    elevation : FloatArray, shape (k,)
        Metres, NaN where the file has none.
    time : FloatArray, shape (k,)
        Seconds since 1970-01-01 UTC, NaN where the file has none.
    part : int array, shape (k,)
        Which continuous part of the file (track segment or route) a point belongs to.
    """

    name: str
    source: str
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    elevation: FloatArray
    time: FloatArray
    part: npt.NDArray[np.int64]
    waypoints: tuple[Waypoint, ...] = ()

    def __post_init__(self) -> None:
        for name in ("latitude_deg", "longitude_deg", "elevation", "time"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that reading the course changed.

    Attributes
    ----------
    what : str
        A short sentence for the user: what was found and what was done.
    start, end : float or None
        Where, in metres along the course; None where it concerns the whole file.
    amount : float or None
        How much, in `unit`.
    loud : bool
        True where the user should look before trusting the plan.
    unknown : tuple of (start, end)
        Stretches where the road or its height isn't known but laid straight, metres along the course: the
        hands stay at the brakes there.
    """

    what: str
    start: float | None = None
    end: float | None = None
    amount: float | None = None
    unit: str = ""
    loud: bool = False
    unknown: tuple[tuple[float, float], ...] = ()

    def moved(self, to: Callable[[float], float]) -> Change:
        """Give the same with every place along the course moved."""
        return replace(
            self,
            start=None if self.start is None else to(self.start),
            end=None if self.end is None else to(self.end),
            unknown=tuple((to(start), to(end)) for start, end in self.unknown),
        )


class CornerKind(StrEnum):
    """What the eye sees at a corner."""

    BEND = "bend"
    CORNER = "corner"
    HAIRPIN = "hairpin"
    ROUNDABOUT = "roundabout"
    DEAD_TURN = "dead turn"


@dataclass(frozen=True, slots=True)
class Corner:
    """A stretch where the road turns.

    Attributes
    ----------
    start, apex, end : float
        Metres along the course; where it isn't measured, the road turns somewhere between.
    radius : float
        Of a rider's line through it, the one to expect; how fast it is ridden follows from it [m].
    turn : float
        Total change of heading, positive to the right [rad].
    measured : bool
        False where the points are too coarse to measure the radius.
    tightest : float
        The smallest radius that the points don't refute, never above `radius`. Whether the hands may be off
        the brakes, there and where braking would begin, follows from it [m].
    """

    start: float
    apex: float
    end: float
    radius: float
    turn: float
    kind: CornerKind
    measured: bool = True
    tightest: float = math.inf

    def __post_init__(self) -> None:
        object.__setattr__(self, "tightest", min(self.tightest, self.radius))

    @property
    def arc(self) -> tuple[float, float]:
        """Where the radius is ridden: about the apex, as long as the turn takes, within the corner [m]."""
        half = 0.5 * self.radius * abs(self.turn)
        return max(self.apex - half, self.start), min(self.apex + half, self.end)


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """The road: cleaned, smoothed, measured.

    Attributes
    ----------
    distance : FloatArray, shape (k,)
        Along the sloping road from the start, strictly increasing, first value 0 [m].
    latitude_deg, longitude_deg : FloatArray, shape (k,)
        WGS84 degrees.
    elevation : FloatArray, shape (k,)
        Smoothed [m].
    heading : FloatArray, shape (k,)
        Direction of travel, 0 north, clockwise, in [0, 2π) [rad].
    curvature : FloatArray, shape (k,)
        Of the plan view, positive to the right [1/m].
    corners : tuple of Corner
        In the order of the road.
    changes : tuple of Change
        What cleaning and smoothing did.
    elevation_noise : float
        Standard deviation of the recorded elevation about the smoothed one, as estimated [m].
    climb : float
        Total ascent [m].
    lap : float or None
        How far on the same road comes again, a straight join from lap to lap included [m]; None on one lap.
    """

    name: str
    source: str
    distance: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    elevation: FloatArray
    heading: FloatArray
    curvature: FloatArray
    corners: tuple[Corner, ...]
    changes: tuple[Change, ...] = ()
    elevation_noise: float = 0.0
    climb: float = 0.0
    waypoints: tuple[Waypoint, ...] = ()
    lap: float | None = None

    def __post_init__(self) -> None:
        for name in ("distance", "latitude_deg", "longitude_deg", "elevation", "heading", "curvature"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    @property
    def length(self) -> float:
        """Length along the sloping road [m]."""
        return float(self.distance[-1])


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The course cut into short stretches of one grade and heading.

    Attributes
    ----------
    start, length : FloatArray, shape (n,)
        Along the sloping road [m]; `start[i] + length[i] == start[i + 1]`.
    grade : FloatArray, shape (n,)
        Rise over (horizontal) run, uphill positive.
    heading : FloatArray, shape (n,)
        [rad], 0 north, clockwise.
    latitude_deg, longitude_deg, elevation : FloatArray, shape (n,)
        Of the middle of the cell.
    corner_radius, tightest_radius : FloatArray, shape (n,)
        Of the tightest arc that touches the cell, as expected, and the smallest not refuted of the corners
        that do; infinite where straight [m].
    """

    start: FloatArray
    length: FloatArray
    grade: FloatArray
    heading: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    elevation: FloatArray
    corner_radius: FloatArray
    tightest_radius: FloatArray

    def __post_init__(self) -> None:
        for name in (
            "start",
            "length",
            "grade",
            "heading",
            "latitude_deg",
            "longitude_deg",
            "elevation",
            "corner_radius",
            "tightest_radius",
        ):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def __len__(self) -> int:
        return int(self.start.size)

    @property
    def nodes(self) -> FloatArray:
        """Distances of the cell ends, shape (n + 1,) [m]."""
        return np.append(self.start, self.start[-1] + self.length[-1])


class ZoneKind(StrEnum):
    """What a zone of the race file says of its stretch."""

    NO_TUCK = "no-tuck"
    SPEED_LIMIT = "speed-limit"
    SHELTERED = "sheltered"
    SURFACE = "surface"
    FEED = "feed"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Zone:
    """A stretch about which the user knows something that the GPX file doesn't.

    Attributes
    ----------
    start, end : float
        Metres along the course as ridden (all laps); equal for a point.
    value : float or None
        Speed limit [m/s], wind factor or rolling-resistance factor, by kind.
    """

    kind: ZoneKind
    start: float
    end: float
    note: str = ""
    value: float | None = field(default=None)

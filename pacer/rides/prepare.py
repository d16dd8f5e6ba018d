"""Which parts of a ride say something about drag and rolling resistance, and which don't, by stated rules."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.errors import RideError
from pacer.rides.recording import GAP
from pacer.rides.ride import Place, Ride
from pacer.rides.signals import around, averaged, beside, filled, lasting, rate, short_gaps_filled, widened
from pacer.units import FloatArray, signed_angle

__all__ = ["Fate", "Rules", "Steps", "Stretch", "label_positions", "prepare", "require_road_ride"]


class Fate(IntEnum):
    """What becomes of a step between two records."""

    KEPT = 0
    GAP = 1
    NO_POWER = 2
    SLOW = 3
    COASTING = 4
    BRAKING = 5
    TURNING = 6
    SURGE = 7
    CHANGE = 8
    NO_ELEVATION = 9
    UNLABELLED = 10
    SHELTERED = 11
    DESCENT = 12
    DRAFTED = 13

    @property
    def words(self) -> str:
        """For the user: what was left out."""
        return _WORDS[self]


_WORDS: Final = {
    Fate.KEPT: "used",
    Fate.GAP: "pauses and gaps",
    Fate.NO_POWER: "power missing",
    Fate.SLOW: "slow, starting or stopping",
    Fate.COASTING: "coasting (braking can't be told from it)",
    Fate.BRAKING: "braking",
    Fate.TURNING: "tight corners",
    Fate.SURGE: "surges (standing can't be told from them)",
    Fate.CHANGE: "changing position",
    Fate.NO_ELEVATION: "elevation missing or jumping",
    Fate.UNLABELLED: "position not told",
    Fate.SHELTERED: "in a lee (drafting or shelter)",
    Fate.DESCENT: "descents on which the rider mostly coasts",
    Fate.DRAFTED: "drafting, as told",
}


@dataclass(frozen=True, slots=True)
class Rules:
    """Limits of the exclusion rules; all are design choices with no source.

    Attributes
    ----------
    slow : float
        [m/s], with 5 s on either side.
    coasting : float
        Power under this for 3 s or more is coasting [W], with 2 s on either side.
    braking : float
        Deceleration over 5 s beyond this under half the ride's median power [m/s²].
    lateral : float
        Lateral acceleration of a tight corner [m/s²].
    surge : float
        Power over this multiple of critical power for 5 s or more, with 3 s on either side.
    change : float
        Seconds before and after a change of position.
    vertical : float
        Recorded elevation changing faster than this is a jump [m/s].
    descent : float
        From the grade on at which the rider coasts for more than this share of the time, all is left out: the
        rider coasts where the wind helps, so what is pedalled there would favour headwind.
    """

    slow: float = 3.0
    coasting: float = 20.0
    braking: float = 0.4
    lateral: float = 2.0
    surge: float = 1.5
    change: float = 5.0
    vertical: float = 3.0
    descent: float = 0.1


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of a ride, told by the user, that was ridden in one position.

    `start` and `end` are metres from the start where `by_distance`, else seconds since the first record.
    """

    start: float
    end: float
    position: str
    by_distance: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """A ride as steps between successive records, n - 1 of them for n records.

    Attributes
    ----------
    end : FloatArray, shape (n - 1,)
        Seconds since the first record at the end of the step.
    duration, speed, length, power : FloatArray, shape (n - 1,)
        [s], mean [m/s], along the road [m], mean [W].
    grade, heading : FloatArray, shape (n - 1,)
        Rise over run (smoothed over about 15 s), [rad]; the heading NaN without positions.
    fate : int array, shape (n - 1,)
        `Fate`.
    position : int array, shape (n - 1,)
        Index into the names of positions, -1 where not told.
    node_speed, node_elevation : FloatArray, shape (n,)
        At the records, root mean square and mean over 5 records, so that both kinds of energy are averaged
        alike [m/s], [m].
    """

    end: FloatArray
    duration: FloatArray
    speed: FloatArray
    length: FloatArray
    power: FloatArray
    grade: FloatArray
    heading: FloatArray
    fate: npt.NDArray[np.int64]
    position: npt.NDArray[np.int64]
    node_speed: FloatArray
    node_elevation: FloatArray

    def seconds(self, fate: Fate) -> float:
        """Time that met a fate [s]."""
        return float(self.duration[self.fate == fate].sum())

    @property
    def node_time(self) -> FloatArray:
        """Seconds since the first record, shape (n,)."""
        return np.append(self.end[0] - self.duration[0], self.end)

    def elevation_at(self, later: float) -> FloatArray:
        """Recorded elevation some seconds after each record, shape (n,) [m]."""
        time = self.node_time
        return np.asarray(np.interp(time + later, time, self.node_elevation))

    def grade_at(self, later: float) -> FloatArray:
        """Recorded grade some seconds after each step, shape (n - 1,)."""
        return np.asarray(np.interp(self.end + later, self.end, self.grade))


def require_road_ride(ride: Ride) -> None:
    """Refuse a ride from which nothing can be learnt about the road.

    Raises
    ------
    RideError
        In one line: indoors, a virtual world, no power, power always zero, no speed, no elevation.
    """

    def refuse(what: str, found: str = "") -> None:
        raise RideError(what, where=ride.source, found=found, do="give a ride outdoors with a power meter")

    if ride.place is not Place.OUTDOORS:
        refuse(f"ridden in {ride.place.value}" if ride.place is Place.VIRTUAL else "ridden indoors")
    if not ride.has("power"):
        refuse("no power recorded")
    if float(np.nanmax(ride.power)) <= 0.0:
        refuse("power is recorded but always zero")
    if not ride.has("distance") or not ride.has("speed") or float(ride.distance[-1]) < 500.0:
        refuse("no speed or distance recorded: ridden indoors?")
    if not ride.has("elevation"):
        refuse("no elevation recorded")


def label_positions(
    ride: Ride, stretches: Sequence[Stretch], names: Sequence[str], default: str | None = None
) -> npt.NDArray[np.int64]:
    """Position of each step between records, shape (n - 1,), as an index into `names`; -1 where not told.

    Parameters
    ----------
    stretches : sequence of Stretch
        Later ones win where they overlap.
    default : str, optional
        Position outside all stretches.

    Raises
    ------
    RideError
        A position that isn't among `names`, a stretch that lies outside the ride.
    """
    known = {name: i for i, name in enumerate(names)}
    for name in [stretch.position for stretch in stretches] + ([default] if default else []):
        if name not in known:
            raise RideError(
                "a stretch names a position that the rider file doesn't have",
                where=ride.source,
                found=repr(name),
                do=f"use one of: {', '.join(names)}",
            )
    label = np.full(len(ride) - 1, known[default] if default else -1, dtype=np.int64)
    for stretch in stretches:
        label[steps_within(ride, stretch)] = known[stretch.position]
    return label


def steps_within(ride: Ride, stretch: Stretch) -> npt.NDArray[np.bool_]:
    """Which steps between records lie within a stretch, shape (n - 1,).

    Raises
    ------
    RideError
        A stretch that lies outside the ride.
    """
    along = ride.distance if stretch.by_distance else ride.elapsed
    middle = 0.5 * (along[1:] + along[:-1])
    inside = (middle >= stretch.start) & (middle < stretch.end)
    if not inside.any():
        unit = "km" if stretch.by_distance else "min"
        scale = 1000.0 if stretch.by_distance else 60.0
        raise RideError(
            "a stretch lies outside the ride",
            where=ride.source,
            found=f"{stretch.start / scale:.2f} to {stretch.end / scale:.2f} {unit}",
            do=f"the ride ends at {float(along[-1]) / scale:.2f} {unit}",
        )
    return np.asarray(inside)


def prepare(
    ride: Ride,
    position: npt.NDArray[np.int64],
    critical_power: float,
    rules: Rules | None = None,
    drafted: Sequence[Stretch] = (),
) -> Steps:
    """Cut a ride into steps and say which of them can be used.

    Parameters
    ----------
    ride : Ride
        A road ride with power (`require_road_ride`).
    position : int array, shape (n - 1,)
        From `label_positions`.
    critical_power : float
        Tells a surge [W].
    drafted : sequence of Stretch
        Told by the user to have been ridden in another's lee; their positions don't matter.

    Raises
    ------
    RideError
        A drafted stretch that lies outside the ride.
    """
    rules = rules or Rules()
    time = ride.elapsed
    duration = np.diff(time)
    speed_at = filled(time, ride.speed)
    power = short_gaps_filled(time, ride.power)[1:]
    length = 0.5 * (speed_at[1:] + speed_at[:-1]) * duration
    elevation = filled(time, ride.elevation)
    along = np.append(0.0, np.cumsum(length))
    heading = _headings(ride)
    fate = np.zeros(duration.size, dtype=np.int64)

    def mark(which: npt.NDArray[np.bool_], why: Fate) -> None:
        fate[(fate == Fate.KEPT) & which] = why

    speed = length / duration
    # the records next to a gap are averaged with those beyond it
    mark(beside(duration > GAP, 2), Fate.GAP)
    for stretch in drafted:
        mark(steps_within(ride, stretch), Fate.DRAFTED)
    mark(~np.isfinite(power), Fate.NO_POWER)
    mark(_jumps(ride.elevation, duration, rules), Fate.NO_ELEVATION)
    mark(widened(speed < rules.slow, duration, 5.0), Fate.SLOW)
    watts = np.nan_to_num(power)
    mark(widened(lasting(watts < rules.coasting, duration, 3.0), duration, 2.0), Fate.COASTING)
    grade = _grades(time, along, elevation)
    mark(grade < _coasting_grade(grade, fate, duration, rules.descent), Fate.DESCENT)
    pull = rate(time, speed_at, 2.5)[1:]
    mark(widened((pull < -rules.braking) & (watts < 0.5 * np.median(watts)), duration, 2.0), Fate.BRAKING)
    turn = np.abs(_turning(time, heading))
    mark(widened(turn * speed > rules.lateral, duration, 2.0), Fate.TURNING)
    mark(widened(lasting(watts > rules.surge * critical_power, duration, 5.0), duration, 3.0), Fate.SURGE)
    changes = np.append(False, position[1:] != position[:-1])
    mark(widened(changes, duration, rules.change), Fate.CHANGE)
    mark(position < 0, Fate.UNLABELLED)
    return Steps(
        end=time[1:],
        duration=duration,
        speed=speed,
        length=length,
        power=watts,
        grade=grade,
        heading=heading[1:],
        fate=fate,
        position=position,
        node_speed=np.sqrt(averaged(speed_at**2, 2)),
        node_elevation=averaged(elevation, 2),
    )


def _grades(time: FloatArray, along: FloatArray, elevation: FloatArray) -> FloatArray:
    low, high = around(time, 8.0)
    smooth = averaged(elevation, 3)
    sine = (smooth[high] - smooth[low]) / np.maximum(along[high] - along[low], 20.0)
    sine = np.clip(sine, -0.35, 0.35)
    return np.asarray(sine / np.sqrt(1.0 - sine**2))[1:]


def _coasting_grade(
    grade: FloatArray, fate: npt.NDArray[np.int64], duration: FloatArray, share: float
) -> float:
    """Give the gentlest descent, in steps of 0.5 %, where coasting takes more than `share` of the time."""
    rideable = (fate == Fate.KEPT) | (fate == Fate.COASTING)
    for edge in np.arange(0.0, -0.15, -0.005):
        inside = rideable & (grade < edge) & (grade >= edge - 0.005)
        seconds = float(duration[inside].sum())
        coasted = float(duration[inside & (fate == Fate.COASTING)].sum())
        if seconds >= 20.0 and coasted > share * seconds:
            return float(edge)
    return -1.0


def _headings(ride: Ride) -> FloatArray:
    """Direction of travel at the records from the positions 2.5 s before and after [rad]; NaN without."""
    if not ride.has("latitude_deg"):
        return np.full(len(ride), np.nan)
    from pyproj import Geod

    time = ride.elapsed
    latitude, longitude = filled(time, ride.latitude_deg), filled(time, ride.longitude_deg)
    low, high = around(time, 2.5)
    azimuth, _, far = Geod(ellps="WGS84").inv(longitude[low], latitude[low], longitude[high], latitude[high])
    heading = np.radians(np.asarray(azimuth))
    steady = np.asarray(far) > 3.0
    if not steady.any():
        return np.full(len(ride), np.nan)
    place = np.where(steady, np.arange(time.size), 0)
    place = np.maximum.accumulate(place)
    place[place == 0] = int(np.argmax(steady))
    return np.asarray(heading[place])


def _turning(time: FloatArray, heading: FloatArray) -> FloatArray:
    """Rate of turn in each step [rad/s], 0 where unknown."""
    low, high = around(time, 1.5)
    turn = signed_angle(heading[high] - heading[low]) / np.maximum(time[high] - time[low], 1e-3)
    return np.asarray(np.nan_to_num(turn)[1:])


def _jumps(elevation: FloatArray, duration: FloatArray, rules: Rules) -> npt.NDArray[np.bool_]:
    missing = ~np.isfinite(elevation)
    steps = np.abs(np.diff(np.where(missing, np.nan, elevation)))
    fast = np.nan_to_num(steps) > rules.vertical * np.maximum(duration, 1.0)
    return np.asarray(widened(fast, duration, 6.0) | missing[1:])

"""A ride laid on a plan: when the rider passed the end of each cell of the plan."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.errors import RideError
from pacer.planning.plan import Plan
from pacer.rides.recording import GAP
from pacer.rides.ride import Ride
from pacer.rides.signals import filled, short_gaps_filled
from pacer.units import FloatArray

__all__ = ["Laid", "lay_ride"]

NEAR: Final = 40.0
"""A fix this near to the course is on it [m]; common practice, no source."""

STANDING: Final = 1.0
"""Slower than this the rider stands still [m/s]."""

_EVERY: Final = 100.0
_LEAST_SHARE: Final = 0.3
_LENGTH_TOLERANCE: Final = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """The ride in the terms of the plan, for the n cells that it covers from `first` on.

    Attributes
    ----------
    first, last : int
        Cells `first` to `last` - 1 of the plan are covered.
    time : FloatArray, shape (n + 1,)
        Since the first of these ends was passed [s].
    speed : FloatArray, shape (n + 1,)
        At the ends [m/s].
    power : FloatArray, shape (n,)
        Mean while moving [W].
    stopped : FloatArray, shape (n,)
        Seconds of standing still.
    ride_distance : FloatArray, shape (n + 1,)
        The ride's own distance at the ends [m].
    clock : FloatArray, shape (n + 1,)
        Seconds since the ride's first record.
    notes : tuple of str
    """

    first: int
    last: int
    time: FloatArray
    speed: FloatArray
    power: FloatArray
    stopped: FloatArray
    ride_distance: FloatArray
    clock: FloatArray
    notes: tuple[str, ...]

    @property
    def duration(self) -> FloatArray:
        """Seconds in each cell, stops included, shape (n,)."""
        return np.diff(self.time)


def lay_ride(ride: Ride, plan: Plan) -> Laid:
    """Lay a ride on a plan by position, or by distance where it has no positions.

    Raises
    ------
    RideError
        In one line: no power, another course, or too little of it.
    """
    if not ride.has("power") or float(np.nanmax(ride.power)) <= 0.0:
        raise RideError("no power recorded", where=ride.source, do="review a ride with a power meter")
    if not ride.has("distance"):
        raise RideError("no speed or distance recorded", where=ride.source, do="review a ride outdoors")
    place, notes = _by_position(ride, plan) if ride.has("latitude_deg") else _by_distance(ride, plan)
    nodes = plan.nodes.distance_m
    inside = np.isfinite(place)
    begin, end = float(np.nanmin(place)), float(np.nanmax(place))
    first = int(np.searchsorted(nodes, begin - 30.0))
    last = int(np.searchsorted(nodes, end + 30.0, side="right")) - 1
    if last - first < 2 or nodes[last] - nodes[first] < _LEAST_SHARE * nodes[-1]:
        raise RideError(
            "the ride covers too little of the plan's course",
            where=ride.source,
            found=f"{max(end - begin, 0.0) / 1000.0:.1f} km of {nodes[-1] / 1000.0:.1f} km",
            do="give the ride of this course",
        )
    if first > 0 or last < nodes.size - 1:
        notes.append(
            f"only km {nodes[first] / 1000.0:.1f} to {nodes[last] / 1000.0:.1f} of the plan were ridden"
        )
    return _measure(ride, place, inside, nodes[first : last + 1], first, last, tuple(notes))


def _measure(
    ride: Ride,
    place: FloatArray,
    inside: npt.NDArray[np.bool_],
    nodes: FloatArray,
    first: int,
    last: int,
    notes: tuple[str, ...],
) -> Laid:
    seconds = ride.elapsed
    # a standing rider stays in one place: a micrometre a record keeps the order without moving anything
    along = np.maximum.accumulate(place[inside]) + 1e-6 * np.arange(int(inside.sum()))
    clock = np.interp(nodes, along, seconds[inside])
    step = np.diff(seconds)
    speed = filled(seconds, ride.speed)
    covered = np.diff(ride.distance)
    standing = (covered < STANDING * step) & ((step > GAP) | (np.minimum(speed[1:], speed[:-1]) < STANDING))
    power = np.nan_to_num(short_gaps_filled(seconds, ride.power))[1:]
    work = np.append(0.0, np.cumsum(np.where(standing, 0.0, power * step)))
    stopped = np.append(0.0, np.cumsum(np.where(standing, step, 0.0)))
    still = np.diff(np.interp(clock, seconds, stopped))
    moving = np.maximum(np.diff(clock) - still, 1e-3)
    return Laid(
        first=first,
        last=last,
        time=clock - clock[0],
        speed=np.interp(clock, seconds, speed),
        power=np.diff(np.interp(clock, seconds, work)) / moving,
        stopped=still,
        ride_distance=np.interp(clock, seconds, ride.distance),
        clock=clock,
        notes=notes,
    )


def _by_distance(ride: Ride, plan: Plan) -> tuple[FloatArray, list[str]]:
    length, ridden = float(plan.nodes.distance_m[-1]), float(ride.distance[-1])
    if abs(ridden / length - 1.0) > _LENGTH_TOLERANCE:
        raise RideError(
            "without positions the ride must be as long as the plan's course",
            where=ride.source,
            found=f"{ridden / 1000.0:.2f} km against {length / 1000.0:.2f} km",
            do="cut the ride to the race, or give a recording with positions",
        )
    return ride.distance * (length / ridden), ["no positions: laid on the plan by distance"]


def _flat(latitude: FloatArray, longitude: FloatArray, latitude0: float, longitude0: float) -> FloatArray:
    """Metres east and north of a place, good to 0.1 % over the length of a race, shape (k, 2)."""
    from pyproj import Geod

    azimuth, _, far = Geod(ellps="WGS84").inv(
        np.full(latitude.size, longitude0), np.full(latitude.size, latitude0), longitude, latitude
    )
    angle = np.radians(np.asarray(azimuth))
    return np.column_stack((np.asarray(far) * np.sin(angle), np.asarray(far) * np.cos(angle)))


def _by_position(ride: Ride, plan: Plan) -> tuple[FloatArray, list[str]]:
    cells = plan.cells
    centre = float(cells.latitude_deg.mean()), float(cells.longitude_deg.mean())
    course = _flat(cells.latitude_deg, cells.longitude_deg, *centre)
    course_at = cells.start_m + 0.5 * cells.length_m
    known = np.flatnonzero(np.isfinite(ride.latitude_deg))
    track = _flat(ride.latitude_deg[known], ride.longitude_deg[known], *centre)
    dense_at = np.arange(course_at[0], course_at[-1], 5.0)
    dense = np.column_stack([np.interp(dense_at, course_at, course[:, k]) for k in (0, 1)])
    anchors = _best_walk(track, ride.distance[known], dense, dense_at)
    if len(anchors) < 3:
        raise RideError(
            "the ride isn't on the plan's course",
            where=ride.source,
            found=f"never within {NEAR:.0f} m of it in the right order",
            do="give the ride of this course, or the plan of this ride",
        )
    at_ride = np.array([a for a, _ in anchors])
    at_plan = np.array([b for _, b in anchors])
    place = np.interp(ride.distance, at_ride, at_plan, left=np.nan, right=np.nan)
    before, after = ride.distance < at_ride[0], ride.distance > at_ride[-1]
    place[before] = at_plan[0] + ride.distance[before] - at_ride[0]
    place[after] = at_plan[-1] + ride.distance[after] - at_ride[-1]
    length = float(plan.nodes.distance_m[-1])
    place[(place < -1.0) | (place > length + 60.0)] = np.nan
    notes = []
    for (a, c), (b, d) in pairwise(anchors):
        if d - c > 3.0 * _EVERY or b - a > 3.0 * _EVERY:
            notes.append(f"off the course between km {c / 1000.0:.1f} and {d / 1000.0:.1f}")
    return place, notes


def _best_walk(
    track: FloatArray, ridden: FloatArray, course: FloatArray, course_at: FloatArray
) -> list[tuple[float, float]]:
    """Anchors (ride's distance, plan's distance) of the walk along the course that covers most of it."""
    from_start = np.hypot(*(track - course[0]).T)
    near = from_start < 2.0 * NEAR
    passes = [int(i) for i in np.flatnonzero(near & ~np.append(False, near[:-1]))] or [0]
    walks = []
    for begin in passes[:12]:
        end = begin + int(np.argmin(near[begin:])) if not near[begin:].all() else track.shape[0]
        closest = begin + int(np.argmin(from_start[begin : max(end, begin + 1)]))
        walks.append(_walk(track, ridden, course, course_at, closest))
    return max(walks, key=len)


def _walk(
    track: FloatArray, ridden: FloatArray, course: FloatArray, course_at: FloatArray, begin: int
) -> list[tuple[float, float]]:
    anchors: list[tuple[float, float]] = []
    wanted = ridden[begin] + _EVERY * np.arange(int((ridden[-1] - ridden[begin]) / _EVERY) + 1)
    records = np.unique(np.clip(np.searchsorted(ridden, wanted), begin, ridden.size - 1))
    last_ride, last_plan = float(ridden[begin]), float(course_at[0])
    for i in records.tolist():
        step = float(ridden[i]) - last_ride
        slack = 30.0 + 0.05 * step
        low = np.searchsorted(course_at, last_plan + 0.8 * step - slack) if anchors else 0
        high = np.searchsorted(course_at, last_plan + 1.2 * step + slack, side="right")
        if high <= low:
            if low >= course_at.size:
                break
            continue
        apart = np.hypot(*(course[low:high] - track[i]).T)
        k = int(np.argmin(apart))
        if apart[k] < NEAR:
            place = float(course_at[low + k])
            if anchors and place <= anchors[-1][1]:
                continue
            anchors.append((float(ridden[i]), place))
            last_ride, last_plan = anchors[-1]
    return anchors

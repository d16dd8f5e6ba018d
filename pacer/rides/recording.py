"""From the records of a file to a ride that can be used: order, missing values, impossible values."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from pacer.errors import RideError
from pacer.rides.ride import CHANNELS, Recording, Ride
from pacer.units import FloatArray

__all__ = ["GAP", "MOST_POWER", "TOP_SPEED", "make_ride"]

TOP_SPEED: Final = 40.0
"""A recorded speed above this is taken for an error [m/s]; common practice, no source."""

MOST_POWER: Final = 2500.0
"""A recorded power above this is taken for an error [W]; common practice, no source."""

GAP: Final = 8.0
"""A longer step between two records is a pause or a gap [s]; devices that save only changes stay below it."""

_FASTEST: Final = 0.75
"""Records closer than this on average are brought to one a second [s]."""

_RANGES: Final = {
    "speed": (0.0, TOP_SPEED),
    "elevation": (-500.0, 9000.0),
    "power": (0.0, MOST_POWER),
    "heart_rate": (20.0, 250.0),
    "cadence": (0.0, 250.0),
    "temperature": (223.0, 333.0),
}


@dataclass(slots=True)
class _Work:
    """The columns on their way, with what had to be said about them."""

    time: FloatArray
    channels: dict[str, FloatArray]
    notes: list[str] = field(default_factory=list)

    def keep(self, which: np.ndarray) -> None:
        self.time = self.time[which]
        self.channels = {name: values[which] for name, values in self.channels.items()}


def make_ride(recording: Recording) -> Ride:
    """Make a ride of the records of a file.

    Parameters
    ----------
    recording : Recording
        As read.

    Returns
    -------
    Ride
        Its notes say what was handled.

    Raises
    ------
    RideError
        In one line, where there is too little to be a ride.
    """
    where = recording.source
    work = _Work(
        np.asarray(recording.time, dtype=np.float64),
        {n: np.asarray(v, dtype=np.float64) for n, v in recording.channels.items()},
    )
    for name in CHANNELS:
        work.channels.setdefault(name, np.full(work.time.size, np.nan))
    _order(work, where)
    _one_a_second(work)
    _drop_impossible(work)
    _drop_bad_fixes(work)
    _measure_distance(work)
    _measure_speed(work)
    _tell_gaps(work)
    return Ride(
        name=recording.name,
        source=where,
        time=work.time,
        laps=recording.laps,
        sport=recording.sport or "cycling",
        place=recording.place,
        rider_mass=recording.rider_mass,
        notes=recording.notes + tuple(work.notes),
        **work.channels,
    )


def _count(n: int, thing: str = "record") -> str:
    return f"{n} {thing}" if n == 1 else f"{n} {thing}s"


def _order(work: _Work, where: str) -> None:
    dated = np.isfinite(work.time)
    if not dated.all():
        work.notes.append(f"{_count(int((~dated).sum()))} without a time left out")
        work.keep(dated)
    if work.time.size < 2 or work.time.max() - work.time.min() < 10.0:
        raise RideError(
            "not a recorded ride: fewer than two records with a time, or less than 10 s",
            where=where,
            found=_count(int(work.time.size), "dated record"),
            do="give the file that the device recorded, not a course",
        )
    if np.any(np.diff(work.time) < 0.0):
        work.notes.append("records out of order sorted by time")
        work.keep(np.argsort(work.time, kind="stable"))


def _one_a_second(work: _Work) -> None:
    """Merge records that share a moment, and bring faster recordings to one record a second."""
    steps = np.diff(work.time)
    fast = float(np.median(steps)) < _FASTEST
    key = np.floor(work.time) if fast else work.time
    _, group = np.unique(key, return_inverse=True)
    merged = work.time.size - (int(group[-1]) + 1)
    if merged == 0:
        return
    size = int(group[-1]) + 1
    last = np.searchsorted(group, np.arange(size), side="right") - 1
    channels = {}
    for name, values in work.channels.items():
        finite = np.isfinite(values)
        total = np.bincount(group[finite], values[finite], minlength=size)
        count = np.bincount(group[finite], minlength=size)
        mean = np.divide(total, count, out=np.full(size, np.nan), where=count > 0)
        channels[name] = values[last] if name in {"distance", "latitude_deg", "longitude_deg"} else mean
    work.time, work.channels = work.time[last], channels
    what = "several records a second brought to one" if fast else "records of the same moment merged"
    work.notes.append(f"{what} ({merged} merged)")


def _drop_impossible(work: _Work) -> None:
    for name, (low, high) in _RANGES.items():
        values = work.channels[name]
        bad = np.isfinite(values) & ((values < low) | (values > high))
        if name == "heart_rate":
            values[values == 0.0] = np.nan  # a strap that isn't worn
            bad &= np.isfinite(values)
        if bad.any():
            values[bad] = np.nan
            work.notes.append(
                f"{_count(int(bad.sum()), 'value')} of {name.replace('_', ' ')} outside "
                f"{low:g} to {high:g} left out"
            )


def _geod_steps(longitude: FloatArray, latitude: FloatArray) -> FloatArray:
    """Lengths between successive points, shape (n - 1,) [m]."""
    from pyproj import Geod

    _, _, steps = Geod(ellps="WGS84").inv(longitude[:-1], latitude[:-1], longitude[1:], latitude[1:])
    return np.asarray(steps, dtype=np.float64)


def _drop_bad_fixes(work: _Work) -> None:
    latitude, longitude = work.channels["latitude_deg"], work.channels["longitude_deg"]
    fixed = np.isfinite(latitude) & np.isfinite(longitude)
    bad = fixed & ((np.abs(latitude) > 90.0) | (np.abs(longitude) > 180.0))
    bad |= fixed & (latitude == 0.0) & (longitude == 0.0)
    latitude[bad | ~fixed] = np.nan
    longitude[bad | ~fixed] = np.nan
    good = np.flatnonzero(np.isfinite(latitude))
    jumps = np.zeros(0, dtype=np.int64)
    if good.size > 3:
        steps = _geod_steps(longitude[good], latitude[good])
        pace = steps / np.maximum(np.diff(work.time[good]), 1.0)
        far = pace > TOP_SPEED
        # a stray fix is far from both neighbours; one far step alone is a gap in the recording
        stray = np.append(far, False) & np.append(False, far)
        stray[0] = bool(far[0])
        jumps = good[stray]
        latitude[jumps] = np.nan
        longitude[jumps] = np.nan
    dropped = int(bad.sum()) + int(jumps.size)
    if dropped:
        work.notes.append(f"{_count(dropped, 'position')} at 0,0, out of range or far off left out")


def _measure_distance(work: _Work) -> None:
    """Make distance start at zero and never fall; take it from positions or speed where it is missing."""
    distance = work.channels["distance"]
    known = np.isfinite(distance)
    if known.mean() >= 0.5:
        values = np.interp(work.time, work.time[known], distance[known])
        steps = np.diff(values)
        limit = 2.0 * TOP_SPEED * np.maximum(np.diff(work.time), 1.0)
        wrong = (steps < 0.0) | (steps > limit)
        if wrong.any():
            times = _count(int(wrong.sum()), "time")
            work.notes.append(f"distance jumped or fell {times}; those steps left out")
        steps[wrong] = 0.0
    elif np.isfinite(work.channels["latitude_deg"]).mean() >= 0.5:
        fixed = np.isfinite(work.channels["latitude_deg"])
        along = np.append(
            0.0,
            np.cumsum(
                _geod_steps(work.channels["longitude_deg"][fixed], work.channels["latitude_deg"][fixed])
            ),
        )
        steps = np.diff(np.interp(work.time, work.time[fixed], along))
        work.notes.append("no distance recorded; measured from the positions")
    elif np.isfinite(work.channels["speed"]).mean() >= 0.5:
        speed = np.nan_to_num(work.channels["speed"])
        seconds = np.diff(work.time)
        steps = 0.5 * (speed[1:] + speed[:-1]) * np.where(seconds > GAP, 0.0, seconds)
        work.notes.append("no distance recorded; added up from the speed")
    else:
        work.channels["distance"] = np.full(work.time.size, np.nan)
        return
    work.channels["distance"] = np.append(0.0, np.cumsum(steps))


def _measure_speed(work: _Work) -> None:
    """Take a missing speed from the distance over five records."""
    if np.isfinite(work.channels["speed"]).mean() >= 0.5:
        return
    distance = work.channels["distance"]
    if not np.isfinite(distance).all():
        return
    low = np.maximum(np.arange(distance.size) - 2, 0)
    high = np.minimum(np.arange(distance.size) + 2, distance.size - 1)
    work.channels["speed"] = (distance[high] - distance[low]) / (work.time[high] - work.time[low])
    work.notes.append("no speed recorded; taken from the distance")


def _tell_gaps(work: _Work) -> None:
    steps = np.diff(work.time)
    gaps = steps[steps > GAP]
    if gaps.size:
        what = "pause or gap" if gaps.size == 1 else "pauses or gaps"
        work.notes.append(f"{gaps.size} {what} of {gaps.sum():.0f} s in all")

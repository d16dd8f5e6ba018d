"""What a recorded ride is: plain, read-only data, as it stands in a file and as it can be used."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from enum import StrEnum

import numpy as np

from pacer.units import FloatArray, read_only

__all__ = ["CHANNELS", "Lap", "Place", "Recording", "Ride"]


class Place(StrEnum):
    """Where the ride took place, as far as the file says."""

    OUTDOORS = "outdoors"
    INDOORS = "indoors"
    VIRTUAL = "a virtual world"


@dataclass(frozen=True, slots=True)
class Lap:
    """A part of the ride between two presses of the lap button.

    `start` and `end` are seconds since 1970-01-01 UTC.
    """

    start: float
    end: float
    name: str = ""


CHANNELS = (
    "distance",
    "speed",
    "latitude_deg",
    "longitude_deg",
    "elevation",
    "power",
    "heart_rate",
    "cadence",
    "temperature",
)
"""What is recorded beside time: [m], [m/s], degrees, degrees, [m], [W], beats a minute, turns a minute,
[K]."""


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """The records of a file as they stand there, nothing repaired.

    Attributes
    ----------
    name, source : str
        For messages: a title and the file.
    time : FloatArray, shape (k,)
        Seconds since 1970-01-01 UTC.
    channels : dict of str to FloatArray, shape (k,)
        By the names of `CHANNELS`; NaN where a record has no value; a channel may be missing.
    laps : tuple of Lap
    sport : str
        As the file calls it; empty where it doesn't say.
    rider_mass : float or None
        As set in the device [kg].
    notes : tuple of str
        What reading had to handle.
    """

    name: str
    source: str
    time: FloatArray
    channels: dict[str, FloatArray]
    laps: tuple[Lap, ...] = ()
    sport: str = ""
    place: Place = Place.OUTDOORS
    rider_mass: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Ride:
    """A ride that can be worked with.

    Attributes
    ----------
    time : FloatArray, shape (n,)
        Seconds since 1970-01-01 UTC, strictly increasing; a long step is a pause or a gap.
    distance : FloatArray, shape (n,)
        Along the road, never decreasing, first value 0 [m]; NaN throughout where nothing tells it.
    speed : FloatArray, shape (n,)
        [m/s].
    latitude_deg, longitude_deg : FloatArray, shape (n,)
        WGS84, NaN without a fix.
    elevation : FloatArray, shape (n,)
        As recorded [m].
    power, heart_rate, cadence, temperature : FloatArray, shape (n,)
        Means since the record before [W], [1/min], [1/min], [K]; NaN where not recorded.
    laps : tuple of Lap
    notes : tuple of str
        One sentence for each thing that had to be handled.
    """

    name: str
    source: str
    time: FloatArray
    distance: FloatArray
    speed: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    elevation: FloatArray
    power: FloatArray
    heart_rate: FloatArray
    cadence: FloatArray
    temperature: FloatArray
    laps: tuple[Lap, ...] = ()
    sport: str = "cycling"
    place: Place = Place.OUTDOORS
    rider_mass: float | None = None
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                object.__setattr__(self, item.name, read_only(value))

    def __len__(self) -> int:
        return int(self.time.size)

    def has(self, channel: str) -> bool:
        """Whether at least half of the records have a value of a channel."""
        return bool(np.mean(np.isfinite(getattr(self, channel))) >= 0.5)

    @property
    def elapsed(self) -> FloatArray:
        """Seconds since the first record, shape (n,)."""
        return np.asarray(self.time - self.time[0])

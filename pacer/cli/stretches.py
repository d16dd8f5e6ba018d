"""What the user says of a ride: which parts were ridden in which position, and efforts held to the end."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from pacer.errors import SettingsError

if TYPE_CHECKING:
    from pacer.rides.efforts import Trial
    from pacer.rides.prepare import Stretch
    from pacer.rides.ride import Ride

__all__ = ["read_drafted", "read_lap_positions", "read_stretches", "read_trial"]

_STRETCH: Final = re.compile(
    r"(?:(?P<ride>\d+)/)?(?P<name>[^:]+):\s*(?P<start>[\d:.]+)\s*-\s*(?P<end>[\d:.]+)\s*"
)
_HOW_DRAFTED: Final = (
    "write it as 12.3-18.5 in km, or 0:10:00-0:25:00 in time; '2/' before it for the second ride"
)
_SPAN: Final = re.compile(r"(?:(?P<ride>\d+)/)?\s*(?P<start>[\d:.]+)\s*-\s*(?P<end>[\d:.]+)\s*")
_HOW: Final = (
    "write it as 'aero bars: 12.3-18.5' in km, or 'aero bars: 0:10:00-0:25:00' in time; '2/' before it for "
    "the second ride"
)


def _seconds(text: str) -> float:
    seconds = 0.0
    for part in text.split(":"):
        seconds = seconds * 60.0 + float(part)
    return seconds


def _stretch(text: str, pattern: re.Pattern[str], where: str, how: str) -> tuple[int, Stretch]:
    from pacer.rides.prepare import Stretch

    match = pattern.fullmatch(text.strip())
    if match is None:
        raise SettingsError("not a stretch", where=where, found=repr(text[:60]), do=how)
    by_distance = ":" not in match["start"] and ":" not in match["end"]
    try:
        ends = [float(x) * 1000.0 if by_distance else _seconds(x) for x in (match["start"], match["end"])]
    except ValueError:
        raise SettingsError("not a stretch", where=where, found=repr(text[:60]), do=how) from None
    if not ends[0] < ends[1]:
        raise SettingsError("a stretch must end after it begins", where=where, found=repr(text[:60]))
    name = match.groupdict().get("name") or ""
    return int(match["ride"] or 1), Stretch(ends[0], ends[1], name.strip(), by_distance=by_distance)


def _by_ride(
    texts: Sequence[str], rides: int, pattern: re.Pattern[str], where: str, how: str
) -> list[tuple[Stretch, ...]]:
    found: list[list[Stretch]] = [[] for _ in range(rides)]
    for text in texts:
        number, stretch = _stretch(text, pattern, where, how)
        if not 1 <= number <= rides:
            raise SettingsError(
                "there is no such ride", where=where, found=f"ride {number} of {rides}", do=how
            )
        found[number - 1].append(stretch)
    return [tuple(stretches) for stretches in found]


def read_stretches(texts: Sequence[str], rides: int) -> list[tuple[Stretch, ...]]:
    """Stretches of each ride, in the order of the rides.

    Raises
    ------
    SettingsError
        For one that can't be read or names a ride that isn't there.
    """
    return _by_ride(texts, rides, _STRETCH, "--stretch", _HOW)


def read_drafted(texts: Sequence[str], rides: int) -> list[tuple[Stretch, ...]]:
    """Stretches ridden in another's lee, of each ride, in the order of the rides.

    Raises
    ------
    SettingsError
        For one that can't be read or names a ride that isn't there.
    """
    return _by_ride(texts, rides, _SPAN, "--drafted", _HOW_DRAFTED)


def read_lap_positions(text: str, ride: Ride) -> tuple[Stretch, ...]:
    """Stretches from the lap button: a position for each lap, '-' for a lap to leave out.

    Raises
    ------
    SettingsError
        Where there are more or fewer names than laps.
    """
    from pacer.rides.prepare import Stretch

    names = [name.strip() for name in text.split(",")]
    if len(names) != len(ride.laps):
        raise SettingsError(
            "one position a lap is needed",
            where="--lap-positions",
            found=f"{len(names)} for the {len(ride.laps)} laps of {ride.source}",
            do="write them in order, as in hoods,aero bars,- ('-' leaves a lap out)",
        )
    start = float(ride.time[0])
    return tuple(
        Stretch(lap.start - start, lap.end - start, name, by_distance=False)
        for lap, name in zip(ride.laps, names, strict=True)
        if name != "-"
    )


def read_trial(text: str) -> Trial:
    """An effort held to the end, from "watts:duration" with the duration in seconds, m:ss or h:mm:ss.

    Raises
    ------
    SettingsError
        If it can't be read.
    """
    from pacer.rides.efforts import Trial

    watts, _, duration = text.partition(":")
    try:
        trial = Trial(duration=_seconds(duration), power=float(watts), name=text)
    except ValueError:
        raise SettingsError(
            "not an effort",
            where="--trial",
            found=repr(text[:40]),
            do="write it as 342:5:00 (watts, then time)",
        ) from None
    return trial

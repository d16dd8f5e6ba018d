"""The sentences that go with every plan: the work can hurt someone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from pacer.air.weather import NEAR_GALE, AirState
from pacer.course.track import Change, Course
from pacer.physics.rider import Setup
from pacer.planning.limits import Limits
from pacer.units import KMH

__all__ = ["STANDING_CAUTIONS", "cautions_for", "told"]

STANDING_CAUTIONS: Final = (
    "Ride the course before you race it. A file can't show gravel, potholes, drains, parked cars, traffic or "
    "people: where you can't see that it is safe, be upright.",
    "The law of the road, the race's rules and its officials overrule this plan.",
    "Have the aero bars fitted by a bike fitter and the bolts set by a mechanic to the makers' torque; where "
    "two limits meet, the lower one rules.",
    "See a doctor before hard efforts, and stop for chest pain, dizziness or faintness whatever the plan "
    "says.",
)
"""Shown with every plan, first of all."""

FAST_DESCENT: Final = 70.0 * KMH
"""A top speed above this is said [m/s]."""

BEAUFORT: Final = (
    (10.8, 6, "a strong breeze"),
    (NEAR_GALE, 7, "near a gale"),
    (17.2, 8, "a gale"),
    (20.8, 9, "a strong gale"),
    (24.5, 10, "a storm"),
    (28.5, 11, "a violent storm"),
    (32.7, 12, "a hurricane"),
)
"""Where forces 6 to 12 of the Beaufort scale begin [m/s, mean at 10 m] (WMO), and what they are called.

The first is said. That from the second on nobody should be tucked is a design choice: no published limit was
found, and walking against the wind is hard from there."""

HEAVY_RIDER, HEAVY_BICYCLE = 120.0, 20.0
"""From these masses on pounds may have been meant [kg]; common practice, no source."""

POUND: Final = 0.45359237
"""[kg], by definition (international yard and pound agreement, 1959)."""


def cautions_for(
    course: Course, limits: Limits, setup: Setup, air: AirState, *, wet: bool, long_at_critical: bool
) -> tuple[str, ...]:
    """The cautions of one plan.

    Parameters
    ----------
    course : Course
    limits : Limits
        Of the day.
    setup : Setup
    air : AirState
        The weather at 10 m while the race is on.
    wet : bool
        Whether the surface is.
    long_at_critical : bool
        Whether the power asked for is near critical power for longer than that is commonly held.
    """
    found = [*STANDING_CAUTIONS, *_strong_wind(air), *_pounds(setup)]
    guessed = [c for c in course.corners if not c.measured]
    if guessed:
        count = "1 corner is" if len(guessed) == 1 else f"{len(guessed)} corners are"
        found.append(
            f"{count} drawn too coarsely to be measured: the hands are back as for tight ones, and how fast "
            f"they are is a guess; look before the race (first at km {guessed[0].apex / 1000:.2f})."
        )
    found += told([change for change in course.changes if change.loud])
    if wet:
        found.append(
            f"Wet road: cornering, braking and speed when tucked are planned at {limits.wet_factor:.0%} of "
            "their dry limits."
        )
    if not np.any(air.gust > 0.0):
        found.append(
            "The plan knows of no wind: nowhere does it keep you upright for gusts. Give the forecast, and "
            "sit up wherever one pushes from the side."
        )
    if limits.top_speed > FAST_DESCENT:
        found.append(
            f"The plan allows {limits.top_speed / KMH:.0f} km/h on descents with the hands on the brakes: "
            "lower top_speed_kmh if that is faster than you ride."
        )
    if long_at_critical:
        found.append(
            "The power asked for is close to critical power for longer than riders commonly hold it (about "
            "40 minutes): check it against your own long rides."
        )
    return tuple(found)


def _strong_wind(air: AirState) -> Iterator[str]:
    """What to do in a wind of Beaufort 6 and above, or in gusts that usually come with one."""
    mean, gust = float(np.hypot(air.wind_east, air.wind_north).max()), float(air.gust.max())
    strongest = float(air.strength.max())
    reached = [(force, name) for begin, force, name in BEAUFORT if strongest >= begin]
    if not reached:
        return
    force, name = reached[-1]
    do = (
        "be upright wherever it pushes you, above all past gaps in hedges and houses"
        if len(reached) == 1
        else "its gusts come from other sides too and can throw a bicycle off its line: stay off the aero "
        "bars from start to finish, whatever the plan says, and think whether to ride at all"
    )
    yield (
        f"Wind of {mean:.1f} m/s ({mean / KMH:.0f} km/h) with gusts of {gust:.1f} m/s "
        f"({gust / KMH:.0f} km/h): {name} (Beaufort {force}). If the forecast was in km/h, divide it by 3.6 "
        f"and plan again. If it wasn't, {do}."
    )


def _pounds(setup: Setup) -> Iterator[str]:
    """Ask whether a mass was meant in pounds."""
    for whose, mass, heavy in (
        ("A rider", setup.rider.mass, HEAVY_RIDER),
        ("A bicycle", setup.bike.mass, HEAVY_BICYCLE),
    ):
        if mass >= heavy:
            yield (
                f"{whose} of {mass:g} kg: if pounds were meant, enter {mass * POUND:.1f} kg and plan again; "
                "the mass decides what climbs and braking cost."
            )


def told(changes: Sequence[Change]) -> tuple[str, ...]:
    """What reading the course changed, as sentences with their place."""
    return tuple(_sentence(change) for change in changes)


def _sentence(change: Change) -> str:
    place = "" if change.start is None else f" (km {change.start / 1000:.2f})"
    return f"{change.what[:1].upper()}{change.what[1:]}{place}."

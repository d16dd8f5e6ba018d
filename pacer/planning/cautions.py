"""The sentences that go with every plan: the work can hurt someone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pacer.course.track import Change, Course
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


def cautions_for(
    course: Course, limits: Limits, *, wet: bool, long_at_critical: bool, calm: bool = False
) -> tuple[str, ...]:
    """The cautions of one plan.

    Parameters
    ----------
    course : Course
    limits : Limits
        Of the day.
    wet : bool
        Whether the surface is.
    long_at_critical : bool
        Whether the power asked for is near critical power for longer than that is commonly held.
    calm : bool
        Whether the weather has no gust at any time.
    """
    found = list(STANDING_CAUTIONS)
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
    if calm:
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


def told(changes: Sequence[Change]) -> tuple[str, ...]:
    """What reading the course changed, as sentences with their place."""
    return tuple(_sentence(change) for change in changes)


def _sentence(change: Change) -> str:
    place = "" if change.start is None else f" (km {change.start / 1000:.2f})"
    return f"{change.what[:1].upper()}{change.what[1:]}{place}."

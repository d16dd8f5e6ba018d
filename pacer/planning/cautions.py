"""The sentences that go with every plan: the work can hurt someone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pacer.course.track import Change, Course
from pacer.planning.limits import Limits
from pacer.units import KMH

__all__ = ["STANDING_CAUTIONS", "cautions_for"]

STANDING_CAUTIONS: Final = (
    "Ride the course before you race it. A file can't show gravel, potholes, drains, parked cars, traffic or people: "
    "where you can't see that it is safe, be upright.",
    "The law of the road, the race's rules and its officials overrule this plan.",
    "Have the aero bars fitted by a bike fitter and the bolts set by a mechanic to the makers' torque; where two limits "
    "meet, the lower one rules.",
    "See a doctor before hard efforts, and stop for chest pain, dizziness or faintness whatever the plan says.",
)
"""Shown with every plan, first of all."""


def cautions_for(
    course: Course, limits: Limits, *, wet: bool, longest_at_critical: float | None, time: float
) -> tuple[str, ...]:
    """The cautions of one plan.

    Parameters
    ----------
    longest_at_critical : float or None
        Duration beyond which the budget that was asked for is more than critical power is meant for [s].
    time : float
        Of the plan [s].
    """
    found = list(STANDING_CAUTIONS)
    guessed = [c for c in course.corners if not c.measured]
    if guessed:
        found.append(
            f"{len(guessed)} corners are drawn too coarsely to be measured and are taken as tight: look at them "
            f"before the race (first at km {guessed[0].apex / 1000:.2f})."
        )
    found += [change.what + _place(change) for change in course.changes if change.loud]
    if wet:
        found.append(
            f"Wet road: corners, brakes and the tuck are planned at {limits.wet_factor:.0%} of their dry limits."
        )
    if limits.top_speed > 70.0 * KMH:
        found.append(
            f"The plan allows {limits.top_speed / KMH:.0f} km/h on descents with the hands on the brakes."
        )
    if longest_at_critical is not None and time > longest_at_critical:
        found.append(
            f"The power asked for is planned over {time / 60:.0f} minutes; critical power is commonly held for about "
            f"{longest_at_critical / 60:.0f}: check it against your own long rides."
        )
    return tuple(found)


def _place(change: Change) -> str:
    return "" if change.start is None else f" (km {change.start / 1000:.2f})"


def told(changes: Sequence[Change]) -> tuple[str, ...]:
    """What reading the course changed, as sentences."""
    return tuple(change.what + _place(change) for change in changes)

"""Eating and drinking: sit up for it where that costs least and where one hand is enough to steer.

Due times follow from the rider's wish; near each the cheapest stretch is taken on which no rule refuses the
tuck (so: no corner, no braking, no steep descent, no gusts), on a slope where a rider can breathe and chew.
On a long climb, where nothing else offers, a steeper and slower one will do. What a stop costs is read off
the first plan's prices and, in the end, the difference of two plans.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pacer.course.track import Zone, ZoneKind
from pacer.planning.positions import position_prices
from pacer.planning.safety import Rule
from pacer.planning.scenario import Scenario
from pacer.planning.solution import Solution
from pacer.units import KMH, FloatArray

__all__ = ["FeedStop", "Wish", "feed_stops", "stop_zones", "wish_of"]

UPRIGHT: Final = 15.0
"""How long a rider sits up to eat or drink when the file doesn't say [s]; common practice, no source."""

GRAMS_EACH: Final = 25.0
"""Carbohydrate in one helping when only the amount an hour is given; common practice, no source."""

DRINK_EVERY: Final = 15.0 * 60.0
"""How often to drink when only the amount an hour is given [s]; common practice, no source."""

LAST_BEFORE_END: Final = 10.0 * 60.0
"""What is taken later than this before the end comes too late [s]; common practice, no source."""

NEAR, FAR = 0.3, 0.49
"""How far from its due time a stop may lie, over the time between stops; far where nothing is near."""

STEEPEST_UP, STEEPEST_DOWN = 0.04, 0.02
"""Slopes on which a rider can take a hand off and swallow; common practice, no source."""

FASTEST: Final = 45.0 * KMH
"""Faster than this both hands belong on the bars [m/s]; common practice, no source."""

STEEPEST_CLIMB: Final = 0.08
"""The same on a climb that leaves no other choice, however slow; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What the rider wants.

    Attributes
    ----------
    every, upright, first, last_before_end : float
        Time between stops, time upright for one, time of the first, and before the end of the last [s].
    words : str
        For the card: "eat 20 g, drink 120 ml".
    """

    every: float
    upright: float
    first: float
    last_before_end: float
    words: str


@dataclass(frozen=True, slots=True)
class FeedStop:
    """A stretch to sit up on.

    Attributes
    ----------
    start, end : float
        [m].
    time : float
        When the plan gets there [s].
    cost : float
        Seconds, at the first plan's prices; 0 where the rider is upright anyway.
    given : bool
        Whether it is a feed zone of the race, and not chosen here.
    """

    start: float
    end: float
    time: float
    cost: float
    given: bool = False


def wish_of(table: Mapping[str, Any]) -> Wish | None:
    """Read the wish from the keys of the `[feeding]` table, None where they ask for nothing."""
    per_hour, each, drink = (table.get(k) for k in ("grams_per_h", "grams_each", "drink_ml_per_h"))
    every = None if table.get("every_min") is None else 60.0 * float(table["every_min"])
    if every is None and per_hour:
        every = 3600.0 * float(each or GRAMS_EACH) / float(per_hour)
    if every is None and drink:
        every = DRINK_EVERY
    if every is None:
        return None
    if each is None and per_hour:
        each = per_hour * every / 3600.0
    parts = [f"eat {each:.0f} g"] if each else []
    parts += [f"drink {5 * round(drink * every / 3600.0 / 5):d} ml"] if drink else []
    first, last = table.get("first_after_min"), table.get("last_before_end_min")
    return Wish(
        every=every,
        upright=float(table.get("upright_s", UPRIGHT)),
        first=every if first is None else 60.0 * float(first),
        last_before_end=LAST_BEFORE_END if last is None else 60.0 * float(last),
        words=", ".join(parts) or "eat and drink",
    )


def _safe(scenario: Scenario, solution: Solution, *, climbing: bool) -> npt.NDArray[np.bool_]:
    grade, brake = scenario.cells.grade, solution.optimum.brake
    steepest = STEEPEST_CLIMB if climbing else STEEPEST_UP
    safe = (grade <= steepest) & (grade >= -STEEPEST_DOWN) & (brake <= 1.0)
    safe &= solution.optimum.mean_speed <= FASTEST
    for finding in solution.verdict.findings:
        if not (climbing and finding.rule is Rule.TOO_SLOW):
            safe &= ~finding.refused
    return np.asarray(safe)


def _costs(solution: Solution) -> FloatArray:
    """Seconds that sitting up costs in each cell, 0 where the plan is upright, shape (n,)."""
    problem, rows = solution.problem, np.arange(solution.position.size)
    price = position_prices(problem, solution.optimum)
    upright = price[:, problem.can_brake].min(axis=1)
    extra = np.maximum(upright - price[rows, solution.position], 0.0)
    return np.where(problem.can_brake[solution.position], 0.0, extra)


def feed_stops(
    scenario: Scenario, solution: Solution, wish: Wish
) -> tuple[tuple[FeedStop, ...], tuple[float, ...]]:
    """Choose the stops.

    Parameters
    ----------
    scenario : Scenario
        Its feed zones count as stops where they lie near a due time.
    solution : Solution
        The free optimum without any stop.
    wish : Wish

    Returns
    -------
    stops : tuple of FeedStop
        In the order of the road.
    missed : tuple of float
        Due times near which no stretch is safe [s].
    """
    nodes = scenario.cells.nodes
    time = np.concatenate(([0.0], np.cumsum(solution.problem.road.length * solution.optimum.slowness)))
    given = [zone for zone in scenario.zones if zone.kind is ZoneKind.FEED]
    cost = _costs(solution)
    easy, climbing = (
        _windows(time, _safe(scenario, solution, climbing=climbing), cost, wish.upright)
        for climbing in (False, True)
    )
    found: list[FeedStop] = []
    missed: list[float] = []
    due = wish.first
    while due <= time[-1] - wish.last_before_end:
        for windows, share in ((easy, NEAR), (easy, FAR), (climbing, FAR)):
            slack = share * wish.every
            stop = _given_near(given, nodes, time, due, slack)
            stop = stop or _cheapest(windows, nodes, time, due, slack)
            if stop is not None:
                break
        if stop is None:
            missed.append(due)
        elif not found or stop.start > found[-1].end:
            found.append(stop)
        due += wish.every
    return tuple(found), tuple(missed)


def _windows(
    time: FloatArray, safe: npt.NDArray[np.bool_], cost: FloatArray, upright: float
) -> list[tuple[int, int, float]]:
    """Every stretch long enough to sit up on that is safe throughout: first node, last node, cost."""
    last = np.searchsorted(time, time[:-1] + upright - 1e-9)
    unsafe = np.concatenate(([0], np.cumsum(~safe)))
    total = np.concatenate(([0.0], np.cumsum(cost)))
    starts = np.flatnonzero(last < time.size)
    starts = starts[unsafe[last[starts]] == unsafe[starts]]
    return [(int(i), int(last[i]), float(total[last[i]] - total[i])) for i in starts]


def _cheapest(
    windows: Sequence[tuple[int, int, float]], nodes: FloatArray, time: FloatArray, due: float, slack: float
) -> FeedStop | None:
    near = [w for w in windows if abs(time[w[0]] - due) <= slack]
    if not near:
        return None
    # Among equally cheap ones the nearest to its time: a thousandth of a second a minute off.
    first, last, cost = min(near, key=lambda w: w[2] + 1e-3 * abs(time[w[0]] - due) / 60.0)
    return FeedStop(float(nodes[first]), float(nodes[last]), float(time[first]), cost)


def _given_near(
    zones: Sequence[Zone], nodes: FloatArray, time: FloatArray, due: float, slack: float
) -> FeedStop | None:
    for zone in zones:
        at = float(np.interp(zone.start, nodes, time))
        if abs(at - due) <= slack:
            return FeedStop(zone.start, zone.end, at, 0.0, given=True)
    return None


def stop_zones(stops: Sequence[FeedStop], words: str) -> tuple[Zone, ...]:
    """Give the chosen stops as feed zones, which refuse the tuck."""
    return tuple(Zone(ZoneKind.FEED, stop.start, stop.end, words) for stop in stops if not stop.given)

"""When the rider should pass where, and how early or late that may honestly be."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pacer.planning.elasticity import time_elasticities
from pacer.planning.plan import Plan
from pacer.units import FloatArray

__all__ = ["DRAG_SPREAD", "POWER_SPREAD", "WIND_SPREAD", "Split", "expected_splits"]

POWER_SPREAD: Final = 0.02
"""Power held against power planned, with the meter's own error (common practice, no source)."""

DRAG_SPREAD: Final = 0.03
"""Drag area on the day against the one entered (common practice, no source)."""

WIND_SPREAD: Final = 0.20
"""Mean wind speed on the day against the one entered (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Split:
    """A place and the time since the start at which the plan is there, with an early and a late bound [s]."""

    distance_m: float
    time_s: float
    early_s: float
    late_s: float


def expected_splits(
    plan: Plan,
    every_m: float,
    *,
    power_spread: float = POWER_SPREAD,
    drag_spread: float = DRAG_SPREAD,
    wind_spread: float = WIND_SPREAD,
) -> tuple[Split, ...]:
    """Give expected times every so many metres and at the finish.

    The bounds are one spread away: power, drag area and wind speed are each wrong by their spread in the
    same sense all along the course, independently of each other, so the three effects add up as squares.
    First order, see `elasticity`; the wind's direction, traffic and stops are not in them.

    Parameters
    ----------
    every_m : float
        Distance between splits [m], positive; a split nearer to the finish than a fifth of it is left out.
    power_spread, drag_spread, wind_spread : float
        Relative.

    Returns
    -------
    tuple of Split
        The last one is the finish.
    """
    if not (math.isfinite(every_m) and every_m > 0.0):
        raise ValueError("the distance between splits must be positive")
    nodes = plan.nodes
    total = float(nodes.distance_m[-1])
    places = [k * every_m for k in range(1, math.ceil(total / every_m)) if k * every_m < total - every_m / 5]
    places.append(total)
    effect = time_elasticities(plan)
    parts = [
        np.interp(places, nodes.distance_m, _cumulated(values) * spread)
        for values, spread in (
            (effect.power, power_spread),
            (effect.drag, drag_spread),
            (effect.wind, wind_spread),
        )
    ]
    spread = np.sqrt(np.sum(np.square(parts), axis=0))
    times = np.interp(places, nodes.distance_m, nodes.time_s)
    return tuple(
        Split(place, float(t), float(t - s), float(t + s))
        for place, t, s in zip(places, times, spread, strict=True)
    )


def _cumulated(values: FloatArray) -> FloatArray:
    return np.concatenate([[0.0], np.cumsum(values)])

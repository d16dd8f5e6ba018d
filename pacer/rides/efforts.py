"""Best efforts: the highest mean power over given durations, across rides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pacer.rides.recording import GAP
from pacer.rides.ride import Ride
from pacer.rides.signals import short_gaps_filled
from pacer.units import FloatArray

__all__ = ["EFFORT_DURATIONS", "Trial", "best_efforts"]

EFFORT_DURATIONS: Final = (150.0, 240.0, 360.0, 540.0, 810.0, 1200.0)
"""Durations searched for best efforts [s]: from 2.5 to 20 min in about equal ratios."""

_MISSING: Final = 0.03
"""An effort with more than this share of its power missing isn't one."""


@dataclass(frozen=True, slots=True)
class Trial:
    """An effort held to the end: mean power [W] over a duration [s].

    `start` is the time into the ride [s], None for an entered trial.
    """

    duration: float
    power: float
    name: str = ""
    start: float | None = None


def best_efforts(rides: Sequence[Ride], durations: Sequence[float] = EFFORT_DURATIONS) -> tuple[Trial, ...]:
    """Find the best effort of each duration across rides, indoors and outdoors alike.

    Parameters
    ----------
    durations : sequence of float
        [s].

    Returns
    -------
    tuple of Trial
        In the order of the durations; one that no ride is long enough for is left out.

    Notes
    -----
    Time runs on through pauses, with no power: an effort isn't longer than it was. The best effort of a
    duration need not have been all-out; `fit_critical_power` names those that plainly weren't.
    """
    grids = [(ride, *_per_second(ride)) for ride in rides if ride.has("power")]
    found = []
    for duration in durations:
        best: Trial | None = None
        for ride, work, missing in grids:
            trial = _best(ride, work, missing, duration)
            if trial is not None and (best is None or trial.power > best.power):
                best = trial
        if best is not None:
            found.append(best)
    return tuple(found)


def _per_second(ride: Ride) -> tuple[FloatArray, FloatArray]:
    """Work and missing seconds up to each whole second, shape (T + 1,)."""
    time = ride.elapsed
    power = short_gaps_filled(time, ride.power)[1:]
    step = np.diff(time)
    known = np.isfinite(power) & (step <= GAP)
    watts = np.where(known, power, 0.0)
    lost = np.where(known, 0.0, step)
    grid = np.arange(0.0, np.floor(time[-1]) + 1.0)
    work = np.interp(grid, time, np.append(0.0, np.cumsum(watts * step)))
    missing = np.interp(grid, time, np.append(0.0, np.cumsum(lost)))
    return work, missing


def _best(ride: Ride, work: FloatArray, missing: FloatArray, duration: float) -> Trial | None:
    k = round(duration)
    if work.size <= k:
        return None
    mean = (work[k:] - work[:-k]) / k
    mean[(missing[k:] - missing[:-k]) > _MISSING * k] = -1.0
    i = int(np.argmax(mean))
    if mean[i] <= 0.0:
        return None
    return Trial(float(k), float(mean[i]), ride.name, float(i))

"""Power in position: what the same heart rate gives in one position against another.

Over steady pieces of a ride (power and heart rate level, no surge before), power is regressed on heart rate,
on time (heart rate drifts up over hours) and on the position. The position's coefficient over the mean power
is the power factor. Heart rate answers to heat, thirst, sleep and nerves as well: the result is used only
where it is tight, and is said with its error; otherwise the rider file's factor stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.rides.fit import CONFIDENCE
from pacer.rides.recording import GAP
from pacer.rides.ride import Ride
from pacer.rides.signals import filled, short_gaps_filled
from pacer.units import FloatArray

__all__ = ["PowerFactor", "power_factor"]

PIECE: Final = 90.0
"""Length of a steady piece [s]: heart rate follows power within about half of it; common practice."""

_LAG: Final = 30.0
"""Heart rate is taken this much later than power [s]; common practice."""

_FEWEST: Final = 8
"""Steady pieces needed in each position."""

_MOST_ERROR: Final = 0.02
"""A factor less sure than this (its `error`) isn't used."""


@dataclass(frozen=True, slots=True)
class PowerFactor:
    """Power in `position` over that in `reference` at the same heart rate.

    Attributes
    ----------
    factor, error : float
        `error` is half a 95 % interval over 1.96; NaN where nothing could be fitted.
    usable : bool
        Whether the data allow its use.
    pieces : tuple of int
        Steady pieces in the reference and in the position.
    reason : str
        Why it isn't usable; empty where it is.
    """

    position: str
    reference: str
    factor: float
    error: float
    usable: bool
    pieces: tuple[int, int]
    reason: str

    @property
    def reach(self) -> float:
        """Half the 95 % interval."""
        return CONFIDENCE * self.error


def power_factor(
    rides: Sequence[tuple[Ride, npt.NDArray[np.int64]]], names: Sequence[str], position: int, reference: int
) -> PowerFactor:
    """Compare power at the same heart rate in two positions.

    Parameters
    ----------
    rides : sequence of (Ride, int array of shape (n - 1,))
        With the position of each step, from `label_positions`.
    names : sequence of str
        Of the positions.
    position, reference : int
        Indices into `names`.
    """
    rows = [row for i, (ride, label) in enumerate(rides) for row in _pieces(ride, label, i)]
    mine = [row for row in rows if row[3] in (position, reference)]
    counts = tuple(sum(row[3] == which for row in mine) for which in (reference, position))
    count = (counts[0], counts[1])

    def verdict(factor: float, error: float, reason: str) -> PowerFactor:
        return PowerFactor(names[position], names[reference], factor, error, not reason, count, reason)

    if min(count) < _FEWEST:
        return verdict(
            float("nan"), float("nan"), f"needs {_FEWEST} steady pieces with heart rate in each position"
        )
    table = np.array(mine)
    factor, error = _regress(table, position, len(rides))
    if not error < _MOST_ERROR:
        return verdict(factor, error, f"not sure enough (± {100.0 * CONFIDENCE * error:.1f} %)")
    if not 0.8 < factor < 1.1:
        return verdict(factor, error, "not believable: other things changed with the position")
    return verdict(factor, error, "")


def _pieces(
    ride: Ride, label: npt.NDArray[np.int64], index: int
) -> list[tuple[float, float, float, int, int]]:
    """Steady pieces: mean power, heart rate, hours into the ride, position, ride."""
    if not ride.has("power") or not ride.has("heart_rate"):
        return []
    time = ride.elapsed
    power = short_gaps_filled(time, ride.power)[1:]
    heart = filled(time, ride.heart_rate)
    step = np.diff(time)
    found = []
    begin = 300.0
    while begin + PIECE + _LAG < time[-1]:
        a, b = np.searchsorted(time[1:], [begin, begin + PIECE])
        inside = slice(int(a), int(b))
        begin += PIECE
        if b - a < 20 or np.any(step[inside] > GAP) or np.any(label[inside] != label[int(a)]):
            continue
        watts, later = power[inside], np.interp(time[1:][inside] + _LAG, time, heart)
        if _steady(watts, later):
            row = float(watts.mean()), float(later.mean()), float(time[int(a)]) / 3600.0
            found.append((*row, int(label[int(a)]), index))
    return found


def _steady(power: FloatArray, heart: FloatArray) -> bool:
    if not np.isfinite(power).all() or float(power.mean()) < 60.0:
        return False
    third = power.size // 3
    halves = abs(float(power[:third].mean()) - float(power[-third:].mean()))
    return halves < 0.12 * float(power.mean()) and float(np.ptp(heart)) < 10.0


def _regress(table: FloatArray, position: int, rides: int) -> tuple[float, float]:
    """Position's effect on power over mean power in the reference, and half its 95 % interval over 1.96."""
    from scipy.stats import t

    power, heart, hours, place, ride = table.T
    columns = [(place == position).astype(float), heart - heart.mean(), hours - hours.mean()]
    columns += [(ride == k).astype(float) for k in range(rides) if np.any(ride == k)]
    design = np.column_stack(columns)
    solution, *_ = np.linalg.lstsq(design, power, rcond=None)
    residual = power - design @ solution
    degrees = max(power.size - np.linalg.matrix_rank(design), 1)
    variance = float(residual @ residual) / degrees
    covariance = variance * np.linalg.pinv(design.T @ design)
    mean = float(power[place != position].mean())
    wide = float(t.ppf(0.975, degrees)) / CONFIDENCE
    return 1.0 + float(solution[0]) / mean, wide * float(np.sqrt(covariance[0, 0])) / mean

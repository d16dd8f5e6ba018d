"""The energy balance of a ride over short windows, with the forces of `pacer.physics.forces`.

Over a window of length d::

    (η ∫P dt - ½ M Δv² - m g Δz) / d - bearings  =  Crr X_roll + A X_air(wind)

The left side is measured, the right side is linear in the rolling-resistance coefficient and the drag area.
What the recorded elevation and speed get wrong at the ends of a window, its neighbour gets wrong the other
way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.physics.forces import bearing_force, rolling_force
from pacer.physics.rider import Setup
from pacer.rides.prepare import Fate, Steps
from pacer.units import GRAVITY, FloatArray

__all__ = ["MOST_WINDOWS", "WINDOW", "Windows", "cut_windows"]

WINDOW: Final = 30.0
"""Length of a window [s]: long against the lag of a barometer, short against the changes of the wind."""

MOST_WINDOWS: Final = 400
"""A long ride gets longer windows instead of more."""

_SHORTEST: Final = 0.6
"""A stretch shorter than this share of a window isn't used."""


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """A ride as N windows.

    Attributes
    ----------
    first, last : int array, shape (N,)
        Steps `first` to `last` - 1 lie in the window.
    middle, duration, length : FloatArray, shape (N,)
        [s] since the start, [s], [m].
    position : int array, shape (N,)
    follows : bool array, shape (N,)
        Whether the window begins where the one before ends.
    force : FloatArray, shape (N,)
        The left side of the balance [N].
    rolling : FloatArray, shape (N,)
        X_roll [N].
    drive : FloatArray, shape (N,)
        The part of `force` that is proportional to power [N].
    per_mass : FloatArray, shape (N,)
        Derivative of `force` by mass [N/kg].
    source : str
        The file, for messages.
    steps : Steps
        Of the whole ride.
    density : FloatArray, shape (n - 1,)
        Of the air at each step [kg/m³].
    """

    first: npt.NDArray[np.int64]
    last: npt.NDArray[np.int64]
    middle: FloatArray
    duration: FloatArray
    length: FloatArray
    position: npt.NDArray[np.int64]
    follows: npt.NDArray[np.bool_]
    force: FloatArray
    rolling: FloatArray
    drive: FloatArray
    per_mass: FloatArray
    steps: Steps
    density: FloatArray
    source: str = ""

    def __len__(self) -> int:
        return int(self.first.size)

    def mean(self, values: FloatArray) -> FloatArray:
        """Mean over the length of each window of a value of each step, shape (N,)."""
        return _differences(values * self.steps.length, self.first, self.last) / self.length

    def rise_if_late(self, lag: float) -> tuple[FloatArray, FloatArray]:
        """Rise that a window gains if the recorded elevation comes `lag` seconds late, and its derivative.

        Returns
        -------
        rise : FloatArray, shape (N,)
            [m].
        by_lag : FloatArray, shape (N,)
            Over 6 s, so that noise at single records doesn't enter [m/s].
        """
        at = self.steps.elevation_at
        gained = at(lag) - self.steps.node_elevation
        climb = (at(lag + 3.0) - at(lag - 3.0)) / 6.0
        return gained[self.last] - gained[self.first], climb[self.last] - climb[self.first]


def cut_windows(
    steps: Steps, density: FloatArray, setup: Setup, window: float | None = None, source: str = ""
) -> Windows:
    """Cut the kept parts of a ride into windows of about equal duration within each stretch.

    Parameters
    ----------
    density : FloatArray, shape (n - 1,)
        Of the air at each step [kg/m³].
    window : float, optional
        [s]; `WINDOW`, or longer for a long ride, when not given.
    """
    kept = steps.fate == Fate.KEPT
    seconds = float(steps.duration[kept].sum())
    wanted = window if window is not None else max(WINDOW, seconds / MOST_WINDOWS)
    first, last, follows = _cut(steps, kept, wanted)
    length = _differences(steps.length, first, last)
    duration = _differences(steps.duration, first, last)
    work = setup.bike.drivetrain_efficiency * _differences(steps.power * steps.duration, first, last)
    squares, heights = steps.node_speed**2, steps.node_elevation
    kinetic = 0.5 * (squares[last] - squares[first])
    # the integral of gravity_force along the road is m g Δz, whatever the grades between
    potential = GRAVITY * (heights[last] - heights[first])
    balance = work - setup.inertial_mass * kinetic - setup.total_mass * potential
    bearings = _differences(bearing_force(steps.speed) * steps.length, first, last)
    rolling = rolling_force(setup.total_mass, 1.0, steps.grade) * steps.length
    end_time = steps.node_time
    return Windows(
        first=first,
        last=last,
        middle=0.5 * (end_time[first] + end_time[last]),
        duration=duration,
        length=length,
        position=steps.position[first],
        follows=follows,
        force=(balance - bearings) / length,
        rolling=_differences(rolling, first, last) / length,
        drive=work / length,
        per_mass=-(kinetic + potential) / length,
        steps=steps,
        density=density,
        source=source,
    )


def _differences(values: FloatArray, first: npt.NDArray[np.int64], last: npt.NDArray[np.int64]) -> FloatArray:
    total = np.append(0.0, np.cumsum(values))
    return np.asarray(total[last] - total[first])


def _cut(
    steps: Steps, kept: npt.NDArray[np.bool_], window: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    breaks = np.flatnonzero(
        np.concatenate(
            ([True], (kept[1:] != kept[:-1]) | (steps.position[1:] != steps.position[:-1]), [True])
        )
    )
    time_to = np.append(0.0, np.cumsum(steps.duration))
    first: list[int] = []
    last: list[int] = []
    follows: list[bool] = []
    for a, b in zip(breaks[:-1].tolist(), breaks[1:].tolist(), strict=True):
        seconds = time_to[b] - time_to[a]
        if not kept[a] or seconds < _SHORTEST * window:
            continue
        parts = max(round(seconds / window), 1)
        edges = np.searchsorted(time_to, time_to[a] + seconds * np.arange(parts + 1) / parts - 1e-6)
        edges = np.unique(np.clip(edges, a, b))
        first += edges[:-1].tolist()
        last += edges[1:].tolist()
        follows += [False] + [True] * (edges.size - 2)
    return np.array(first, np.int64), np.array(last, np.int64), np.array(follows, np.bool_)

"""The profile of the road: as smooth as the noise found in the file asks for, and no smoother."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pacer.course.smooth import Samples, box_mean
from pacer.course.track import Change
from pacer.units import FloatArray

__all__ = ["Profile", "smooth_profile"]

_STEP: Final = 5.0
_ROUGHEST: Final = 1.0e-5
"""Largest power density of the change of grade: 3 % of grade in 100 m (a choice) [1/m]."""

_SMOOTHEST: Final = 1.0e-8
_LEAST_NOISE: Final = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """A smoothed profile on a regular grid of plan distance.

    Attributes
    ----------
    s, z : FloatArray, shape (g,)
        [m]
    noise : float
        Standard deviation of the recorded elevation about it [m].
    """

    s: FloatArray
    z: FloatArray
    noise: float


def smooth_profile(s: FloatArray, z: FloatArray, length: float, changes: list[Change]) -> Profile:
    """Smooth recorded elevation along the plan distance.

    The road is modelled as a grade that wanders like a random walk, the recording as the road plus noise; how
    much each varies is what makes the recording most likely (restricted likelihood). Elevation that leaps off
    the line counts little.

    Parameters
    ----------
    s : FloatArray, shape (k,)
        Plan distance of the samples, from 0 to `length` [m].
    z : FloatArray, shape (k,)
        Recorded elevation [m].
    length : float
        [m]
    changes : list of Change
        Added to.

    Returns
    -------
    Profile
    """
    step = min(_STEP, length / 8.0)
    at, values, weights = _untie(s, z)
    at = np.append(at, length) if at[-1] < length else at
    if at.size > values.size:
        values, weights = np.append(values, values[-1]), np.append(weights, 1e-6)
    samples = Samples(at, step)
    noise, density = _estimate(samples, values, weights)
    flat = np.full(samples.count - 2, 1.0 / density)
    robust = np.ones(values.size)
    curve = samples.smooth(values, weights / noise**2, flat)
    for _ in range(6):
        off = np.abs(values - samples.at_samples(curve)) * np.sqrt(weights) / noise
        robust = np.where(off < 3.0, 1.0, 3.0 / np.maximum(off, 3.0)) ** 2
        bend = np.diff(curve, 2) / step**2
        power = box_mean(bend**2, max(round(30.0 / step), 1)) * step
        local = np.clip(0.25 * density + 0.75 * power, 0.02 * density, 4.0 * density)
        curve = samples.smooth(values, robust * weights / noise**2, 1.0 / local)
    residual = values - samples.at_samples(curve)
    spread = float(np.sqrt(np.average(residual**2, weights=robust * weights)))
    return Profile(np.arange(samples.count, dtype=np.float64) * step, curve, spread)


def _untie(s: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Replace the plateaus of rounded elevation by the places where it changes, which are nearly exact."""
    quantum = _quantum(z)
    if quantum < 0.25:
        return s, z, np.ones(s.size)
    change = np.flatnonzero(np.abs(np.diff(z)) > 0.5 * quantum)
    if change.size < 3:
        return s, z, np.ones(s.size)
    at = 0.5 * (s[change] + s[change + 1])
    values = 0.5 * (z[change] + z[change + 1])
    weights = np.ones(at.size)
    # A plateau that is a summit or a hollow says where its middle is, less exactly.
    rising = np.sign(z[change + 1] - z[change])
    turning = np.flatnonzero(rising[1:] != rising[:-1])
    middle_at, middle = 0.5 * (at[turning] + at[turning + 1]), z[change[turning] + 1]
    at = np.concatenate(([s[0]], at, middle_at, [s[-1]]))
    values = np.concatenate(([z[0]], values, middle, [z[-1]]))
    weights = np.concatenate(([0.5], weights, np.full(turning.size, 0.5), [0.5]))
    order = np.argsort(at, kind="stable")
    return at[order] - at[order][0], values[order], weights[order]


def _quantum(z: FloatArray) -> float:
    """Step in which the elevation was rounded [m]; 0 where it wasn't."""
    levels = np.unique(np.round(z, 3))
    if levels.size < 3:
        return 0.0
    quantum = float(np.min(np.diff(levels)))
    multiple = (levels - levels[0]) / quantum
    return quantum if bool(np.all(np.abs(multiple - np.round(multiple)) < 0.02)) else 0.0


def _estimate(samples: Samples, values: FloatArray, weights: FloatArray) -> tuple[float, float]:
    """Noise and power density of the change of grade under which the samples are most likely."""
    count = samples.count - 2
    noises = np.geomspace(_LEAST_NOISE, 6.0, 8)
    densities = np.geomspace(_SMOOTHEST, _ROUGHEST, 5)
    # Up to 200 km of the course are enough to know its noise.
    best, found = -np.inf, (noises[0], densities[-1])
    for noise in noises:
        for density in densities:
            evidence = samples.log_evidence(values, weights / noise**2, np.full(count, 1.0 / density))
            if evidence > best:
                best, found = evidence, (noise, density)
    return float(found[0]), float(found[1])

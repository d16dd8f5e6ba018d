"""The profile of the road: as smooth as the noise found in the file asks for, and no smoother."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pacer.course.smooth import Jitter, Samples, box_mean
from pacer.course.track import Change
from pacer.errors import CourseError
from pacer.units import FloatArray

__all__ = ["Profile", "smooth_profile", "total_climb"]

_STEP: Final = 5.0
_ROUGHEST: Final = 2.5e-5
"""Largest power density of the change of grade: 5 % of grade in 100 m (a choice) [1/m]."""

_SMOOTHEST: Final = 1.0e-8
_LEAST_NOISE: Final = 0.1
_MOST_NOISE: Final = 6.0
_ENOUGH_M: Final = 15_000.0
_JITTER_M: Final = 60.0
_JITTER_SIZES: Final = (0.3, 0.6, 1.2, 2.4)
_JITTER_PROOF: Final = 30.0
"""Correlated noise is believed in if it raises the log likelihood by this (trial: true ones by 60 to 400)."""

_COARSE_QUANTUM: Final = 0.25
"""Elevation rounded more finely than this is taken as it stands [m]."""

_FLICKER: Final = 0.2
_PLATEAU_M: Final = 40.0
_STEEPEST: Final = 0.3
"""Steeper than the steepest streets that traffic uses, by little (common practice, no source)."""

_STEEP_SHARE: Final = 0.01
_ROUNDS: Final = 6
_LOCAL_M: Final = 30.0
_BASE: Final = 0.1
_FREEDOM: Final = 2.0
_MOST_FREE: Final = 20.0
_TWICING: Final = 0.7
"""These five were chosen by trial on courses of known grade; see docs/explanation/course.md."""


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


def smooth_profile(
    s: FloatArray, z: FloatArray, length: float, changes: list[Change], source: str = ""
) -> Profile:
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
    source : str
        Name of the file, for messages.

    Returns
    -------
    Profile

    Raises
    ------
    CourseError
        If much of the course is steeper than any road.
    """
    step = min(_STEP, length / 8.0)
    data = _untie(s, z)
    if data.at[-1] < length:
        data = data.reach(length)
    samples = Samples(data.at, step)
    noise = _estimate(data)
    curve, weights, local = _fit(samples, data, noise)
    # Smoothing flattens crests and dips; smoothing what it left over and adding that puts most of it back.
    left_over = np.where(data.half > 0.0, 0.0, data.z - samples.at_samples(curve))
    curve = curve + _TWICING * samples.smooth(left_over, weights, 1.0 / local, noise.jitter)
    exact = data.half == 0.0
    residual = (data.z - samples.at_samples(curve))[exact]
    spread = float(np.sqrt(np.average(residual**2, weights=weights[exact])))
    grid = np.arange(samples.count, dtype=np.float64) * step
    return Profile(grid, _cap_grade(grid, curve, source, changes), spread)


def total_climb(z: FloatArray, ignore: float = 0.0) -> float:
    """Add up the ascents between the hollows and the summits of a profile.

    Parameters
    ----------
    z : FloatArray, shape (k,)
        [m]
    ignore : float
        A fall or rise smaller than this between two others doesn't count [m].

    Returns
    -------
    float
        [m]
    """
    turning = np.flatnonzero(np.diff(np.sign(np.diff(z))) != 0.0) + 1
    total, low, high = 0.0, float(z[0]), float(z[0])
    for height in (*z[turning].tolist(), float(z[-1])):
        high = max(high, height)
        if height < high - ignore:
            total += high - low if high - low > ignore else 0.0
            low = high = height
        elif height < low:
            low = high = height
    return total + (high - low if high - low > ignore else 0.0)


def _cap_grade(s: FloatArray, z: FloatArray, source: str, changes: list[Change]) -> FloatArray:
    """Flatten what is still steeper than any road; refuse a course that is so for long."""
    step = np.diff(s)
    grade = np.diff(z) / step
    over = np.abs(grade) > _STEEPEST
    if not np.any(over):
        return z
    long = float(np.sum(step[over]))
    first, last = float(s[:-1][over][0]), float(s[1:][over][-1])
    worst = 100.0 * float(grade[np.argmax(np.abs(grade))])
    if long > max(_STEEP_SHARE * float(s[-1]), 100.0):
        raise CourseError(
            f"{long / 1e3:.1f} km of the course are steeper than {100.0 * _STEEPEST:.0f} %, as no road is",
            where=f"{source}, km {first / 1000.0:.1f}",
            found=f"up to {worst:.0f} %",
            do="correct the elevation, or plan without climbs by --flat",
        )
    what = f"grades beyond {100.0 * _STEEPEST:.0f} % were cut to that"
    changes.append(Change(what, first, last, worst, "%", loud=True))
    capped = np.clip(grade, -_STEEPEST, _STEEPEST)
    return np.concatenate((z[:1], z[0] + np.cumsum(capped * step)))


@dataclass(frozen=True, slots=True, eq=False)
class _Data:
    """Samples of elevation: `z` with relative weight, or, if `half` is positive, anything that near it."""

    at: FloatArray
    z: FloatArray
    weight: FloatArray
    half: FloatArray

    def reach(self, length: float) -> _Data:
        """Add a faint sample at the end."""
        return _Data(
            np.append(self.at, length),
            np.append(self.z, self.z[-1]),
            np.append(self.weight, 1e-6),
            np.append(self.half, 0.0),
        )


def _fit(samples: Samples, data: _Data, noise: _Noise) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Smooth by reweighting: leaps count little, and grade may change more where it is seen to change.

    Returns the curve, the weights of the samples and the local power density.
    """
    density = noise.density
    local = np.full(samples.count - 2, density)
    full = data.weight / noise.white**2
    spread = noise.white if noise.jitter is None else float(np.hypot(noise.white, noise.jitter.size))
    weights, target = np.where(data.half > 0.0, 0.0, full), data.z
    curve = samples.smooth(target, weights, 1.0 / local, noise.jitter)
    pull = np.zeros(data.z.size)
    half_window = max(round(0.5 * _LOCAL_M / samples.step), 1)
    for _ in range(_ROUNDS):
        off = data.z - samples.at_samples(curve)
        size = np.abs(off) * np.sqrt(data.weight) / spread
        robust = (3.0 / np.maximum(size, 3.0)) ** 2
        # A rounded height says only between which two the road lies: it pulls once the curve is outside.
        pull = np.where(np.abs(off) > data.half + spread, np.sign(off), pull)
        weights = np.where(data.half > 0.0, np.abs(pull) * full, robust * full)
        target = data.z - pull * data.half
        bend = np.diff(curve, 2) / samples.step**2
        power = box_mean(box_mean(bend**2, half_window), half_window) * samples.step
        local = np.clip(_BASE * density + _FREEDOM * power, _BASE * density, _MOST_FREE * density)
        curve = samples.smooth(target, weights, 1.0 / local, noise.jitter)
    return curve, weights, local


def _untie(s: FloatArray, z: FloatArray) -> _Data:
    """Replace the plateaus of rounded elevation by the places where it changes, which are nearly exact."""
    quantum = _quantum(z)
    change = np.flatnonzero(np.abs(np.diff(z)) > 0.5 * quantum)
    if quantum < _COARSE_QUANTUM or change.size < 3:
        return _Data(s, z, np.ones(s.size), np.zeros(s.size))
    at = 0.5 * (s[change] + s[change + 1])
    values = 0.5 * (z[change] + z[change + 1])
    # A plateau that is a summit or a hollow says where its middle is, less exactly.
    rising = np.sign(z[change + 1] - z[change])
    turning = np.flatnonzero(rising[1:] != rising[:-1])
    if np.sum(np.diff(change)[turning] <= 3) > _FLICKER * change.size:
        # Heights that flicker between two steps hold noise of their own: their mean tells more than edges.
        return _Data(s, z, np.ones(s.size), np.zeros(s.size))
    middle_at, middle = 0.5 * (at[turning] + at[turning + 1]), z[change[turning] + 1]
    # Within a long plateau, away from its ends, the road stays within half a step of it.
    later = np.minimum(np.searchsorted(at, s), at.size - 1)
    inner = np.minimum(np.abs(at[later] - s), np.abs(at[np.maximum(later - 1, 0)] - s)) > _PLATEAU_M
    inner[[0, -1]] = False
    at = np.concatenate((s[:1], at, middle_at, s[inner], s[-1:]))
    values = np.concatenate((z[:1], values, middle, z[inner], z[-1:]))
    weight = np.concatenate(
        ([0.5], np.ones(change.size), np.full(turning.size, 0.5), np.ones(int(inner.sum())), [0.5])
    )
    half = np.zeros(at.size)
    half[1 + change.size + turning.size : -1] = 0.5 * quantum
    order = np.argsort(at, kind="stable")
    return _Data(at[order] - at[order][0], values[order], weight[order], half[order])


def _quantum(z: FloatArray) -> float:
    """Step in which the elevation was rounded [m]; 0 where it wasn't."""
    levels = np.unique(np.round(z, 3))
    if levels.size < 3:
        return 0.0
    quantum = float(np.min(np.diff(levels)))
    multiple = (levels - levels[0]) / quantum
    return quantum if bool(np.all(np.abs(multiple - np.round(multiple)) < 0.02)) else 0.0


@dataclass(frozen=True, slots=True)
class _Noise:
    """White noise [m], correlated noise, and power density of the change of grade [1/m]."""

    white: float
    density: float
    jitter: Jitter | None = None


def _estimate(data: _Data) -> _Noise:
    """Noise and roughness under which the samples are most likely, by a search on a grid.

    The middle 30 km are enough; a coarser grid of the road than the final one is, too.
    """
    middle = 0.5 * data.at[-1]
    part = (np.abs(data.at - middle) <= _ENOUGH_M) & (data.half == 0.0)
    at, z, weight = data.at[part], data.z[part], data.weight[part]
    if at.size < 8:
        return _Noise(_LEAST_NOISE, _ROUGHEST)
    at, z = at - at[0], z - np.mean(z)
    samples = Samples(at, min(2.0 * _STEP, at[-1] / 8.0))

    def evidence(noise: _Noise) -> float:
        stiffness = np.full(samples.count - 2, 1.0 / noise.density)
        return samples.log_evidence(z, weight / noise.white**2, stiffness, noise.jitter)

    densities = np.geomspace(_SMOOTHEST, _ROUGHEST, 6)
    whites = np.geomspace(_LEAST_NOISE, _MOST_NOISE, 8)
    best = max((_Noise(w, d) for w in whites for d in densities), key=evidence)
    jittery = [
        _Noise(w, d, Jitter(size, _JITTER_M))
        for size in _JITTER_SIZES
        for w in (best.white, max(0.6 * best.white, _LEAST_NOISE))
        for d in densities
        if d <= best.density
    ]
    other = max(jittery, key=evidence)
    return other if evidence(other) > evidence(best) + _JITTER_PROOF else best

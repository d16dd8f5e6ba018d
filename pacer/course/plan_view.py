"""The line of the road on the map: smoothed so that noise makes no bends and smoothing straightens none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.sidesteps import REACH_M, sidesteps
from pacer.course.smooth import Samples, box_mean
from pacer.units import FloatArray, signed_angle

__all__ = ["DRAWN_M", "Line", "position_noise", "smooth_line"]

_STEP: Final = 2.5
_MOST_NODES: Final = 300_000
_STRAIGHT: Final = 1.2e-5
"""Power density of curvature on a straight road: its heading strays 2° in 100 m (a choice) [1/m]."""

_REACH_M: Final = 30.0
"""A bend frees the line this far to both sides (chosen by trial on known courses) [m]."""

_ROUNDS: Final = 10
_MOST_BOOST: Final = 32.0
_MISFIT_M: Final = 20.0
_USUAL_M: Final = 500.0
_MISFIT_POINTS: Final = 4
_MISFIT: Final = 4.0
_BENT: Final = 1.0 / 150.0
"""Where points lie farther off the line than usual around by this, in mean square, it must bend more; a few
points prove so much only where it bends already, by more than this [1/m] (choices, by trial)."""

_SETTLED: Final = 2
_SIDESTEP: Final = 0.1
"""Density of curvature where the road steps aside and back, once the line has settled (a choice) [1/m]."""

_LEAST_NOISE: Final = 0.3
_MOST_NOISE: Final = 6.0
DRAWN_M: Final = 15.0
_DRAWN_NOISE: Final = 1.0
"""Points farther apart than 15 m are drawn on a map, and lie this near to the road (common practice) [m]."""


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """The smoothed line.

    Attributes
    ----------
    xy : FloatArray, shape (g, 2)
        Its points in the plane [m].
    s : FloatArray, shape (g,)
        Length along it [m].
    heading : FloatArray, shape (g - 1,)
        Of each step, unwrapped, 0 north, clockwise [rad].
    turn : FloatArray, shape (g,)
        Change of heading at each point, positive to the right [rad].
    samples : FloatArray, shape (k,)
        Length along it at which each sample stands [m].
    off : FloatArray, shape (k,)
        Distance of each sample from it, positive to the right [m].
    noise : float
        Estimated standard deviation of the samples' position, each way [m].
    sidestep : bool array, shape (g,)
        Where the points prove that the road steps aside and back.
    """

    xy: FloatArray
    s: FloatArray
    heading: FloatArray
    turn: FloatArray
    samples: FloatArray
    off: FloatArray
    noise: float
    sidestep: npt.NDArray[np.bool_]


def position_noise(xy: FloatArray) -> float:
    """Estimate the noise of positions from how far each point stands off the chord of its neighbours.

    The lower half of the deviations counts, for the upper one holds the corners.

    Parameters
    ----------
    xy : FloatArray, shape (k, 2)
        [m]

    Returns
    -------
    float
        Standard deviation each way [m].
    """
    if xy.shape[0] < 12:
        return _LEAST_NOISE
    before, after = np.diff(xy[:-1], axis=0), np.diff(xy[1:], axis=0)
    long_before, long_after = np.hypot(*before.T), np.hypot(*after.T)
    chord = before + after
    length = np.maximum(np.hypot(*chord.T), 1e-6)
    off = np.abs(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]) / length
    share = long_before / (long_before + long_after)
    scale = np.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
    usable = length > 0.5 * (long_before + long_after)
    if np.sum(usable) < 10:
        return _LEAST_NOISE
    # For a normal variable the 30th percentile of the absolute value is 0.385 standard deviations.
    return float(np.percentile((off / scale)[usable], 30.0) / 0.385)


def smooth_line(xy: FloatArray) -> Line:
    """Smooth the points of a road.

    A curve whose second derivative is penalised, the less the more it bends already (a heavy-tailed prior on
    curvature, solved by reweighting), so that straights are stiff and corners free; free as well where the
    points step aside and back, as at a roundabout ridden straight over.

    Parameters
    ----------
    xy : FloatArray, shape (k, 2)
        [m]

    Returns
    -------
    Line
    """
    steps = np.hypot(*np.diff(xy, axis=0).T)
    along = np.concatenate(([0.0], np.cumsum(steps)))
    samples = Samples(along, min(max(_STEP, along[-1] / _MOST_NODES), along[-1] / 8.0))
    usual = float(np.median(steps))
    drawn = usual >= DRAWN_M
    most = _DRAWN_NOISE if drawn else min(_MOST_NOISE, 0.5 * usual + 0.3)
    noise = float(np.clip(position_noise(xy), _LEAST_NOISE, most))
    weights = np.full(along.size, 1.0 / noise**2)
    weights[[0, -1]] *= 4.0
    stiff = _Stiffness(samples, noise, drawn=drawn)
    curve = samples.smooth(xy, weights, 1.0 / stiff.density)
    for k in range(_ROUNDS):
        stiff.follow(xy, curve, settled=k >= _SETTLED)
        curve = samples.smooth(xy, weights, 1.0 / stiff.density)
    return _measure(curve, samples, _distance_off(xy, curve, samples), noise, stiff.sidestep)


class _Stiffness:
    """How freely the line may bend at each inner node of the grid, found in rounds from the line itself."""

    def __init__(self, samples: Samples, noise: float, *, drawn: bool) -> None:
        self.samples, self.noise, self.drawn = samples, noise, drawn
        self.density = np.full(samples.count - 2, _STRAIGHT)
        self.boost = np.ones(samples.count - 2)
        self.sidestep = np.zeros(samples.count, dtype=bool)

    def follow(self, xy: FloatArray, curve: FloatArray, *, settled: bool) -> None:
        """Set the density by how the line bends and by the points that lie beside it."""
        step = self.samples.step
        bend = np.hypot(*(np.diff(curve, 2, axis=0) / step**2).T)
        half = max(round(_REACH_M / step), 2)
        self.density = _STRAIGHT + box_mean(box_mean(bend**2, half // 2), half - half // 2) * step
        # A few points prove nothing: where they are drawn far apart the line may pass them by.
        if self.drawn:
            return
        off = _distance_off(xy, curve, self.samples)
        odd = self._odd(off) & _within(bend > _BENT, round(_MISFIT_M / step))
        self.boost = np.where(odd, np.minimum(self.boost * 4.0, _MOST_BOOST), self.boost)
        if settled:
            self.sidestep |= sidesteps(off, self.noise, self.samples, _STRAIGHT)
        free = _within(self.sidestep, round(REACH_M / step))[1:-1]
        self.density = np.maximum(self.density * self.boost, np.where(free, _SIDESTEP, 0.0))

    def _odd(self, off: FloatArray) -> npt.NDArray[np.bool_]:
        """Whether points lie farther off around each inner node, in mean square, than is usual there."""
        samples = self.samples
        half = max(round(_MISFIT_M / samples.step), 1)
        total, count = samples.on_grid((off / self.noise) ** 2), samples.on_grid(np.ones(off.size))
        around = box_mean(count, half)
        enough = around * (2 * half + 1) >= _MISFIT_POINTS
        misfit = np.where(enough, box_mean(total, half) / np.maximum(around, 1e-9), 0.0)[1:-1]
        usual = box_mean(np.minimum(misfit, 2.0 * _MISFIT), round(_USUAL_M / samples.step))
        floor = max(float(np.percentile(misfit, 75.0)), 1.0)
        return np.asarray(misfit > _MISFIT * np.maximum(usual, floor))


def _within(here: npt.NDArray[np.bool_], half: int) -> npt.NDArray[np.bool_]:
    """Nodes with one of these within so many."""
    return np.asarray(box_mean(here.astype(np.float64), half) > 0.0)


def _distance_off(xy: FloatArray, curve: FloatArray, samples: Samples) -> FloatArray:
    """Distance of the points from the line, positive to the right [m]."""
    along = samples.at_samples(np.gradient(curve, axis=0))
    along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    off = xy - samples.at_samples(curve)
    return np.asarray(off[:, 0] * along[:, 1] - off[:, 1] * along[:, 0])


def _measure(
    curve: FloatArray, samples: Samples, off: FloatArray, noise: float, sidestep: npt.NDArray[np.bool_]
) -> Line:
    step = np.hypot(*np.diff(curve, axis=0).T)
    s_all = np.concatenate(([0.0], np.cumsum(step)))
    at = samples.at_samples(s_all)
    # Points that crowd together, as where the line doubles back, have no heading.
    slot = np.floor(s_all / (0.4 * samples.step)).astype(np.int64)
    keep = np.concatenate(([True], slot[1:] != slot[:-1]))
    keep[-1] = True
    xy, s = curve[keep], s_all[keep]
    east, north = np.diff(xy, axis=0).T
    heading = np.arctan2(east, north)
    turn = np.concatenate(([0.0], signed_angle(np.diff(heading)), [0.0]))
    unwrapped = heading[0] + np.concatenate(([0.0], np.cumsum(turn[1:-1])))
    return Line(xy, s, unwrapped, turn, at, off, noise, sidestep[keep])

"""Fit straight, arc, straight to the points around corners, all corners at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.radii import TIGHTER, WIDER, expected_radius, tightest_radius
from pacer.units import FloatArray

__all__ = ["ArcFit", "fit_arcs"]

_MOST_POINTS: Final = 48
_ROUNDS: Final = 15
_FEWER_ROUNDS: Final = 7
_PRIOR: Final = np.array([3.0, 3.0, 0.35, 0.35, 0.8])
"""How far the fit may stray from the first guess: apex [m], [m], heading [rad], turn [rad], ln radius."""

_HELD: Final = np.array([3.0, 3.0, 0.35, 0.35, 1e-3])
"""The same where the radius is given."""

_PINNED: Final = 0.8
"""A radius is pinned down if the points refute one 20 % smaller (a choice)."""

_HOPELESS: Final = 2.5
"""Standard deviations at which further radii need no trial."""

_STEPS: Final = np.array([1e-4, 1e-4, 1e-6, 1e-6, 1e-6])


@dataclass(frozen=True, slots=True, eq=False)
class ArcFit:
    """What the points say of each corner, arrays of shape (m,).

    Attributes
    ----------
    radius : FloatArray
        The one to expect, by the points and by what roads are like [m].
    turn : FloatArray
        Positive to the right [rad].
    tightest : FloatArray
        The smallest that the points don't refute; 0 where they refute none [m].
    misfit : FloatArray
        Root mean square distance of the points from the fit over their noise.
    """

    radius: FloatArray
    turn: FloatArray
    tightest: FloatArray
    misfit: FloatArray


def fit_arcs(
    points: FloatArray,
    first: npt.NDArray[np.int64],
    last: npt.NDArray[np.int64],
    guess: FloatArray,
    noise: FloatArray,
) -> ArcFit:
    """Fit each corner by least squares of the distances of its points.

    Parameters
    ----------
    points : FloatArray, shape (k, 2)
        East and north [m].
    first, last : int arrays, shape (m,)
        Points of each corner and its legs, `last` included.
    guess : FloatArray, shape (m, 5)
        East and north of the apex [m], heading there [rad], turn [rad], radius [m].
    noise : FloatArray, shape (m,)
        Standard deviation of the points around each corner, each way [m].

    Returns
    -------
    ArcFit
    """
    count = first.size
    if count == 0:
        empty = np.zeros(0)
        return ArcFit(empty, empty, empty, empty)
    data, known = _windows(points, first, last)
    hand = np.sign(guess[:, 3])
    start = np.column_stack((guess[:, :3], np.abs(guess[:, 3]), np.log(guess[:, 4])))
    weight = known / noise[:, None]
    best, misfit = _least_squares(start, start, _PRIOR, data, weight, hand)
    radius = np.exp(best[:, 4])
    tighter = _profile(TIGHTER, best, misfit, start, data, weight, hand)
    tightest = tightest_radius(radius, tighter)
    # Where the points pin a radius down, wider ones fit as much worse as tighter ones.
    wider, open_ = tighter[:, : WIDER.size].copy(), tightest < _PINNED * radius
    wider[open_] = _profile(WIDER, *(x[open_] for x in (best, misfit, start, data, weight, hand)))
    return ArcFit(
        radius=expected_radius(radius, best[:, 3], tighter, wider),
        turn=hand * best[:, 3],
        tightest=tightest,
        misfit=np.sqrt(misfit / np.maximum(known.sum(axis=1), 1.0)),
    )


def _profile(
    steps: FloatArray,
    best: FloatArray,
    misfit: FloatArray,
    start: FloatArray,
    data: FloatArray,
    weight: FloatArray,
    hand: FloatArray,
) -> FloatArray:
    """Hold one radius after the other and fit the rest: standard deviations worse, shape (m, steps)."""
    worse = np.full((misfit.size, steps.size), np.inf)
    state, most = best.copy(), np.zeros(misfit.size)
    open_ = np.arange(misfit.size)
    for k, step in enumerate(steps):
        trial = state[open_]
        trial[:, 4] = best[open_, 4] + step
        centre = np.column_stack((start[open_, :4], trial[:, 4]))
        state[open_], cost = _least_squares(
            trial, centre, _HELD, data[open_], weight[open_], hand[open_], _FEWER_ROUNDS
        )
        most[open_] = np.maximum(np.sqrt(np.maximum(cost - misfit[open_], 0.0)), most[open_])
        worse[open_, k] = most[open_]
        open_ = open_[most[open_] < _HOPELESS]
        if open_.size == 0:
            break
    return worse


def _least_squares(
    state: FloatArray,
    centre: FloatArray,
    prior: FloatArray,
    data: FloatArray,
    weight: FloatArray,
    hand: FloatArray,
    rounds: int = _ROUNDS,
) -> tuple[FloatArray, FloatArray]:
    """Levenberg–Marquardt for all corners at once; returns states and sums of squares of the distances."""
    count = state.shape[0]
    damping = np.full(count, 1e-2)
    value = _distances(state, data, hand) * weight
    cost = _cost(value, state, centre, prior)
    for _ in range(rounds):
        slope = np.stack(
            [
                (_distances(state + step, data, hand) * weight - value) / step.sum()
                for step in np.diag(_STEPS)
            ],
            axis=2,
        )
        normal = np.einsum("mpi,mpj->mij", slope, slope) + np.diag(1.0 / prior**2)
        force = np.einsum("mpi,mp->mi", slope, value) + (state - centre) / prior**2
        damped = normal + damping[:, None, None] * np.einsum("mii->mi", normal)[:, :, None] * np.eye(5)
        trial = state - np.linalg.solve(damped, force[:, :, None])[:, :, 0]
        trial[:, 3] = np.clip(trial[:, 3], 0.02, 5.5)
        trial[:, 4] = np.clip(trial[:, 4], 0.0, np.log(2000.0))
        trial_value = _distances(trial, data, hand) * weight
        trial_cost = _cost(trial_value, trial, centre, prior)
        better = trial_cost < cost
        state = np.where(better[:, None], trial, state)
        value = np.where(better[:, None], trial_value, value)
        cost = np.where(better, trial_cost, cost)
        damping = np.where(better, damping * 0.3, damping * 4.0)
    return state, np.asarray(np.sum(value**2, axis=1))


def _windows(
    points: FloatArray, first: npt.NDArray[np.int64], last: npt.NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Points of each corner, thinned to at most 48, shape (m, p, 2), and 1 where there is one."""
    size = last - first + 1
    width = int(min(size.max(), _MOST_POINTS))
    slot = np.arange(width)
    stretch = np.where(size > width, (size - 1) / max(width - 1, 1), 1.0)
    index = first[:, None] + np.round(slot[None, :] * stretch[:, None]).astype(np.int64)
    known = (index <= last[:, None]).astype(np.float64)
    return points[np.minimum(index, last[:, None])], known


def _distances(state: FloatArray, data: FloatArray, hand: FloatArray) -> FloatArray:
    """Signed distance of the points from straight, arc, straight, shape (m, p)."""
    heading, half, radius = state[:, 2], 0.5 * state[:, 3], np.exp(state[:, 4])
    east = data[:, :, 0] - state[:, 0, None]
    north = data[:, :, 1] - state[:, 1, None]
    sine, cosine = np.sin(heading)[:, None], np.cos(heading)[:, None]
    along = np.abs(east * sine + north * cosine)
    inward = (east * cosine - north * sine) * hand[:, None]
    to_centre = radius[:, None] - inward
    angle = np.arctan2(along, to_centre)
    on_arc = radius[:, None] - np.hypot(along, to_centre)
    sine, cosine = np.sin(half)[:, None], np.cos(half)[:, None]
    on_leg = (inward - radius[:, None] * (1.0 - cosine)) * cosine - (along - radius[:, None] * sine) * sine
    return np.where(angle <= half[:, None], on_arc, on_leg)


def _cost(value: FloatArray, state: FloatArray, centre: FloatArray, prior: FloatArray) -> FloatArray:
    return np.asarray(np.sum(value**2, axis=1) + np.sum(((state - centre) / prior) ** 2, axis=1))

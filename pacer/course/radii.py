"""What is known of a corner's radius: the tightest that points allow, and the one to expect."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.units import FloatArray

__all__ = [
    "DEAD_TURN",
    "TIGHTER",
    "TIGHTEST",
    "TRIED",
    "WIDER",
    "WIDTHS",
    "assumed_radius",
    "expected_radius",
    "least_radius",
    "tightest_radius",
]

TIGHTER: Final = -np.array([0.06, 0.15, 0.3, 0.5, 0.8, 1.2, 1.7, 2.3])
WIDER: Final = -TIGHTER[:6]
TRIED: Final = np.concatenate((TIGHTER[::-1], [0.0], WIDER))
WIDTHS: Final = 0.5 * (np.diff(TRIED, prepend=TRIED[0]) + np.diff(TRIED, append=TRIED[-1]))
"""How much tighter and wider radii than the best are tried, in ln radius, the tightest a tenth; all of them
in order, and what each stands for in a sum over them."""

DEAD_TURN: Final = math.radians(150.0)
_STREET_M: Final = 6.0
"""Radius of a rider's line round a street corner (common practice, no source) [m]."""

TIGHTEST: Final = 3.0
"""Radius of a turn about within one road, the tightest ridden (common practice, no source) [m]."""

_FREE_LANE_M: Final = 1.5
"""Width of the own lane that a rider can use to round a kink off (a choice, no source) [m]."""

_REFUTED: Final = 1.28
"""A radius is refuted if its best fit is this many standard deviations worse: right nine times in ten."""

_TURNS: Final = np.radians([40.0, 80.0])
_LENGTHS: Final = np.array([3.8, 3.4])
_SPREAD: Final = 0.95
"""Riders' lines through corners of up to 40° are about 45 m long, through those of 80° or more 30 m: ln of it
and its standard deviation. From the corners of eight real rides, between those that are measured, which are
longer, and all by their likelihood, among which noise passes for short ones (docs/explanation/course.md)."""

_NEEDLESS: Final = 0.4
"""Lines tighter than the lane makes needful are the less likely the tighter, in ln radius (a choice)."""


def assumed_radius(turn: npt.ArrayLike) -> FloatArray:
    """Radius of a kink that points don't resolve.

    A rider rounds it off within the free width w of the own lane: R (sec(turn/2) − 1) = w. Never below 3 m on
    a turn about, 6 m otherwise.

    Parameters
    ----------
    turn : array_like
        [rad]

    Returns
    -------
    FloatArray, of the same shape
        [m]
    """
    half = 0.5 * np.minimum(np.abs(turn), DEAD_TURN)
    return np.maximum(_FREE_LANE_M / np.maximum(1.0 / np.cos(half) - 1.0, 1e-9), least_radius(turn))


def least_radius(turn: npt.ArrayLike) -> FloatArray:
    """Tightest line that riders take: 3 m on a turn about, 6 m otherwise.

    Parameters
    ----------
    turn : array_like
        [rad]

    Returns
    -------
    FloatArray, of the same shape
        [m]
    """
    return np.where(np.abs(turn) >= DEAD_TURN, TIGHTEST, _STREET_M)


def tightest_radius(best: FloatArray, worse: FloatArray) -> FloatArray:
    """Find the smallest radius that the points don't refute, the lower end of a one-sided interval of 90 %.

    Parameters
    ----------
    best : FloatArray, shape (m,)
        [m]
    worse : FloatArray, shape (m, 8)
        Standard deviations by which the radii of `TIGHTER` fit worse, not falling.

    Returns
    -------
    FloatArray, shape (m,)
        [m]; 0 where they refute none.
    """
    steps = np.concatenate(([0.0], TIGHTER))
    profile = np.column_stack((np.zeros(best.size), worse))
    after = np.argmax(profile >= _REFUTED, axis=1)
    refuted = after > 0
    after = np.maximum(after, 1)
    low, high = (np.take_along_axis(profile, k[:, None], axis=1)[:, 0] for k in (after - 1, after))
    share = (_REFUTED - low) / np.maximum(np.minimum(high, 1e6) - low, 1e-9)
    at = steps[after - 1] + share * (steps[after] - steps[after - 1])
    return np.where(refuted, best * np.exp(at), 0.0)


def expected_radius(best: FloatArray, turn: FloatArray, tighter: FloatArray, wider: FloatArray) -> FloatArray:
    """Weigh radii by what the points say and by how long corners are on real roads.

    Parameters
    ----------
    best : FloatArray, shape (m,)
        The radius that fits the points best [m].
    turn : FloatArray, shape (m,)
        Its turn, positive [rad].
    tighter, wider : FloatArray, shape (m, 8) and (m, 6)
        Standard deviations by which the radii of `TIGHTER` and `WIDER` fit worse.

    Returns
    -------
    FloatArray, shape (m,)
        Exponential of the mean of ln radius [m].
    """
    worse = np.column_stack((tighter[:, ::-1], np.zeros(best.size), wider))
    ln_radius = np.log(best)[:, None] + TRIED
    usual = np.interp(turn, _TURNS, _LENGTHS) - np.log(turn)
    unlike = worse**2 + ((ln_radius - usual[:, None]) / _SPREAD) ** 2
    needless = np.maximum(np.log(assumed_radius(turn))[:, None] - ln_radius, 0.0)
    unlike += (needless / _NEEDLESS) ** 2
    likely = np.exp(0.5 * (unlike.min(axis=1, keepdims=True) - unlike)) * WIDTHS
    return np.asarray(np.exp(np.sum(likely * ln_radius, axis=1) / np.sum(likely, axis=1)))

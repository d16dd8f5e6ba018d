"""Tell turns and counter-turns that the road makes from those that noise makes."""

from __future__ import annotations

import itertools
import math
from typing import Final

import numpy as np

from pacer.course.plan_view import DRAWN_M, Line
from pacer.course.track import Corner
from pacer.units import FloatArray

__all__ = ["without_wiggles"]

_APART_M: Final = 12.0
"""Turns nearer than this to one another are looked at together (a choice)."""

_MOST_TURNS: Final = 5
_NET_TURN: Final = math.radians(30.0)
_WIDE_M: Final = 300.0
"""Without the wiggle the road goes straight on or bends as widely as this, or it is none (choices)."""

_LEG_M: Final = 30.0
_FEWEST: Final = 6

_CHANCE: Final = 5e-5
"""Noise passes for a wiggle once in so many places; 100 km hold about 3,000 (a choice)."""


def without_wiggles(rough: list[Corner], line: Line, points: FloatArray) -> list[Corner]:
    """Leave out turns and counter-turns that the points don't prove.

    They are proven where the road steps aside, or if the line explains all points but one so much better than
    a wide bend does that noise hardly ever would (a test of the ratio of likelihoods).

    Parameters
    ----------
    rough : list of Corner
        As the line has them, in the order of the road.
    line : Line
    points : FloatArray, shape (k, 2)
        The points that `line.samples` belong to [m].

    Returns
    -------
    list of Corner
        Those that are left.
    """
    kept: list[Corner] = []
    i = 0
    while i < len(rough):
        end, proven = _longest(rough, i, line, points)
        kept += rough[i:end] if proven else []
        i = end
    return kept


def _longest(rough: list[Corner], first: int, line: Line, points: FloatArray) -> tuple[int, bool]:
    """The corner after the longest wiggle that begins with this one, or after itself; whether it is there."""
    for last in range(min(first + _MOST_TURNS, len(rough)), first + 1, -1):
        if _may_be_noise(rough[first:last]):
            proven = _is_proven(rough, first, last, line, points)
            if proven is not None:
                return last, proven
    return first + 1, True


def _may_be_noise(part: list[Corner]) -> bool:
    """Whether corners follow one another closely, hand by hand, and cancel."""
    cancel = abs(sum(corner.turn for corner in part)) < _NET_TURN
    return cancel and all(
        b.start - a.end < _APART_M and a.turn * b.turn < 0.0 for a, b in itertools.pairwise(part)
    )


def _is_proven(rough: list[Corner], first: int, last: int, line: Line, points: FloatArray) -> bool | None:
    """Whether the points prove corners [first, last); None if no wide bend could take their place."""
    start = max(rough[first].start - _LEG_M, rough[first - 1].end if first else 0.0)
    end = rough[last - 1].end + _LEG_M
    if last < len(rough):
        end = min(end, rough[last].start)
    near = (line.samples >= start) & (line.samples <= end)
    at, off = _along_and_off(points[near])
    if at.size < _FEWEST or np.median(np.diff(at)) >= DRAWN_M:
        return None
    bend = np.polynomial.Polynomial.fit(at, off, 2)
    if abs(float(bend.deriv(2)(0.0))) > 1.0 / _WIDE_M:
        return None
    if np.any(line.sidestep[(line.s >= start) & (line.s <= end)]):
        return True
    keep = np.arange(at.size) != np.argmax(np.abs(off - bend(at)))
    bend = np.polynomial.Polynomial.fit(at[keep], off[keep], 2)
    gain = np.sum((off - bend(at))[keep] ** 2) - np.sum(line.off[near][keep] ** 2)
    return bool(gain > _proof(last - first) * line.noise**2)


def _proof(turns: int) -> float:
    """Gain in the sum of squares, over the variance, that noise hardly ever brings.

    Each turn has a place and a size; two of them follow from the road before and beyond.
    """
    from scipy.special import chdtri

    return float(chdtri(2 * turns - 2, _CHANCE))


def _along_and_off(points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places of points along and across the straight that fits them best [m]; none for less than two."""
    if len(points) < 2:
        return np.zeros(0), np.zeros(0)
    away = points - points.mean(axis=0)
    axes = np.linalg.svd(away, full_matrices=False)[2]
    at = away @ axes[0]
    return (at if at[-1] > at[0] else -at), away @ axes[1]

"""Find the corners of a smoothed line and measure them at the scale of a rider's line."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.plan_view import Line
from pacer.course.smooth import box_mean
from pacer.course.track import Corner, CornerKind
from pacer.units import FloatArray

__all__ = ["assumed_radius", "find_corners"]

_LEAST_CURVATURE: Final = 1.0 / 300.0
_LEAST_TURN: Final = math.radians(15.0)
_HAIRPIN_TURN: Final = math.radians(120.0)
_DEAD_TURN: Final = math.radians(150.0)
_LANES_M: Final = 10.0
"""The two ways of one road are nearer than this to one another (common practice, no source) [m]."""

_FREE_LANE_M: Final = 1.5
"""Width of the own lane that a rider can use to round a kink off (a choice, no source) [m]."""


@dataclass(frozen=True, slots=True)
class _Run:
    """A stretch of one-handed curvature: indices of the line, turn [rad]."""

    first: int
    last: int
    turn: float


def find_corners(line: Line) -> tuple[Corner, ...]:
    """Find where the road turns by 15° or more on a radius below 300 m.

    Parameters
    ----------
    line : Line

    Returns
    -------
    tuple of Corner
        In the order of the road; distances along `line`.
    """
    step = float(np.median(np.diff(line.s)))
    spread = np.gradient(line.s)
    curvature = box_mean(line.turn, max(round(4.0 / step), 1)) / box_mean(spread, max(round(4.0 / step), 1))
    runs = _join_runs(_find_runs(curvature, line), line)
    corners = [_measure(run, line) for run in runs if abs(run.turn) >= _LEAST_TURN]
    return tuple(_mark_roundabouts(corners))


def assumed_radius(turn: float) -> float:
    """Radius of a kink that the points don't resolve.

    A rider rounds it off within the free width w of the own lane: R (sec(turn/2) − 1) = w. Never below 3 m on
    a turn about, 6 m otherwise.

    Parameters
    ----------
    turn : float
        [rad]

    Returns
    -------
    float
        [m]
    """
    if abs(turn) >= _DEAD_TURN:
        return 3.0
    rounded = _FREE_LANE_M / (1.0 / math.cos(0.5 * abs(turn)) - 1.0)
    return max(rounded, 6.0)


def _find_runs(curvature: FloatArray, line: Line) -> list[_Run]:
    sign = np.where(np.abs(curvature) >= _LEAST_CURVATURE, np.sign(curvature), 0.0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0.0], sign, [0.0]))) != 0.0)
    total = np.concatenate(([0.0], np.cumsum(line.turn)))
    return [
        _Run(int(start), int(end - 1), float(total[end] - total[start]))
        for start, end in itertools.pairwise(edges)
        if sign[start] != 0.0
    ]


def _join_runs(runs: list[_Run], line: Line) -> list[_Run]:
    """Join runs of one hand with less than 10 m between them: one corner."""
    joined: list[_Run] = []
    for run in runs:
        last = joined[-1] if joined else None
        if last and last.turn * run.turn > 0.0 and line.s[run.first] - line.s[last.last] < 10.0:
            joined[-1] = _Run(last.first, run.last, last.turn + run.turn)
        else:
            joined.append(run)
    return joined


def _measure(run: _Run, line: Line) -> Corner:
    part = slice(run.first, run.last + 1)
    s, turned = line.s[part], np.abs(np.cumsum(line.turn[part]))
    total = max(float(turned[-1]), 1e-9)
    share = np.maximum.accumulate(turned) / total
    at = np.interp([0.05, 0.15, 0.5, 0.85, 0.95], share, s)
    radius = max((at[3] - at[1]) / (0.7 * total), 1.0)
    turn = run.turn
    arc = max(radius * total, 4.0)
    start, end = min(at[0], at[2] - 0.5 * arc), max(at[4], at[2] + 0.5 * arc)
    measured = _is_resolved(line.samples, start, end)
    if not measured:
        radius = min(radius, assumed_radius(turn))
    kind = _kind(line, float(start), float(at[2]), float(end), float(radius), turn)
    if kind is CornerKind.DEAD_TURN and not measured:
        radius = min(radius, 3.0)
    return Corner(
        start=float(max(start, 0.0)),
        apex=float(at[2]),
        end=float(min(end, line.s[-1])),
        radius=float(radius),
        turn=float(turn),
        kind=kind,
        measured=measured,
    )


def _is_resolved(samples: FloatArray, start: float, end: float) -> bool:
    """At least three points stand in the corner, or almost."""
    low, high = np.searchsorted(samples, [start - 1.0, end + 1.0])
    return bool(high - low >= 3)


def _kind(line: Line, start: float, apex: float, end: float, radius: float, turn: float) -> CornerKind:
    if abs(turn) >= _DEAD_TURN and radius < 8.0 and _doubles_back(line, start, end):
        return CornerKind.DEAD_TURN
    if abs(turn) >= math.radians(230.0) and radius < 40.0:
        return CornerKind.ROUNDABOUT
    if abs(turn) >= _HAIRPIN_TURN and radius < 30.0:
        return CornerKind.HAIRPIN
    if abs(turn) >= math.radians(50.0) and radius < 30.0:
        return CornerKind.CORNER
    return CornerKind.BEND


def _doubles_back(line: Line, start: float, end: float) -> bool:
    """Tell whether the road after the turn runs beside the road before it."""
    reach = np.array([10.0, 20.0, 30.0, 40.0])
    reach = reach[(start - reach > 0.0) & (end + reach < line.s[-1])]
    if reach.size == 0:
        return True
    before = np.column_stack([np.interp(start - reach, line.s, line.xy[:, i]) for i in range(2)])
    inside = (line.s > end - 10.0) & (line.s < end + 70.0)
    after: npt.NDArray[np.float64] = line.xy[inside]
    gap = np.hypot(*(before[:, None, :] - after[None, :, :]).transpose(2, 0, 1)).min(axis=1)
    return bool(np.all(gap < _LANES_M + line.noise))


def _mark_roundabouts(corners: list[Corner]) -> list[Corner]:
    """Mark the middle one of three corners of alternating hand that follow one another closely."""
    marked = list(corners)
    for i in range(1, len(corners) - 1):
        before, middle, after = corners[i - 1 : i + 2]
        alternate = before.turn * middle.turn < 0.0 and middle.turn * after.turn < 0.0
        close = middle.start - before.end < 15.0 and after.start - middle.end < 15.0
        if alternate and close and middle.radius < 30.0 and abs(middle.turn) > math.radians(45.0):
            marked[i] = replace(middle, kind=CornerKind.ROUNDABOUT)
    return marked

"""Find the corners of a smoothed line and measure them at the scale of a rider's line."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pacer.course.arcs import ArcFit, fit_arcs
from pacer.course.plan_view import DRAWN_M, Line
from pacer.course.radii import DEAD_TURN, TIGHTEST, least_radius
from pacer.course.smooth import box_mean
from pacer.course.track import Corner, CornerKind
from pacer.course.wiggles import without_wiggles
from pacer.units import FloatArray

__all__ = ["find_corners"]

_LEAST_CURVATURE: Final = 1.0 / 300.0
_SEEN_M: Final = 4.0
"""Where the mean curvature over 4 m to both sides is more than that, there may be a corner (choices)."""

_FAINT_CURVATURE: Final = 1.0 / 1000.0
_FAINT_SHARE: Final = 0.3
_GROWN_M: Final = 15.0
"""It reaches as far as the mean over 15 m to both sides is more than this, and than this share of its own
(choices, by trial on known courses)."""

_LEAST_TURN: Final = math.radians(15.0)
_HAIRPIN_TURN: Final = math.radians(120.0)
_LANES_M: Final = 10.0
"""The two ways of one road are nearer than this to one another (common practice, no source) [m]."""

_LEG_M: Final = 30.0
_DRAWN_NOISE: Final = 0.8
"""Points farther apart than 15 m are drawn on a map, and no more exact than this (common practice) [m]."""

_MEASURED: Final = 0.6
"""A radius is measured if the points refute one 40 % smaller (a choice)."""

_MISFIT: Final = 1.7
"""Points that lie farther off than this many times their noise aren't on one arc (a choice)."""

_SWING_TURN: Final = math.radians(35.0)
_SWING_SHARE: Final = 0.35
_SWING_M: Final = 12.0
"""A turn below 35° and a third of that of a corner of the other hand, nearer to it than 12 m, may be no more
than the smoothed line swinging out beside it (choices)."""

_SWING_MISFIT: Final = 1.3
"""It is, if the points lie on straight, arc, straight without it, but for this many times their noise."""


@dataclass(frozen=True, slots=True)
class _Run:
    """A stretch of one-handed curvature: indices of the line, turn [rad]."""

    first: int
    last: int
    turn: float


def find_corners(line: Line, points: FloatArray) -> tuple[Corner, ...]:
    """Find where the road turns by 15° or more on a radius below 300 m.

    The smoothed line says where; the radius comes from straight, arc, straight fitted to the points
    themselves, and so does the smallest radius that they don't refute. Where they would allow a corner 40 %
    tighter, the corner is marked as not measured.

    Parameters
    ----------
    line : Line
    points : FloatArray, shape (k, 2)
        The points that `line.samples` belong to [m].

    Returns
    -------
    tuple of Corner
        In the order of the road; distances along `line`.
    """
    runs = _join_runs(_find_runs(_curvature(line, _SEEN_M), line), line)
    runs = _join_runs(_grow_runs(runs, _curvature(line, _GROWN_M), line), line)
    rough = [_rough(run, line) for run in runs if abs(run.turn) >= _LEAST_TURN]
    if not rough:
        return ()
    rough = _without_swings(without_wiggles(rough, line, points), line, points)
    return tuple(_mark_roundabouts(_refine(rough, line, points))) if rough else ()


def _curvature(line: Line, reach: float) -> FloatArray:
    """Mean curvature over so many metres to both sides, shape (g,) [1/m]."""
    half = max(round(reach / float(np.median(np.diff(line.s)))), 1)
    return np.asarray(box_mean(line.turn, half) / box_mean(np.gradient(line.s), half))


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


def _grow_runs(runs: list[_Run], slow: FloatArray, line: Line) -> list[_Run]:
    """Let runs reach as far as the line goes on turning the same way, ever so little."""
    grown: list[_Run] = []
    total = np.concatenate(([0.0], np.cumsum(line.turn)))
    for k, run in enumerate(runs):
        low = grown[-1].last + 1 if grown else 0
        high = runs[k + 1].first - 1 if k + 1 < len(runs) else line.turn.size - 1
        own = abs(run.turn) / max(float(line.s[run.last] - line.s[run.first]), 1.0)
        inward, least = np.sign(run.turn) * slow[low : high + 1], max(_FAINT_CURVATURE, _FAINT_SHARE * own)
        before, after = inward[: run.first - low] < least, inward[run.last + 1 - low :] < least
        first = low + int(np.flatnonzero(before)[-1]) + 1 if before.any() else low
        last = run.last + int(np.argmax(after)) if after.any() else high
        grown.append(_Run(first, last, float(total[last + 1] - total[first])))
    return grown


def _rough(run: _Run, line: Line) -> Corner:
    """Measure a corner by the smoothed line: the middle 70 % of its turn gives the radius."""
    part = slice(run.first, run.last + 1)
    s, turned = line.s[part], np.abs(np.cumsum(line.turn[part]))
    total = max(float(turned[-1]), 1e-9)
    share = np.maximum.accumulate(turned) / total
    at = np.interp([0.05, 0.15, 0.5, 0.85, 0.95], share, s)
    radius = max(float(at[3] - at[1]) / (0.7 * total), 1.0)
    arc = max(radius * total, 4.0)
    return Corner(
        start=max(float(min(at[0], at[2] - 0.5 * arc)), 0.0),
        apex=float(at[2]),
        end=min(float(max(at[4], at[2] + 0.5 * arc)), float(line.s[-1])),
        radius=radius,
        turn=run.turn,
        kind=CornerKind.BEND,
    )


def _without_swings(rough: list[Corner], line: Line, points: FloatArray) -> list[Corner]:
    """Leave out turns that the line makes beside a sharp corner and the points don't."""
    main_of: dict[int, int] = {}
    for i, small in enumerate(rough):
        beside = [k for k in (i - 1, i + 1) if 0 <= k < len(rough) and _may_swing(small, rough[k])]
        if beside:
            main_of[i] = max(beside, key=lambda k: abs(rough[k].turn))
    if not main_of:
        return rough
    kept = [i for i in range(len(rough)) if i not in main_of]
    fit, _ = _fit([rough[i] for i in kept], line, points)
    explained = {i for i, misfit in zip(kept, fit.misfit.tolist(), strict=True) if misfit < _SWING_MISFIT}
    return [corner for i, corner in enumerate(rough) if main_of.get(i) not in explained]


def _may_swing(small: Corner, main: Corner) -> bool:
    apart = max(main.start - small.end, small.start - main.end)
    low = abs(small.turn) < min(_SWING_TURN, _SWING_SHARE * abs(main.turn))
    return low and small.turn * main.turn < 0.0 and apart < _SWING_M


def _refine(rough: list[Corner], line: Line, points: FloatArray) -> list[Corner]:
    """Measure each corner by the points around it."""
    fit, spacing = _fit(rough, line, points)
    return [_settle(corner, line, fit, i, float(spacing[i])) for i, corner in enumerate(rough)]


def _fit(rough: list[Corner], line: Line, points: FloatArray) -> tuple[ArcFit, FloatArray]:
    """Fit the points around each corner, as far as its neighbours; how far apart they are there."""
    start, apex, end = (np.array([getattr(c, name) for c in rough]) for name in ("start", "apex", "end"))
    spacing = _spacing(line.samples, start, end)
    leg = np.maximum(_LEG_M, 2.2 * spacing)
    before = np.concatenate(([0.0], end[:-1]))
    after = np.concatenate((start[1:], line.s[-1:]))
    first = np.searchsorted(line.samples, np.maximum(np.minimum(start, np.maximum(before, start - leg)), 0.0))
    last = np.searchsorted(line.samples, np.maximum(end, np.minimum(after, end + leg)), side="right") - 1
    first = np.minimum(first, line.samples.size - 1)
    last = np.maximum(last, first)
    middle = np.clip(np.searchsorted(line.s, apex) - 1, 0, line.heading.size - 1)
    guess = np.column_stack(
        (
            np.interp(apex, line.s, line.xy[:, 0]),
            np.interp(apex, line.s, line.xy[:, 1]),
            line.heading[middle],
            [c.turn for c in rough],
            [c.radius for c in rough],
        )
    )
    drawn = float(np.median(np.diff(line.samples))) >= DRAWN_M
    noise = np.where(drawn | (spacing >= DRAWN_M), max(line.noise, _DRAWN_NOISE), line.noise)
    return fit_arcs(points, first.astype(np.int64), last.astype(np.int64), guess, noise), spacing


def _settle(corner: Corner, line: Line, fit: ArcFit, i: int, spacing: float) -> Corner:
    """Choose between the fit, the smoothed line and what a rider makes of a kink."""
    if fit.misfit[i] < _MISFIT:
        radius, turn = min(float(fit.radius[i]), 2.0 * corner.radius), float(fit.turn[i])
        tightest = min(float(fit.tightest[i]), radius)
        measured = tightest > _MEASURED * radius
    else:
        radius = tightest = min(corner.radius, float(fit.radius[i]))
        turn = corner.turn
        measured = corner.end - corner.start > 1.5 * spacing
    turn = turn if abs(turn - corner.turn) < 0.3 * abs(corner.turn) else corner.turn
    start, end = corner.start, corner.end
    floor = TIGHTEST if measured else float(least_radius(turn))
    radius, tightest = max(radius, floor), max(tightest, floor)
    if measured:
        half = 0.5 * radius * abs(turn)
        start, end = max(corner.apex - half, 0.0), min(corner.apex + half, float(line.s[-1]))
    kind = _kind(radius, turn)
    if abs(turn) >= DEAD_TURN:
        gap = _doubles_back(line, start, end)
        if math.isfinite(gap):
            # Drawn on one line both ways, a turn about has no radius to measure.
            kind, measured = CornerKind.DEAD_TURN, measured and 0.5 * gap >= TIGHTEST
            radius = max(min(radius, 0.5 * gap), TIGHTEST)
    return replace(
        corner,
        start=start,
        end=end,
        radius=radius,
        turn=turn,
        kind=kind,
        measured=measured,
        tightest=tightest,
    )


def _spacing(samples: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Mean distance between the points in and beside each corner."""
    low = np.maximum(np.searchsorted(samples, start - 10.0) - 1, 0)
    high = np.minimum(np.searchsorted(samples, end + 10.0), samples.size - 1)
    return np.asarray((samples[high] - samples[low]) / np.maximum(high - low, 1), dtype=np.float64)


def _kind(radius: float, turn: float) -> CornerKind:
    if abs(turn) >= math.radians(230.0) and radius < 40.0:
        return CornerKind.ROUNDABOUT
    if abs(turn) >= _HAIRPIN_TURN and radius < 30.0:
        return CornerKind.HAIRPIN
    if abs(turn) >= math.radians(50.0) and radius < 30.0:
        return CornerKind.CORNER
    return CornerKind.BEND


def _doubles_back(line: Line, start: float, end: float) -> float:
    """Distance between the road before the turn and the road after it, if they are two ways of one road.

    Infinite if they aren't.
    """
    reach = np.array([10.0, 20.0, 30.0, 40.0])
    reach = reach[(start - reach > 0.0) & (end + reach < line.s[-1])]
    if reach.size == 0:
        return math.inf
    before = np.column_stack([np.interp(start - reach, line.s, line.xy[:, i]) for i in range(2)])
    inside = (line.s > end - 10.0) & (line.s < end + 70.0)
    after = line.xy[inside]
    gap = np.hypot(*(before[:, None, :] - after[None, :, :]).transpose(2, 0, 1)).min(axis=1)
    return float(np.median(gap)) if np.all(gap < _LANES_M + line.noise) else math.inf


def _mark_roundabouts(corners: list[Corner]) -> list[Corner]:
    """Mark the middle one of three corners of alternating hand that follow one another closely."""
    marked = list(corners)
    for i in range(1, len(corners) - 1):
        before, middle, after = corners[i - 1 : i + 2]
        alternate = before.turn * middle.turn < 0.0 and middle.turn * after.turn < 0.0
        close = middle.start - before.end < 15.0 and after.start - middle.end < 15.0
        if middle.kind is CornerKind.DEAD_TURN:
            continue
        if alternate and close and middle.radius < 30.0 and abs(middle.turn) > math.radians(45.0):
            marked[i] = replace(middle, kind=CornerKind.ROUNDABOUT)
    return marked

"""Faults of recorded elevation that smoothing can't mend: holes, leaps, steps, false walls, drift."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np

from pacer.course.track import Change
from pacer.errors import CourseError
from pacer.units import FloatArray

__all__ = ["close_loop", "known_elevation", "level_walls", "repair_elevation"]

_LOWEST: Final = -450.0
"""Below the lowest road on Earth [m]."""

_HIGHEST: Final = 6500.0
"""Above the highest road on Earth [m]."""

_HOLE_M: Final = 500.0
"""Longest stretch without elevation that is filled (a choice) [m]."""

_UNSEEN_M: Final = 50.0
"""A hole in the elevation longer than this may hide a descent (a choice) [m]."""

_CLOSED_M: Final = 60.0
_SPIKE_M: Final = 6.0
_SPIKE_GRADE: Final = 0.4
_STEP_M: Final = 4.0
_STEP_GRADE: Final = 0.35
_WALL_GRID_M: Final = 10.0
_WALL_GRADE: Final = 0.2
"""Two walls steeper than this, one down and one up, aren't road (a choice; roads above 20 % are rare)."""

_LONG_M: Final = 400.0
_LONG_WALL_GRADE: Final = 0.3
"""Walls farther apart than this must be this steep: a valley between two ramps is likelier than so long a
bridge (choices)."""

_NOISE_MARGIN: Final = 3.0
_MOST_MARGIN: Final = 0.1
"""Walls must stand out from the noise of the grade by so many standard deviations, or by this (choices)."""

_WALL_NET_GRADE: Final = 0.12
_WALL_HEIGHT_M: Final = 3.0
_WALL_REACH_M: Final = 3000.0
_FOOT_GRADE: Final = 0.1


def known_elevation(along: FloatArray, z: FloatArray, source: str, changes: list[Change]) -> FloatArray:
    """Fill short holes in the elevation by straight lines.

    Values that no road has, and zeros that stand alone, are holes.

    Parameters
    ----------
    along, z : FloatArray, shape (k,)
        Distance and elevation, NaN where missing [m].
    source : str
        Name of the file, for messages.
    changes : list of Change
        Added to.

    Returns
    -------
    FloatArray, shape (k,)

    Raises
    ------
    CourseError
        If there is no elevation, or holes are too long or too many.
    """
    z = np.array(z, dtype=np.float64)
    plan_flat = "add elevation to the file, or plan without climbs by --flat"
    absurd = np.isfinite(z) & ((z < _LOWEST) | (z > _HIGHEST))
    if np.any(absurd):
        changes.append(
            Change(
                "elevations that no road has were dropped",
                amount=float(absurd.sum()),
                unit="points",
                loud=True,
            )
        )
        z[absurd] = np.nan
    _drop_placeholders(z, changes)
    known = np.isfinite(z)
    if not np.any(known):
        raise CourseError("the file has no elevation", where=source, do=plan_flat)
    if np.all(known):
        return z
    at = along[known]
    edges = np.concatenate(([0.0], at, [along[-1]]))
    holes = np.diff(edges)
    longest = int(np.argmax(holes))
    if holes[longest] > _HOLE_M:
        raise CourseError(
            f"{holes[longest] / 1000.0:.1f} km without elevation",
            where=f"{source}, km {edges[longest] / 1000.0:.1f}",
            found=f"elevation at {known.sum()} of {known.size} points",
            do=plan_flat,
        )
    missing = np.flatnonzero(~known)
    empty = np.zeros(holes.size, dtype=np.bool_)
    empty[np.searchsorted(at, along[missing])] = True
    first, last = float(along[missing[0]]), float(along[missing[-1]])
    changes.append(
        Change(
            "missing elevation was filled by straight lines",
            first,
            last,
            float(missing.size),
            "points",
            loud=bool(missing.size > 0.02 * z.size),
            unknown=tuple(
                (float(edges[i]), float(edges[i + 1])) for i in np.flatnonzero((holes > _UNSEEN_M) & empty)
            ),
        )
    )
    return np.interp(along, at, z[known])


def _drop_placeholders(z: FloatArray, changes: list[Change]) -> None:
    """Drop exact zeros far from the heights around them: a device's word for 'unknown'."""
    known = np.isfinite(z)
    zero = known & (z == 0.0)
    others = z[known & ~zero]
    if not np.any(zero) or others.size == 0:
        return
    index = np.arange(z.size)
    around = np.interp(index, index[known & ~zero], others)
    wrong = zero & (np.abs(around) > 15.0)
    if np.any(wrong):
        z[wrong] = np.nan
        changes.append(
            Change(
                "elevations of 0 between other heights were dropped",
                amount=float(wrong.sum()),
                unit="points",
                loud=True,
            )
        )


def repair_elevation(along: FloatArray, z: FloatArray, changes: list[Change]) -> FloatArray:
    """Take out spikes, steps and false walls.

    Parameters
    ----------
    along, z : FloatArray, shape (k,)
        Distance, increasing, and elevation [m].
    changes : list of Change
        Added to.

    Returns
    -------
    FloatArray, shape (k,)
    """
    if z.size < 8:
        return z
    z = _drop_spikes(along, z, changes)
    z = _level_steps(along, z, changes)
    return level_walls(along, z, changes)


def _jitter(z: FloatArray) -> float:
    """White noise of neighbouring values, from their second differences [m]."""
    return float(np.median(np.abs(np.diff(z, 2))) / 0.6745 / np.sqrt(6.0))


def _drop_spikes(along: FloatArray, z: FloatArray, changes: list[Change]) -> FloatArray:
    """Replace up to four points in a row that stand off their neighbours as no road does."""
    half = 5
    padded = np.pad(z, half, mode="reflect")
    usual = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    limit = max(_SPIKE_M, 8.0 * _jitter(z))
    odd = np.abs(z - usual) > limit
    if not np.any(odd) or np.mean(odd) > 0.2:
        return z
    steady = np.flatnonzero(~odd)
    index = np.flatnonzero(odd)
    line = np.interp(along[index], along[steady], z[steady])
    place = np.searchsorted(steady, index)
    before = steady[np.maximum(place - 1, 0)]
    after = steady[np.minimum(place, steady.size - 1)]
    reach = np.maximum(np.minimum(along[index] - along[before], along[after] - along[index]), 1.0)
    off = z[index] - line
    spike = (np.abs(off) > limit) & (np.abs(off) > _SPIKE_GRADE * reach) & (after - before <= 5)
    if not np.any(spike):
        return z
    z = z.copy()
    z[index[spike]] = line[spike]
    worst = float(off[spike][np.argmax(np.abs(off[spike]))])
    changes.append(
        Change(
            f"{int(spike.sum())} elevation spike{'s were' if spike.sum() > 1 else ' was'} dropped, "
            "the largest given here",
            float(along[index[spike][0]]),
            float(along[index[spike][-1]]),
            worst,
            "m",
            loud=True,
        )
    )
    return z


def _level_steps(along: FloatArray, z: FloatArray, changes: list[Change]) -> FloatArray:
    """Shift what follows a sudden step that stays, as after a barometer's new start."""
    rise, run = np.diff(z), np.diff(along)
    limit = max(_STEP_M, 10.0 * _jitter(z))
    shift = np.zeros(z.size)
    steps: list[tuple[int, float]] = []
    for i in np.flatnonzero((np.abs(rise) > limit) & (np.abs(rise) > _STEP_GRADE * run)):
        before, after = z[max(i - 4, 0) : i + 1], z[i + 1 : i + 6]
        spread = max(np.ptp(before), np.ptp(after))
        if spread < 0.5 * abs(rise[i]) and before.size > 2 and after.size > 2:
            step = float(np.median(after) - np.median(before))
            shift[i + 1 :] -= step
            steps.append((int(i), step))
    if steps:
        first, last = steps[0][0], steps[-1][0]
        what = (
            "a sudden step in elevation was levelled"
            if len(steps) == 1
            else f"{len(steps)} sudden steps in elevation were levelled, the largest given here"
        )
        worst = max((step for _, step in steps), key=abs)
        changes.append(Change(what, float(along[first]), float(along[last + 1]), worst, "m", loud=True))
    return z + shift


def level_walls(along: FloatArray, z: FloatArray, changes: list[Change]) -> FloatArray:
    """Lay a straight road over a dip or under a hump between two walls steeper than roads are.

    So look bridges and tunnels on a terrain model, and hairpins on a coarse one.
    """
    grid = np.arange(0.0, along[-1], _WALL_GRID_M)
    if grid.size < 8:
        return z
    ground = np.interp(grid, along, z)
    half = 2
    run = 2 * half * _WALL_GRID_M
    grade = np.zeros(grid.size)
    grade[half:-half] = (ground[2 * half :] - ground[: -2 * half]) / run
    margin = min(_NOISE_MARGIN * np.sqrt(2.0) * _jitter(z) / run, _MOST_MARGIN)
    z = z.copy()
    done = -1.0
    for first, last, second in _wall_pairs(np.sign(grade) * np.maximum(np.abs(grade) - margin, 0.0)):
        if grid[first] < done:
            continue
        start, end = _feet(ground, grade, first, second)
        net = (ground[end] - ground[start]) / (grid[end] - grid[start])
        road = ground[start] + net * (grid[start : end + 1] - grid[start])
        depth = ground[start : end + 1] - road
        worst = float(depth[np.argmax(np.abs(depth))])
        if abs(net) > _WALL_NET_GRADE or abs(worst) < _WALL_HEIGHT_M:
            continue
        inside = (along > grid[start]) & (along < grid[end])
        z[inside] = np.interp(along[inside], grid[start : end + 1], road)
        done = float(grid[end])
        what = "a hump" if worst > 0.0 else "a dip"
        steepest = 100.0 * max(np.max(np.abs(grade[first : last + 1])), abs(grade[second]))
        changes.append(
            Change(
                f"{what} between walls of {steepest:.0f} % was taken for a "
                f"{'tunnel' if worst > 0.0 else 'bridge'} and levelled",
                float(grid[start]),
                float(grid[end]),
                worst,
                "m",
                loud=True,
                unknown=((float(grid[start]), float(grid[end])),),
            )
        )
    return z


def _wall_pairs(grade: FloatArray) -> list[tuple[int, int, int]]:
    """Pair walls with the next of the other way: first and last place of one, last place of the other."""
    steep = np.where(np.abs(grade) > _WALL_GRADE, np.sign(grade), 0.0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0.0], steep, [0.0]))))
    walls = [(a, b, steep[a]) for a, b in pairwise(edges) if steep[a] != 0.0]
    pairs = []
    for (a, b, way), (c, d, other) in pairwise(walls):
        apart = (c - b) * _WALL_GRID_M
        gentler = min(np.abs(grade[a:b]).max(), np.abs(grade[c:d]).max())
        likely = apart < _LONG_M or (apart < _WALL_REACH_M and gentler > _LONG_WALL_GRADE)
        if way * other < 0.0 and likely:
            pairs.append((int(a), int(b) - 1, int(d) - 1))
    return pairs


def _feet(ground: FloatArray, grade: FloatArray, first: int, second: int) -> tuple[int, int]:
    """Walk outwards from two walls to where the road is no longer steep."""
    start, end = first, second
    while start > 0 and abs(grade[start]) > _FOOT_GRADE and first - start < 12:
        start -= 1
    while end < ground.size - 1 and abs(grade[end]) > _FOOT_GRADE and end - second < 12:
        end += 1
    return start, end


def close_loop(xy: FloatArray, along: FloatArray, z: FloatArray, changes: list[Change]) -> FloatArray:
    """Take a drift out where the course ends where it started.

    Parameters
    ----------
    xy : FloatArray, shape (k, 2)
        [m]
    along, z : FloatArray, shape (k,)
        Distance and elevation [m].
    changes : list of Change
        Added to.

    Returns
    -------
    FloatArray, shape (k,)
    """
    if along[-1] < 2000.0 or float(np.hypot(*(xy[-1] - xy[0]))) > _CLOSED_M:
        return z
    start, end = along < _CLOSED_M, along > along[-1] - _CLOSED_M
    if np.sum(start) < 3 or np.sum(end) < 3:
        drift = float(z[-1] - z[0])
    else:
        drift = float(
            np.polyval(np.polyfit(along[end] - along[-1], z[end], 1), 0.0)
            - np.polyval(np.polyfit(along[start], z[start], 1), 0.0)
        )
    if abs(drift) < 2.0 or abs(drift) / along[-1] > 0.01:
        return z
    changes.append(
        Change(
            "the course ends where it starts, but not at that height: the drift was spread over it",
            amount=drift,
            unit="m",
            loud=abs(drift) > 20.0,
        )
    )
    return np.asarray(z - drift * along / along[-1])

"""Faults of recorded elevation that smoothing can't mend: holes, leaps, steps, false walls, drift."""

from __future__ import annotations

from typing import Final

import numpy as np

from pacer.course.track import Change
from pacer.errors import CourseError
from pacer.units import FloatArray

__all__ = ["close_loop", "known_elevation", "repair_elevation"]

_LOWEST: Final = -450.0
"""Below the lowest road on Earth [m]."""

_HIGHEST: Final = 6500.0
"""Above the highest road on Earth [m]."""

_HOLE_M: Final = 500.0
"""Longest stretch without elevation that is filled (a choice) [m]."""

_CLOSED_M: Final = 60.0
_FILLED_SHARE: Final = 0.2


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
    first, last = float(along[missing[0]]), float(along[missing[-1]])
    changes.append(
        Change(
            "missing elevation was filled by straight lines",
            first,
            last,
            float(missing.size),
            "points",
            loud=bool(missing.size > 0.02 * z.size),
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
    """Take out spikes and steps.

    Parameters
    ----------
    along, z : FloatArray, shape (k,)
        Distance and elevation [m].
    changes : list of Change
        Added to.

    Returns
    -------
    FloatArray, shape (k,)
    """
    return z


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
    drift = float(np.median(z[along > along[-1] - 40.0]) - np.median(z[along < 40.0]))
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

"""Small operations on recorded signals: fill, average, differentiate, widen a mask. No judgement here."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pacer.units import FloatArray

__all__ = [
    "around",
    "averaged",
    "beside",
    "filled",
    "lasting",
    "rate",
    "runs",
    "short_gaps_filled",
    "widened",
]

Mask = npt.NDArray[np.bool_]


def filled(time: FloatArray, values: FloatArray) -> FloatArray:
    """Interpolate missing values, shape (n,); the ends hold."""
    known = np.isfinite(values)
    return np.asarray(np.interp(time, time[known], values[known]))


def short_gaps_filled(time: FloatArray, values: FloatArray, longest: float = 4.0) -> FloatArray:
    """Interpolate drop-outs of up to `longest` seconds; longer ones stay NaN."""
    known = np.isfinite(values)
    result = filled(time, values)
    place = np.flatnonzero(known)
    before = np.clip(np.searchsorted(place, np.arange(time.size), side="right") - 1, 0, place.size - 1)
    after = np.clip(before + 1, 0, place.size - 1)
    wide = time[place[after]] - time[place[before]] > longest
    result[~known & wide] = np.nan
    return result


def averaged(values: FloatArray, half: int) -> FloatArray:
    """Mean over 2 `half` + 1 records, shape (n,)."""
    padded = np.pad(values, half, mode="edge")
    return np.asarray(np.convolve(padded, np.full(2 * half + 1, 1.0 / (2 * half + 1)), mode="valid"))


def around(time: FloatArray, seconds: float) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Give the indices of the records about `seconds` before and after each, never the same."""
    low = np.searchsorted(time, time - seconds, side="left")
    high = np.minimum(np.searchsorted(time, time + seconds, side="right") - 1, time.size - 1)
    same = high <= low
    high = np.where(same, np.minimum(low + 1, time.size - 1), high)
    low = np.where(high <= low, high - 1, low)
    return low, high


def rate(time: FloatArray, values: FloatArray, seconds: float) -> FloatArray:
    """Change per second over about twice `seconds`, shape (n,)."""
    low, high = around(time, seconds)
    return np.asarray((values[high] - values[low]) / np.maximum(time[high] - time[low], 1e-3))


def runs(which: Mask) -> list[tuple[int, int]]:
    """Unbroken runs of marked entries as (first, one past the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], which, [False])).astype(np.int8))).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def lasting(which: Mask, duration: FloatArray, seconds: float) -> Mask:
    """Which steps belong to an unbroken run of marked ones that lasts at least `seconds`."""
    out = np.zeros(which.size, dtype=bool)
    for a, b in runs(which):
        if duration[a:b].sum() >= seconds:
            out[a:b] = True
    return out


def beside(which: Mask, steps: int) -> Mask:
    """Which steps are marked or at most so many steps from a marked one."""
    padded = np.pad(which, steps)
    return np.asarray(np.convolve(padded, np.ones(2 * steps + 1), mode="valid") > 0.5)


def widened(which: Mask, duration: FloatArray, seconds: float) -> Mask:
    """Which steps lie within `seconds` of a marked one."""
    if not which.any():
        return which
    end = np.cumsum(duration)
    begin = end - duration
    marked = np.flatnonzero(which)
    nearest = np.searchsorted(marked, np.arange(which.size))
    after = marked[np.minimum(nearest, marked.size - 1)]
    before = marked[np.maximum(nearest - 1, 0)]
    near_after = (begin[after] - end < seconds) & (after >= np.arange(which.size))
    near_before = (begin - end[before] < seconds) & (before <= np.arange(which.size))
    return np.asarray(which | near_after | near_before)

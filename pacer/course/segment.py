"""Cut a course where it changes: the best piecewise-constant description, found exactly."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pacer.course.track import Cells
from pacer.units import FloatArray

__all__ = ["course_segments", "cut_by_change"]

_GRADE_SCALE = 0.01
"""One unit of change in grade: a rider feels 1 % (common practice, no source)."""

_HEADING_SCALE = np.radians(30.0)
"""One unit of change in heading: the wind on the rider changes by half its speed (sin 30°)."""


def cut_by_change(
    sizes: FloatArray,
    features: FloatArray,
    *,
    penalty: float,
    shortest: float,
    longest: float,
    forced: npt.NDArray[np.bool_],
) -> npt.NDArray[np.int64]:
    """Cut cells into pieces, each described by its mean, at least cost.

    A piece costs ``penalty`` plus the sum of size × (feature − size-weighted mean)² over its cells and
    features. The cut of least total cost is found by dynamic programming [1]_; nothing is approximated.

    Parameters
    ----------
    sizes : FloatArray, shape (n,)
        Weight of each cell, positive (its seconds or its metres).
    features : FloatArray, shape (n, k)
        What should be constant in a piece, in comparable units.
    penalty : float
        Cost of a piece, in units of size × feature².
    shortest, longest : float
        Bounds on the total size of a piece. A single cell may be longer than `longest`. A piece is shorter
        than `shortest` only where forced cuts or `longest` leave no choice.
    forced : bool array, shape (n + 1,)
        Nodes where a cut must be; the ends always are.

    Returns
    -------
    int array, shape (m + 1,)
        The nodes at which the pieces begin and end, from 0 to n.

    Raises
    ------
    ValueError
        If shapes disagree, a size isn't positive, a value isn't finite or ``shortest > longest``.

    References
    ----------
    .. [1] B. Jackson et al., "An algorithm for optimal partitioning of data on an interval", IEEE Signal
       Processing Letters 12(2), 2005, doi:10.1109/LSP.2001.838216.
    """
    sizes, features, forced = _checked(sizes, features, forced, penalty, shortest, longest)
    n = sizes.size
    ends = np.concatenate(([0.0], np.cumsum(sizes)))
    centred = features - np.average(features, axis=0, weights=sizes)
    first = np.concatenate((np.zeros((1, features.shape[1])), np.cumsum(sizes[:, None] * centred, axis=0)))
    second = np.concatenate(([0.0], np.cumsum(sizes * np.sum(centred**2, axis=1))))
    # Dearer than any cut that keeps the bounds, so it is paid only where none does.
    dear = second[-1] + penalty * n + 1.0
    lowest = _window_starts(ends, forced, longest)
    best = np.zeros(n + 1)
    origin = np.zeros(n + 1, dtype=np.int64)
    for node in range(1, n + 1):
        low = lowest[node]
        size = ends[node] - ends[low:node]
        spread = first[node] - first[low:node]
        cost = second[node] - second[low:node] - np.einsum("ij,ij->i", spread, spread) / size + best[low:node]
        short = np.maximum(shortest * (1.0 - 1e-12) - size, 0.0)
        cost += dear * ((short > 0.0) + short / max(shortest, 1e-300))
        choice = int(np.argmin(cost))
        best[node] = cost[choice] + penalty
        origin[node] = low + choice
    cuts = [n]
    while cuts[-1] > 0:
        cuts.append(int(origin[cuts[-1]]))
    return np.array(cuts[::-1], dtype=np.int64)


def course_segments(
    cells: Cells, *, shortest: float = 200.0, longest: float = 5000.0, penalty: float = 400.0
) -> npt.NDArray[np.int64]:
    """Cut a course where its grade or its heading changes.

    Parameters
    ----------
    cells : Cells
    shortest, longest : float
        Bounds on the length of a segment [m].
    penalty : float
        What a further segment must save: metres × (1 % of grade)², or × (30° of heading)².

    Returns
    -------
    int array, shape (m + 1,)
        The nodes at which the segments begin and end, from 0 to n.
    """
    features = np.column_stack(
        (
            cells.grade / _GRADE_SCALE,
            np.cos(cells.heading) / _HEADING_SCALE,
            np.sin(cells.heading) / _HEADING_SCALE,
        )
    )
    return cut_by_change(
        cells.length,
        features,
        penalty=penalty,
        shortest=shortest,
        longest=longest,
        forced=np.zeros(len(cells) + 1, dtype=np.bool_),
    )


def _checked(
    sizes: FloatArray,
    features: FloatArray,
    forced: npt.NDArray[np.bool_],
    penalty: float,
    shortest: float,
    longest: float,
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    sizes = np.asarray(sizes, dtype=np.float64)
    features = np.asarray(features, dtype=np.float64)
    forced = np.asarray(forced, dtype=np.bool_)
    if sizes.ndim != 1 or sizes.size == 0 or features.ndim != 2 or features.shape[0] != sizes.size:
        raise ValueError(f"sizes {sizes.shape} and features {features.shape} don't describe the same cells")
    if forced.shape != (sizes.size + 1,):
        raise ValueError(f"forced has shape {forced.shape}, not ({sizes.size + 1},)")
    if not (np.all(np.isfinite(sizes)) and np.all(sizes > 0.0) and np.all(np.isfinite(features))):
        raise ValueError("sizes must be positive, and sizes and features finite")
    if not (penalty >= 0.0 and 0.0 <= shortest <= longest):
        raise ValueError(f"penalty {penalty}, shortest {shortest}, longest {longest} make no sense")
    return sizes, features, forced


def _window_starts(ends: FloatArray, forced: npt.NDArray[np.bool_], longest: float) -> npt.NDArray[np.int64]:
    """First node from which a piece that ends at each node may begin."""
    nodes = np.arange(ends.size)
    by_length = np.searchsorted(ends, ends - longest * (1.0 + 1e-12))
    last_forced = np.maximum.accumulate(np.where(forced, nodes, 0))
    before = np.concatenate(([0], last_forced[:-1]))
    return np.minimum(np.maximum(by_length, before), np.maximum(nodes - 1, 0)).astype(np.int64)

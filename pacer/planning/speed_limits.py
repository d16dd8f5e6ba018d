"""How fast any position may go: corners, zones, the top speed, the dismount line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.track import Cells, Zone, ZoneKind
from pacer.planning.limits import Limits
from pacer.units import FloatArray

__all__ = ["DISMOUNT_SPEED", "at_cell_ends", "corner_speed_limit", "speed_limits", "stretch_of", "touched"]

DISMOUNT_SPEED: Final = 1.4
"""Speed at a dismount line, a walking pace [m/s]; common practice, no source."""


FEED_POINT: Final = 50.0
"""A bottle is taken and put away within so many metres before and after a feed that is a point; a choice."""


def corner_speed_limit(radius: FloatArray, lateral: float) -> FloatArray:
    """Speed at which a corner takes a lateral acceleration, v² = a R [m/s]."""
    return np.asarray(np.sqrt(lateral * radius))


def stretch_of(zone: Zone) -> tuple[float, float]:
    """Where a zone begins and ends; a feed that is a point takes its time before and after it [m]."""
    around = FEED_POINT if zone.kind is ZoneKind.FEED and zone.end <= zone.start else 0.0
    return zone.start - around, zone.end + around


def touched(cells: Cells, start: float, end: float) -> npt.NDArray[np.bool_]:
    """Cells that share more than a point with [start, end]; at least the one that holds a point."""
    ends = cells.start + cells.length
    hit = (cells.start < end - 1e-6) & (ends > start + 1e-6)
    if not hit.any():
        hit[min(int(np.searchsorted(ends, start, side="right")), len(cells) - 1)] = True
    return np.asarray(hit)


def speed_limits(cells: Cells, zones: Sequence[Zone], limits: Limits) -> FloatArray:
    """Speed limit of each cell with the hands on the brakes, shape (n,) [m/s]."""
    cell = np.minimum(corner_speed_limit(cells.corner_radius, limits.corner_lateral), limits.top_speed)
    for zone in zones:
        if zone.kind is ZoneKind.SPEED_LIMIT and zone.value is not None:
            hit = touched(cells, zone.start, zone.end)
            cell[hit] = np.minimum(cell[hit], zone.value)
    return cell


def at_cell_ends(cell_limit: FloatArray, *, dismount: bool) -> FloatArray:
    """Bring cell limits to the cell ends, shape (n + 1,) [m/s]: the lower neighbour, the dismount line."""
    node = np.minimum(np.append(cell_limit, np.inf), np.insert(cell_limit, 0, np.inf))
    if dismount:
        node[-1] = min(node[-1], DISMOUNT_SPEED)
    return np.asarray(node)

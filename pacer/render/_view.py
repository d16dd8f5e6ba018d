"""The plan thinned to what a screen can show, on a plane in metres; shared by the report and the pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.planning.plan import Plan
from pacer.units import KMH, FloatArray, unbounded

__all__ = ["Stretch", "View", "clean_steps", "make_view", "mean_wind", "plane", "stretches"]

_METRES_PER_DEGREE: Final = 111_195.0
"""On a sphere of 6 371 km; for drawing only."""


_TIGHT: Final = 80.0
"""Radius under which a corner is drawn from more places [m]; a choice of display."""

_CLOSER: Final = 3.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """A piece of road in one state: "tuck", "up" (by choice) or "must" (the tuck is refused)."""

    state: str
    start_m: float
    end_m: float


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Thinned columns, shape (k,), in the units that are shown; x east and y north on a plane [m]."""

    distance_m: FloatArray
    time_s: FloatArray
    elevation_m: FloatArray
    grade: FloatArray
    speed_kmh: FloatArray
    limit_kmh: FloatArray
    power_w: FloatArray
    headwind_m_s: FloatArray
    crosswind_m_s: FloatArray
    w_balance_j: FloatArray
    heading_deg: FloatArray
    x: FloatArray
    y: FloatArray
    segment: npt.NDArray[np.int64]


def plane(latitude_deg: FloatArray, longitude_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lay coordinates on a plane around their middle, east and north [m]; the antimeridian is no edge."""
    longitude = np.unwrap(longitude_deg, period=360.0)
    middle = float((latitude_deg.min() + latitude_deg.max()) / 2)
    x = (longitude - longitude.mean()) * _METRES_PER_DEGREE * math.cos(math.radians(middle))
    return np.asarray(x), np.asarray((latitude_deg - middle) * _METRES_PER_DEGREE)


def make_view(plan: Plan, most: int) -> View:
    """Thin a plan to about `most` places, closer in corners; each segment keeps its first cell."""
    cells, nodes = plan.cells, plan.nodes
    index = _kept(plan, most)
    x, y = plane(cells.latitude_deg, cells.longitude_deg)
    middle = (nodes.time_s[1:] + nodes.time_s[:-1]) / 2
    speed = (nodes.speed_m_s[1:] + nodes.speed_m_s[:-1]) / 2
    return View(
        distance_m=(cells.start_m + cells.length_m / 2)[index],
        time_s=middle[index],
        elevation_m=cells.elevation_m[index],
        grade=cells.grade[index],
        speed_kmh=speed[index] / KMH,
        limit_kmh=cells.speed_limit_m_s[index] / KMH,
        power_w=cells.power_w[index],
        headwind_m_s=cells.headwind_m_s[index],
        crosswind_m_s=cells.crosswind_m_s[index],
        w_balance_j=((nodes.w_balance_j[1:] + nodes.w_balance_j[:-1]) / 2)[index],
        heading_deg=cells.heading_deg[index],
        x=x[index],
        y=y[index],
        segment=cells.segment[index],
    )


def _kept(plan: Plan, most: int) -> npt.NDArray[np.int64]:
    cells = plan.cells
    count = cells.start_m.size
    if count <= most:
        return np.arange(count)
    tight = unbounded(cells.corner_radius_m) < _TIGHT
    weight = np.cumsum(cells.length_m / cells.length_m.mean() + _CLOSER * tight)
    wanted = np.linspace(weight[0], weight[-1], most)
    keep = np.minimum(np.searchsorted(weight, wanted - 1e-9), count - 1)
    first = np.flatnonzero(np.diff(cells.segment, prepend=-1))
    return np.unique(np.concatenate([keep, first]))


def stretches(plan: Plan) -> tuple[Stretch, ...]:
    """Cut the road by what the rider is: tucked, upright by choice, upright because the tuck is refused."""
    cells = plan.cells
    tucked = np.array([segment.tucked for segment in plan.segments])[cells.segment]
    state = np.where(tucked, "tuck", np.where(cells.tuck_allowed, "up", "must")).tolist()
    found: list[Stretch] = []
    at = 0
    for name, group in groupby(state):
        size = len(list(group))
        end = at + size
        last = float(cells.start_m[end - 1] + cells.length_m[end - 1])
        found.append(Stretch(name, float(cells.start_m[at]), last))
        at = end
    return tuple(found)


def mean_wind(view: View) -> tuple[float, float]:
    """Give the mean wind over the course at the rider's height [m/s], and where it blows to [°], north up."""
    heading = np.radians(view.heading_deg)
    # From the rider's own terms back to the compass: where the wind comes from, east and north.
    east = float(np.mean(view.headwind_m_s * np.sin(heading) + view.crosswind_m_s * np.cos(heading)))
    north = float(np.mean(view.headwind_m_s * np.cos(heading) - view.crosswind_m_s * np.sin(heading)))
    return math.hypot(east, north), math.degrees(math.atan2(-east, -north))


def clean_steps(low: float, high: float, most: int) -> Sequence[float]:
    """Give at most `most` round values between two bounds, a constant step apart."""
    span = max(high - low, 1e-9)
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(power * k for k in (1.0, 2.0, 2.5, 5.0, 10.0, 20.0) if span / (power * k) <= most)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]

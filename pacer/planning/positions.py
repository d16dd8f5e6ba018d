"""Choose a position for every cell from prices: a dynamic programme along the course.

A stay in a position lasts a shortest time, a change costs something, a refused cell ends a stay. Exact
for the given costs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.planning.problem import Problem
from pacer.planning.programme import SPEED_SCALE, Optimum
from pacer.units import FloatArray

__all__ = ["CHANGE_COST", "Stays", "choose_positions", "position_costs", "position_prices"]

CHANGE_COST: Final = 0.3
"""Seconds that a change of position must bring in before it is worth making; common practice, no source."""

BREAK_SECONDS: Final = 12.0
"""Length of the break that ends a stay of the longest comfort [s]; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Stays:
    """How long positions are held, one entry a position, shape (p,): shortest and longest [s]."""

    shortest: tuple[float, ...]
    longest: tuple[float, ...]


def position_prices(problem: Problem, optimum: Optimum) -> FloatArray:
    """Seconds that each position would cost in each cell, at the optimum's speeds and prices, shape (n, p).

    The price of resistance times the position's air drag, plus the price of fatigue times what the same
    wheel force costs the body in it, whether or not the position is allowed there.
    """
    road, fatigue = problem.road, problem.fatigue
    speed = optimum.mean_speed
    axial = speed + road.headwind
    drag = (0.5 * road.density * np.hypot(axial, road.crosswind) * axial)[:, None] * problem.drag_area
    wheel = optimum.force * (optimum.share @ problem.power_factor)
    force = wheel[:, None] / problem.power_factor
    ratio = force / optimum.slowness[:, None] / fatigue.budget
    weight = road.length * optimum.slowness * SPEED_SCALE / road.length.sum()
    cost = optimum.motion_price[:, None] * drag
    cost = cost + optimum.endurance_price * weight[:, None] * ratio**fatigue.exponent
    return np.asarray(cost + optimum.w_prime_price[:, None] * road.length[:, None] * force)


def position_costs(problem: Problem, optimum: Optimum) -> FloatArray:
    """`position_prices`, infinite where refused, above the cap, or where it would have to brake."""
    fast = np.maximum(optimum.speed[:-1], optimum.speed[1:])
    barred = ~problem.allowed | (fast[:, None] > problem.cap + 1e-3)
    barred |= ~problem.can_brake & (optimum.brake > 1.0)[:, None]
    barred[:, problem.can_brake] = ~problem.allowed[:, problem.can_brake]
    return np.where(barred, np.inf, position_prices(problem, optimum))


def choose_positions(cost: FloatArray, seconds: FloatArray, stays: Stays) -> npt.NDArray[np.int64]:
    """Cheapest sequence of positions.

    Parameters
    ----------
    cost : FloatArray, shape (n, p)
        Seconds; infinite where refused. Some position must be finite in every cell, and positions with the
        hands on the brakes must have a shortest stay of 0.
    seconds : FloatArray, shape (n,)
        Time spent in each cell.
    stays : Stays

    Returns
    -------
    int array, shape (n,)
    """
    chosen = _sequence(cost, seconds, stays)
    for p, longest in enumerate(stays.longest):
        if math.isfinite(longest):
            _insert_breaks(chosen, cost, seconds, p, longest)
    return chosen


def _sequence(cost: FloatArray, seconds: FloatArray, stays: Stays) -> npt.NDArray[np.int64]:
    n, count = cost.shape
    if count == 1:
        return np.zeros(n, dtype=np.int64)
    time = np.concatenate(([0.0], np.cumsum(seconds))).tolist()
    refused = ~np.isfinite(cost)
    total = np.concatenate((np.zeros((1, count)), np.cumsum(np.where(refused, 0.0, cost), axis=0))).tolist()
    closed = refused.tolist()
    best = [[0.0] * count] + [[math.inf] * count for _ in range(n)]
    begin = [[0] * count for _ in range(n + 1)]
    # For each position: the next start to consider, and the best start so far with its value.
    ahead, open_from, open_value = [0] * count, [0] * count, [math.inf] * count
    for i in range(1, n + 1):
        for p in range(count):
            if closed[i - 1][p]:
                ahead[p], open_value[p] = i, math.inf
                continue
            while ahead[p] < i and time[i] - time[ahead[p]] >= stays.shortest[p] - 1e-9:
                j = ahead[p]
                entry = 0.0 if j == 0 else min(best[j][q] for q in range(count) if q != p) + CHANGE_COST
                if entry - total[j][p] < open_value[p]:
                    open_value[p], open_from[p] = entry - total[j][p], j
                ahead[p] += 1
            best[i][p] = open_value[p] + total[i][p]
            begin[i][p] = open_from[p]
    chosen = np.zeros(n, dtype=np.int64)
    i, last = n, -1
    while i > 0:
        last = min((q for q in range(count) if q != last), key=lambda q: best[i][q])
        chosen[begin[i][last] : i] = last
        i = begin[i][last]
    return chosen


def _insert_breaks(
    chosen: npt.NDArray[np.int64], cost: FloatArray, seconds: FloatArray, position: int, longest: float
) -> None:
    """Sit up for a moment, where it costs least, so that no stay is longer than is comfortable; in place."""
    others = np.where(np.arange(cost.shape[1]) == position, np.inf, cost)
    relief, extra = others.argmin(axis=1), others.min(axis=1) - cost[:, position]
    time = np.concatenate(([0.0], np.cumsum(seconds)))
    held = np.concatenate(([False], chosen == position, [False])).astype(int)
    edges = np.flatnonzero(np.diff(held))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if time[last] - time[first] <= longest:
            continue
        for a, b in _breaks(time[first : last + 1], extra[first:last], longest):
            chosen[first + a : first + b] = relief[first + a : first + b]


def _breaks(time: FloatArray, extra: FloatArray, longest: float) -> list[tuple[int, int]]:
    """Cheapest breaks, as pairs of nodes, with no piece between them longer than `longest`."""
    n = extra.size
    total = np.concatenate(([0.0], np.cumsum(extra)))
    end = np.searchsorted(time, time[:-1] + BREAK_SECONDS - 1e-9)
    value, origin = np.full(n + 1, np.inf), np.full(n, -1)
    value[0] = 0.0  # value at a node: a stay may begin here
    for start in range(1, n):
        if end[start] > n:
            break
        low = int(np.searchsorted(time, time[start] - longest))
        k = low + int(np.argmin(value[low:start])) if low < start else start
        paid = value[k] + total[end[start]] - total[start] + 2.0 * CHANGE_COST if k < start else np.inf
        if paid < value[end[start]]:
            value[end[start]] = paid
            origin[end[start] - 1] = start * (n + 1) + k
    last = int(np.searchsorted(time, time[-1] - longest))
    if not np.isfinite(value[last:]).any():
        return [(1, int(min(end[1], n)))] if n > 1 else []
    node = last + int(np.argmin(value[last:]))
    found = []
    while node > 0:
        start, node_before = divmod(int(origin[node - 1]), n + 1)
        found.append((start, node))
        node = node_before
    return found

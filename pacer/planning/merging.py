"""Fewer cues than the plan has changes, by the least time lost.

The cues are cut into blocks of neighbours, each ridden as one: at one power, and upright if any of it is.
A block is therefore never tucked where the plan isn't, and hands go back no later than the plan says. Of
all such cuts the cheapest is found by dynamic programming.

What a block costs is reckoned from the plan alone: riding at p instead of p_r changes the time of a run
from T_r to T_r (p_r / p)^e_r, with e the share of a small change of power that ends up as speed
(`speed_elasticity`); p is the power that costs the body as much as the powers it replaces (equal
fourth-power sum); a tucked run ridden upright costs its `gain_s`. Left out: what one block's other speed
hands on to the next.

Only the powers of blocks of several runs are rounded, and what rounding leaves of the budget can go nowhere
else: the other lines say what the plan says. Where a long block would lose much by it, another cut is
cheaper. So cuts are found by the exact powers and by the powers rounded down, and the one is taken that costs
least with the powers that the rider is told.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pacer.planning.elasticity import power_elasticity
from pacer.planning.landmarks import LIMIT
from pacer.planning.plan import Cue, Plan
from pacer.planning.rounding import step_below, steps_within
from pacer.units import FloatArray

__all__ = ["merge_cues"]

_TASKS: Final = frozenset({"start", "up", "tuck", "power"})
_PEDALLING: Final = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """The stretches between cues that change the rider's task; arrays of shape (r,)."""

    cues: tuple[Cue, ...]
    seconds: FloatArray
    """Time spent pedalling [s]."""
    power: FloatArray
    factor: FloatArray
    elasticity: FloatArray
    gain: FloatArray
    tucked: FloatArray


def merge_cues(plan: Plan, most: int) -> tuple[tuple[Cue, ...], float]:
    """Bring the plan's cues down to `most` lines by the least time lost.

    Notes go first, then changes of the rider's task are merged; places to eat and drink and speed limits
    keep up to a third of the lines. A cue that calls the hands back goes only together with the tuck
    before it: the rider stays upright.

    Parameters
    ----------
    plan : Plan
        With its cues.
    most : int
        At least 1.

    Returns
    -------
    cues : tuple of Cue
    cost_s : float
        Estimated seconds lost against the plan's own cues [s].
    """
    if most < 1:
        raise ValueError("a card has at least one cue")
    cues = plan.cues
    if len(cues) <= most:
        return cues, 0.0
    tasks = tuple(cue for cue in cues if cue.kind in _TASKS)
    kept = [cue for cue in cues if cue.kind == "feed" or LIMIT in cue.text][: most // 3]
    if not tasks:
        return cues[:most], 0.0
    runs = _runs(plan, tasks)
    blocks, powers, cost = _cheapest(runs, most - len(kept))
    merged = [_block_cue(runs, i, j, power) for (i, j), power in zip(blocks, powers, strict=True)]
    named = [_kind(cue, merged[k - 1] if k else None) for k, cue in enumerate(merged)]
    places = {cue.at_m for cue in named if LIMIT in cue.text}
    told = [_with_task(cue, named) for cue in kept if cue.at_m not in places]
    return tuple(sorted([*named, *told], key=lambda cue: cue.at_m)), cost


def _runs(plan: Plan, tasks: tuple[Cue, ...]) -> _Runs:
    cells = plan.cells
    seconds = np.diff(plan.nodes.time_s)
    starts = np.array([cue.at_m for cue in tasks])
    middle = cells.start_m + cells.length_m / 2
    run = np.clip(np.searchsorted(starts, middle, side="right") - 1, 0, None)
    pedalling = np.where(cells.power_w > _PEDALLING, seconds, 0.0)
    count = len(tasks)

    def mean(values: FloatArray) -> FloatArray:
        total = np.bincount(run, pedalling, count)
        return np.asarray(np.bincount(run, pedalling * values, count) / np.where(total > 0.0, total, 1.0))

    gains = np.zeros(count)
    ends = np.append(starts[1:], np.inf)
    for segment in plan.segments:
        if segment.tucked and segment.gain_s > 0.0:
            shared = np.clip(np.minimum(ends, segment.end_m) - np.maximum(starts, segment.start_m), 0.0, None)
            gains += segment.gain_s * shared / max(segment.end_m - segment.start_m, 1e-9)
    tucked = np.array([1.0 if cue.tucked else 0.0 for cue in tasks])
    return _Runs(
        cues=tasks,
        seconds=np.asarray(np.bincount(run, pedalling, count), dtype=np.float64),
        power=np.array([cue.power_w for cue in tasks]),
        factor=np.maximum(mean(cells.power_factor), 1e-3),
        elasticity=mean(power_elasticity(plan)),
        gain=gains * tucked,
        tucked=tucked,
    )


def _block_powers(runs: _Runs, i: int, last: int) -> FloatArray:
    """Power of the blocks that start at run i and end at i, i + 1, ... last - 1 [W]."""
    part = slice(i, last)
    weight = np.cumsum(runs.seconds[part] / runs.factor[part] ** 4)
    paid = np.cumsum(runs.seconds[part] * (runs.power[part] / runs.factor[part]) ** 4)
    with np.errstate(invalid="ignore", divide="ignore"):
        equal = np.where(weight > 0.0, (paid / weight) ** 0.25, runs.power[i])
    lone = np.maximum.accumulate(runs.power[part]) == np.minimum.accumulate(runs.power[part])
    return np.asarray(np.where(lone, runs.power[i], equal))


def _told_powers(runs: _Runs, blocks: Sequence[tuple[int, int]]) -> list[float]:
    """Power of each block as the rider is told it [W]."""
    power = np.array([_block_powers(runs, i, j)[-1] for i, j in blocks])
    each = runs.seconds / runs.factor**4
    return [float(p) for p in steps_within(power, np.array([each[i:j].sum() for i, j in blocks]))]


def _cheapest(runs: _Runs, most: int) -> tuple[list[tuple[int, int]], list[float], float]:
    """Blocks, their powers as told, and the seconds lost as told: the least of all cuts that may have it."""
    best: tuple[list[tuple[int, int]], list[float], float] = ([], [], math.inf)
    for rounded in (False, True):
        for blocks, cost in _cuts(runs, most, rounded=rounded):
            if cost >= best[2]:
                break
            powers = _told_powers(runs, blocks)
            told = max(_cost_as_told(runs, blocks, powers), 0.0)
            best = min(best, (blocks, powers, told), key=lambda cut: cut[2])
    return best


def _cost_as_told(runs: _Runs, blocks: Sequence[tuple[int, int]], powers: Sequence[float]) -> float:
    """Seconds lost by blocks at these powers."""
    lost = 0.0
    for (i, j), power in zip(blocks, powers, strict=True):
        part = slice(i, j)
        lost += float(_lost(runs, part, np.array([power])).sum())
        lost += 0.0 if np.all(runs.tucked[part] > 0.0) else float(runs.gain[part].sum())
    return lost


def _lost(runs: _Runs, part: slice, power: FloatArray) -> FloatArray:
    """Seconds that each run of a part loses at each of k powers, shape (k, runs)."""
    ratio = np.maximum(runs.power[part], 1e-9)[None, :] / np.maximum(power, 1.0)[:, None]
    return np.asarray(runs.seconds[part] * (ratio ** runs.elasticity[part] - 1.0))


def _block_costs(runs: _Runs, i: int, last: int, *, rounded: bool) -> FloatArray:
    """Seconds lost by the same blocks."""
    part = slice(i, last)
    power = _block_powers(runs, i, last)
    by_power = np.tril(_lost(runs, part, step_below(power) if rounded else power)).sum(axis=1)
    upright = np.cumsum(1.0 - runs.tucked[part]) > 0.0
    by_position = np.where(upright, np.cumsum(runs.gain[part]), 0.0)
    return np.asarray(np.maximum(by_power, 0.0) + by_position)


def _cuts(runs: _Runs, most: int, *, rounded: bool) -> Iterator[tuple[list[tuple[int, int]], float]]:
    """Give the cheapest cut into each number of blocks up to `most`, with its cost, cheapest first.

    No block is longer than four mean ones.
    """
    count = len(runs.cues)
    longest = min(count, 4 * math.ceil(count / most))
    cost = np.full((count, count + 1), np.inf)
    for i in range(count):
        last = min(count, i + longest)
        cost[i, i + 1 : last + 1] = _block_costs(runs, i, last, rounded=rounded)
    best = np.full(count + 1, np.inf)
    best[0] = 0.0
    came: list[np.ndarray[tuple[int], np.dtype[np.intp]]] = []
    totals = []
    for _ in range(min(most, count)):
        through = best[:-1, None] + cost
        came.append(np.argmin(through, axis=0))
        best = np.min(through, axis=0)
        totals.append(float(best[count]))
    for used in np.argsort(totals, kind="stable").tolist():
        blocks: list[tuple[int, int]] = []
        end = count
        for k in range(used, -1, -1):
            start = int(came[k][end])
            blocks.append((start, end))
            end = start
        yield blocks[::-1], totals[used]


def _block_cue(runs: _Runs, i: int, j: int, power: float) -> Cue:
    """Make one cue of runs i to j - 1."""
    part = runs.cues[i:j]
    upright = [cue for cue in part if not cue.tucked]
    kept = upright or part
    seconds = {cue.at_m: float(t) for cue, t in zip(part, runs.seconds[i:j], strict=True)}
    longest = max(kept, key=lambda cue: seconds[cue.at_m])
    return replace(
        part[0], power_w=power, position=longest.position, tucked=not upright, text=_text(part, kept)
    )


def _text(part: Sequence[Cue], kept: Sequence[Cue]) -> str:
    """Keep the first cue's words, or those of the hands-back that the block is upright for."""
    first = part[0]
    if first.kind == "tuck" and not kept[0].tucked:
        return next((cue.text for cue in part if cue.kind == "up"), first.text)
    return first.text


def _kind(cue: Cue, before: Cue | None) -> Cue:
    if before is None:
        kind = "start"
    elif cue.tucked and cue.position != before.position:
        kind = "tuck"
    else:
        kind = "up" if before.tucked and not cue.tucked else "power"
    return replace(cue, kind=kind)


def _with_task(cue: Cue, tasks: Sequence[Cue]) -> Cue:
    """Give a cue that informs the power and position that the merged cues ask for there."""
    now = [task for task in tasks if task.at_m <= cue.at_m]
    task = now[-1] if now else tasks[0]
    kind = "feed" if cue.kind == "feed" else "note"
    return replace(cue, power_w=task.power_w, position=task.position, tucked=task.tucked, kind=kind)

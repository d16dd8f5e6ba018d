"""A ride against its plan: where time was won and lost, and why.

The plan is ridden again with one thing at a time changed to what really happened: power, position, drag and
wind, braking. Every order of changing them counts alike (the mean over all orders [1]), stops are added as
they were, and what is left over is shown: the parts add up to the difference of the two times.

References
----------
[1] Shapley LS (1953). A value for n-person games. Contributions to the Theory of Games II, Princeton (from
    memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.physics.fatigue import fourth_power_mean, w_balance
from pacer.planning.plan import Plan
from pacer.rides.fit import CONFIDENCE
from pacer.rides.lay import Laid, lay_ride
from pacer.rides.prepare import Stretch, label_positions
from pacer.rides.ridden import Untucked, ridden_course, tuck_not_ridden
from pacer.rides.ride import Ride
from pacer.units import FloatArray

__all__ = ["PARTS", "Review", "SegmentReview", "review_ride"]

PARTS: Final = ("power", "position", "drag and wind", "braking", "stops", "left over")
"""Why time was won (negative) or lost (positive), in seconds."""

_FACTORS: Final = PARTS[:4]

_TELLING: Final = 0.25
"""Standard error of the share of the tuck that wasn't ridden, up to which it is told; a design choice."""


@dataclass(frozen=True, slots=True)
class SegmentReview:
    """One segment of the plan as planned and as ridden.

    Attributes
    ----------
    planned_s, ridden_s : float
        Ridden with stops.
    planned_power_w, ridden_power_w : float
        Mean over the segment, while moving.
    planned_speed_m_s, ridden_speed_m_s : float
        While moving.
    planned_position, ridden_position : str
        The latter empty where the user didn't tell.
    parts_s : mapping of str to float
        By the names of `PARTS`; add up to ridden minus planned.
    """

    index: int
    start_m: float
    end_m: float
    planned_s: float
    ridden_s: float
    planned_power_w: float
    ridden_power_w: float
    planned_speed_m_s: float
    ridden_speed_m_s: float
    planned_position: str
    ridden_position: str
    parts_s: Mapping[str, float]


@dataclass(frozen=True, slots=True, eq=False)
class Review:
    """The whole ride against the plan.

    Attributes
    ----------
    planned_s, ridden_s, stopped_s : float
        Over the covered part of the course.
    parts_s : mapping of str to float
        By the names of `PARTS`; add up to ridden minus planned.
    modelled_s : float
        Time that the plan's model gives with the power that was really ridden, without stops.
    fourth_power_mean_w, budget_w : float
        Of body power as ridden, and what the plan allowed.
    min_w_balance_j, reserve_j : float
        Least of W' as ridden by the model, and what the plan kept.
    mean_power_w, planned_mean_power_w : float
    distance_m : FloatArray, shape (n + 1,)
        Ends of the covered cells along the plan.
    gained_s : FloatArray, shape (n + 1,)
        Seconds behind (positive) or ahead of the plan there.
    planned_speed_m_s, ridden_speed_m_s : FloatArray, shape (n,)
    planned_power_w, ridden_power_w : FloatArray, shape (n,)
    notes : tuple of str
    """

    name: str
    planned_s: float
    ridden_s: float
    stopped_s: float
    parts_s: Mapping[str, float]
    modelled_s: float
    fourth_power_mean_w: float
    budget_w: float
    min_w_balance_j: float
    reserve_j: float
    mean_power_w: float
    planned_mean_power_w: float
    segments: tuple[SegmentReview, ...]
    distance_m: FloatArray
    gained_s: FloatArray
    planned_speed_m_s: FloatArray
    ridden_speed_m_s: FloatArray
    planned_power_w: FloatArray
    ridden_power_w: FloatArray
    notes: tuple[str, ...]

    @property
    def model_error(self) -> float:
        """Modelled over ridden time (both without stops), less one: the honest test of the model."""
        return self.modelled_s / (self.ridden_s - self.stopped_s) - 1.0


def review_ride(
    ride: Ride, plan: Plan, stretches: Sequence[Stretch] = (), default: str | None = None
) -> Review:
    """Lay a ride on its plan and find where time was won and lost.

    Parameters
    ----------
    ride : Ride
    plan : Plan
    stretches : sequence of Stretch
        Parts ridden in a position that the user knows, along the ride.
    default : str, optional
        Position outside them. Where nothing is told, positions are taken as planned.

    Raises
    ------
    RideError
        The ride can't be laid on the plan.
    """
    laid = lay_ride(ride, plan)
    position = _ridden_positions(ride, plan, laid, stretches, default)
    course = ridden_course(plan, laid, position)
    base = course.ride(frozenset())
    values = {subset: course.ride(subset) for subset in _subsets(course.factors)}
    parts = _shares(values, course.factors)
    everything = values[frozenset(course.factors)]
    parts["stops"] = laid.stopped
    parts["left over"] = laid.duration - laid.stopped - everything
    planned = np.diff(plan.nodes.time_s)[laid.first : laid.last]
    # the plan's own times and their replay differ by rounding; that belongs to what is left over
    parts["left over"] = parts["left over"] + base - planned
    for name in PARTS:
        parts.setdefault(name, np.zeros(len(planned)))
    if not any(position):
        laid = replace(laid, notes=(*laid.notes, *_untold(tuck_not_ridden(plan, laid, course))))
    return _assemble(ride, plan, laid, position, parts, values[frozenset({"power"} & set(course.factors))])


def _untold(untucked: Untucked | None) -> list[str]:
    """Say what the drag tells of the position where nobody else does."""
    if untucked is None:
        return []
    if untucked.error > _TELLING:
        return [
            "No positions were told, and the drag of this ride doesn't show whether the tuck was ridden: it "
            "is taken as planned (--stretch, --lap-positions or --position tell)."
        ]
    reach = CONFIDENCE * untucked.error
    low, high = (min(max(untucked.share + side * reach, 0.0), 1.0) for side in (-1.0, 1.0))
    if low == 0.0 and untucked.share < 0.1:
        verdict = f"agrees with the tuck ridden as planned (no more than {100.0 * high:.0f} % of it missing)"
    else:
        verdict = (
            f"looks as if {100.0 * low:.0f} to {100.0 * high:.0f} % of the planned tuck wasn't ridden, "
            f"{low * untucked.seconds:.0f} to {high * untucked.seconds:.0f} s of what stands under drag and "
            "wind"
        )
    return [
        f"No positions were told. The drag where the plan is tucked, against the drag elsewhere, {verdict}; "
        "tell the positions to be sure."
    ]


def _ridden_positions(
    ride: Ride, plan: Plan, laid: Laid, stretches: Sequence[Stretch], default: str | None
) -> tuple[str, ...]:
    """Position in each covered cell, empty where not told."""
    if not stretches and default is None:
        return ("",) * (laid.last - laid.first)
    names = [str(p["name"]) for p in plan.inputs["positions"]]
    label = label_positions(ride, stretches, names, default)
    middle = 0.5 * (laid.clock[1:] + laid.clock[:-1])
    step = np.clip(np.searchsorted(ride.elapsed, middle) - 1, 0, label.size - 1)
    return tuple(names[k] if k >= 0 else "" for k in label[step].tolist())


def _subsets(factors: Sequence[str]) -> list[frozenset[str]]:
    return [frozenset(c) for n in range(len(factors) + 1) for c in combinations(factors, n)]


def _shares(values: Mapping[frozenset[str], FloatArray], factors: Sequence[str]) -> dict[str, FloatArray]:
    """Each factor's effect on every cell's time, averaged over all orders of changing them."""
    n = len(factors)
    shares = {}
    for factor in factors:
        total = np.zeros_like(values[frozenset()])
        others = [f for f in factors if f != factor]
        for subset in _subsets(others):
            k = len(subset)
            weight = math.factorial(k) * math.factorial(n - k - 1) / math.factorial(n)
            total += weight * (values[subset | {factor}] - values[subset])
        shares[factor] = total
    return shares


def _assemble(
    ride: Ride,
    plan: Plan,
    laid: Laid,
    position: tuple[str, ...],
    parts: Mapping[str, FloatArray],
    modelled: FloatArray,
) -> Review:
    cells, nodes = plan.cells, plan.nodes
    inside = slice(laid.first, laid.last)
    planned = np.diff(nodes.time_s)[inside]
    moving = np.maximum(laid.duration - laid.stopped, 1e-3)
    body = laid.power / _power_factors(plan, laid, position)
    model = plan.model
    balance = w_balance(body, moving, model.critical_power_w, model.w_prime_j)
    length = cells.length_m[inside]
    ahead = nodes.time_s[laid.first : laid.last + 1]
    return Review(
        name=ride.name,
        planned_s=float(planned.sum()),
        ridden_s=float(laid.time[-1]),
        stopped_s=float(laid.stopped.sum()),
        parts_s={name: float(parts[name].sum()) for name in PARTS},
        modelled_s=float(modelled.sum()),
        fourth_power_mean_w=fourth_power_mean(body, moving),
        budget_w=model.fourth_power_budget_w,
        min_w_balance_j=float(balance.min()),
        reserve_j=model.w_prime_reserve_j,
        mean_power_w=float(np.sum(laid.power * moving) / moving.sum()),
        planned_mean_power_w=float(np.sum(cells.power_w[inside] * planned) / planned.sum()),
        segments=_segments(plan, laid, position, parts, planned, moving),
        distance_m=nodes.distance_m[laid.first : laid.last + 1],
        gained_s=laid.time - (ahead - ahead[0]),
        planned_speed_m_s=length / planned,
        ridden_speed_m_s=length / moving,
        planned_power_w=cells.power_w[inside],
        ridden_power_w=laid.power,
        notes=laid.notes,
    )


def _power_factors(plan: Plan, laid: Laid, position: tuple[str, ...]) -> FloatArray:
    """Power factor of the position ridden in each covered cell, as planned where not told."""
    known = {str(p["name"]): float(p["power_factor"]) for p in plan.inputs["positions"]}
    planned = plan.cells.power_factor[laid.first : laid.last].tolist()
    return np.array([known.get(name, factor) for name, factor in zip(position, planned, strict=True)])


def _segments(
    plan: Plan,
    laid: Laid,
    position: tuple[str, ...],
    parts: Mapping[str, FloatArray],
    planned: FloatArray,
    moving: FloatArray,
) -> tuple[SegmentReview, ...]:
    cells = plan.cells
    inside = slice(laid.first, laid.last)
    segment = np.asarray(cells.segment)[inside]
    length, power = cells.length_m[inside], cells.power_w[inside]
    reviews = []
    for said in plan.segments:
        which = segment == said.index
        if not which.any():
            continue
        seconds, ridden = float(planned[which].sum()), float(moving[which].sum())
        metres = float(length[which].sum())
        start = cells.start_m[inside][which]
        reviews.append(
            SegmentReview(
                index=said.index,
                start_m=float(start[0]),
                end_m=float(start[-1] + length[which][-1]),
                planned_s=seconds,
                ridden_s=ridden + float(laid.stopped[which].sum()),
                planned_power_w=float(np.sum(power[which] * planned[which]) / seconds),
                ridden_power_w=float(np.sum(laid.power[which] * moving[which]) / ridden),
                planned_speed_m_s=metres / seconds,
                ridden_speed_m_s=metres / ridden,
                planned_position=said.position,
                ridden_position=_most(position, which, moving),
                parts_s={name: float(parts[name][which].sum()) for name in PARTS},
            )
        )
    return tuple(reviews)


def _most(position: tuple[str, ...], which: npt.NDArray[np.bool_], seconds: FloatArray) -> str:
    """The position in which most of the time was spent."""
    totals: dict[str, float] = {}
    for i in np.flatnonzero(which).tolist():
        totals[position[i]] = totals.get(position[i], 0.0) + float(seconds[i])
    return max(totals, key=lambda name: totals[name])

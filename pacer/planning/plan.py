"""The finished plan: frozen data in the terms of plan.json, no maths.

This is a declared boundary: every name carries its unit, in the words of `docs/reference/plan-file.md`,
so that what is written, printed and drawn is what was planned.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from pacer.units import FloatArray, read_only

__all__ = [
    "SCHEMA",
    "Cue",
    "Optimality",
    "Plan",
    "PlanCells",
    "PlanModel",
    "PlanNodes",
    "PlanSegment",
    "PlanTotals",
    "Reason",
    "UnsafeStretch",
]

SCHEMA = "pacer-plan/1"


def _freeze_arrays(record: Any) -> None:
    for item in fields(record):
        value = getattr(record, item.name)
        if isinstance(value, np.ndarray) and value.dtype == np.float64:
            object.__setattr__(record, item.name, read_only(value))


@dataclass(frozen=True, slots=True)
class PlanModel:
    """The numbers that the equation of motion and the fatigue budget were given."""

    total_mass_kg: float
    inertial_mass_kg: float
    drivetrain_efficiency: float
    gravity_m_s2: float
    critical_power_w: float
    w_prime_j: float
    w_prime_reserve_j: float
    fourth_power_budget_w: float
    max_power_w: float


@dataclass(frozen=True, slots=True, eq=False)
class PlanCells:
    """One entry a cell, shape (n,); NaN stands for null (straight, no limit, refused)."""

    start_m: FloatArray
    length_m: FloatArray
    grade: FloatArray
    heading_deg: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    elevation_m: FloatArray
    corner_radius_m: FloatArray
    tightest_radius_m: FloatArray
    air_density_kg_m3: FloatArray
    headwind_m_s: FloatArray
    crosswind_m_s: FloatArray
    gust_crosswind_m_s: FloatArray
    speed_limit_m_s: FloatArray
    tuck_allowed: npt.NDArray[np.bool_]
    tuck_speed_limit_m_s: FloatArray
    position: tuple[str, ...]
    cda_m2: FloatArray
    crr: FloatArray
    power_factor: FloatArray
    power_w: FloatArray
    brake_n: FloatArray
    segment: npt.NDArray[np.int64]

    def __post_init__(self) -> None:
        _freeze_arrays(self)


@dataclass(frozen=True, slots=True, eq=False)
class PlanNodes:
    """One entry a cell end, shape (n + 1,)."""

    distance_m: FloatArray
    time_s: FloatArray
    speed_m_s: FloatArray
    w_balance_j: FloatArray

    def __post_init__(self) -> None:
        _freeze_arrays(self)


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a position with the hands off the brakes is refused: the rule, what it saw, what it allows."""

    rule: str
    value: float
    limit: float
    unit: str


@dataclass(frozen=True, slots=True)
class PlanSegment:
    """A stretch that the rider follows: one power, one position.

    `gain_s` is what being tucked here saves (0 where upright); `tucked` says whether the hands are off the
    brakes; `reasons` why the tuck is refused, empty where it isn't.
    """

    index: int
    start_m: float
    end_m: float
    mean_grade: float
    heading_deg: float
    headwind_m_s: float
    power_w: float
    position: str
    tucked: bool
    speed_m_s: float
    duration_s: float
    gain_s: float
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True)
class UnsafeStretch:
    """Where it is unsafe to be tucked, from where the hands must be back, and what that costs."""

    start_m: float
    end_m: float
    up_by_m: float
    reasons: tuple[Reason, ...]
    cost_s: float


@dataclass(frozen=True, slots=True)
class Cue:
    """A line of the card."""

    at_m: float
    text: str
    power_w: float
    position: str
    tucked: bool
    kind: str


@dataclass(frozen=True, slots=True)
class PlanTotals:
    """The race in numbers."""

    time_s: float
    distance_m: float
    climb_m: float
    mean_power_w: float
    fourth_power_mean_w: float
    work_j: float
    min_w_balance_j: float
    tucked_time_share: float
    tucked_distance_share: float
    max_speed_m_s: float
    upright_time_s: float
    """The same race, same fatigue budget and limits, never tucked."""


@dataclass(frozen=True, slots=True)
class Optimality:
    """How good the plan is proven to be.

    `bound_s` is a lower bound on the time of any plan within the same limits, `gap` = time / bound - 1.
    """

    bound_s: float
    gap: float
    status: str
    rounds: int
    free_optimum_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Everything that plan.json holds.

    Attributes
    ----------
    inputs : mapping
        `route` (name), `route_sha256` and `rider`, `bike`, `positions`, `race`, `weather`, `zones`,
        `safety`, as
        resolved, in the terms of the rider and race files; `assumed`: a list of sentences, one for each thing
        that the user didn't give.
    model : PlanModel
        What the times were computed with.
    cells, nodes : PlanCells, PlanNodes
        Arrays along the road, of n cells and their n + 1 ends; units in the names.
    segments : tuple of PlanSegment
        What the rider holds, stretch by stretch.
    unsafe_to_tuck : tuple of UnsafeStretch
        Where to be upright, and why.
    cues : tuple of Cue
    totals : PlanTotals
    optimality : Optimality
        How far from the best the plan can be.
    cautions : tuple of str
    changes : tuple of str
        What reading the course changed.
    """

    inputs: Mapping[str, Any]
    model: PlanModel
    cells: PlanCells
    nodes: PlanNodes
    segments: tuple[PlanSegment, ...]
    unsafe_to_tuck: tuple[UnsafeStretch, ...]
    cues: tuple[Cue, ...]
    totals: PlanTotals
    optimality: Optimality
    cautions: tuple[str, ...]
    changes: tuple[str, ...] = ()

"""The rules that say where a position with the hands off the brakes is refused.

Everything here follows from the course, the air, the limits, a speed that the rider is not expected to
pass ("approach speed", see `reach.py`) and the speed of a ride that is never tucked, never from the plan
itself, so that plan and rules can't chase each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.radii import assumed_radius
from pacer.course.track import Cells, Corner, CornerKind, Zone, ZoneKind
from pacer.planning.limits import Limits
from pacer.planning.plan import Reason, UnsafeStretch
from pacer.planning.speed_limits import at_cell_ends, corner_speed_limit, speed_limits, stretch_of, touched
from pacer.units import GRAVITY, FloatArray

__all__ = ["Finding", "Rule", "Verdict", "judge", "unsafe_stretches"]

HELD: Final = 1e-3
"""Nearer to a zone's limit than this, the approach speed is held by it [m/s]."""

NODE_OFF: Final = 5.0
"""How far the cells' ends may lie from that of a zone, which are left out within 4 m of another [m]."""

ROLLING_MARGIN: Final = 1.0
"""How near the approach speed must be to the tucked top speed for coasting to matter [m/s]; a choice."""


class Rule(StrEnum):
    """Why the hands must be on the brakes, in the words that the user reads."""

    CORNER_RADIUS = "corner radius"
    CORNER_LEAN = "corner lateral acceleration"
    DEAD_TURN = "dead turn"
    STEEP_DESCENT = "steep descent"
    GUST = "gust crosswind"
    START = "distance from the start"
    FINISH = "distance to the finish"
    NO_TUCK_ZONE = "no-tuck zone"
    FEED_ZONE = "feed zone"
    SPEED_ZONE = "speed-limit zone"
    ROUGH = "rough surface"
    TOO_SLOW = "too slow to be steady"
    ROLLS_FAST = "rolls past the tucked top speed"
    BRAKING = "braking ahead"
    HANDS_BACK = "hands back in time"
    SHORT_STAY = "too short a stay"


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """One rule over the course.

    Attributes
    ----------
    rule : Rule
    refused : bool array, shape (n,)
        Where it refuses.
    value : FloatArray, shape (n,)
        What it saw there, in `unit`.
    limit : FloatArray, shape (n,)
        What it allows, in `unit`.
    worst_is_high : bool
        Whether a higher value is worse.
    """

    rule: Rule
    refused: npt.NDArray[np.bool_]
    value: FloatArray
    limit: FloatArray
    unit: str
    worst_is_high: bool = True

    def worst(self, index: npt.NDArray[np.int64]) -> Reason:
        """The cell of those picked that passes its own limit by most, as a reason."""
        over = self.value[index] - self.limit[index]
        k = index[int(np.argmax(over) if self.worst_is_high else np.argmin(over))]
        return Reason(self.rule.value, float(self.value[k]), float(self.limit[k]), self.unit)


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """What the rules come to, cell by cell.

    Attributes
    ----------
    cell_speed_limit : FloatArray, shape (n,)
        Hands on the brakes [m/s].
    speed_limit : FloatArray, shape (n + 1,)
        The same at the cell ends, the lower of the two neighbours [m/s].
    tuck_allowed : bool array, shape (n,)
    tuck_speed_cap : FloatArray, shape (n,)
        [m/s].
    findings : tuple of Finding
    approach : FloatArray, shape (n + 1,)
        Speed at the cell ends that they reckon with [m/s].
    """

    cell_speed_limit: FloatArray
    speed_limit: FloatArray
    tuck_allowed: npt.NDArray[np.bool_]
    tuck_speed_cap: FloatArray
    findings: tuple[Finding, ...]
    approach: FloatArray

    def reasons(self, index: npt.NDArray[np.int64]) -> tuple[Reason, ...]:
        """Why some of these cells are refused, the worst value of each rule."""
        found = []
        for finding in self.findings:
            hit = index[finding.refused[index]]
            if hit.size:
                found.append(finding.worst(hit))
        return tuple(found)


def _sure_radius(cells: Cells, corners: Sequence[Corner]) -> FloatArray:
    """The smallest radius that a rider with the hands on the brakes has to reckon with, shape (n,) [m].

    A kink that the points don't refute can be rounded off within the lane.
    """
    radius = np.full(len(cells), np.inf)
    for corner in corners:
        rounded = 0.0 if corner.measured else min(float(assumed_radius(corner.turn)), corner.radius)
        hit = touched(cells, corner.start, corner.end)
        radius[hit] = np.minimum(radius[hit], max(corner.tightest, rounded))
    return np.where(np.isfinite(radius), radius, cells.tightest_radius)


class _Judge:
    """Applies the rules one by one and keeps their findings."""

    def __init__(
        self,
        cells: Cells,
        corners: Sequence[Corner],
        limits: Limits,
        approach: FloatArray,
        sure_limit: FloatArray,
    ) -> None:
        self.cells, self.corners, self.limits = cells, corners, limits
        self.approach = np.minimum(approach, limits.tuck_top_speed)
        self.fastest = np.maximum(self.approach[:-1], self.approach[1:])
        self.sure_limit = sure_limit
        self.radius = cells.tightest_radius
        self.sudden = np.zeros(len(cells), dtype=bool)
        self.findings: list[Finding] = []

    def add(
        self,
        rule: Rule,
        refused: npt.NDArray[np.bool_],
        value: npt.ArrayLike,
        limit: npt.ArrayLike,
        unit: str,
        *,
        worst_is_high: bool = True,
    ) -> None:
        if refused.any():
            shape = refused.shape
            values = np.broadcast_to(np.asarray(value, float), shape)
            bounds = np.broadcast_to(np.asarray(limit, float), shape)
            self.findings.append(Finding(rule, refused, values, bounds, unit, worst_is_high))

    def road(self) -> None:
        cells, limits = self.cells, self.limits
        self.add(
            Rule.STEEP_DESCENT,
            -cells.grade > limits.tuck_steepest_descent,
            -100.0 * cells.grade,
            100.0 * limits.tuck_steepest_descent,
            "% down",
        )
        end = cells.start[-1] + cells.length[-1]
        begins = cells.start < limits.start_upright
        self.add(Rule.START, begins, cells.start, limits.start_upright, "m", worst_is_high=False)
        left = end - cells.start - cells.length
        self.add(
            Rule.FINISH, left < limits.finish_upright, left, limits.finish_upright, "m", worst_is_high=False
        )

    def corner_rules(self) -> None:
        cells, limits = self.cells, self.limits
        dead = np.zeros(len(cells), dtype=bool)
        for corner in self.corners:
            if corner.kind is CornerKind.DEAD_TURN:
                dead |= touched(cells, corner.start, corner.end)
        radius = self.radius
        self.add(Rule.DEAD_TURN, dead, radius, limits.tuck_min_radius, "m radius", worst_is_high=False)
        tight = (radius < limits.tuck_min_radius) & ~dead
        self.add(Rule.CORNER_RADIUS, tight, radius, limits.tuck_min_radius, "m radius", worst_is_high=False)
        lateral = self.fastest**2 / radius
        self.add(
            Rule.CORNER_LEAN,
            (lateral > limits.tuck_lateral) & ~dead & ~tight,
            lateral / GRAVITY,
            limits.tuck_lateral / GRAVITY,
            "g",
        )

    def air(self, gust_crosswind: FloatArray) -> None:
        limit = self.limits.tuck_gust_crosswind
        self.add(Rule.GUST, gust_crosswind > limit, gust_crosswind, limit, "m/s")

    def slow(self, upright: FloatArray | None) -> None:
        slowest = self.limits.tuck_slowest
        speed = self.fastest if upright is None else np.minimum(self.fastest, upright)
        # Pulling away is refused by itself.
        slow = (speed < slowest) & (self.cells.start >= self.limits.start_upright)
        self.add(Rule.TOO_SLOW, slow, speed * 3.6, slowest * 3.6, "km/h", worst_is_high=False)

    def rolling(self, coasting: FloatArray) -> None:
        """Where a tucked rider who only coasts would pass the tucked top speed, with no brakes at hand."""
        cap = self.limits.tuck_top_speed
        near = self.fastest > cap - ROLLING_MARGIN
        self.add(Rule.ROLLS_FAST, near & (coasting > cap), coasting * 3.6, cap * 3.6, "km/h")

    def zones(self, zones: Sequence[Zone]) -> None:
        rules = {ZoneKind.NO_TUCK: Rule.NO_TUCK_ZONE, ZoneKind.FEED: Rule.FEED_ZONE}
        for kind, rule in rules.items():
            hit = np.zeros(len(self.cells), dtype=bool)
            for zone in zones:
                if zone.kind is kind:
                    hit |= touched(self.cells, *stretch_of(zone))
            self.add(rule, hit, 1.0, 0.0, "zone")
        self.rough(zones)
        self.shelter(zones)
        for zone in zones:
            if zone.kind is ZoneKind.SPEED_LIMIT and zone.value is not None:
                # The approach speed never passes a limit: where it is the limit, the rider would be faster.
                held = self.fastest > zone.value - HELD
                hit = touched(self.cells, zone.start, zone.end) & held
                self.add(Rule.SPEED_ZONE, hit, self.fastest * 3.6, zone.value * 3.6, "km/h")

    def shelter(self, zones: Sequence[Zone]) -> None:
        """Where the wind is there all at once: at the end of a shelter."""
        for zone in zones:
            if zone.kind is ZoneKind.SHELTERED:
                self.sudden |= touched(self.cells, zone.end - NODE_OFF, zone.end + NODE_OFF)

    def rough(self, zones: Sequence[Zone]) -> None:
        factor = np.ones(len(self.cells))
        for zone in zones:
            if zone.kind is ZoneKind.SURFACE and zone.value is not None:
                hit = touched(self.cells, zone.start, zone.end)
                factor[hit] = np.maximum(factor[hit], zone.value)
        limit = self.limits.tuck_roughest
        self.add(Rule.ROUGH, factor > limit, factor, limit, "crr factor")

    def braking(self) -> None:
        """Where a rider at the approach speed would have to brake for what is ahead, at its tightest."""
        cells, limits = self.cells, self.limits
        # A bicycle brakes less on a descent by g times its fall; drag, which helps, is left out.
        hold = limits.braking - GRAVITY * np.maximum(-cells.grade, 0.0)
        envelope = self.sure_limit.copy()
        for i in range(len(cells) - 1, -1, -1):
            before = envelope[i + 1] ** 2 + 2.0 * cells.length[i] * hold[i]
            envelope[i] = min(envelope[i], math.sqrt(max(before, 0.0)))
        # A cell brakes where the speed at its start is more than its end allows.
        over = self.approach[:-1] > envelope[1:] + 1e-3
        self.add(Rule.BRAKING, over, self.fastest * 3.6, envelope[1:] * 3.6, "km/h")

    def hands_back(self) -> None:
        """The seconds before each refused stretch in which the hands move to the brakes."""
        needs = np.zeros(len(self.cells), dtype=bool)
        # Slowness comes by degrees and the start has nothing before it: no lead is asked of them. A gust
        # comes by degrees as well, but where a shelter ends.
        free = {Rule.TOO_SLOW, Rule.START}
        for finding in self.findings:
            if finding.rule is Rule.GUST:
                needs |= finding.refused & self.sudden
            elif finding.rule not in free:
                needs |= finding.refused
        lead = np.zeros(len(self.cells), dtype=bool)
        value = np.zeros(len(self.cells))
        seconds = self.cells.length / np.maximum(self.fastest, 0.5)
        for start in np.flatnonzero(needs & ~np.append(False, needs[:-1])):
            left, i = self.limits.hands_back, start - 1
            while left > 1e-9 and i >= 0 and not needs[i]:
                lead[i], value[i] = True, self.limits.hands_back - left
                left -= seconds[i]
                i -= 1
        self.add(Rule.HANDS_BACK, lead, value, self.limits.hands_back, "s", worst_is_high=False)

    def short_stays(self) -> None:
        """Gaps between refusals that a rider at the approach speed crosses in less than the shortest stay."""
        refused = self.refused()
        seconds = self.cells.length / np.maximum(self.fastest, 0.5)
        stay = np.zeros(len(self.cells))
        edges = np.flatnonzero(np.diff(np.concatenate(([True], refused, [True])).astype(int)))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            stay[first:last] = seconds[first:last].sum()
        limit = self.limits.tuck_shortest_stay
        short = ~refused & (stay < limit)
        self.add(Rule.SHORT_STAY, short, stay, limit, "s", worst_is_high=False)

    def refused(self) -> npt.NDArray[np.bool_]:
        """Cells that any rule so far refuses, shape (n,)."""
        found = np.zeros(len(self.cells), dtype=bool)
        for finding in self.findings:
            found |= finding.refused
        return found


def judge(
    cells: Cells,
    corners: Sequence[Corner],
    zones: Sequence[Zone],
    limits: Limits,
    *,
    gust_crosswind: FloatArray,
    approach: FloatArray,
    dismount: bool,
    coasting: FloatArray | None = None,
    upright: FloatArray | None = None,
) -> Verdict:
    """Apply every rule.

    Parameters
    ----------
    cells, corners, zones : the course
    limits : Limits
        Already tightened if the surface is wet.
    gust_crosswind : FloatArray, shape (n,)
        At the rider's height [m/s].
    approach : FloatArray, shape (n + 1,)
        Speed at the cell ends that the rider is not expected to pass [m/s].
    dismount : bool
        Whether the race ends at a dismount line.
    coasting : FloatArray, shape (n,), optional
        Speed at which each cell lets a tucked rider coast steadily [m/s].
    upright : FloatArray, shape (n,), optional
        Mean speed of each cell on the fastest ride that is never tucked [m/s].

    Returns
    -------
    Verdict
    """
    cell_limit = speed_limits(cells, zones, limits)
    node_limit = at_cell_ends(cell_limit, dismount=dismount)
    sure = speed_limits(replace(cells, corner_radius=_sure_radius(cells, corners)), zones, limits)
    judge_ = _Judge(cells, corners, limits, approach, at_cell_ends(sure, dismount=dismount))
    judge_.corner_rules()
    judge_.road()
    judge_.zones(zones)
    judge_.air(gust_crosswind)
    judge_.slow(upright)
    if coasting is not None:
        judge_.rolling(coasting)
    judge_.braking()
    judge_.hands_back()
    judge_.short_stays()
    refused = judge_.refused()
    cap = np.minimum(corner_speed_limit(judge_.radius, limits.tuck_lateral), limits.tuck_top_speed)
    return Verdict(cell_limit, node_limit, ~refused, cap, tuple(judge_.findings), approach)


def unsafe_stretches(cells: Cells, verdict: Verdict, cost: FloatArray) -> tuple[UnsafeStretch, ...]:
    """Contiguous refused cells, each with its reasons, the point by which the hands are back, and its cost.

    Parameters
    ----------
    cost : FloatArray, shape (n,)
        Seconds that the refusal costs in each cell, 0 where tucking wouldn't pay.
    """
    refused = ~verdict.tuck_allowed
    edges = np.flatnonzero(np.diff(np.concatenate(([False], refused, [False])).astype(int)))
    lead = np.zeros(len(cells), dtype=bool)
    for finding in verdict.findings:
        if finding.rule is Rule.HANDS_BACK:
            lead = finding.refused
    nodes = cells.nodes
    found = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        index = np.arange(first, last)
        danger = index[~lead[index]]
        start = nodes[danger[0]] if danger.size else nodes[first]
        reasons = tuple(r for r in verdict.reasons(index) if r.rule != Rule.HANDS_BACK.value)
        found.append(
            UnsafeStretch(
                start_m=float(start),
                end_m=float(nodes[last]),
                up_by_m=float(nodes[first]),
                reasons=reasons or verdict.reasons(index),
                cost_s=float(np.maximum(cost[index], 0.0).sum()),
            )
        )
    return tuple(found)

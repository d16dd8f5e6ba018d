"""Check a finished plan once more, from its written numbers alone.

Shares nothing with the optimiser's path: not its forces, its steps, its rules' code nor its limits' arrays
beyond what the plan states. Every cell is ridden again by small explicit steps of the equation of motion,
and every rule is tried on the speeds that the plan really rides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.planning.limits import Limits
from pacer.planning.plan import Plan
from pacer.units import KMH, FloatArray, unbounded

__all__ = ["Violation", "recheck"]

SPEED_TOLERANCE: Final = 0.02
"""Of speeds against limits [m/s]: rounding in the file and the last digit of a corner's radius."""

SLOW_TOLERANCE: Final = 0.3
"""Of speeds against the slowest steady one [m/s]: a power held over a stretch meets it in the mean only."""

STAY_TOLERANCE: Final = 0.03
"""Share of the shortest stay that one may lack: the ride's times aren't the optimiser's to the second."""

NEAR_TOP: Final = 1.0
"""How near to the tucked top speed a plan must come for the slope alone to carry it past [m/s]; a choice."""

UPRIGHT_ZONES: Final = ("no-tuck", "feed")

FEED_ROOM: Final = 50.0
"""Before and after a feed that is a point [m]."""

REPLAY_TOLERANCE: Final = 0.05
"""Of a cell's speed ridden again [m/s]."""

STEPS: Final = 60


@dataclass(frozen=True, slots=True)
class Violation:
    """One thing in a plan that isn't as it must be.

    Attributes
    ----------
    what : str
    cell : int or None
        Where; None where it concerns the whole plan.
    value, limit : float
        In `unit`.
    """

    what: str
    cell: int | None
    value: float
    limit: float
    unit: str


class _Check:
    def __init__(self, plan: Plan, limits: Limits, tucked: npt.NDArray[np.bool_]) -> None:
        self.plan, self.limits, self.tucked = plan, limits, tucked
        self.found: list[Violation] = []
        self.places = np.zeros(tucked.size, dtype=bool)
        speed = plan.nodes.speed_m_s
        self.fast = np.maximum(speed[:-1], speed[1:])

    def flag(
        self,
        what: str,
        wrong: npt.NDArray[np.bool_],
        value: FloatArray,
        limit: FloatArray | float,
        unit: str,
    ) -> None:
        bounds = np.broadcast_to(np.asarray(limit, float), value.shape)
        for cell in np.flatnonzero(wrong):
            self.found.append(Violation(what, int(cell), float(value[cell]), float(bounds[cell]), unit))

    def refuse(
        self,
        what: str,
        where: npt.NDArray[np.bool_],
        value: FloatArray,
        limit: FloatArray | float,
        unit: str,
        *,
        place: bool = True,
    ) -> None:
        """Flag a tuck there, and keep the place: the hands have to be back before it."""
        self.flag(what, where & self.tucked, value, limit, unit)
        if place:
            self.places |= where

    def whole(self, what: str, wrong: bool, value: float, limit: float, unit: str) -> None:
        if wrong:
            self.found.append(Violation(what, None, value, limit, unit))

    def speeds(self) -> None:
        cells, limits = self.plan.cells, self.limits
        limit = unbounded(cells.speed_limit_m_s)
        self.flag("faster than the speed limit", self.fast > limit + SPEED_TOLERANCE, self.fast, limit, "m/s")
        squares = np.maximum(self.fast - SPEED_TOLERANCE, 0.0) ** 2
        lateral = squares / unbounded(cells.corner_radius_m)
        self.flag(
            "corner taken too fast", lateral > limits.corner_lateral, lateral, limits.corner_lateral, "m/s²"
        )
        over = self.tucked & (self.fast > limits.tuck_top_speed + SPEED_TOLERANCE)
        self.flag("tucked faster than its top speed", over, self.fast, limits.tuck_top_speed, "m/s")
        mean = cells.length_m / np.diff(self.plan.nodes.time_s)
        slow = self.tucked & (mean < limits.tuck_slowest - SLOW_TOLERANCE)
        self.flag("tucked too slow to be steady", slow, mean, limits.tuck_slowest, "m/s")
        lateral = squares / unbounded(cells.tightest_radius_m)
        leaning = self.tucked & (lateral > limits.tuck_lateral)
        self.flag("leaning too far tucked", leaning, lateral, limits.tuck_lateral, "m/s²")

    def stays(self) -> None:
        """Each stay tucked, whatever the position, lasts as long as two changes of hands are worth."""
        seconds = np.diff(self.plan.nodes.time_s)
        number = np.cumsum(self.tucked & ~np.append(False, self.tucked[:-1]))
        lasts = np.bincount(number, np.where(self.tucked, seconds, 0.0))[number]
        shortest = self.limits.tuck_shortest_stay
        short = self.tucked & (lasts < (1.0 - STAY_TOLERANCE) * shortest)
        self.flag("tucked for too short a stay", short, lasts, shortest, "s")

    def rolling(self) -> None:
        """No tuck where, near its top speed, the slope goes on pushing a rider who has stopped pedalling."""
        top = self.limits.tuck_top_speed
        push = -self._resistance(top + SPEED_TOLERANCE)
        pushed = self.tucked & (self.fast > top - NEAR_TOP) & (push > 0.0)
        self.flag("rolling past the tucked top speed", pushed, push, 0.0, "N")

    def _resistance(self, speed: FloatArray | float) -> FloatArray:
        """What holds the rider back in each cell at a speed, brakes left out [N]; a push where negative."""
        cells, model = self.plan.cells, self.plan.model
        theta = np.arctan(cells.grade)
        weight = model.total_mass_kg * model.gravity_m_s2
        axial = speed + cells.headwind_m_s
        drag = (
            0.5 * cells.air_density_kg_m3 * cells.cda_m2 * np.sqrt(axial**2 + cells.crosswind_m_s**2) * axial
        )
        return np.asarray(
            drag + weight * (cells.crr * np.cos(theta) + np.sin(theta)) + 0.091 + 0.0087 * speed
        )

    def refusals(self) -> None:
        cells, limits = self.plan.cells, self.limits
        flag = ~np.asarray(cells.tuck_allowed)
        self.refuse("tucked where it is refused", flag, flag.astype(float), 0.0, "", place=False)
        down, steepest = -cells.grade, limits.tuck_steepest_descent
        self.refuse("tucked on a steep descent", down > steepest, down, steepest, "")
        gust = cells.gust_crosswind_m_s
        strongest = limits.tuck_gust_crosswind
        self.refuse("tucked in a gust crosswind", gust > strongest, gust, strongest, "m/s", place=False)
        radius, least = unbounded(cells.tightest_radius_m), limits.tuck_min_radius
        self.refuse("tucked in a tight corner", radius < least, radius, least, "m")
        begin, most = cells.start_m, limits.start_upright
        self.refuse("tucked after the start", begin < most, begin, most, "m", place=False)
        end = cells.start_m + cells.length_m
        left, most = end[-1] - end, limits.finish_upright
        self.refuse("tucked before the finish", left < most, left, most, "m")

    def zones(self) -> None:
        """What the race file says of a stretch holds in every cell that shares more than a point with it."""
        cells, limits = self.plan.cells, self.limits
        end = cells.start_m + cells.length_m
        rough, limit = np.ones(end.size), np.full(end.size, np.inf)
        for zone in self.plan.inputs.get("zones", ()):
            first, last = 1000.0 * zone["start_km"], 1000.0 * zone["end_km"]
            if zone["kind"] == "feed" and last <= first:
                first, last = first - FEED_ROOM, last + FEED_ROOM
            # A point lies in the cell that it begins.
            inside = (cells.start_m < max(last - 1e-3, first + 1e-3)) & (end > first + 1e-3)
            if zone["kind"] in UPRIGHT_ZONES:
                self.refuse("tucked in a zone that forbids it", inside, cells.start_m, last, "m")
            rough[inside] = np.maximum(rough[inside], zone.get("crr_factor", 1.0))
            limit[inside] = np.minimum(limit[inside], zone.get("limit_kmh", np.inf) * KMH)
        worst = limits.tuck_roughest
        self.refuse("tucked on a rough surface", rough > worst + 1e-6, rough, worst, "crr factor")
        wrong = self.fast > limit + SPEED_TOLERANCE
        self.flag("faster than a speed-limit zone", wrong, self.fast, limit, "m/s")

    def brakes(self) -> None:
        """No brakes while tucked, and the hands back in time before each use and each refused place."""
        cells, nodes = self.plan.cells, self.plan.nodes
        braking = cells.brake_n > 0.0
        self.flag("braking while tucked", self.tucked & braking, cells.brake_n, 0.0, "N")
        self.flag("pedalling and braking at once", (cells.power_w > 0.0) & braking, cells.power_w, 0.0, "W")
        hardest = self.plan.model.total_mass_kg * self.limits.braking
        self.flag("braking too hard", cells.brake_n > hardest * 1.001 + 1.0, cells.brake_n, hardest, "N")
        needed = braking | self.places
        begins = np.flatnonzero(needed & ~np.append(False, needed[:-1]))
        last_tucked = np.maximum.accumulate(np.where(self.tucked, np.arange(braking.size), -1))
        lead = np.where(last_tucked >= 0, nodes.time_s[:-1] - nodes.time_s[last_tucked + 1], np.inf)
        late = np.zeros(braking.size, dtype=bool)
        late[begins] = lead[begins] < self.limits.hands_back - 0.05
        self.flag("hands back too late", late, lead, self.limits.hands_back, "s")

    def motion(self) -> None:
        """Ride each cell again from its written speed."""
        cells, nodes, model = self.plan.cells, self.plan.nodes, self.plan.model
        grip = 0.5 * model.total_mass_kg * model.gravity_m_s2
        step = cells.length_m / STEPS
        speed, seconds = nodes.speed_m_s[:-1].copy(), np.zeros(step.size)

        def accelerate(v: FloatArray) -> FloatArray:
            push = np.minimum(model.drivetrain_efficiency * cells.power_w / np.maximum(v, 0.3), grip)
            return (push - self._resistance(v) - cells.brake_n) / model.inertial_mass_kg

        for _ in range(STEPS):
            middle = np.sqrt(np.maximum(speed**2 + step * accelerate(speed), 0.01))
            after = np.sqrt(np.maximum(speed**2 + 2.0 * step * accelerate(middle), 0.01))
            seconds += 2.0 * step / (speed + after)
            speed = after
        moving = nodes.speed_m_s[:-1] > 2.0
        apart = np.abs(speed - nodes.speed_m_s[1:])
        self.flag(
            "the written speed doesn't follow from the written power",
            moving & (apart > REPLAY_TOLERANCE),
            apart,
            REPLAY_TOLERANCE,
            "m/s",
        )
        wrong = float(abs(seconds[moving].sum() - np.diff(nodes.time_s)[moving].sum()))
        allowed = 1e-3 * float(nodes.time_s[-1])
        self.whole(
            "the written times don't follow from the written power", wrong > allowed, wrong, allowed, "s"
        )

    def fatigue(self) -> None:
        cells, nodes, model = self.plan.cells, self.plan.nodes, self.plan.model
        seconds = np.diff(nodes.time_s)
        body = cells.power_w / cells.power_factor
        mean = float((np.sum(body**4 * seconds) / seconds.sum()) ** 0.25)
        budget = model.fourth_power_budget_w
        self.whole("over the fatigue budget", mean > budget * 1.0005, mean, budget, "W")
        # A plan from the middle of a race begins with what is left.
        left = min(model.w_prime_j, float(nodes.w_balance_j[0]))
        lowest = left
        for q, dt in zip(body.tolist(), seconds.tolist(), strict=True):
            if q > model.critical_power_w:
                left -= (q - model.critical_power_w) * dt
            else:
                rate = (model.critical_power_w - q) / model.w_prime_j
                left = model.w_prime_j - (model.w_prime_j - left) * np.exp(-rate * dt)
            lowest = min(lowest, left)
        reserve = model.w_prime_reserve_j
        self.whole("under the W' reserve", lowest < reserve - 0.005 * model.w_prime_j, lowest, reserve, "J")
        self.flag(
            "over the maximum power",
            cells.power_w > model.max_power_w + 0.5,
            cells.power_w,
            model.max_power_w,
            "W",
        )


def recheck(plan: Plan, limits: Limits) -> tuple[Violation, ...]:
    """Everything in a plan that breaks a rule, a budget or the equation of motion; empty where all is well.

    Parameters
    ----------
    plan : Plan
    limits : Limits
        As they applied on the day.
    """
    hands = {p["name"]: bool(p["hands_on_brakes"]) for p in plan.inputs["positions"]}
    check = _Check(plan, limits, np.array([not hands[name] for name in plan.cells.position]))
    check.speeds()
    check.stays()
    check.rolling()
    check.refusals()
    check.zones()
    check.brakes()
    check.motion()
    check.fatigue()
    return tuple(check.found)

"""One race put together: course, air, rider, limits and race turned into the optimiser's problem."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from pacer.course.track import Cells, Corner, Zone
from pacer.physics.fatigue import sustainable_power
from pacer.physics.rider import Setup
from pacer.physics.simulate import Machine, Road, steady_speed
from pacer.planning.limits import Limits
from pacer.planning.positions import Stays
from pacer.planning.problem import Fatigue, Problem
from pacer.planning.race import FinishKind, Race, StartKind
from pacer.planning.reach import approach_speed
from pacer.planning.safety import Verdict, judge
from pacer.planning.speed_limits import at_cell_ends, speed_limits
from pacer.units import GRAVITY, FloatArray

__all__ = ["TRACTION", "AirOnCells", "Scenario"]

SLOWEST_RIDING: Final = 1.5
"""Slower than this one walks [m/s]; common practice, no source."""

ROLLING_UP: Final = 40.0
"""Metres from a standing start after which `SLOWEST_RIDING` holds."""

TRACTION: Final = 0.5
"""Push of the rear wheel from a standstill over the total weight; common practice, no source."""


class AirOnCells(Protocol):
    """The air that the rider meets, one entry a cell, SI."""

    @property
    def density(self) -> FloatArray:
        """Of the air [kg/m³]."""

    @property
    def headwind(self) -> FloatArray:
        """Mean, against the rider positive [m/s]."""

    @property
    def crosswind(self) -> FloatArray:
        """Mean, from the right positive [m/s]."""

    @property
    def gust_crosswind(self) -> FloatArray:
        """Across the road in a gust [m/s]."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed of it, in sentences."""


@dataclass(frozen=True, slots=True, eq=False)
class Scenario:
    """Everything about a race that doesn't depend on the plan.

    Attributes
    ----------
    cells, corners, zones : the course as ridden, all laps
    crr_factor : FloatArray, shape (n,)
        Of the surface.
    air : callable
        Seconds since the start at which the rider is in each cell, shape (n,), to the air there.
    refused : bool array, shape (n,)
        Cells where a tucked position is refused besides the rules; none at first.
    w_prime_start : float or None
        What is left of W' at the start [J]; None for all of it.
    upright : FloatArray or None, shape (n,)
        Mean speed of each cell on the fastest ride that is never tucked [m/s], once it is known.
    """

    cells: Cells
    corners: tuple[Corner, ...]
    zones: tuple[Zone, ...]
    crr_factor: FloatArray
    setup: Setup
    limits: Limits
    race: Race
    air: Callable[[FloatArray], AirOnCells]
    refused: npt.NDArray[np.bool_]
    w_prime_start: float | None = None
    upright: FloatArray | None = None

    @property
    def machine(self) -> Machine:
        """Rider and bicycle as the equation of motion sees them."""
        mass = self.setup.total_mass
        return Machine(
            mass=mass,
            inertial_mass=self.setup.inertial_mass,
            drivetrain_efficiency=self.setup.bike.drivetrain_efficiency,
            brake_force=mass * self.limits.braking,
            traction_force=TRACTION * mass * GRAVITY,
        )

    @property
    def stays(self) -> Stays:
        """How long each position is held."""
        positions, limits = self.setup.positions, self.limits
        return Stays(
            shortest=tuple(limits.tuck_shortest_stay if p.tucked else 0.0 for p in positions),
            longest=tuple(p.max_continuous or np.inf for p in positions),
        )

    def budget(self, duration: float) -> float:
        """Fatigue budget for a race of this duration [W]."""
        if self.race.target_power is not None:
            return self.race.target_power
        critical = self.setup.rider.critical_power
        if self.race.effort is not None:
            return self.race.effort * critical
        return float(sustainable_power(duration, critical))

    def road(self, arrival: FloatArray) -> tuple[Road, AirOnCells]:
        """The road with the air of the given arrival times."""
        air = self.air(arrival)
        crr = self.setup.bike.crr * self.crr_factor
        road = Road(self.cells.length, self.cells.grade, air.density, air.headwind, air.crosswind, crr)
        return road, air

    def problem(
        self, arrival: FloatArray, budget: float, approach: FloatArray | None = None
    ) -> tuple[Problem, Verdict]:
        """The optimiser's problem, and the verdict of the safety rules, for given arrival times.

        Parameters
        ----------
        arrival : FloatArray, shape (n,)
            Seconds since the start.
        budget : float
            [W].
        approach : FloatArray, shape (n + 1,), optional
            The speed that the rules reckon with, where a verdict for the same road and budget knows it [m/s].
        """
        setup, race, machine = self.setup, self.race, self.machine
        road, air = self.road(arrival)
        positions = setup.positions
        drag_area = np.array([setup.drag_area(p) for p in positions])
        dismount = race.finish is FinishKind.STOP
        node_limit = at_cell_ends(speed_limits(self.cells, self.zones, self.limits), dismount=dismount)
        upright = max(drag_area[[p.hands_on_brakes for p in positions]])
        start_speed = 0.0
        if race.start is StartKind.ROLLING:
            first = steady_speed(road, machine, np.full(len(road), budget), np.full(len(road), upright))[0]
            start_speed = float(min(first, node_limit[0]))
        if approach is None:
            approach = approach_speed(
                road,
                machine,
                power=budget,
                drag_area=float(drag_area.min()),
                speed_limit=node_limit,
                start_speed=start_speed,
            )
        verdict = judge(
            self.cells,
            self.corners,
            self.zones,
            self.limits,
            gust_crosswind=air.gust_crosswind,
            approach=approach,
            dismount=dismount,
            coasting=self._coasting(road),
            upright=self.upright,
        )
        tucked = np.array([p.tucked for p in positions])
        may_tuck = verdict.tuck_allowed & ~self.refused
        problem = Problem(
            road=road,
            machine=machine,
            fatigue=self._fatigue(budget),
            drag_area=drag_area,
            power_factor=np.array([p.power_factor for p in positions]),
            can_brake=~tucked,
            allowed=~tucked | may_tuck[:, None],
            cap=np.where(tucked, verdict.tuck_speed_cap[:, None], np.inf),
            speed_limit=verdict.speed_limit,
            lowest_speed=self._lowest(verdict.speed_limit),
            start_speed=start_speed,
        )
        return problem, verdict

    def _coasting(self, road: Road) -> FloatArray | None:
        """Speed at which each cell lets a rider in the lowest tucked position coast steadily, shape (n,)."""
        tucked = [self.setup.drag_area(p) for p in self.setup.positions if p.tucked]
        if not tucked:
            return None
        n = len(road)
        return steady_speed(road, self.machine, np.zeros(n), np.full(n, min(tucked)))

    def _fatigue(self, budget: float) -> Fatigue:
        rider = self.setup.rider
        return Fatigue(
            critical_power=rider.critical_power,
            w_prime=rider.w_prime,
            w_prime_reserve=self.race.w_prime_reserve,
            max_power=rider.max_power,
            budget=budget,
            w_prime_start=self.w_prime_start,
        )

    def _lowest(self, node_limit: FloatArray) -> FloatArray:
        lowest = np.minimum(SLOWEST_RIDING, 0.9 * node_limit)
        if self.race.start is StartKind.STANDING:
            lowest[self.cells.nodes < ROLLING_UP] = 0.0
        lowest[0] = 0.0
        if self.race.finish is FinishKind.STOP:
            lowest[-1] = 0.0
        return lowest

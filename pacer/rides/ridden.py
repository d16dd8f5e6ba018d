"""The covered course of a plan, to be ridden again with some things as planned and others as they were."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.physics.forces import aerodynamic_force, bearing_force, gravity_force, rolling_force
from pacer.physics.simulate import Machine, Road, Schedule, ride
from pacer.planning.plan import Plan
from pacer.rides.fit import CONFIDENCE
from pacer.rides.lay import Laid
from pacer.units import GRAVITY, FloatArray, unbounded

__all__ = ["Ridden", "Untucked", "ridden_course", "tuck_not_ridden"]

_BRAKED: Final = 8.0
"""A cell in which this much more force is missing than usual, with little power, was braked [N]; a design
choice."""

_BRAKED_AWAY: Final = 2500.0
"""So much energy missing over three cells was braked away whatever the power [J]: as slowing 85 kg from
36 to 25 km/h, and more than a gust or a wrong grade takes; a design choice."""

_AREA_RANGE: Final = (0.4, 2.0)
"""Drag and wind may change the drag area by no more than this (relative)."""

_FEWEST_STRETCHES: Final = 3
"""Of either kind, to tell a tuck from wind; a design choice."""

_TUCK_FLOOR: Final = 0.05
"""Standard error of the share of the tuck that wasn't ridden, however alike the stretches: the upright ones
are climbs and corners, where grade and rolling resistance count more. A design choice."""

_STRETCH: Final = 800.0
"""Drag and wind are told apart from scatter over stretches of about this length [m]."""


@dataclass(frozen=True, slots=True, eq=False)
class Ridden:
    """What stays the same, and both versions of what changes, shape (n,) or (n + 1,).

    Attributes
    ----------
    factors : tuple of str
        What can be changed: "power", "position" where told, "drag and wind", "braking".
    """

    road: Road
    machine: Machine
    start_speed: tuple[float, float]
    power: tuple[FloatArray, FloatArray]
    area: tuple[FloatArray, FloatArray]
    scale: FloatArray
    limit: tuple[FloatArray, FloatArray]
    factors: tuple[str, ...]

    def ride(self, changed: frozenset[str]) -> FloatArray:
        """Seconds in each cell with the `changed` factors as they were, the others as planned, shape (n,)."""
        area = self.area["position" in changed]
        if "drag and wind" in changed:
            area = area * self.scale
        braking = "braking" in changed
        schedule = Schedule(
            power=self.power["power" in changed],
            drag_area=area,
            can_brake=np.ones(len(self.road), dtype=np.bool_),
            speed_limit=self.limit[braking],
            start_speed=self.start_speed[braking],
        )
        return ride(self.road, self.machine, schedule).duration


def ridden_course(plan: Plan, laid: Laid, position: tuple[str, ...]) -> Ridden:
    """Put together the covered course, as planned and as ridden.

    Parameters
    ----------
    position : tuple of str, length n
        As ridden, empty where not told (then as planned).
    """
    cells, model = plan.cells, plan.model
    inside = slice(laid.first, laid.last)
    road = Road(
        length=cells.length_m[inside],
        grade=cells.grade[inside],
        density=cells.air_density_kg_m3[inside],
        headwind=cells.headwind_m_s[inside],
        crosswind=cells.crosswind_m_s[inside],
        crr=cells.crr[inside],
    )
    weight = model.total_mass_kg * GRAVITY
    machine = Machine(
        mass=model.total_mass_kg,
        inertial_mass=model.inertial_mass_kg,
        drivetrain_efficiency=model.drivetrain_efficiency,
        brake_force=0.6 * weight,
        traction_force=0.5 * weight,
    )
    planned_area = cells.cda_m2[inside]
    ridden_area = _ridden_area(plan, laid, position)
    told = any(position)
    missing = _missing_force(road, machine, laid, ridden_area)
    braked = _braked(missing, laid, road)
    scale = _drag_scale(road, laid, ridden_area, missing, braked)
    factors = (
        ("power", "position", "drag and wind", "braking") if told else ("power", "drag and wind", "braking")
    )
    speeds = plan.nodes.speed_m_s[laid.first : laid.last + 1]
    return Ridden(
        road=road,
        machine=machine,
        start_speed=(float(speeds[0]), float(laid.speed[0])),
        power=(cells.power_w[inside], laid.power),
        area=(planned_area, ridden_area),
        scale=scale,
        limit=(_planned_limit(plan, laid), _ridden_limit(laid, braked)),
        factors=factors,
    )


@dataclass(frozen=True, slots=True)
class Untucked:
    """How much of the planned tuck wasn't ridden, by the drag where the plan is tucked against elsewhere.

    Attributes
    ----------
    share, error : float
        Of the difference in drag area between upright and as planned, and its standard error.
    seconds : float
        What all of it would cost with the power really ridden.
    """

    share: float
    error: float
    seconds: float


def tuck_not_ridden(plan: Plan, laid: Laid, course: Ridden) -> Untucked | None:
    """Estimate it by least squares over stretches: missing force = scale · planned drag + share · the tuck's.

    Wind and a wrong drag area change both kinds of stretches alike and go into the scale. None where the plan
    has too few stretches of either kind.
    """
    from scipy.stats import t

    road, planned = course.road, course.area[0]
    upright = _upright_area(plan)
    tucked = np.array([tuck for _, tuck in _planned_tucks(plan, laid)])
    gap = np.where(tucked, np.maximum(upright - planned, 0.0), 0.0)
    missing = _missing_force(road, course.machine, laid, planned)
    # what is coasted may be braked a little: only where the rider pedals does the drag show
    use = ~_braked(missing, laid, road) & (laid.power > 0.6 * max(float(np.median(laid.power)), 1.0))
    speed = road.length / np.maximum(laid.duration - laid.stopped, 1e-3)
    unit = aerodynamic_force(speed, road.headwind, road.crosswind, road.density, np.ones_like(planned))
    stretch = (np.append(0.0, np.cumsum(road.length)[:-1]) / _STRETCH).astype(np.int64)
    sums = [
        np.bincount(stretch[use], (force * road.length)[use], minlength=int(stretch[-1]) + 1)
        for force in (np.ones_like(unit), unit * planned, unit * gap, missing)
    ]
    known = sums[0] > 0.25 * _STRETCH
    length, drag, tuck, lost = (x[known] for x in sums)
    tuck_share = tuck / np.maximum(drag, 1e-9)
    kinds = tuck_share > 0.5 * max(float(tuck_share.max(initial=0.0)), 1e-6)
    if min(int(kinds.sum()), int((~kinds).sum())) < _FEWEST_STRETCHES:
        return None
    design = np.column_stack((drag, tuck)) / np.sqrt(length)[:, None]
    inverse = np.linalg.inv(design.T @ design)
    found = inverse @ design.T @ (lost / np.sqrt(length))
    left = lost / np.sqrt(length) - design @ found
    degrees = length.size - 2
    wider = float(t.ppf(0.975, degrees)) / CONFIDENCE
    error = float(np.hypot(wider * np.sqrt(inverse[1, 1] * (left @ left) / degrees), _TUCK_FLOOR))
    sat_up = replace(course, area=(planned, planned + gap))
    cost = sat_up.ride(frozenset({"power", "position"})) - course.ride(frozenset({"power"}))
    return Untucked(share=float(found[1]), error=error, seconds=float(cost.sum()))


def _upright_area(plan: Plan) -> float:
    wheels = float(plan.inputs["bike"].get("wheel_drag_area_m2") or 0.0)
    return wheels + min(float(p["cda_m2"]) for p in plan.inputs["positions"] if p["hands_on_brakes"])


def _planned_tucks(plan: Plan, laid: Laid) -> list[tuple[str, bool]]:
    """Planned position of each covered cell, and whether it is a tucked one."""
    tucked = {str(p["name"]): not p["hands_on_brakes"] for p in plan.inputs["positions"]}
    names = list(plan.cells.position)[laid.first : laid.last]
    return [(str(name), tucked[str(name)]) for name in names]


def _planned_limit(plan: Plan, laid: Laid) -> FloatArray:
    """What the plan keeps to: its limits, and its own speed where it brakes, shape (n + 1,)."""
    cells = plan.cells
    upright = unbounded(cells.speed_limit_m_s)
    cap = unbounded(cells.tuck_speed_limit_m_s)
    tucked = {segment.index: segment.tucked for segment in plan.segments}
    hands_off = np.array([tucked.get(int(k), False) for k in np.asarray(cells.segment)])
    limit = np.where(hands_off, np.minimum(upright, cap), upright)
    speeds = plan.nodes.speed_m_s
    node = np.full(speeds.size, np.inf)
    node[1:] = limit
    node[:-1] = np.minimum(node[:-1], limit)
    # the plan's own speeds are feasible; where they pass a cap by a rounding, they are the cap
    node = np.maximum(node, speeds)
    slowed = np.flatnonzero(cells.brake_n > 0.0) + 1
    node[slowed] = speeds[slowed]
    return np.asarray(node[laid.first : laid.last + 1])


def _ridden_area(plan: Plan, laid: Laid, position: tuple[str, ...]) -> FloatArray:
    wheels = float(plan.inputs["bike"].get("wheel_drag_area_m2") or 0.0)
    known = {str(p["name"]): float(p["cda_m2"]) + wheels for p in plan.inputs["positions"]}
    planned = plan.cells.cda_m2[laid.first : laid.last]
    return np.array([known.get(name, area) for name, area in zip(position, planned.tolist(), strict=True)])


def _missing_force(road: Road, machine: Machine, laid: Laid, area: FloatArray) -> FloatArray:
    """Force that the plan's model can't account for in each cell, positive where the ride was slower [N]."""
    moving = np.maximum(laid.duration - laid.stopped, 1e-3)
    speed = road.length / moving
    drive = machine.drivetrain_efficiency * laid.power * moving / road.length
    kinetic = 0.5 * machine.inertial_mass * np.diff(laid.speed**2) / road.length
    resist = (
        aerodynamic_force(speed, road.headwind, road.crosswind, road.density, area)
        + rolling_force(machine.mass, road.crr, road.grade)
        + gravity_force(machine.mass, road.grade)
        + bearing_force(speed)
    )
    return np.asarray(drive - kinetic - resist)


def _braked(missing: FloatArray, laid: Laid, road: Road) -> npt.NDArray[np.bool_]:
    """Cells in which the rider braked, stood still or crept, and those beside a standstill."""
    pedalling = laid.power > 0.6 * max(float(np.median(laid.power)), 1.0)
    slow = (laid.stopped > 0.5) | (np.minimum(laid.speed[1:], laid.speed[:-1]) < 2.5)
    usual = float(np.median(missing[~slow])) if (~slow).any() else 0.0
    lost = _over_neighbours(missing, road.length) - usual
    metres = 3.0 * _over_neighbours(road.length, np.ones(road.length.size))
    hard = (lost * metres > _BRAKED_AWAY) & (missing - usual > 2.0 * _BRAKED)
    braked = slow | (~pedalling & (lost > _BRAKED)) | hard
    for end in (slow, hard):
        braked[1:] |= end[:-1]
        braked[:-1] |= end[1:]
    return braked


def _over_neighbours(values: FloatArray, length: FloatArray) -> FloatArray:
    """Mean over a cell and its two neighbours: one short cell alone shows the noise of the recorded speed."""
    weighted = np.convolve(np.pad(values * length, 1, mode="edge"), np.ones(3), mode="valid")
    metres = np.convolve(np.pad(length, 1, mode="edge"), np.ones(3), mode="valid")
    return np.asarray(weighted / metres)


def _drag_scale(
    road: Road, laid: Laid, area: FloatArray, missing: FloatArray, braked: npt.NDArray[np.bool_]
) -> FloatArray:
    """Drag area as it seems to have been over that of the position, in stretches, shape (n,)."""
    moving = np.maximum(laid.duration - laid.stopped, 1e-3)
    air = aerodynamic_force(road.length / moving, road.headwind, road.crosswind, road.density, area)
    stretch = (np.append(0.0, np.cumsum(road.length)[:-1]) / _STRETCH).astype(np.int64)
    use = ~braked & (air > 1.0)
    size = int(stretch[-1]) + 1
    lost = np.bincount(stretch[use], (missing * road.length)[use], minlength=size)
    drag = np.bincount(stretch[use], (air * road.length)[use], minlength=size)
    # a stretch with little to go by is drawn towards no change
    typical = float(np.median(drag[drag > 0.0])) if (drag > 0.0).any() else 1.0
    scale = 1.0 + lost / (drag + 0.03 * typical)
    return np.asarray(np.clip(scale, *_AREA_RANGE)[stretch])


def _ridden_limit(laid: Laid, braked: npt.NDArray[np.bool_]) -> FloatArray:
    """The recorded speed wherever the rider braked, stood or crept; nothing elsewhere, shape (n + 1,)."""
    limit = np.full(laid.speed.size, np.inf)
    limit[1:][braked] = laid.speed[1:][braked]
    limit[:-1][braked] = np.minimum(limit[:-1][braked], laid.speed[:-1][braked])
    return np.asarray(np.maximum(limit, 1.0))

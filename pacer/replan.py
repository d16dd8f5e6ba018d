"""Workflow of the middle of a race: what to hold from here, when the clock and the plan have parted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from pacer.air.resolve import Air
from pacer.course.track import Cells, Zone
from pacer.errors import InfeasibleError, SettingsError
from pacer.physics.fatigue import fourth_power_mean, w_balance
from pacer.physics.rider import Setup
from pacer.physics.simulate import Machine, Road, Schedule, ride
from pacer.planning.assemble import assemble
from pacer.planning.limits import Limits
from pacer.planning.plan import Cue, Plan
from pacer.planning.proven import proven
from pacer.planning.race import Race, StartKind
from pacer.planning.recheck import recheck
from pacer.planning.scenario import TRACTION, AirOnCells, Scenario
from pacer.units import GRAVITY, FloatArray, unbounded

__all__ = ["Moment", "Replanned", "Resolved", "replan"]

NEAREST_TO_END: Final = 1000.0
"""Nearer to the finish than this there is nothing left to plan [m]."""

DAY_BOUNDS: Final = (0.75, 1.35)
"""Drag over the planned one that a day may have; beyond, the time was lost to something else."""

LEAST_LEFT: Final = 0.7
"""Share of the budget that is never gone below, however much was spent (common practice, no source)."""

ROUNDS: Final = 2
"""Times that the rest is planned: what may be spent depends a little on how long it takes."""

FASTEST: Final = 25.0
"""A mean speed so far above this is a time that was mistyped [m/s]."""

SAME_PLACE: Final = 120.0
"""Cues of the old plan this near lend their words, since they knew the corners [m]."""


@dataclass(frozen=True, slots=True)
class Resolved:
    """What the old plan was made from, read back and checked.

    Attributes
    ----------
    setup : Setup
    race : Race
    limits : Limits
        As they applied, wet or dry.
    zones : tuple of Zone
    """

    setup: Setup
    race: Race
    limits: Limits
    zones: tuple[Zone, ...]


@dataclass(frozen=True, slots=True)
class Moment:
    """Where the rider is, and what is known of how it went.

    Attributes
    ----------
    at : float
        [m].
    elapsed, stopped : float
        Since the start, and standing still within it [s].
    power_so_far : float or None
        Mean power [W]; None for that of the plan.
    power_left : float or None
        Fourth-power mean that the rider wants to hold for the rest [W]; None for what the budget leaves.
    w_prime_left : float or None
        [J]; None for what follows from the power so far.
    as_ridden : bool
        Whether the rest of the road is as slow or fast as the road so far was.
    """

    at: float
    elapsed: float
    stopped: float = 0.0
    power_so_far: float | None = None
    power_left: float | None = None
    w_prime_left: float | None = None
    as_ridden: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Replanned:
    """The rest of the race.

    Attributes
    ----------
    plan : Plan
        From the first cell that begins at or after the place; its distances are those of the whole race, its
        time begins at 0.
    elapsed : float
        At the place where it begins [s].
    behind : float
        Seconds behind the old plan there, negative if ahead.
    drag : float
        Drag of the day over the planned one, as used; 1 where it isn't asked for or can't explain the time.
    unexplained : bool
        Whether the time so far lies beyond what drag can explain.
    spent, budget : float
        Fourth-power mean of body power so far, and for the rest [W].
    w_prime_left : float
        [J].
    finish, planned_finish : float
        Of the whole race [s].
    overspent : bool
        Whether less than `LEAST_LEFT` of the budget would be left.
    """

    plan: Plan
    elapsed: float
    behind: float
    drag: float
    unexplained: bool
    spent: float
    budget: float
    w_prime_left: float
    finish: float
    planned_finish: float
    overspent: bool


def replan(
    old: Plan, resolved: Resolved, moment: Moment, progress: Callable[[str], None] = lambda _: None
) -> Replanned:
    """Plan the rest of the race.

    The day's drag follows from the time taken for the road so far on the power so far; what the endurance
    budget and W' leave follows from what was spent.

    Raises
    ------
    SettingsError
        Where the place doesn't lie on the road, with enough of it left.
    InfeasibleError
        Where no plan for the rest meets the limits.
    """
    node = _node(old, moment.at)
    _check_pace(moment, moment.at - float(old.nodes.distance_m[0]))
    # The clock at the node: the plan's pace for the metres that are missing.
    planned = float(np.interp(moment.at, old.nodes.distance_m, old.nodes.time_s))
    elapsed = moment.elapsed + float(old.nodes.time_s[node]) - planned
    progress("reading the road so far")
    share = _power_share(old, node, moment)
    drag, unexplained = 1.0, False
    if moment.as_ridden and node > 0:
        drag, unexplained = _days_drag(old, node, elapsed - moment.stopped, share)
    spent, left = _spent(old, node, share)
    if moment.w_prime_left is not None:
        left = min(moment.w_prime_left, old.model.w_prime_j)
    rest = float(old.nodes.time_s[-1] - old.nodes.time_s[node])
    for _ in range(ROUNDS):
        budget, overspent = _budget_left(old, elapsed, rest, spent, moment)
        progress("planning the rest")
        plan = _rest(old, resolved, node, budget=budget, left=left, drag=drag)
        rest = plan.totals.time_s
    progress("checking it from scratch")
    wrong = recheck(plan, resolved.limits)
    if wrong:
        raise InfeasibleError(
            f"the plan for the rest did not pass its own check ({wrong[0].what})",
            by=f"{abs(wrong[0].value - wrong[0].limit):.3g} {wrong[0].unit}".strip(),
            do="keep to the old plan, upright wherever in doubt",
        )
    return Replanned(
        plan=replace(plan, cues=_known_words(plan.cues, old.cues)),
        elapsed=elapsed,
        behind=elapsed - float(old.nodes.time_s[node]),
        drag=drag,
        unexplained=unexplained,
        spent=spent,
        budget=budget,
        w_prime_left=left,
        finish=elapsed + rest,
        planned_finish=float(old.nodes.time_s[-1]),
        overspent=overspent,
    )


def _node(old: Plan, at: float) -> int:
    nodes = old.nodes.distance_m
    last = float(nodes[-1]) - NEAREST_TO_END
    if not nodes[0] <= at <= last:
        raise SettingsError(
            f"must lie between km {nodes[0] / 1000:.2f} and {last / 1000:.2f}",
            where="--at-km",
            found=f"{at / 1000:g}",
        )
    return int(np.searchsorted(nodes, at - 1e-6))


def _check_pace(moment: Moment, ridden: float) -> None:
    moving = moment.elapsed - moment.stopped
    if ridden > FASTEST * max(moving, 0.0):
        raise SettingsError(
            f"is too short for {ridden / 1000:.2f} km",
            where="--elapsed",
            found=f"{moving:.0f} s on the move",
            do="write minutes and seconds with a colon, as 36:50, and less in --stopped",
        )


def _power_share(old: Plan, node: int, moment: Moment) -> float:
    """Power so far over that of the plan."""
    if moment.power_so_far is None or node == 0:
        return 1.0
    seconds = np.diff(old.nodes.time_s[: node + 1])
    planned = float(old.cells.power_w[:node] @ seconds / seconds.sum())
    return moment.power_so_far / max(planned, 1.0)


def _spent(old: Plan, node: int, share: float) -> tuple[float, float]:
    """Fourth-power mean of body power so far [W], and what is left of W' [J]."""
    model = old.model
    if node == 0:
        return 0.0, float(old.nodes.w_balance_j[0])
    seconds = np.diff(old.nodes.time_s[: node + 1])
    body = share * old.cells.power_w[:node] / old.cells.power_factor[:node]
    start = float(old.nodes.w_balance_j[0])
    balance = w_balance(body, seconds, model.critical_power_w, model.w_prime_j, start)
    return fourth_power_mean(body, seconds), max(float(balance[-1]), 0.0)


def _budget_left(old: Plan, elapsed: float, rest: float, spent: float, moment: Moment) -> tuple[float, bool]:
    """Fourth-power mean for the rest [W], and whether too much was spent for it to be what it should."""
    if moment.power_left is not None:
        return moment.power_left, False
    budget = old.model.fourth_power_budget_w
    fourth = (budget**4 * (elapsed + rest) - spent**4 * elapsed) / rest
    wanted = max(fourth, 0.0) ** 0.25
    highest = max(budget, old.model.critical_power_w)
    return float(np.clip(wanted, LEAST_LEFT * budget, highest)), wanted < LEAST_LEFT * budget


def _days_drag(old: Plan, node: int, moving: float, share: float) -> tuple[float, bool]:
    """Drag over the planned one that takes this time for the road so far, and whether none does."""
    low, high = DAY_BOUNDS
    slow, fast = _time_so_far(old, node, share, high), _time_so_far(old, node, share, low)
    if not fast <= moving <= slow:
        return 1.0, True
    for _ in range(14):
        middle = 0.5 * (low + high)
        late = _time_so_far(old, node, share, middle) > moving
        low, high = (low, middle) if late else (middle, high)
    return 0.5 * (low + high), False


def _time_so_far(old: Plan, node: int, share: float, drag: float) -> float:
    cells, model = old.cells, old.model
    part = slice(0, node)
    hands = {p["name"]: bool(p["hands_on_brakes"]) for p in old.inputs["positions"]}
    can_brake = np.array([hands[name] for name in cells.position[:node]])
    limit = unbounded(cells.speed_limit_m_s[part])
    mass = model.total_mass_kg
    machine = Machine(
        mass=mass,
        inertial_mass=model.inertial_mass_kg,
        drivetrain_efficiency=model.drivetrain_efficiency,
        brake_force=mass * float(old.inputs["safety"]["braking_m_s2"]),
        traction_force=TRACTION * mass * GRAVITY,
    )
    road = Road(
        cells.length_m[part],
        cells.grade[part],
        cells.air_density_kg_m3[part],
        cells.headwind_m_s[part],
        cells.crosswind_m_s[part],
        cells.crr[part],
    )
    schedule = Schedule(
        power=share * cells.power_w[part],
        drag_area=drag * cells.cda_m2[part],
        can_brake=can_brake,
        speed_limit=np.minimum(np.append(limit, np.inf), np.insert(limit, 0, np.inf)),
        start_speed=float(old.nodes.speed_m_s[0]),
    )
    trace = ride(road, machine, schedule)
    return float("inf") if trace.stalled is not None else float(trace.time[-1])


def _rest(old: Plan, resolved: Resolved, node: int, *, budget: float, left: float, drag: float) -> Plan:
    """Plan from a node on."""
    cells = _cells(old, node)
    setup = resolved.setup
    setup = replace(
        setup,
        positions=tuple(replace(p, cda=drag * p.cda) for p in setup.positions),
        bike=replace(setup.bike, wheel_drag_area=drag * setup.bike.wheel_drag_area),
    )
    start = resolved.race.start if node == 0 else StartKind.ROLLING
    # Whoever asks may stand at the roadside, and pulls away with the hands on the brakes.
    pulling_away = cells.start < cells.start[0] + resolved.limits.start_upright
    race = replace(resolved.race, start=start, effort=None, target_power=budget)
    scenario = Scenario(
        cells=cells,
        corners=(),
        zones=tuple(zone for zone in resolved.zones if zone.end >= cells.start[0]),
        crr_factor=old.cells.crr[node:] / setup.bike.crr,
        setup=setup,
        limits=resolved.limits,
        race=race,
        air=_air(old, node),
        refused=np.asarray(~old.cells.tuck_allowed[node:]) | pulling_away,
        w_prime_start=max(left, min(race.w_prime_reserve, old.model.w_prime_j)),
    )
    rise = np.diff(old.cells.elevation_m[node:])
    return assemble(
        scenario,
        proven(scenario),
        climb=float(rise[rise > 0.0].sum()),
        inputs=_inputs(old, race),
        cautions=old.cautions,
        changes=(),
    )


def _inputs(old: Plan, race: Race) -> Mapping[str, Any]:
    table = {k: v for k, v in old.inputs["race"].items() if k != "effort"}
    return {**old.inputs, "race": {**table, "start": race.start.value, "target_power_w": race.target_power}}


def _cells(old: Plan, node: int) -> Cells:
    cells = old.cells
    return Cells(
        start=cells.start_m[node:],
        length=cells.length_m[node:],
        grade=cells.grade[node:],
        heading=np.radians(cells.heading_deg[node:]),
        latitude_deg=cells.latitude_deg[node:],
        longitude_deg=cells.longitude_deg[node:],
        elevation=cells.elevation_m[node:],
        corner_radius=unbounded(cells.corner_radius_m[node:]),
        tightest_radius=unbounded(cells.tightest_radius_m[node:]),
    )


def _air(old: Plan, node: int) -> Callable[[FloatArray], AirOnCells]:
    """The air of the old plan; minutes early or late change it less than any forecast is good for."""
    cells = old.cells
    air = Air(
        density=cells.air_density_kg_m3[node:],
        headwind=cells.headwind_m_s[node:],
        crosswind=cells.crosswind_m_s[node:],
        gust_crosswind=cells.gust_crosswind_m_s[node:],
    )
    return lambda _: air


def _known_words(cues: tuple[Cue, ...], old: tuple[Cue, ...]) -> tuple[Cue, ...]:
    """Cues with the words that the old plan had for the place."""
    found = []
    for cue in cues:
        near = [known for known in old if abs(known.at_m - cue.at_m) <= SAME_PLACE and known.kind == cue.kind]
        if cue.kind == "start":
            cue = replace(cue, text="from here")
        elif near:
            cue = replace(cue, text=min(near, key=lambda known: abs(known.at_m - cue.at_m)).text)
        found.append(cue)
    return tuple(found)

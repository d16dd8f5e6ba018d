"""Objects to objects: wires the rooms together. No formula, no disk, no screen."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from pacer.air.resolve import resolve_air
from pacer.air.weather import Surface, Weather
from pacer.course.cells import make_cells
from pacer.course.track import Course, Zone
from pacer.course.zones import unknown_zones, zone_effects
from pacer.errors import InfeasibleError, SettingsError
from pacer.physics.fatigue import sustainable_power
from pacer.physics.rider import Setup
from pacer.planning.assemble import assemble
from pacer.planning.cautions import cautions_for, told
from pacer.planning.cockpit import cockpit_cautions
from pacer.planning.feeding import feed_stops, stop_zones, wish_of
from pacer.planning.inputs import race_table, setup_tables, weather_table, zone_tables
from pacer.planning.limits import Limits, limits_for, safety_table
from pacer.planning.optimise import optimise
from pacer.planning.plan import Plan
from pacer.planning.proven import proven
from pacer.planning.race import Race
from pacer.planning.recheck import Violation, recheck
from pacer.planning.scenario import Scenario
from pacer.planning.solution import Solution

__all__ = ["Request", "fed", "make_plan", "make_scenario"]

Progress = Callable[[str], None]

MOST_REPAIRS: Final = 6
"""Times that a plan is made again to mend what its check found."""

OVER_LASTING: Final = 0.02
"""Share by which the power asked for may pass what commonly lasts before the plan says so."""


@dataclass(frozen=True, slots=True, eq=False)
class Request:
    """What the user asks for, read and checked.

    Attributes
    ----------
    course : Course
    setup : Setup
        Rider, bicycle and positions.
    race : Race
    weather : Weather
    safety : mapping
        The rider file's `[safety]` keys.
    zones : tuple of Zone
        On the course as ridden, all laps; those of unknown road are added where they are missing.
    assumed : tuple of str
        A sentence for each thing that wasn't given.
    route_sha256 : str
        Of the route's file, for the plan to name.
    extra : mapping
        Tables of the rider file that the plan carries along (`cockpit`, `feeding`); `fed` adds to `feeding`.
    """

    course: Course
    setup: Setup
    race: Race
    weather: Weather
    safety: Mapping[str, float] = field(default_factory=dict)
    zones: tuple[Zone, ...] = ()
    assumed: tuple[str, ...] = ()
    route_sha256: str = ""
    extra: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        missing = [zone for zone in unknown_zones(self.course) if zone not in self.zones]
        if missing:
            zones = sorted((*self.zones, *missing), key=lambda zone: zone.start)
            object.__setattr__(self, "zones", tuple(zones))

    @property
    def limits(self) -> Limits:
        """The safety limits of the day."""
        wet = self.weather.surface is Surface.WET
        return limits_for(self.setup.rider.skill, self.safety, wet=wet)


def make_scenario(request: Request) -> Scenario:
    """Cut the course into cells and put the race together.

    Raises
    ------
    SettingsError
        Where the race's W' reserve is more than the rider has.
    """
    if request.race.w_prime_reserve >= request.setup.rider.w_prime:
        raise SettingsError(
            "the W' reserve of the race must be less than the rider's W'",
            where="w_prime_reserve_j",
            found=f"{request.race.w_prime_reserve:.0f} J of {request.setup.rider.w_prime:.0f} J",
            do="lower w_prime_reserve_j in the race file",
        )
    ends = np.array(sorted({x for zone in request.zones for x in (zone.start, zone.end)}), dtype=np.float64)
    cells = make_cells(request.course, also=ends if ends.size else None)
    effects = zone_effects(cells, request.zones)

    def air(arrival: Any) -> Any:
        return resolve_air(
            request.weather,
            heading=cells.heading,
            elevation=cells.elevation,
            arrival_time=arrival,
            wind_factor=effects.wind_factor,
        )

    return Scenario(
        cells=cells,
        corners=request.course.corners,
        zones=request.zones,
        crr_factor=effects.crr_factor,
        setup=request.setup,
        limits=request.limits,
        race=request.race,
        air=air,
        refused=np.zeros(len(cells), dtype=bool),
    )


def _inputs(request: Request, notes: tuple[str, ...] = ()) -> dict[str, Any]:
    return {
        "route": request.course.name,
        "route_sha256": request.route_sha256,
        **setup_tables(request.setup),
        "race": race_table(request.race),
        "weather": weather_table(request.weather),
        "zones": zone_tables(request.zones),
        "safety": safety_table(request.limits),
        **request.extra,
        "assumed": [*request.assumed, *notes],
    }


def fed(request: Request, progress: Progress = lambda _: None) -> Request:
    """The request with the places to eat and drink that its `feeding` table asks for; as it was without one.

    The places become feed zones, which refuse the tuck; the table gets them as `stops`, with the time of the
    free optimum without them. Doing it again changes nothing.

    Raises
    ------
    InfeasibleError
        Where no plan meets the limits.
    """
    return _fed(request, progress)[0]


def _fed(request: Request, progress: Progress) -> tuple[Request, Solution | None]:
    """The request as `fed` gives it, and the solution without the stops where it had to be found."""
    table = request.extra.get("feeding", {})
    wish = wish_of(table)
    if wish is None or "stops" in table:
        return request, None
    progress("looking for places to eat and drink")
    scenario = make_scenario(request)
    solution = optimise(scenario, relaxed=False)
    stops, missed = feed_stops(scenario, solution, wish)
    found = {
        **table,
        "stops": [
            {
                "start_km": round(stop.start / 1000.0, 4),
                "end_km": round(stop.end / 1000.0, 4),
                "time_s": round(stop.time, 1),
                "cost_s": round(stop.cost, 3),
                "given": stop.given,
                "what": wish.words,
            }
            for stop in stops
        ],
        "missed_s": [round(due, 1) for due in missed],
        "free_optimum_without_s": round(solution.optimum.time, 3),
    }
    zones = sorted((*request.zones, *stop_zones(stops, wish.words)), key=lambda zone: zone.start)
    return replace(request, zones=tuple(zones), extra={**request.extra, "feeding": found}), solution


def _plan(request: Request, scenario: Scenario, progress: Progress, near: Solution | None) -> Plan:
    found = proven(scenario, near, progress)
    return assemble(
        scenario,
        found,
        climb=request.course.climb,
        inputs=_inputs(request, scenario.air(found.solution.arrival).notes),
        cautions=_cautions(request, found.solution, found.plan.ride.time),
        changes=told(request.course.changes),
    )


def _cautions(request: Request, solution: Solution, time: float) -> tuple[str, ...]:
    asked = request.race.effort is not None or request.race.target_power is not None
    hungry = tuple(
        f"No safe place to eat or drink was found near {due // 3600:.0f}:{due % 3600 / 60:02.0f}: take it "
        "where you see that one hand is enough."
        for due in request.extra.get("feeding", {}).get("missed_s", ())
    )
    lasting = float(sustainable_power(time, request.setup.rider.critical_power))
    return (
        *cautions_for(
            request.course,
            request.limits,
            request.setup,
            request.weather.at(solution.arrival),
            wet=request.weather.surface is Surface.WET,
            long_at_critical=asked and solution.problem.fatigue.budget > lasting * (1.0 + OVER_LASTING),
        ),
        *cockpit_cautions(request.extra.get("cockpit", {})),
        *hungry,
    )


def make_plan(
    request: Request,
    progress: Progress = lambda _: None,
    *,
    refused: npt.NDArray[np.bool_] | None = None,
) -> Plan:
    """Plan the race, check the plan from scratch, and mend what the check finds.

    Parameters
    ----------
    request : Request
    progress : callable
        Told in a few words what is being done.
    refused : bool array, shape (n,), optional
        Cells of `make_scenario` where the tuck is refused besides the rules.

    Raises
    ------
    InfeasibleError
        Where no plan meets the limits, or the finished plan doesn't pass the check.
    """
    request, near = _fed(request, progress)
    scenario = make_scenario(request)
    if refused is not None:
        scenario = replace(scenario, refused=refused)
    found: tuple[Violation, ...] = ()
    for _ in range(MOST_REPAIRS):
        plan = _plan(request, scenario, progress, near)
        progress("checking it from scratch")
        found = recheck(plan, request.limits)
        if not found:
            return plan
        mended = _sit_up_before(scenario, plan, found)
        if mended is scenario:
            break
        scenario = mended
    raise _failed(scenario, found)


def _sit_up_before(scenario: Scenario, plan: Plan, found: tuple[Violation, ...]) -> Scenario:
    """The scenario with the tuck refused where the check found it wrong, and in the seconds before."""
    refused = scenario.refused.copy()
    time = plan.nodes.time_s
    for violation in found:
        if violation.cell is None:
            continue
        from_time = time[violation.cell] - 1.5 * scenario.limits.hands_back
        first = int(np.searchsorted(time, from_time, side="right")) - 1
        refused[max(first, 0) : violation.cell + 1] = True
    return scenario if np.array_equal(refused, scenario.refused) else replace(scenario, refused=refused)


def _failed(scenario: Scenario, found: tuple[Violation, ...]) -> InfeasibleError:
    first = found[0]
    where = "" if first.cell is None else f" at km {scenario.cells.start[first.cell] / 1000:.2f}"
    return InfeasibleError(
        f"the finished plan did not pass its own check ({first.what}{where})",
        by=f"{abs(first.value - first.limit):.3g} {first.unit}".strip(),
        do="please report it with the route and both files; nothing was written",
    )

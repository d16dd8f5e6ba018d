"""Workflow of an uncertain day: one plan on many days, by any executor; the plan that holds on nearly all."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.air.weather import Surface
from pacer.errors import InfeasibleError
from pacer.planning.ensemble import BestOfDay, DayResult, Held, best_of_day, ride_day
from pacer.planning.members import Member, setup_on, weather_on
from pacer.planning.optimise import optimise
from pacer.planning.outlook import (
    Choice,
    Ensemble,
    Outlook,
    Robust,
    choices_of,
    outlook_of,
    stable_share,
)
from pacer.planning.plan import Plan
from pacer.planning.positions import position_prices
from pacer.planning.scenario import Scenario
from pacer.planning.solution import Solution
from pacer.units import FloatArray
from pacer.workflow import Request, fed, make_plan, make_scenario

__all__ = ["CHUNK", "live_through"]

SURE: Final = 0.95
"""Share of days on which the robust plan must hold the budget, and on which a tuck must be allowed."""

CHUNK: Final = 4
"""Days that are sent out together."""

MOST_TRIALS: Final = 6

SPARE: Final = 3e-4
"""Share by which each trial goes further than the days ask: powers are rounded, and time moves with them."""

Counted = Callable[[str, int, int], None]
"""Told what is being done, how much of it is done, and how much there is."""


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    """What a worker gets: some days, and all that is the same on each."""

    request: Request
    members: tuple[Member, ...]
    held: Held
    seconds: FloatArray
    splits: FloatArray
    guess: Solution | None


def _day(request: Request, member: Member) -> tuple[Scenario, float]:
    """A day's scenario, and its budget over the scenario's.

    A target power is what the rider holds in the form that the rider file states: it follows the day's form.
    """
    day = replace(request, setup=setup_on(member, request.setup), weather=weather_on(member, request.weather))
    share = member.critical_power_factor if request.race.target_power is not None else 1.0
    return make_scenario(day), share


def _live(task: _Task) -> list[tuple[DayResult, BestOfDay | None]]:
    """Live through some days; runs in a worker."""
    found: list[tuple[DayResult, BestOfDay | None]] = []
    for member in task.members:
        scenario, share = _day(task.request, member)
        result, ride = ride_day(scenario, task.held, task.seconds, task.splits, share)
        best = None
        if task.guess is not None:
            try:
                best = best_of_day(scenario, task.guess, ride, share)
            except InfeasibleError:
                best = None
        wet = weather_on(member, task.request.weather).surface is Surface.WET
        found.append((replace(result, air=replace(result.air, wet=wet)), best))
    return found


def _all_days(
    executor: Executor, task: _Task, told: Callable[[int, int], None]
) -> list[tuple[DayResult, BestOfDay | None]]:
    """Send the days out in chunks and collect them in their order."""
    members = task.members
    chunks = [members[i : i + CHUNK] for i in range(0, len(members), CHUNK)]
    futures = [executor.submit(_live, replace(task, members=chunk)) for chunk in chunks]
    sizes: dict[Future[list[tuple[DayResult, BestOfDay | None]]], int] = {
        future: len(chunk) for future, chunk in zip(futures, chunks, strict=True)
    }
    done = 0
    try:
        for future in as_completed(futures):
            future.result()
            done += sizes[future]
            told(done, len(members))
        return [item for future in futures for item in future.result()]
    except BaseException:
        for future in futures:
            future.cancel()
        raise


def _places(length: float, every: float) -> FloatArray:
    inner = np.arange(1, math.ceil(length / every)) * every
    return np.append(inner[inner < length - every / 5], length)


def _held(request: Request, plan: Plan) -> Held:
    names = [position.name for position in request.setup.positions]
    power = np.array([segment.power_w for segment in plan.segments])[plan.cells.segment]
    return Held(power, np.array([names.index(name) for name in plan.cells.position], dtype=np.int64))


def live_through(
    request: Request,
    members: Sequence[Member],
    executor: Executor,
    *,
    split_every: float = 5000.0,
    progress: Callable[[str], None] = lambda _: None,
    counted: Counted = lambda *_: None,
) -> Ensemble:
    """Plan the race, live through every day with that plan, and find the plan that holds on nearly all.

    The result depends on the request and the members alone, not on the executor or its number of workers.

    Parameters
    ----------
    members : sequence of Member
    executor : concurrent.futures.Executor
        Processes, threads, a cluster's executor, or one that works at once.
    split_every : float
        Distance between the places where the clock is read [m].

    Raises
    ------
    InfeasibleError
        Where the planned day has no plan.
    """
    request = fed(request, progress)
    plan = make_plan(request, progress)
    progress("the planned day's prices")
    scenario = make_scenario(request)
    solution = optimise(scenario)
    places = _places(float(plan.nodes.distance_m[-1]), split_every)
    seconds = np.diff(plan.nodes.time_s)
    task = _Task(request, tuple(members), _held(request, plan), seconds, places, solution)
    lived = _all_days(executor, task, lambda done, all_: counted("living through the days", done, all_))
    results, bests = [result for result, _ in lived], [best for _, best in lived]
    outlook = _outlook(results, bests, plan, places)
    hands_off = np.array([p.tucked for p in request.setup.positions])
    price = position_prices(solution.problem, solution.optimum)
    stake = price[:, ~hands_off].min(axis=1) - price[:, hands_off].min(axis=1, initial=np.inf)
    choices: tuple[Choice, ...] = ()
    if hands_off.any():
        choices = choices_of(
            results,
            bests,
            nodes=scenario.cells.nodes,
            seconds=seconds,
            planned=hands_off[task.held.position],
            stake=stake,
        )
    refused = np.mean([result.refused for result in results], axis=0) > 1.0 - SURE
    robust, why_not = _robust(request, plan, replace(task, guess=None), results, refused, executor, counted)
    return Ensemble(
        plan=plan,
        members=tuple(members),
        times=np.array([result.time for result in results]),
        best_times=np.array([math.nan if best is None else best.time for best in bests]),
        outlook=outlook,
        choices=choices,
        stable=stable_share(bests, scenario.cells.length) if any(bests) else math.nan,
        robust=robust,
        why_not=why_not,
    )


def _outlook(
    results: Sequence[DayResult], bests: Sequence[BestOfDay | None], plan: Plan, places: FloatArray
) -> Outlook:
    at = np.interp(places, plan.nodes.distance_m, plan.nodes.time_s)
    return outlook_of(results, bests, plan.totals.time_s, places, at)


def _robust(
    request: Request,
    plan: Plan,
    task: _Task,
    results: Sequence[DayResult],
    refused: npt.NDArray[np.bool_],
    executor: Executor,
    counted: Counted,
) -> tuple[Robust | None, str]:
    """Lower the budget, and sit up where the tuck is refused too often, until nearly all days hold."""
    budget = plan.model.fourth_power_budget_w
    share = 1.0
    for trial in range(1, MOST_TRIALS + 1):
        scales = sorted(result.scale for result in results)
        share *= min(scales[math.floor((1.0 - SURE) * len(scales) + 1e-9)], 1.0) * (1.0 - SPARE)
        lower = replace(request.race, effort=None, target_power=share * budget)
        try:
            careful = make_plan(replace(request, race=lower), refused=refused)
        except InfeasibleError as error:
            return None, str(error)
        tried = replace(task, held=_held(request, careful), seconds=np.diff(careful.nodes.time_s))
        what = f"trying the robust plan, {trial}"
        lived = _all_days(executor, tried, partial(counted, what))
        results = [result for result, _ in lived]
        if np.mean([result.holds for result in results]) >= SURE:
            outlook = _outlook(results, [None] * len(results), careful, task.splits)
            price = careful.totals.time_s - plan.totals.time_s
            return Robust(careful, share, price, outlook), ""
    return None, f"no share of the budget was held on {SURE:.0%} of the days in {MOST_TRIALS} trials"

"""Workflow of a decision: the same race under several conditions, and what one unit of each is worth."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pacer.air.shift import WeatherShift, shifted
from pacer.errors import InfeasibleError
from pacer.planning.comparing import Comparison, Difference, compare, outcome_of, steady_outcome
from pacer.planning.optimise import optimise
from pacer.planning.scenario import Scenario
from pacer.planning.sensitivity import Sensitivity, air_slope, sensitivity
from pacer.planning.solution import Solution
from pacer.workflow import Request, make_scenario

__all__ = ["Variant", "compare_variants", "request_sensitivity"]


@dataclass(frozen=True, slots=True, eq=False)
class Variant:
    """One row of the comparison.

    Attributes
    ----------
    label : str
        What the user reads.
    request : Request
    steady : bool
        One constant power instead of the best one.
    """

    label: str
    request: Request
    steady: bool = False


def request_sensitivity(request: Request, scenario: Scenario, solution: Solution) -> Sensitivity:
    """What one unit of each thing is worth in this race, see `sensitivity`."""
    windier = make_scenario(replace(request, weather=shifted(request.weather, WeatherShift(speed=1.0))))
    _, air = scenario.road(solution.arrival)
    _, more = windier.road(solution.arrival)
    return sensitivity(scenario, solution, air_slope(air, more, 1.0))


def _same_road(a: Request, b: Request) -> bool:
    one_way = a.race.reverse == b.race.reverse
    return one_way and a.route_sha256 == b.route_sha256 and abs(a.course.length - b.course.length) < 1.0


def compare_variants(
    name: str,
    base: Variant,
    variants: Sequence[Variant],
    progress: Callable[[str], None] = lambda _: None,
) -> Comparison:
    """Ride the race under every set of conditions.

    Parameters
    ----------
    name : str
        What the comparison is called.
    base : Variant
        What the others are compared with.
    variants : sequence of Variant
    progress : callable
        Told in a few words what is being done.

    Raises
    ------
    InfeasibleError
        Where the base has no plan; a variant without one is told in its row.
    """
    progress(f"riding it {base.label}")
    scenario = make_scenario(base.request)
    solution = optimise(scenario)
    outcome = outcome_of(scenario, solution)
    found = []
    for variant in variants:
        progress(f"riding it {variant.label}")
        try:
            if variant.steady and variant.request is base.request:
                other = steady_outcome(scenario, solution)
            else:
                itself = make_scenario(variant.request)
                best = optimise(itself)
                other = steady_outcome(itself, best) if variant.steady else outcome_of(itself, best)
        except InfeasibleError as error:
            found.append(Difference(variant.label, None, np.nan, None, np.zeros(0), str(error)))
            continue
        same = _same_road(base.request, variant.request)
        found.append(compare(variant.label, outcome, other, same_road=same))
    return Comparison(
        name=name,
        base=outcome,
        base_label=base.label,
        differences=tuple(found),
        sensitivity=request_sensitivity(base.request, scenario, solution),
    )

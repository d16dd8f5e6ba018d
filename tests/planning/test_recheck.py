"""The last check finds each kind of violation planted in a finished plan, and nothing in the plan itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest

from pacer.planning.limits import Limits
from pacer.planning.plan import Plan
from pacer.planning.recheck import Violation, recheck
from tests.demo import RIDERS, demo_plan, demo_request

ROUTE = "marnhythe-tt"


def limits() -> Limits:
    """The limits of the plan that is broken below."""
    return demo_request(ROUTE).limits


def tucked(plan: Plan) -> np.ndarray:
    """Cells with the hands off the brakes."""
    return np.array([segment.tucked for segment in plan.segments])[plan.cells.segment]


def middle_of_a_tuck(plan: Plan) -> int:
    """A cell in the middle of the longest tucked stay, straight and away from limits."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], tucked(plan).astype(int), [0]))))
    first, last = max(zip(edges[::2], edges[1::2], strict=True), key=lambda stay: stay[1] - stay[0])
    return int(first + last) // 2


def braking_cell(plan: Plan) -> int:
    """The first cell that brakes."""
    return int(np.flatnonzero(plan.cells.brake_n > 0.0)[0])


def with_cells(plan: Plan, cell: int, **values: float | bool) -> Plan:
    """The plan with other values in one cell."""
    changed: dict[str, Any] = {}
    for name, value in values.items():
        column = np.array(getattr(plan.cells, name))
        column[cell] = value
        changed[name] = column
    return replace(plan, cells=replace(plan.cells, **changed))


def with_nodes(plan: Plan, node: int, **more: float) -> Plan:
    """The plan with something added at a cell end and all that follow."""
    changed = {}
    for name, value in more.items():
        column = np.array(getattr(plan.nodes, name))
        column[node:] += value
        changed[name] = column
    return replace(plan, nodes=replace(plan.nodes, **changed))


Planted = tuple[Plan, Limits]


def too_fast(plan: Plan) -> Planted:
    """A limit just under the speed of a cell."""
    cell = middle_of_a_tuck(plan)
    return with_cells(plan, cell, speed_limit_m_s=plan.nodes.speed_m_s[cell] - 0.05), limits()


def corner(plan: Plan) -> Planted:
    """A corner where the plan rides as on a straight."""
    return with_cells(plan, middle_of_a_tuck(plan), corner_radius_m=12.0, tightest_radius_m=12.0), limits()


def lean(plan: Plan) -> Planted:
    """A bend that the hoods may take at this speed and the tuck may not."""
    cell, own = middle_of_a_tuck(plan), limits()
    speed = float(plan.nodes.speed_m_s[cell])
    radius = speed**2 / (0.5 * (own.tuck_lateral + own.corner_lateral))
    radius = max(radius, own.tuck_min_radius + 1.0)
    return with_cells(plan, cell, corner_radius_m=radius, tightest_radius_m=radius), own


def tight(plan: Plan) -> Planted:
    """A corner that may be tighter than any tuck, though a wide one is likelier."""
    return with_cells(
        plan, middle_of_a_tuck(plan), tightest_radius_m=limits().tuck_min_radius - 1.0
    ), limits()


def tuck_speed(plan: Plan) -> Planted:
    """A rider whose top speed tucked is lower."""
    cell = middle_of_a_tuck(plan)
    return plan, replace(limits(), tuck_top_speed=float(plan.nodes.speed_m_s[cell]) - 0.1)


def refused(plan: Plan) -> Planted:
    """A tucked cell that the rules refuse."""
    return with_cells(plan, middle_of_a_tuck(plan), tuck_allowed=False), limits()


def steep(plan: Plan) -> Planted:
    """A descent just too steep for the tuck."""
    grade = -limits().tuck_steepest_descent - 1e-3
    return with_cells(plan, middle_of_a_tuck(plan), grade=grade), limits()


def gust(plan: Plan) -> Planted:
    """A gust just too strong."""
    return with_cells(
        plan, middle_of_a_tuck(plan), gust_crosswind_m_s=limits().tuck_gust_crosswind + 0.01
    ), limits()


def start(plan: Plan) -> Planted:
    """A rider who stays upright longer after the start."""
    first = float(plan.cells.start_m[np.flatnonzero(tucked(plan))[0]])
    return plan, replace(limits(), start_upright=first + 1.0)


def finish(plan: Plan) -> Planted:
    """A rider who sits up earlier before the finish."""
    last = int(np.flatnonzero(tucked(plan))[-1])
    left = float(plan.nodes.distance_m[-1] - plan.nodes.distance_m[last + 1])
    return plan, replace(limits(), finish_upright=left + 1.0)


def zone(plan: Plan) -> Planted:
    """A no-tuck zone across a tuck."""
    at = float(plan.cells.start_m[middle_of_a_tuck(plan)]) / 1000.0
    there = {"kind": "no-tuck", "start_km": at, "end_km": at + 0.01, "note": ""}
    return replace(plan, inputs=dict(plan.inputs) | {"zones": [there]}), limits()


def cobbles(plan: Plan) -> Planted:
    """A tuck over cobbles."""
    at = float(plan.cells.start_m[middle_of_a_tuck(plan)]) / 1000.0
    zones = [
        {"kind": "surface", "start_km": at, "end_km": at + 0.01, "crr_factor": 3.0, "note": ""},
        {"kind": "surface", "start_km": at, "end_km": at + 0.01, "crr_factor": 0.9, "note": ""},
    ]
    return replace(plan, inputs=dict(plan.inputs) | {"zones": zones}), limits()


def limited(plan: Plan) -> Planted:
    """A zone whose limit the plan's cells know nothing of."""
    at = float(plan.cells.start_m[middle_of_a_tuck(plan)]) / 1000.0
    there = {"kind": "speed-limit", "start_km": at, "end_km": at + 0.01, "limit_kmh": 20.0, "note": ""}
    return replace(plan, inputs=dict(plan.inputs) | {"zones": [there]}), limits()


def slow(plan: Plan) -> Planted:
    """A rider who needs more speed to be steady."""
    cell = middle_of_a_tuck(plan)
    return plan, replace(limits(), tuck_slowest=float(plan.nodes.speed_m_s[cell]) + 0.5)


def short_stay(plan: Plan) -> Planted:
    """A stretch upright in a tuck, so late that what is left of the stay lasts a few seconds."""
    upright = next(segment.position for segment in plan.segments if not segment.tucked)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], tucked(plan).astype(int), [0]))))
    last = int(edges[1])
    time = plan.nodes.time_s
    begins = int(np.searchsorted(time, time[last] - 0.5 * limits().tuck_shortest_stay))
    position = list(plan.cells.position)
    position[begins - 1] = upright
    return replace(plan, cells=replace(plan.cells, position=tuple(position))), limits()


def shortest_stay(plan: Plan) -> Planted:
    """A rider who needs longer stays than the plan's shortest."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], tucked(plan).astype(int), [0]))))
    stays = plan.nodes.time_s[edges[1::2]] - plan.nodes.time_s[edges[::2]]
    return plan, replace(limits(), tuck_shortest_stay=1.05 * float(stays.min()))


def rolling(plan: Plan) -> Planted:
    """A tuck near its top speed on a slope that alone would hold more than that."""
    cell = middle_of_a_tuck(plan)
    top = float(plan.nodes.speed_m_s[cell : cell + 2].max()) + 0.1
    return with_cells(plan, cell, grade=-0.045), replace(limits(), tuck_top_speed=top)


def tucked_braking(plan: Plan) -> Planted:
    """Brakes used where the hands aren't on them."""
    return with_cells(plan, middle_of_a_tuck(plan), brake_n=5.0, power_w=0.0), limits()


def both(plan: Plan) -> Planted:
    """Pedalling into the brakes."""
    return with_cells(plan, braking_cell(plan), power_w=100.0), limits()


def hard(plan: Plan) -> Planted:
    """A rider who counts on less braking."""
    most = float(plan.cells.brake_n.max()) / plan.model.total_mass_kg
    return plan, replace(limits(), braking=0.9 * most)


def late(plan: Plan) -> Planted:
    """A rider whose hands need longer than the plan has anywhere."""
    return plan, replace(limits(), hands_back=limits().hands_back + 60.0)


def after_a_tuck(plan: Plan) -> int:
    """The first cell upright after the first stay, where the hands are on their way back."""
    return int(np.flatnonzero(np.diff(tucked(plan).astype(int)) == -1)[0]) + 1


def late_for_a_zone(plan: Plan) -> Planted:
    """A no-tuck zone that begins where the hands have just left the bars."""
    at = float(plan.cells.start_m[after_a_tuck(plan)]) / 1000.0
    there = {"kind": "no-tuck", "start_km": at, "end_km": at + 0.005, "note": ""}
    return replace(plan, inputs=dict(plan.inputs) | {"zones": [there]}), limits()


def late_for_a_corner(plan: Plan) -> Planted:
    """A tight corner there."""
    return with_cells(plan, after_a_tuck(plan), tightest_radius_m=limits().tuck_min_radius - 1.0), limits()


def late_for_a_descent(plan: Plan) -> Planted:
    """A steep descent there."""
    return with_cells(plan, after_a_tuck(plan), grade=-limits().tuck_steepest_descent - 1e-3), limits()


def late_for_cobbles(plan: Plan) -> Planted:
    """Cobbles there."""
    at = float(plan.cells.start_m[after_a_tuck(plan)]) / 1000.0
    there = {"kind": "surface", "start_km": at, "end_km": at + 0.005, "crr_factor": 3.0, "note": ""}
    return replace(plan, inputs=dict(plan.inputs) | {"zones": [there]}), limits()


def feed_point(plan: Plan) -> Planted:
    """A place to eat that is a point, 40 m after a tucked cell."""
    cell = middle_of_a_tuck(plan)
    at = float(plan.cells.start_m[cell] + plan.cells.length_m[cell] + 40.0) / 1000.0
    there = {"kind": "feed", "start_km": at, "end_km": at, "note": ""}
    return replace(plan, inputs=dict(plan.inputs) | {"zones": [there]}), limits()


def speeds(plan: Plan) -> Planted:
    """A speed that the power doesn't give."""
    return with_nodes(plan, middle_of_a_tuck(plan), speed_m_s=0.2), limits()


def times(plan: Plan) -> Planted:
    """Times that the speeds don't give: 0.3 % of the race."""
    return with_nodes(plan, middle_of_a_tuck(plan), time_s=0.003 * float(plan.nodes.time_s[-1])), limits()


def budget(plan: Plan) -> Planted:
    """A budget 0.2 % lower."""
    lower = 0.998 * plan.model.fourth_power_budget_w
    return replace(plan, model=replace(plan.model, fourth_power_budget_w=lower)), limits()


def reserve(plan: Plan) -> Planted:
    """A reserve above the lowest balance."""
    higher = plan.totals.min_w_balance_j + 0.01 * plan.model.w_prime_j
    return replace(plan, model=replace(plan.model, w_prime_reserve_j=higher)), limits()


def maximum(plan: Plan) -> Planted:
    """A weaker rider."""
    lower = float(plan.cells.power_w.max()) - 1.0
    return replace(plan, model=replace(plan.model, max_power_w=lower)), limits()


PLANTED: list[tuple[Callable[[Plan], Planted], str]] = [
    (too_fast, "faster than the speed limit"),
    (corner, "corner taken too fast"),
    (lean, "leaning too far tucked"),
    (tight, "tucked in a tight corner"),
    (tuck_speed, "tucked faster than its top speed"),
    (refused, "tucked where it is refused"),
    (steep, "tucked on a steep descent"),
    (gust, "tucked in a gust crosswind"),
    (start, "tucked after the start"),
    (finish, "tucked before the finish"),
    (zone, "tucked in a zone that forbids it"),
    (cobbles, "tucked on a rough surface"),
    (limited, "faster than a speed-limit zone"),
    (slow, "tucked too slow to be steady"),
    (short_stay, "tucked for too short a stay"),
    (shortest_stay, "tucked for too short a stay"),
    (rolling, "rolling past the tucked top speed"),
    (tucked_braking, "braking while tucked"),
    (both, "pedalling and braking at once"),
    (hard, "braking too hard"),
    (late, "hands back too late"),
    (late_for_a_zone, "hands back too late"),
    (late_for_a_corner, "hands back too late"),
    (late_for_a_descent, "hands back too late"),
    (late_for_cobbles, "hands back too late"),
    (feed_point, "tucked in a zone that forbids it"),
    (speeds, "the written speed doesn't follow from the written power"),
    (times, "the written times don't follow from the written power"),
    (budget, "over the fatigue budget"),
    (reserve, "under the W' reserve"),
    (maximum, "over the maximum power"),
]


@pytest.mark.parametrize(("plant", "what"), PLANTED, ids=lambda x: getattr(x, "__name__", ""))
def test_a_planted_violation_is_found(plant: Callable[[Plan], Planted], what: str) -> None:
    """The violation is named, with a value beyond its limit, and wasn't there before."""
    plan, own = plant(demo_plan(ROUTE))
    found = {violation.what: violation for violation in recheck(plan, own)}
    assert what in found, found
    violation = found[what]
    if violation.unit:
        assert violation.value != violation.limit


@pytest.mark.parametrize(("margin", "grade"), [(1.2, -0.045), (0.1, -0.01)])
def test_a_slope_that_holds_less_or_is_taken_slowly_may_be_ridden_tucked(margin: float, grade: float) -> None:
    """Far under the tucked top speed, or where coasting settles below it, nothing rolls past it."""
    plan = demo_plan(ROUTE)
    cell = middle_of_a_tuck(plan)
    top = float(plan.nodes.speed_m_s[cell : cell + 2].max()) + margin
    found = recheck(with_cells(plan, cell, grade=grade), replace(limits(), tuck_top_speed=top))
    assert cell not in [v.cell for v in found if v.what == "rolling past the tucked top speed"]


def of_tucked(plan: Plan) -> dict[str, float]:
    """The worst that the tucked cells of a plan have of what each limit is about."""
    here, cells, speed = tucked(plan), plan.cells, plan.nodes.speed_m_s
    fast = np.maximum(speed[:-1], speed[1:])[here]
    stays = np.flatnonzero(np.diff(np.concatenate(([0], here.astype(int), [0]))))
    radius = np.where(np.isfinite(cells.tightest_radius_m), cells.tightest_radius_m, np.inf)[here]
    return {
        "tuck_top_speed": fast.max(),
        "tuck_slowest": (cells.length_m / np.diff(plan.nodes.time_s))[here].min(),
        "tuck_steepest_descent": -cells.grade[here].min(),
        "tuck_gust_crosswind": cells.gust_crosswind_m_s[here].max(),
        "tuck_min_radius": radius.min(),
        "tuck_lateral": (fast**2 / radius).max(),
        "tuck_shortest_stay": (plan.nodes.time_s[stays[1::2]] - plan.nodes.time_s[stays[::2]]).min(),
        "start_upright": cells.start_m[here].min(),
        "finish_upright": plan.nodes.distance_m[-1] - (cells.start_m + cells.length_m)[here].max(),
    }


@pytest.mark.parametrize(
    ("field", "what", "within", "past"),
    [
        ("tuck_top_speed", "tucked faster than its top speed", -0.015, -0.025),
        ("tuck_slowest", "tucked too slow to be steady", 0.29, 0.31),
        ("tuck_steepest_descent", "tucked on a steep descent", 1e-9, -1e-9),
        ("tuck_gust_crosswind", "tucked in a gust crosswind", 1e-9, -1e-9),
        ("tuck_min_radius", "tucked in a tight corner", -1e-9, 1e-9),
        ("tuck_lateral", "leaning too far tucked", -0.002, -0.02),
        ("tuck_shortest_stay", "tucked for too short a stay", 1.2, 1.6),
        ("start_upright", "tucked after the start", -1e-6, 1e-6),
        ("finish_upright", "tucked before the finish", -1e-6, 1e-6),
    ],
)
def test_each_limit_is_checked_to_its_tolerance(field: str, what: str, within: float, past: float) -> None:
    """A limit so near to what the plan rides is kept, one a little nearer is broken."""
    plan = demo_plan(ROUTE)
    if field in {"tuck_min_radius", "tuck_lateral"}:
        plan = with_cells(plan, middle_of_a_tuck(plan), tightest_radius_m=80.0)
    worst = of_tucked(plan)[field]
    for off, broken in ((within, False), (past, True)):
        found = recheck(plan, replace(limits(), **{field: worst + off}))
        assert (what in {violation.what for violation in found}) == broken


@pytest.mark.parametrize(("coasts_at", "margin", "flagged"), [(0.5, 0.9, True), (-0.5, 0.1, False)])
def test_a_slope_rolls_past_the_top_speed_if_coasting_does(
    coasts_at: float, margin: float, flagged: bool
) -> None:
    """Steady coasting half a metre a second above the tucked top speed is past it, half below isn't."""
    plan = demo_plan(ROUTE)
    cell, cells = middle_of_a_tuck(plan), plan.cells
    top = float(plan.nodes.speed_m_s[cell : cell + 2].max()) + margin
    speed = top + coasts_at
    axial, side = speed + cells.headwind_m_s[cell], cells.crosswind_m_s[cell]
    drag = 0.5 * cells.air_density_kg_m3[cell] * cells.cda_m2[cell] * np.hypot(axial, side) * axial
    weight = plan.model.total_mass_kg * plan.model.gravity_m_s2
    grade = -((drag + 0.091 + 0.0087 * speed) / weight + cells.crr[cell])
    found = recheck(with_cells(plan, cell, grade=grade), replace(limits(), tuck_top_speed=top))
    assert (cell in [v.cell for v in found if v.what == "rolling past the tucked top speed"]) == flagged


def test_hands_are_late_wherever_they_are() -> None:
    """Each place is told for which a slower rider's hands come late, and none for the quickest that do."""
    plan, own = demo_plan(ROUTE), limits()
    here = tucked(plan)
    after = [int(k) + 1 for k in np.flatnonzero(np.diff(here.astype(int)) == -1)]
    needed = (plan.cells.brake_n > 0.0) | (plan.cells.tightest_radius_m < own.tuck_min_radius)
    end = plan.cells.start_m + plan.cells.length_m
    needed |= end[-1] - end < own.finish_upright
    for zone in plan.inputs["zones"]:
        if zone["kind"] == "no-tuck":
            needed |= (plan.cells.start_m < 1000.0 * zone["end_km"] - 0.1) & (
                end > 1000.0 * zone["start_km"] + 0.1
            )
    places = [k + int(np.argmax(needed[k:])) for k in after]
    lead = plan.nodes.time_s[places] - plan.nodes.time_s[after]
    for slower, late in ((0.04, 0), (0.06, 1), (100.0, len(set(places)))):
        found = recheck(plan, replace(own, hands_back=float(lead.min()) + slower))
        told = [v.cell for v in found if v.what == "hands back too late"]
        assert len([cell for cell in told if cell in places]) == late


def test_a_rest_begins_with_what_is_left_of_w_prime() -> None:
    """The same powers from half a W' go under the reserve that they keep from a whole one."""
    plan = demo_plan(ROUTE)
    spent = plan.model.w_prime_j - plan.totals.min_w_balance_j
    balance = np.array(plan.nodes.w_balance_j)
    balance[0] = plan.model.w_prime_reserve_j + 0.5 * spent
    found = recheck(replace(plan, nodes=replace(plan.nodes, w_balance_j=balance)), limits())
    assert [v.what for v in found] == ["under the W' reserve"]


def test_motion_is_checked_in_slow_cells_too() -> None:
    """Where the plan turns about, slowly, its speeds follow from its powers as well."""
    plan = demo_plan(ROUTE)
    speed = plan.nodes.speed_m_s
    cell = 1 + int(np.flatnonzero((speed[1:-1] > 2.5) & (speed[1:-1] < 7.0) & (speed[2:] > speed[1:-1]))[0])
    found = recheck(with_nodes(plan, cell + 1, speed_m_s=0.2), limits())
    assert cell in [v.cell for v in found if "written speed" in v.what]


@pytest.mark.parametrize("quicker", [True, False])
def test_a_cell_is_too_fast_at_either_end(quicker: bool) -> None:
    """A limit that only the start, or only the end, of a cell passes is passed."""
    plan = demo_plan(ROUTE)
    gain = np.diff(plan.nodes.speed_m_s)
    cell = int(np.argmax(gain if quicker else -gain))
    between = float(plan.nodes.speed_m_s[cell : cell + 2].mean())
    found = recheck(with_cells(plan, cell, speed_limit_m_s=between), limits())
    assert [v.cell for v in found if v.what == "faster than the speed limit"] == [cell]


def test_a_short_stay_is_told_in_each_of_its_cells() -> None:
    """Mending sits up where a violation is: all of the stay has to go."""
    plan, own = short_stay(demo_plan(ROUTE))
    cells = [v.cell for v in recheck(plan, own) if v.what == "tucked for too short a stay"]
    end = int(np.flatnonzero(np.diff(tucked(plan).astype(int)) == -1)[0]) + 1
    assert cells == list(range(end - len(cells), end))
    seconds = plan.nodes.time_s[end] - plan.nodes.time_s[end - len(cells)]
    assert 0.0 < seconds < own.tuck_shortest_stay


@pytest.mark.parametrize("name", RIDERS)
def test_nothing_is_found_in_a_finished_plan(name: str) -> None:
    """The demo plans pass."""
    assert recheck(demo_plan(name), demo_request(name).limits) == ()


def test_every_kind_of_violation_is_planted_above() -> None:
    """No check of the last check goes without its test."""
    import inspect

    import pacer.planning.recheck as module

    source = inspect.getsource(module)
    missing = [what for _, what in PLANTED if what not in " ".join(source.split()).replace('" "', "")]
    assert not missing
    calls = source.count("self.flag(") + source.count("self.whole(") + source.count("self.refuse(")
    assert calls - 1 == len({what for _, what in PLANTED})


def test_a_violation_says_where() -> None:
    """What concerns a cell names it; what concerns the whole plan doesn't."""
    plan, own = refused(demo_plan(ROUTE))
    (violation,) = recheck(plan, own)
    assert violation.cell == middle_of_a_tuck(plan)
    plan, own = budget(demo_plan(ROUTE))
    (violation,) = recheck(plan, own)
    assert violation.cell is None
    assert violation.unit == "W"
    assert [field.name for field in fields(Violation)] == ["what", "cell", "value", "limit", "unit"]

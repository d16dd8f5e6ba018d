"""The safety rules: condition, verdict, reason, on both sides of each threshold, for every skill."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pacer.course.track import Cells, Corner, CornerKind, Zone, ZoneKind
from pacer.physics.rider import Skill
from pacer.planning.limits import DEFAULT_LIMITS, SAFETY_KEYS, Limits, limits_for, safety_table
from pacer.planning.safety import Rule, Verdict, judge, unsafe_stretches
from pacer.planning.speed_limits import at_cell_ends, corner_speed_limit, speed_limits
from pacer.units import GRAVITY, KMH
from tests.planning.courses import straight_cells
from tests.reference_tables import read_table

MPH = 0.44704
FOOT = 0.3048

SKILLS = [pytest.param(skill, id=skill.value) for skill in Skill]
A_LITTLE = 1e-3
"""Relative; how far on either side of a threshold the tables below stand."""


def verdict_on(
    cells: Cells,
    limits: Limits,
    *,
    corners: Sequence[Corner] = (),
    zones: Sequence[Zone] = (),
    speed: npt.ArrayLike = 9.0,
    gust: npt.ArrayLike = 0.0,
    dismount: bool = False,
    coasting: npt.ArrayLike | None = None,
    upright: npt.ArrayLike | None = None,
) -> Verdict:
    """Judge cells ridden at an approach speed in a gust."""
    n = len(cells)
    return judge(
        cells,
        corners,
        zones,
        limits,
        gust_crosswind=np.broadcast_to(np.asarray(gust, float), (n,)),
        approach=np.broadcast_to(np.asarray(speed, float), (n + 1,)),
        dismount=dismount,
        coasting=None if coasting is None else np.broadcast_to(np.asarray(coasting, float), (n,)),
        upright=None if upright is None else np.broadcast_to(np.asarray(upright, float), (n,)),
    )


def open_road(limits: Limits) -> Limits:
    """The limits without the rules about start, finish and stays, so that another rule stands alone."""
    return replace(limits, start_upright=0.0, finish_upright=0.0, tuck_shortest_stay=0.0)


def rules_in(verdict: Verdict, cell: int) -> dict[str, Any]:
    """The reasons that refuse a tuck in a cell, by rule."""
    return {reason.rule: reason for reason in verdict.reasons(np.array([cell]))}


# The table of defaults: `design choice or common practice` but where `Limits` names a source.
DEFAULTS = {
    "corner_lateral_g": (0.20, 0.27, 0.36),
    "braking_m_s2": (1.5, 2.0, 2.5),
    "top_speed_kmh": (45.0, 60.0, 75.0),
    "tuck_top_speed_kmh": (42.0, 52.0, 62.0),
    "tuck_steepest_descent": (0.03, 0.05, 0.07),
    "tuck_lateral_g": (0.05, 0.10, 0.15),
    "tuck_min_radius_m": (60.0, 40.0, 25.0),
    "tuck_gust_crosswind_m_s": (4.0, 6.0, 8.0),
    "hands_back_s": (4.0, 3.0, 2.0),
    "tuck_shortest_stay_s": (30.0, 20.0, 12.0),
    "tuck_slowest_kmh": (20.0, 17.0, 14.0),
    "tuck_roughest_crr_factor": (1.2, 1.4, 1.6),
    "start_upright_m": (300.0, 200.0, 100.0),
    "finish_upright_m": (300.0, 200.0, 100.0),
    "wet_factor": (0.6, 0.6, 0.6),
}


@pytest.mark.parametrize("key", SAFETY_KEYS)
def test_defaults_by_skill(key: str) -> None:
    """Each skill gets its documented default, in the units of the rider file."""
    found = tuple(safety_table(limits_for(skill, {}, wet=False))[key] for skill in Skill)
    assert found == pytest.approx(DEFAULTS[key])


@pytest.mark.parametrize("skill", SKILLS)
def test_wet_tightens_speeds_and_accelerations(skill: Skill) -> None:
    """Wet, corners, brakes, the tuck's speed, its lean and roughness above 1 are at 0.6, nothing else is."""
    dry, wet = (safety_table(limits_for(skill, {}, wet=w)) for w in (False, True))
    tightened = {"corner_lateral_g", "braking_m_s2", "tuck_top_speed_kmh", "tuck_lateral_g"}
    rough = "tuck_roughest_crr_factor"
    assert wet.pop(rough) == pytest.approx(1.0 + 0.6 * (dry.pop(rough) - 1.0))
    for key, value in dry.items():
        assert wet[key] == pytest.approx(value * (0.6 if key in tightened else 1.0)), key


def test_more_skill_is_never_tighter() -> None:
    """Going from new to expert, every limit loosens or stays."""
    tables = [safety_table(DEFAULT_LIMITS[skill]) for skill in Skill]
    lower_is_tighter = {
        k: not k.endswith(("_upright_m", "_stay_s", "_radius_m", "slowest_kmh")) for k in SAFETY_KEYS
    }
    lower_is_tighter["hands_back_s"] = False
    for key, rises in lower_is_tighter.items():
        values = [table[key] for table in tables]
        assert values == sorted(values, reverse=not rises), key


@pytest.mark.parametrize("key", SAFETY_KEYS)
def test_an_override_replaces_the_default_alone(key: str) -> None:
    """A key of `[safety]` comes back as given and leaves the others as they were."""
    default = safety_table(limits_for(Skill.PRACTISED, {}, wet=False))
    found = safety_table(limits_for(Skill.PRACTISED, {key: 0.5 * default[key]}, wet=False))
    assert found[key] == pytest.approx(0.5 * default[key])
    assert {k: v for k, v in found.items() if k != key} == {k: v for k, v in default.items() if k != key}


@pytest.mark.parametrize("skill", SKILLS)
def test_an_easy_road_is_refused_nowhere(skill: Skill) -> None:
    """Flat, straight, calm and at a steady speed, a tuck is allowed but near start and finish."""
    limits = limits_for(skill, {}, wet=False)
    verdict = verdict_on(straight_cells(80), limits)
    middle = np.arange(80) * 25.0 + 12.5
    near = (middle < limits.start_upright) | (2000.0 - middle < limits.finish_upright)
    before_the_finish = ~verdict.tuck_allowed & ~near
    lead = limits.hands_back * 9.0
    assert np.all(verdict.tuck_allowed[~near & (middle < 2000.0 - limits.finish_upright - lead - 25.0)])
    assert np.all(~verdict.tuck_allowed[near])
    assert before_the_finish.sum() * 25.0 >= lead
    assert {finding.rule for finding in verdict.findings} == {Rule.START, Rule.FINISH, Rule.HANDS_BACK}


@pytest.mark.parametrize("skill", SKILLS)
@pytest.mark.parametrize("wet", [False, True], ids=["dry", "wet"])
@pytest.mark.parametrize(
    ("rule", "unit"),
    [
        (Rule.STEEP_DESCENT, "% down"),
        (Rule.CORNER_RADIUS, "m radius"),
        (Rule.CORNER_LEAN, "g"),
        (Rule.GUST, "m/s"),
        (Rule.TOO_SLOW, "km/h"),
        (Rule.SPEED_ZONE, "km/h"),
        (Rule.ROUGH, "crr factor"),
    ],
)
def test_each_threshold(rule: Rule, unit: str, wet: bool, skill: Skill) -> None:
    """Just inside its limit a rule lets the tuck be; just past it, it refuses, with value, limit and unit."""
    limits = open_road(limits_for(skill, {}, wet=wet))
    at = 20
    n = 40

    def ridden(factor: float) -> Verdict:
        """The verdict with what the rule looks at, in cell 20, at this multiple of its limit."""
        here = np.arange(n) == at
        speed = 0.5 * (limits.tuck_slowest + limits.tuck_top_speed)
        if rule is Rule.STEEP_DESCENT:
            grade = np.where(here, -limits.tuck_steepest_descent * factor, 0.0)
            return verdict_on(straight_cells(n, grade=grade), limits, speed=speed)
        if rule is Rule.CORNER_RADIUS:
            radius = np.where(here, limits.tuck_min_radius / factor, np.inf)
            # Slow enough that the lean is no matter.
            return verdict_on(straight_cells(n, radius=radius), replace(limits, tuck_slowest=0.0), speed=0.5)
        if rule is Rule.CORNER_LEAN:
            # A radius at which the middle speed is the limit of lean.
            radius = max(speed**2 / limits.tuck_lateral, 1.01 * limits.tuck_min_radius)
            speed = np.sqrt(limits.tuck_lateral * radius)
            cells = straight_cells(n, radius=np.where(here, radius / factor, np.inf))
            return verdict_on(cells, replace(limits, tuck_top_speed=99.0, tuck_slowest=0.0), speed=speed)
        if rule is Rule.GUST:
            gust = np.where(here, limits.tuck_gust_crosswind * factor, 0.0)
            return verdict_on(straight_cells(n), limits, speed=speed, gust=gust)
        if rule is Rule.TOO_SLOW:
            return verdict_on(straight_cells(n), limits, speed=limits.tuck_slowest / factor)
        if rule is Rule.ROUGH:
            zone = Zone(ZoneKind.SURFACE, at * 25.0, (at + 1) * 25.0, value=limits.tuck_roughest * factor)
            return verdict_on(straight_cells(n), limits, speed=speed, zones=[zone])
        zone = Zone(ZoneKind.SPEED_LIMIT, at * 25.0, (at + 1) * 25.0, value=speed / factor)
        return verdict_on(straight_cells(n), limits, speed=speed, zones=[zone])

    inside, past = ridden(1.0 - A_LITTLE), ridden(1.0 + A_LITTLE)
    assert inside.tuck_allowed[at], rules_in(inside, at)
    assert rule.value not in rules_in(inside, at)
    assert not past.tuck_allowed[at]
    reason = rules_in(past, at)[rule.value]
    assert reason.unit == unit
    assert reason.value == pytest.approx(reason.limit, rel=3 * A_LITTLE)
    higher_is_worse = rule not in {Rule.CORNER_RADIUS, Rule.TOO_SLOW}
    assert (reason.value > reason.limit) is higher_is_worse


@pytest.mark.parametrize("skill", SKILLS)
def test_rolling_past_the_tucked_top_speed(skill: Skill) -> None:
    """Refused where coasting alone passes the cap, unless the rider isn't expected to come near it."""
    limits = open_road(limits_for(skill, {"hands_back_s": 0.0}, wet=False))
    cap = limits.tuck_top_speed
    coasting = np.where(np.arange(20) < 10, cap * (1.0 + A_LITTLE), cap * (1.0 - A_LITTLE))
    fast = verdict_on(straight_cells(20), limits, speed=cap, coasting=coasting)
    assert list(fast.tuck_allowed) == [False] * 10 + [True] * 10
    reason = rules_in(fast, 0)[Rule.ROLLS_FAST.value]
    assert reason.value == pytest.approx(cap * 3.6 * (1.0 + A_LITTLE))
    assert (reason.limit, reason.unit) == (pytest.approx(cap * 3.6), "km/h")
    assert verdict_on(straight_cells(20), limits, speed=cap - 1.1, coasting=coasting).tuck_allowed.all()


@pytest.mark.parametrize("skill", SKILLS)
def test_a_gap_too_short_for_a_stay(skill: Skill) -> None:
    """Between two refusals a gap crossed in less than the shortest stay is refused, a longer one isn't."""
    limits = replace(
        open_road(limits_for(skill, {"hands_back_s": 0.0}, wet=False)),
        tuck_shortest_stay=DEFAULT_LIMITS[skill].tuck_shortest_stay,
    )
    stay, speed, n = limits.tuck_shortest_stay, 9.0, 60
    for factor, allowed in ((1.0 - A_LITTLE, False), (1.0 + A_LITTLE, True)):
        cells = straight_cells(n, stay * speed * factor / 10.0)
        edges = [cells.nodes[k] for k in (0, 20, 30, n)]
        zones = [Zone(ZoneKind.NO_TUCK, a, b) for a, b in (edges[:2], edges[2:])]
        verdict = verdict_on(cells, limits, zones=zones, speed=speed)
        assert verdict.tuck_allowed[20:30].all() == allowed
        if not allowed:
            reason = rules_in(verdict, 25)[Rule.SHORT_STAY.value]
            assert (reason.value, reason.limit, reason.unit) == (pytest.approx(stay * factor), stay, "s")


@pytest.mark.parametrize("skill", SKILLS)
def test_start_and_finish(skill: Skill) -> None:
    """Cells that begin within the first metres or end within the last ones are refused, the next ones not."""
    limits = limits_for(skill, {"hands_back_s": 0.0}, wet=False)
    n = int((limits.start_upright + limits.finish_upright) / 25.0) + 40
    verdict = verdict_on(straight_cells(n), limits)
    first, last = round(limits.start_upright / 25.0), n - round(limits.finish_upright / 25.0)
    assert list(np.flatnonzero(verdict.tuck_allowed)) == list(range(first, last))
    start, finish = rules_in(verdict, 0)[Rule.START.value], rules_in(verdict, n - 1)[Rule.FINISH.value]
    assert (start.value, start.limit, start.unit) == (0.0, limits.start_upright, "m")
    assert (finish.value, finish.limit, finish.unit) == (0.0, limits.finish_upright, "m")


@pytest.mark.parametrize("skill", SKILLS)
@pytest.mark.parametrize(
    ("kind", "rule"), [(ZoneKind.NO_TUCK, Rule.NO_TUCK_ZONE), (ZoneKind.FEED, Rule.FEED_ZONE)]
)
def test_zones_refuse_every_cell_that_they_touch(kind: ZoneKind, rule: Rule, skill: Skill) -> None:
    """A zone over part of a cell refuses the whole of it; other kinds of zone refuse nothing."""
    limits = open_road(limits_for(skill, {"hands_back_s": 0.0}, wet=False))
    touching = Zone(kind, 510.0, 551.0)
    harmless = [
        Zone(k, 700.0, 800.0, value=1.2) for k in (ZoneKind.SURFACE, ZoneKind.SHELTERED, ZoneKind.NOTE)
    ]
    verdict = verdict_on(straight_cells(40), limits, zones=[touching, *harmless])
    assert list(np.flatnonzero(~verdict.tuck_allowed)) == [20, 21, 22]
    assert set(rules_in(verdict, 21)) == {rule.value}


def test_a_feed_that_is_a_point_has_room_on_both_sides() -> None:
    """A bottle is not put away in a few metres: upright 50 m before and after, in a stretch just within."""
    limits = open_road(limits_for(Skill.EXPERT, {"hands_back_s": 0.0}, wet=False))
    for start, end, first, last in ((510.0, 510.0, 46, 56), (500.0, 520.0, 50, 52)):
        verdict = verdict_on(straight_cells(100, 10.0), limits, zones=[Zone(ZoneKind.FEED, start, end)])
        assert list(np.flatnonzero(~verdict.tuck_allowed)) == list(range(first, last))


def test_the_rougher_of_two_surfaces_rules() -> None:
    """Where surface zones overlap, a smooth one takes nothing from the rough one, in either order."""
    limits = open_road(limits_for(Skill.EXPERT, {"hands_back_s": 0.5}, wet=False))
    zones = [
        Zone(ZoneKind.SURFACE, 500.0, 700.0, value=2.5),
        Zone(ZoneKind.SURFACE, 600.0, 800.0, value=0.8),
    ]
    for both in (zones, zones[::-1]):
        verdict = verdict_on(straight_cells(40), limits, zones=both)
        assert list(np.flatnonzero(~verdict.tuck_allowed)) == list(range(19, 28))


def test_a_rider_held_by_a_speed_limit_is_upright_in_it() -> None:
    """An approach speed that the limit itself holds down counts as faster than it, to the last digit."""
    limits = open_road(DEFAULT_LIMITS[Skill.EXPERT])
    zone = Zone(ZoneKind.SPEED_LIMIT, 500.0, 600.0, value=8.0)
    for speed, refused in ((8.0 - 1e-9, True), (8.0 - 1e-2, False)):
        verdict = verdict_on(straight_cells(40), limits, zones=[zone], speed=speed)
        assert (Rule.SPEED_ZONE.value in rules_in(verdict, 21)) == refused


def test_hands_are_back_before_the_gust_at_the_end_of_a_wood() -> None:
    """Where a shelter ends the gust is there at once: the hands are on the brakes before, not only then."""
    limits = open_road(limits_for(Skill.PRACTISED, {}, wet=False))
    wood, shorter = (Zone(ZoneKind.SHELTERED, 100.0, end, value=0.3) for end in (500.0, 497.0))
    gust = np.where(np.arange(40) < 20, 0.4, 1.2) * limits.tuck_gust_crosswind
    for zones, first in (([wood], 18), ([shorter], 18), ([], 20)):
        verdict = verdict_on(straight_cells(40), limits, zones=zones, speed=9.0, gust=gust)
        assert np.flatnonzero(~verdict.tuck_allowed)[0] == first
    calm = verdict_on(straight_cells(40), limits, zones=[wood], speed=9.0, gust=0.0)
    assert calm.tuck_allowed.all()


def test_a_cell_is_as_fast_as_its_faster_end() -> None:
    """Whether the approach quickens or slows within a bend, the lean is that of the higher speed."""
    limits = replace(open_road(DEFAULT_LIMITS[Skill.EXPERT]), hands_back=0.0, tuck_slowest=0.0)
    radius = 10.0**2 / limits.tuck_lateral
    cells = straight_cells(40, radius=np.where(np.arange(40) == 20, radius, np.inf))
    for ends in ((9.0, 10.1), (10.1, 9.0)):
        speed = np.full(41, 9.0)
        speed[20:22] = ends
        reason = rules_in(verdict_on(cells, limits, speed=speed), 20)[Rule.CORNER_LEAN.value]
        assert reason.value == pytest.approx(10.1**2 / radius / GRAVITY)


def test_nobody_comes_tucked_faster_than_the_tucked_top_speed() -> None:
    """An approach beyond it asks for no more room before a place than the top speed itself."""
    limits = open_road(DEFAULT_LIMITS[Skill.NEW])
    zone = Zone(ZoneKind.SPEED_LIMIT, 800.0, 825.0, value=5.0)
    fast, top = (
        verdict_on(straight_cells(40), limits, zones=[zone], speed=speed).tuck_allowed
        for speed in (2.0 * limits.tuck_top_speed, limits.tuck_top_speed)
    )
    assert list(fast) == list(top)
    assert top[20]


def test_a_descent_as_steep_as_the_limit_is_not_steeper() -> None:
    """Refused is what falls by more, to the digit that the file gives."""
    limits = open_road(DEFAULT_LIMITS[Skill.NEW])
    assert verdict_on(straight_cells(20, grade=-limits.tuck_steepest_descent), limits).tuck_allowed.all()


def test_a_climb_does_not_help_to_brake() -> None:
    """What a climb would add is kept in hand: before a place of braking it counts as level road."""
    limits = open_road(DEFAULT_LIMITS[Skill.PRACTISED])
    stop = Zone(ZoneKind.SPEED_LIMIT, 800.0, 825.0, value=2.0)
    level, up = (
        verdict_on(straight_cells(400, 2.5, grade=grade), limits, zones=[stop], speed=12.0).tuck_allowed
        for grade in (0.0, 0.06)
    )
    assert list(up) == list(level)


def test_slow_is_who_sitting_up_would_be_slow() -> None:
    """Where the ride that is never tucked is too slow the tuck is refused, there and not before it."""
    limits = open_road(DEFAULT_LIMITS[Skill.PRACTISED])
    upright = np.where(HERE, 0.9 * limits.tuck_slowest, 9.0)
    verdict = verdict_on(straight_cells(40), limits, speed=9.0, upright=upright)
    assert list(np.flatnonzero(~verdict.tuck_allowed)) == [PLACE]
    assert rules_in(verdict, PLACE)[Rule.TOO_SLOW.value].value == pytest.approx(3.24 * limits.tuck_slowest)


def test_the_cap_is_the_top_speed_or_the_lean_on_the_tightest_radius() -> None:
    """Tucked the plan is nowhere faster, though a wider radius is likelier."""
    limits = open_road(DEFAULT_LIMITS[Skill.EXPERT])
    cells = replace(
        straight_cells(40, radius=np.where(HERE, 200.0, np.inf)), tightest_radius=np.where(HERE, 50.0, np.inf)
    )
    cap = verdict_on(cells, limits).tuck_speed_cap
    assert cap[PLACE] == pytest.approx(np.sqrt(50.0 * limits.tuck_lateral))
    assert cap[0] == limits.tuck_top_speed


def test_a_dismount_line_is_braked_for() -> None:
    """It limits the last cell end and has the hands back before braking; a rolling finish does neither."""
    limits = open_road(DEFAULT_LIMITS[Skill.PRACTISED])
    stop, roll = (verdict_on(straight_cells(40), limits, speed=10.0, dismount=d) for d in (True, False))
    assert stop.speed_limit[-1] < 2.0 < roll.speed_limit[-1]
    assert Rule.BRAKING.value in rules_in(stop, 39)
    assert roll.tuck_allowed.all()
    braking = 10.0**2 / (2.0 * limits.braking)
    assert not stop.tuck_allowed[-int((braking + 10.0 * limits.hands_back) / 25.0) :].any()


def test_the_worst_of_several_cells_is_told() -> None:
    """Of radii the smallest, of gusts the strongest; a radius at the limit is none too tight."""
    limits = open_road(limits_for(Skill.NEW, {"hands_back_s": 0.0}, wet=False))
    radius, gust = np.full(40, np.inf), np.zeros(40)
    radius[[5, 6, 7, 8]] = (0.8, 0.5, 0.9, 1.0) * np.array(limits.tuck_min_radius)
    gust[[20, 21, 22]] = np.array([1.1, 1.5, 1.2]) * limits.tuck_gust_crosswind
    verdict = verdict_on(straight_cells(40, radius=radius), limits, speed=1.0, gust=gust)
    told = {reason.rule: reason.value for reason in verdict.reasons(np.arange(40))}
    assert told[Rule.CORNER_RADIUS.value] == 0.5 * limits.tuck_min_radius
    assert told[Rule.GUST.value] == 1.5 * limits.tuck_gust_crosswind
    assert Rule.CORNER_RADIUS.value not in rules_in(verdict, 8)


def test_the_lowest_of_all_limits_holds() -> None:
    """A zone's limit above the rider's own changes nothing, of two zones the slower rules, in any order."""
    limits = open_road(DEFAULT_LIMITS[Skill.NEW])
    zones = [Zone(ZoneKind.SPEED_LIMIT, 500.0, 600.0, value=value) for value in (30.0, 7.0, 9.0)]
    for some in (zones, zones[::-1]):
        assert verdict_on(straight_cells(40), limits, zones=some).cell_speed_limit[PLACE] == 7.0
    assert verdict_on(straight_cells(40), limits, zones=zones[:1]).cell_speed_limit[PLACE] == limits.top_speed
    walking = Zone(ZoneKind.SPEED_LIMIT, 900.0, 1000.0, value=1.0)
    assert verdict_on(straight_cells(40), limits, zones=[walking], dismount=True).speed_limit[-1] == 1.0


def test_pulling_away_is_refused_for_the_start_alone() -> None:
    """Slow it always is: the first metres say why once."""
    limits = replace(DEFAULT_LIMITS[Skill.NEW], hands_back=0.0)
    verdict = verdict_on(straight_cells(80), limits, speed=3.0)
    assert set(rules_in(verdict, 0)) == {Rule.START.value}
    assert set(rules_in(verdict, 40)) == {Rule.TOO_SLOW.value}


def test_a_kink_rounded_off_leaves_a_tighter_corner_in_its_cell() -> None:
    """Where a coarse kink and a measured, tighter corner share a cell, braking is for the tighter one."""
    limits = open_road(DEFAULT_LIMITS[Skill.EXPERT])
    here = np.arange(60) == 50
    cells = straight_cells(60)
    cells = replace(
        cells, corner_radius=np.where(here, 8.0, np.inf), tightest_radius=np.where(here, 8.0, np.inf)
    )
    kink = Corner(1252.0, 1255.0, 1258.0, 80.0, 0.3, CornerKind.BEND, measured=False, tightest=12.0)
    corner = Corner(1262.0, 1266.0, 1270.0, 8.0, 1.5, CornerKind.CORNER)
    verdict = verdict_on(cells, limits, corners=[kink, corner], speed=16.0)
    (braking,) = [f for f in verdict.findings if f.rule is Rule.BRAKING]
    slowest = braking.limit[braking.refused].min() / 3.6
    assert slowest == pytest.approx(np.sqrt(limits.corner_lateral * 8.0), rel=1e-6)


PLACE = 20
"""The cell in which the tables below have what a rule refuses."""

HERE = np.arange(40) == PLACE


def refused_here(rule: Rule, limits: Limits) -> Verdict:
    """A road of 40 cells of 25 m that this rule refuses in one of them, and no other rule anywhere."""
    zones = {
        Rule.NO_TUCK_ZONE: Zone(ZoneKind.NO_TUCK, 500.0, 525.0),
        Rule.FEED_ZONE: Zone(ZoneKind.FEED, 500.0, 525.0),
        Rule.SPEED_ZONE: Zone(ZoneKind.SPEED_LIMIT, 500.0, 525.0, value=9.0),
        Rule.ROUGH: Zone(ZoneKind.SURFACE, 500.0, 525.0, value=3.0),
    }
    if rule in zones:
        return verdict_on(straight_cells(40), limits, zones=[zones[rule]])
    if rule is Rule.STEEP_DESCENT:
        return verdict_on(straight_cells(40, grade=np.where(HERE, -0.08, 0.0)), limits)
    if rule is Rule.ROLLS_FAST:
        speed = np.full(41, 9.0)
        speed[PLACE + 1] = limits.tuck_top_speed
        coasting = np.where(HERE, 2.0, 0.5) * limits.tuck_top_speed
        return verdict_on(straight_cells(40), limits, speed=speed, coasting=coasting)
    radius = {Rule.CORNER_RADIUS: limits.tuck_min_radius - 1.0, Rule.DEAD_TURN: 500.0}
    cells = straight_cells(
        40, radius=np.where(HERE, radius.get(rule, 9.0**2 / limits.tuck_lateral - 1.0), np.inf)
    )
    turn = Corner(501.0, 512.0, 524.0, 500.0, np.pi, CornerKind.DEAD_TURN)
    return verdict_on(cells, limits, corners=[turn] if rule is Rule.DEAD_TURN else [])


@pytest.mark.parametrize(
    "rule",
    [
        Rule.CORNER_RADIUS,
        Rule.CORNER_LEAN,
        Rule.DEAD_TURN,
        Rule.STEEP_DESCENT,
        Rule.NO_TUCK_ZONE,
        Rule.FEED_ZONE,
        Rule.SPEED_ZONE,
        Rule.ROUGH,
        Rule.ROLLS_FAST,
    ],
)
def test_hands_are_back_before_every_place(rule: Rule) -> None:
    """Four seconds at 9 m/s are two cells of 25 m: so early a place is refused for the hands alone."""
    limits = replace(open_road(DEFAULT_LIMITS[Skill.NEW]), tuck_min_radius=20.0, corner_lateral=9.0)
    verdict = refused_here(rule, limits)
    assert set(rules_in(verdict, PLACE)) == {rule.value}
    assert list(np.flatnonzero(~verdict.tuck_allowed))[:3] == [PLACE - 2, PLACE - 1, PLACE]
    assert set(rules_in(verdict, PLACE - 1)) == {Rule.HANDS_BACK.value}


def test_a_cell_in_which_the_approach_slows_is_one_of_braking() -> None:
    """Fast at its start and held by the limit at its end: that is where the brakes are used."""
    limits = replace(open_road(DEFAULT_LIMITS[Skill.EXPERT]), hands_back=0.0)
    zone = Zone(ZoneKind.SPEED_LIMIT, 500.0, 600.0, value=5.0)
    speed = np.where(np.arange(41) < PLACE, 12.0, 5.0)
    verdict = verdict_on(straight_cells(40), limits, zones=[zone], speed=speed)
    assert set(rules_in(verdict, PLACE - 1)) == {Rule.BRAKING.value}


@pytest.mark.parametrize("skill", SKILLS)
def test_a_dead_turn_is_refused_at_any_speed(skill: Skill) -> None:
    """However wide and slow, a dead turn is ridden with the hands on the brakes, and says so."""
    limits = open_road(limits_for(skill, {"hands_back_s": 0.0, "tuck_slowest_kmh": 0.0}, wet=False))
    turn = Corner(500.0, 512.0, 525.0, 500.0, np.pi, CornerKind.DEAD_TURN)
    cells = straight_cells(40, radius=np.where(np.arange(40) == 20, 500.0, np.inf))
    verdict = verdict_on(cells, limits, corners=[turn], speed=1.0)
    assert not verdict.tuck_allowed[20]
    assert Rule.DEAD_TURN.value in rules_in(verdict, 20)
    bend = replace(turn, kind=CornerKind.BEND)
    assert verdict_on(cells, limits, corners=[bend], speed=1.0).tuck_allowed[20]


@pytest.mark.parametrize(
    "row", read_table("stopping_distance.csv"), ids=lambda r: "-".join(map(str, r.values()))
)
def test_hands_are_back_a_stopping_distance_before_a_stop(row: dict[str, float]) -> None:
    """Before a place of standstill the tuck is refused for the guide's stopping distance, to a foot or 1 %.

    Source: AASHTO bicycle guide, tests/reference/stopping_distance.csv: braking of f g less the slope's
    share, after 2.5 s. Ours refuses whole cells of 0.1 m, and reckons with 9.80665 m/s² where the guide has
    32.2 ft/s² and 30.
    """
    length, n = 0.1, 2_500
    limits = replace(
        open_road(DEFAULT_LIMITS[Skill.EXPERT]),
        braking=row["friction"] * GRAVITY,
        hands_back=2.5,
        tuck_top_speed=99.0,
        tuck_slowest=0.0,
        tuck_steepest_descent=1.0,
        top_speed=99.0,
    )
    stop = Zone(ZoneKind.SPEED_LIMIT, 240.0, 240.1, value=1e-3)
    cells = straight_cells(n, length, grade=row["grade"])
    verdict = verdict_on(cells, limits, zones=[stop], speed=row["speed_mph"] * MPH)
    refused = np.flatnonzero(~verdict.tuck_allowed)
    distance = (240.0 - cells.start[refused[0]]) / FOOT
    assert distance == pytest.approx(row["distance_ft"], rel=0.01, abs=1.0)
    assert distance > row["distance_ft"] * 0.997


@pytest.mark.parametrize("grade", [-0.26, -0.3])
def test_a_slope_that_the_brakes_cannot_hold_is_refused_from_its_top(grade: float) -> None:
    """Where the fall takes all that the brakes give, nothing stops: refused back to the road's start."""
    limits = replace(
        open_road(DEFAULT_LIMITS[Skill.EXPERT]), braking=0.25 * GRAVITY, tuck_steepest_descent=1.0
    )
    stop = Zone(ZoneKind.SPEED_LIMIT, 900.0, 925.0, value=1.0)
    verdict = verdict_on(straight_cells(40, grade=grade), limits, zones=[stop])
    assert not verdict.tuck_allowed[:37].any()
    assert Rule.BRAKING.value in rules_in(verdict, 0)


@pytest.mark.parametrize("row", read_table("corner_radius.csv"), ids=lambda r: "-".join(map(str, r.values())))
def test_corner_speeds_of_the_guide(row: dict[str, float]) -> None:
    """At the lateral acceleration of its lean, a corner of the guide's radius is taken at the guide's speed.

    Source: tests/reference/corner_radius.csv; 1 ft of radius or 0.5 %.
    """
    lateral = GRAVITY * np.tan(np.radians(row["lean_deg"]))
    speed = row["speed_mph"] * MPH
    assert corner_speed_limit(np.array([row["radius_ft"] * FOOT]), lateral)[0] == pytest.approx(
        speed, rel=7e-3
    )
    assert speed**2 / lateral / FOOT == pytest.approx(row["radius_ft"], abs=1.0)


def test_default_cornering_is_the_guides_lean() -> None:
    """A practised rider's 0.27 g is 15° of lean, an expert's 0.36 g is 20°, within half a degree."""
    lean = {s: np.degrees(np.arctan(DEFAULT_LIMITS[s].corner_lateral / GRAVITY)) for s in Skill}
    assert lean[Skill.PRACTISED] == pytest.approx(15.0, abs=0.5)
    assert lean[Skill.EXPERT] == pytest.approx(20.0, abs=0.5)


@pytest.mark.parametrize(
    ("radius", "friction", "speed"),
    [
        (10, 0.3, 5.42),
        (10, 0.5, 7.00),
        (20, 0.5, 9.90),
        (30, 0.8, 15.34),
        (50, 0.3, 12.13),
        (100, 0.8, 28.01),
    ],
)
def test_corner_speed_is_the_root_of_lateral_acceleration_times_radius(
    radius: float, friction: float, speed: float
) -> None:
    """Elementary v² = μ g r, values by an independent script, to 0.01 m/s."""
    assert corner_speed_limit(np.array([float(radius)]), friction * GRAVITY)[0] == pytest.approx(
        speed, abs=0.01
    )


@pytest.mark.parametrize("skill", SKILLS)
@pytest.mark.parametrize("wet", [False, True], ids=["dry", "wet"])
def test_speed_limits(wet: bool, skill: Skill) -> None:
    """A corner, the top speed and a zone bind where they are; the ends of cells take the lower side."""
    limits = limits_for(skill, {}, wet=wet)
    radius = np.where(np.arange(40) == 10, 15.0, np.inf)
    cells = straight_cells(40, radius=radius)
    zones = [Zone(ZoneKind.SPEED_LIMIT, 500.0, 550.0, value=30.0 * KMH)]
    cell = speed_limits(cells, zones, limits)
    assert cell[10] == pytest.approx(min(np.sqrt(limits.corner_lateral * 15.0), limits.top_speed))
    assert cell[20] == cell[21] == pytest.approx(30.0 * KMH)
    assert cell[30] == pytest.approx(limits.top_speed)
    node = at_cell_ends(cell, dismount=True)
    assert node[10] == node[11] == cell[10]
    assert node[20] == node[22] == cell[20]
    assert node[-1] == pytest.approx(1.4)


@pytest.mark.parametrize("skill", SKILLS)
def test_hands_are_back_the_seconds_asked_for(skill: Skill) -> None:
    """Before a refused stretch the tuck ends by the seconds asked for, and at most a cell more."""
    limits = open_road(limits_for(skill, {}, wet=False))
    speed, length = 8.0, 3.0
    zone = Zone(ZoneKind.NO_TUCK, 600.0, 640.0)
    verdict = verdict_on(straight_cells(400, length), limits, zones=[zone], speed=speed)
    refused = np.flatnonzero(~verdict.tuck_allowed)
    lead = (600.0 - refused[0] * length) / speed
    assert limits.hands_back <= lead <= limits.hands_back + length / speed + 1e-9
    reason = rules_in(verdict, int(refused[0]))[Rule.HANDS_BACK.value]
    assert (reason.limit, reason.unit) == (limits.hands_back, "s")


@pytest.mark.parametrize("skill", SKILLS)
def test_braking_has_its_own_lead(skill: Skill) -> None:
    """Before a slow corner come the braking metres and before them the seconds for the hands."""
    limits = open_road(limits_for(skill, {}, wet=False))
    speed, corner = 10.0, 4.0
    zone = Zone(ZoneKind.SPEED_LIMIT, 600.0, 620.0, value=corner)
    verdict = verdict_on(straight_cells(800, 1.0), limits, zones=[zone], speed=speed)
    first = int(np.flatnonzero(~verdict.tuck_allowed)[0])
    braking = (speed**2 - corner**2) / (2.0 * limits.braking)
    asked = braking + limits.hands_back * speed
    assert asked <= 600.0 - first <= asked + 2.0


def test_unsafe_stretches_say_where_the_hands_must_be_back() -> None:
    """A stretch starts where the danger does, is up by the lead before it, and adds up its cost."""
    limits = open_road(DEFAULT_LIMITS[Skill.PRACTISED])
    zone = Zone(ZoneKind.NO_TUCK, 500.0, 550.0)
    cells = straight_cells(40)
    verdict = verdict_on(cells, limits, zones=[zone])
    cost = np.where(np.arange(40) < 20, 0.25, -1.0)
    (stretch,) = unsafe_stretches(cells, verdict, cost)
    assert (stretch.start_m, stretch.end_m) == (500.0, 550.0)
    assert stretch.up_by_m == 500.0 - 25.0 * np.ceil(limits.hands_back * 9.0 / 25.0)
    assert [reason.rule for reason in stretch.reasons] == [Rule.NO_TUCK_ZONE.value]
    assert stretch.cost_s == pytest.approx(0.25 * np.ceil(limits.hands_back * 9.0 / 25.0))


@given(seed=st.integers(0, 10_000), skill=st.sampled_from(list(Skill)))
def test_tighter_limits_never_allow_more(seed: int, skill: Skill) -> None:
    """Wet limits, a faster approach or stronger gusts refuse at least what the dry, slow, calm ones do."""
    rng = np.random.default_rng(seed)
    cells = straight_cells(
        80,
        rng.uniform(5.0, 50.0, 80),
        grade=rng.uniform(-0.08, 0.08, 80),
        radius=np.where(rng.random(80) < 0.2, rng.uniform(5.0, 300.0, 80), np.inf),
    )
    gust = rng.uniform(0.0, 9.0, 80)
    dry, wet = (limits_for(skill, {"tuck_slowest_kmh": 0.0}, wet=w) for w in (False, True))
    speed = rng.uniform(3.0, wet.tuck_top_speed, 81)
    allowed = verdict_on(cells, dry, speed=speed, gust=gust).tuck_allowed
    for tighter in (
        verdict_on(cells, wet, speed=speed, gust=gust),
        verdict_on(cells, dry, speed=speed, gust=1.2 * gust),
        verdict_on(cells, dry, speed=1.1 * speed, gust=gust),
    ):
        assert not np.any(tighter.tuck_allowed & ~allowed)


def test_a_corner_that_may_be_tighter_than_it_looks_is_not_tucked_through() -> None:
    """60 m is expected and rules the speed; the points don't refute 12 m, and that refuses the tuck."""
    limits = open_road(DEFAULT_LIMITS[Skill.EXPERT])
    cells = straight_cells(10)
    middle = cells.start[5] + 0.5 * cells.length[5]
    radius = np.where(np.arange(10) == 5, 60.0, np.inf)
    cells = replace(cells, corner_radius=radius, tightest_radius=radius)
    kink = Corner(middle - 5.0, middle, middle + 5.0, 60.0, 0.4, CornerKind.BEND, measured=False)
    assert verdict_on(cells, limits, corners=[kink]).tuck_allowed[5]
    cells = replace(cells, tightest_radius=np.minimum(radius, 12.0 + radius - 60.0))
    verdict = verdict_on(cells, limits, corners=[replace(kink, tightest=12.0)])
    assert not verdict.tuck_allowed[5]
    assert verdict.tuck_speed_cap[5] < verdict.cell_speed_limit[5]


def test_brakes_reckon_with_rounding_a_kink_off_and_never_with_more_than_is_likely() -> None:
    """20° on 6 m at the worst: braking may count on the 97 m that the lane gives, or on a likely 60 m."""
    limits = open_road(DEFAULT_LIMITS[Skill.EXPERT])
    cells = straight_cells(60)
    middle, here = cells.start[50] + 0.5 * cells.length[50], np.arange(60) == 50
    cells = replace(
        cells, corner_radius=np.where(here, 60.0, np.inf), tightest_radius=np.where(here, 6.0, np.inf)
    )
    kink = Corner(
        middle - 2.0,
        middle,
        middle + 2.0,
        60.0,
        np.radians(20.0),
        CornerKind.BEND,
        measured=False,
        tightest=6.0,
    )
    for corner, radius in ((kink, 60.0), (replace(kink, measured=True), 6.0)):
        verdict = verdict_on(cells, limits, corners=[corner], speed=16.0)
        (braking,) = [f for f in verdict.findings if f.rule is Rule.BRAKING]
        slowest = braking.limit[braking.refused].min() / 3.6
        assert slowest == pytest.approx(np.sqrt(limits.corner_lateral * radius), rel=1e-6)

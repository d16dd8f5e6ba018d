"""The card's lines say the right thing in the right place, and fewer of them never say anything unsafe."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from pacer.course.track import Corner, CornerKind, Zone, ZoneKind
from pacer.planning.cues import make_cues, merge_cues
from pacer.planning.elasticity import power_elasticity
from pacer.planning.landmarks import corner_words
from pacer.planning.plan import Cue, Plan, Reason, UnsafeStretch
from tests.render.sample import BARS, HOODS, sample_corners, sample_plan, sample_zones


def cues_of(plan: Plan, zones: tuple[Zone, ...] | None = None) -> tuple[Cue, ...]:
    """Make the cues of a plan of the invented road."""
    zones = sample_zones() if zones is None else zones
    return make_cues(plan.cells, plan.segments, plan.unsafe_to_tuck, sample_corners(), zones)


def told_tucked(cues: tuple[Cue, ...], places: np.ndarray) -> np.ndarray:
    """Whether a rider who follows the cues is tucked at each place."""
    starts = np.array([cue.at_m for cue in cues])
    tucked = np.array([cue.tucked for cue in cues])
    return np.asarray(tucked[np.clip(np.searchsorted(starts, places, side="right") - 1, 0, None)])


def test_the_first_cue_stands_at_the_start() -> None:
    """The rider is told what to do from the line on."""
    first = cues_of(sample_plan())[0]
    assert (first.at_m, first.kind, first.text) == (0.0, "start", "start")


def test_hands_go_back_by_the_point_that_the_rules_give() -> None:
    """Before every unsafe stretch the cues have the rider upright from `up_by_m` to its end."""
    plan = sample_plan()
    cues = cues_of(plan)
    for stretch in plan.unsafe_to_tuck:
        places = np.linspace(stretch.up_by_m + 0.01, stretch.end_m - 0.01, 60)
        assert not told_tucked(cues, places).any()


def test_cues_follow_the_segments() -> None:
    """Where nothing is refused, the power and position of the cues are those of the plan's segments."""
    plan = sample_plan()
    cues = [cue for cue in cues_of(plan) if cue.kind in {"start", "tuck", "power", "up"}]
    starts = np.array([cue.at_m for cue in cues])
    for segment in plan.segments:
        middle = (segment.start_m + segment.end_m) / 2
        cue = cues[int(np.searchsorted(starts, middle, side="right")) - 1]
        assert cue.power_w == segment.power_w
        assert cue.position == segment.position


@pytest.mark.parametrize(
    ("at_km", "text"),
    [
        (0.757, "corner right"),
        (0.952, "after corner right"),
        (4.493, "bend left"),
        (8.176, "steep, hairpin left"),
        (9.872, "foot of descent"),
        (17.351, "dead turn"),
        (19.353, "school gate"),
        (25.631, "crest"),
        (38.640, "finish"),
    ],
)
def test_what_the_eye_sees(at_km: float, text: str) -> None:
    """Corners, crests, zones and the finish are named where they are."""
    assert {round(cue.at_m / 1000, 3): cue.text for cue in cues_of(sample_plan())}[at_km] == text


def test_notes_of_the_race_file() -> None:
    """A note marks a cue near it, or stands alone; a place to drink and a speed limit are told."""
    zones = (
        Zone(ZoneKind.NOTE, 2250.0, 2300.0, "stone bridge"),
        Zone(ZoneKind.NOTE, 33000.0, 33000.0, "lighthouse"),
        Zone(ZoneKind.FEED, 27800.0, 27850.0),
        Zone(ZoneKind.SPEED_LIMIT, 30000.0, 30300.0, "harbour", 30 / 3.6),
        Zone(ZoneKind.SURFACE, 16000.0, 16100.0, "", 1.3),
        Zone(ZoneKind.SHELTERED, 16000.0, 16100.0, "wood", 0.5),
    )
    cues = cues_of(sample_plan(), zones)
    found = {(cue.kind, cue.text, round(cue.at_m)) for cue in cues}
    assert {
        ("power", "stone bridge", 2278),
        ("note", "lighthouse", 33000),
        ("feed", "feed", 27800),
        ("note", "limit 30 km/h, harbour", 30000),
        ("note", "surface changes", 16000),
    } <= found
    assert not any("wood" in cue.text for cue in cues)
    assert [cue.at_m for cue in cues] == sorted(cue.at_m for cue in cues)


def limited_plan() -> Plan:
    """The sample with a limit of 25 km/h for the school gate instead of a no-tuck zone."""
    plan = sample_plan()
    zones = tuple(
        replace(zone, kind=ZoneKind.SPEED_LIMIT, value=25.0 / 3.6) if zone.note == "school gate" else zone
        for zone in sample_zones()
    )
    assert zones != sample_zones()
    unsafe = tuple(
        replace(
            stretch,
            reasons=tuple(
                replace(reason, rule="speed-limit zone") if reason.rule == "no-tuck zone" else reason
                for reason in stretch.reasons
            ),
        )
        for stretch in plan.unsafe_to_tuck
    )
    cues = make_cues(plan.cells, plan.segments, unsafe, sample_corners(), zones)
    return replace(plan, unsafe_to_tuck=unsafe, cues=cues)


def test_a_far_finish_is_not_why_the_hands_go_back() -> None:
    """A descent of kilometres that ends at the line is told as what it is."""
    plan = sample_plan()
    up = next(cue for cue in plan.cues if cue.kind == "up")
    reasons = (
        Reason("distance to the finish", 0.0, 200.0, "m"),
        Reason("rolls past the tucked top speed", 56.0, 52.0, "km/h"),
    )
    for length, told in ((5000.0, "fast descent"), (500.0, "finish")):
        stretch = UnsafeStretch(up.at_m + 30.0, up.at_m + length, up.at_m, reasons, 0.0)
        down = replace(plan.cells, grade=np.full(plan.cells.grade.size, -0.03))
        found = make_cues(down, plan.segments, (stretch,), (), ())
        assert next(cue.text for cue in found if cue.at_m == up.at_m) == told


def test_a_note_never_marks_where_the_hands_leave_the_brakes() -> None:
    """Gravel noted beside the place of a tuck is a line of its own, and the tuck keeps its own words."""
    tuck = next(cue for cue in cues_of(sample_plan(), ()) if cue.kind == "tuck")
    found = cues_of(sample_plan(), (Zone(ZoneKind.NOTE, tuck.at_m + 40.0, tuck.at_m + 90.0, "gravel"),))
    assert {cue.kind for cue in found if cue.text == "gravel"} == {"note"}
    assert tuck in found


def test_a_speed_limit_is_told_where_the_hands_go_back_for_it() -> None:
    """The number stands first in the line, once; the name of the place alone doesn't hide it."""
    limits = [cue for cue in limited_plan().cues if "limit 25 km/h" in cue.text]
    assert [(cue.kind, cue.text) for cue in limits] == [("up", "limit 25 km/h, school gate")]


@pytest.mark.parametrize("most", [3, 6, 12, 24])
def test_a_merged_card_keeps_the_speed_limit(most: int) -> None:
    """However few the lines, from three on the limit is told where it was, in the position of that line."""
    plan = limited_plan()
    (full,) = [cue for cue in plan.cues if "limit 25 km/h" in cue.text]
    merged, _ = merge_cues(plan, most)
    assert len(merged) <= most
    (kept,) = [cue for cue in merged if "limit 25 km/h" in cue.text]
    assert kept.at_m == full.at_m
    assert not kept.tucked
    if kept.kind == "note":
        before = [cue for cue in merged if cue.at_m <= kept.at_m and cue.kind != "note"][-1]
        assert (kept.power_w, kept.position) == (before.power_w, before.position)


def test_a_zone_that_the_rules_let_be_is_no_reason_for_the_hands() -> None:
    """A patched road that may be ridden tucked isn't named as what the hands go back for."""
    plan = sample_plan()
    up = next(cue for cue in plan.cues if cue.kind == "up" and "corner" in cue.text)
    patched = Zone(ZoneKind.SURFACE, up.at_m - 5.0, up.at_m + 200.0, "patched", 1.1)
    found = cues_of(plan, (patched,))
    assert next(cue for cue in found if cue.at_m == up.at_m and cue.kind == "up").text == up.text
    assert ("note", "patched") in {(cue.kind, cue.text) for cue in found}


def test_an_early_point_of_return_moves_the_cue() -> None:
    """Where the hands must be back before the segment ends, the cue stands there."""
    plan = sample_plan()
    early = tuple(replace(s, up_by_m=s.up_by_m - 40.0) for s in plan.unsafe_to_tuck)
    moved = make_cues(plan.cells, plan.segments, early, sample_corners(), ())
    ups = [cue.at_m for cue in moved if cue.kind == "up"]
    wanted = {round(s.up_by_m, 3) for s in early if s.start_m > 200.0}
    assert wanted <= {round(at, 3) for at in ups}


@pytest.mark.parametrize(
    ("kind", "turn", "words"),
    [
        (CornerKind.HAIRPIN, -2.9, "hairpin left"),
        (CornerKind.CORNER, 1.5, "corner right"),
        (CornerKind.DEAD_TURN, 3.1, "dead turn"),
        (CornerKind.ROUNDABOUT, 0.1, "roundabout"),
        (CornerKind.ROUNDABOUT, 1.6, "roundabout right"),
    ],
)
def test_corner_words(kind: CornerKind, turn: float, words: str) -> None:
    """Corners are told with the side that they turn to."""
    assert corner_words(Corner(0.0, 1.0, 2.0, 10.0, turn, kind)) == words


@pytest.mark.parametrize("most", [1, 2, 5, 9, 12, 17, 24, 30, 38])
def test_merged_cues(most: int) -> None:
    """There are at most as many as asked, and none is tucked where the full card is upright."""
    plan = sample_plan()
    merged, cost = merge_cues(plan, most)
    assert 1 <= len(merged) <= most
    assert cost >= 0.0
    places = np.linspace(0.0, plan.totals.distance_m, 4001)
    full = told_tucked(tuple(cue for cue in plan.cues if cue.kind not in {"note", "feed"}), places)
    assert not (told_tucked(merged, places) & ~full).any()
    assert merged[0].at_m == 0.0
    assert merged[0].kind == "start"


def test_fewer_cues_cost_more() -> None:
    """The estimated loss never shrinks when a line is taken away, and with room for all it is nothing."""
    plan = sample_plan()
    assert merge_cues(plan, len(plan.cues)) == (plan.cues, 0.0)
    tasks = replace(plan, cues=tuple(cue for cue in plan.cues if cue.kind not in {"note", "feed"}))
    costs = [merge_cues(tasks, most)[1] for most in range(1, len(tasks.cues) + 1)]
    assert all(a >= b for a, b in pairwise(costs))
    assert costs[-1] == 0.0
    assert costs[0] == pytest.approx(sum(s.gain_s for s in plan.segments), rel=0.25)


def test_merging_is_the_cheapest_of_all_cuts() -> None:
    """On a few cues, trying every cut by hand finds none cheaper."""
    plan = sample_plan()
    few = tuple(cue for cue in plan.cues if cue.kind not in {"note", "feed"})[:7]
    small = replace(plan, cues=few)
    _, cost = merge_cues(small, 6)
    pairs = []
    for k in range(1, 7):
        alone = replace(small, cues=few[:k] + few[k + 1 :])
        pairs.append(_cost_by_hand(small, alone, k))
    assert cost == pytest.approx(min(pairs), abs=1e-9)


def _cost_by_hand(plan: Plan, fewer: Plan, k: int) -> float:
    """Cost of joining cue k to the one before it, told in steps of 5 W, reckoned plainly."""
    a, b = plan.cues[k - 1], plan.cues[k]
    end = plan.cues[k + 1].at_m if k + 1 < len(plan.cues) else math.inf
    middle = plan.cells.start_m + plan.cells.length_m / 2
    seconds = np.where(plan.cells.power_w > 1.0, np.diff(plan.nodes.time_s), 0.0)
    elasticity = power_elasticity(plan)
    runs = []
    for cue, start, stop in ((a, a.at_m, b.at_m), (b, b.at_m, end)):
        inside = (middle >= start) & (middle < stop)
        t = float(seconds[inside].sum())
        e = float((elasticity * seconds)[inside].sum()) / t
        f = float((plan.cells.power_factor * seconds)[inside].sum()) / t
        runs.append((cue, t, e, f))
    weight = sum(t / f**4 for _, t, _, f in runs)
    held = (sum(t * (cue.power_w / f) ** 4 for cue, t, _, f in runs) / weight) ** 0.25
    held = a.power_w if a.power_w == b.power_w else 5.0 * math.floor(held / 5.0)
    lost = max(0.0, sum(t * ((cue.power_w / held) ** e - 1.0) for cue, t, e, _ in runs))
    if a.tucked == b.tucked:
        return lost
    start, stop = (a.at_m, b.at_m) if a.tucked else (b.at_m, end)
    for segment in plan.segments:
        if segment.tucked:
            shared = max(0.0, min(stop, segment.end_m) - max(start, segment.start_m))
            lost += segment.gain_s * shared / (segment.end_m - segment.start_m)
    return lost


def test_merging_keeps_the_budget() -> None:
    """The fourth-power sum of the merged powers, multiples of 5 W, is not above that of the plan's own.

    What is left of it buys no further step for any line that stands for several powers of the plan.
    """
    plan = sample_plan()
    middle = plan.cells.start_m + plan.cells.length_m / 2
    seconds = np.where(plan.cells.power_w > 1.0, np.diff(plan.nodes.time_s), 0.0)

    def held(cues: tuple[Cue, ...]) -> tuple[np.ndarray, np.ndarray]:
        tasks = [cue for cue in cues if cue.kind not in {"note", "feed"}]
        line = np.searchsorted([cue.at_m for cue in tasks], middle, side="right") - 1
        return np.array([cue.power_w for cue in tasks])[line], line

    def paid(power: np.ndarray) -> np.ndarray:
        return np.asarray(seconds * (power / plan.cells.power_factor) ** 4)

    asked, _ = held(plan.cues)
    for most in (30, 20, 12, 6):
        told, line = held(merge_cues(plan, most)[0])
        left = float(paid(asked).sum() - paid(told).sum())
        assert left >= -1e-9 * float(paid(asked).sum())
        assert np.all(told % 5.0 == 0.0)
        for k in range(line.max() + 1):
            of_line = (line == k) & (seconds > 0.0)
            if np.ptp(asked[of_line]) > 0.0:
                step = paid(told + 5.0)[of_line].sum() - paid(told)[of_line].sum()
                equal = (paid(asked)[of_line].sum() / paid(np.ones(middle.size))[of_line].sum()) ** 0.25
                assert step > left or told[of_line][0] >= equal


def test_a_line_for_one_stretch_says_the_plans_power() -> None:
    """A line of a merged card that stands for a single power of the plan says what the report says."""
    plan = sample_plan()
    tasks = [cue for cue in plan.cues if cue.kind not in {"note", "feed"}]
    alone = 0
    for most in (30, 20, 12, 6):
        merged = [cue for cue in merge_cues(plan, most)[0] if cue.kind != "feed"]
        ends = [*(cue.at_m for cue in merged[1:]), math.inf]
        for cue, end in zip(merged, ends, strict=True):
            powers = {task.power_w for task in tasks if cue.at_m <= task.at_m < end}
            if len(powers) == 1:
                alone += 1
                assert cue.power_w == powers.pop()
    assert alone > 20


def test_a_card_has_a_line() -> None:
    """No lines at all is a mistake of the programmer."""
    with pytest.raises(ValueError, match="at least one cue"):
        merge_cues(sample_plan(), 0)


def test_positions_are_the_plans_own() -> None:
    """Merged cues name positions that the plan uses."""
    merged, _ = merge_cues(sample_plan(), 10)
    assert {cue.position for cue in merged} <= {HOODS, BARS}

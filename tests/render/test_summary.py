"""What the terminal shows fits it, is plain, and says what the plan says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.course.segment import course_segments
from pacer.planning.plan import Plan
from pacer.render.digest import enough_for, rule_costs, terrain, tucked_stretches
from pacer.render.summary import check_summary, plan_summary, route_summary
from pacer.render.words import clock, kilometres
from tests.render.sample import sample_course, sample_plan


def summaries(plan: Plan, width: int = 80) -> list[str]:
    """Give all that the terminal may show."""
    course, cells = sample_course()
    return [
        plan_summary(plan, width),
        check_summary(plan, width),
        route_summary(course, cells, course_segments(cells), width),
    ]


@pytest.mark.parametrize("width", [80, 100, 120])
def test_lines_fit(width: int) -> None:
    """No line is longer than the terminal is wide, and none ends in a space."""
    for text in summaries(sample_plan(), width):
        for line in text.splitlines():
            assert len(line) <= width
            assert line == line.rstrip()


def test_plain() -> None:
    """There is no escape sequence and, but for degrees and names, nothing beyond ASCII."""
    for text in summaries(sample_plan()):
        assert "\x1b" not in text
        assert text.replace("°", "").isascii()


def test_the_summary_says_what_the_plan_says() -> None:
    """Time, power, budget, shares and the proven gap are the plan's."""
    plan = sample_plan()
    text = plan_summary(plan)
    totals = plan.totals
    for wanted in (
        clock(totals.time_s),
        f"{totals.mean_power_w:.0f} W mean",
        f"{totals.fourth_power_mean_w:.0f} W fourth-power mean",
        f"{plan.model.fourth_power_budget_w:.0f} W)",
        f"{100 * totals.tucked_time_share:.0f} % of the time",
        f"{100 * plan.optimality.gap:.2f} %",
        clock(totals.upright_time_s - totals.time_s),
        "smooth asphalt, common practice",
        "ride the course before",
    ):
        assert wanted in " ".join(text.split()), wanted


def test_the_best_stretches_come_first() -> None:
    """The five stretches shown are those that gain most, in order."""
    plan = sample_plan()
    text = plan_summary(plan)
    best = sorted(tucked_stretches(plan), key=lambda s: -s.gain_s)[:5]
    places = [text.index(f"{kilometres(s.start_m):>7} {kilometres(s.end_m):>7}") for s in best]
    assert places == sorted(places)


def test_check_tells_every_stretch() -> None:
    """Each unsafe stretch has a line with where the hands go back and the numbers of each reason."""
    plan = sample_plan()
    text = check_summary(plan)
    for stretch in plan.unsafe_to_tuck:
        places = (stretch.up_by_m, stretch.start_m, stretch.end_m)
        assert " ".join(f"{kilometres(place):>7}" for place in places) in text
        assert all(reason.rule in text for reason in stretch.reasons)


def test_nothing_unsafe_never_tucked() -> None:
    """A plan without refusals, and one without a tuck, are told as such."""
    plan = sample_plan()
    segments = tuple(replace(s, tucked=False, position="hoods") for s in plan.segments)
    text = plan_summary(replace(plan, unsafe_to_tuck=(), segments=segments, cautions=()))
    assert "Nowhere do the safety rules refuse the tuck." in text
    assert "Never tucked on this course." in text
    assert "Cautions" not in text


def test_what_is_not_known_is_not_said() -> None:
    """Without a bound and without weather the summary leaves them out rather than printing nan."""
    plan = sample_plan()
    bare = replace(
        plan,
        inputs={},
        totals=replace(plan.totals, upright_time_s=float("nan")),
        optimality=replace(plan.optimality, bound_s=float("nan"), gap=float("nan")),
    )
    text = plan_summary(bare)
    assert "nan" not in text.lower()
    assert "Proven" not in text
    assert "wind not given" in text


@pytest.mark.parametrize("name", ["\x1b[31mred", "a\r\nb", "x" * 500, "‮gpj", "島" * 20])
def test_hostile_names(name: str) -> None:
    """A route's name can't move the cursor, break a line or turn the text around."""
    plan = sample_plan()
    text = plan_summary(replace(plan, inputs={**plan.inputs, "race": {"name": name}}))
    assert all(c.isprintable() or c == "\n" for c in text)
    assert max(map(len, text.splitlines())) <= 80


def test_terrain_adds_up() -> None:
    """Climbs, flat and descents add up to the race."""
    plan = sample_plan()
    parts = terrain(plan)
    assert sum(part.duration_s for part in parts) == pytest.approx(plan.totals.time_s)
    assert sum(part.length_m for part in parts) == pytest.approx(plan.totals.distance_m)
    work = sum(part.mean_power_w * part.duration_s for part in parts)
    assert work == pytest.approx(plan.totals.work_j, rel=1e-6)


def test_stretches_add_up() -> None:
    """The tucked stretches gain what the tucked segments gain, and the best few are counted right."""
    plan = sample_plan()
    stretches = tucked_stretches(plan)
    assert sum(s.gain_s for s in stretches) == pytest.approx(sum(s.gain_s for s in plan.segments if s.tucked))
    gains = np.sort([s.gain_s for s in stretches])[::-1]
    enough = enough_for(stretches, 0.8)
    assert gains[:enough].sum() >= 0.8 * gains.sum() > gains[: enough - 1].sum()
    assert enough_for(stretches, 1.0) == len(stretches)
    assert enough_for((), 0.8) == 0


def test_rule_costs_add_up() -> None:
    """What the rules cost alone, and the stretches that several share, add up to the cost of safety."""
    plan = sample_plan()
    alone = sum(rule.alone_s for rule in rule_costs(plan.unsafe_to_tuck))
    shared = sum(s.cost_s for s in plan.unsafe_to_tuck if len({r.rule for r in s.reasons}) > 1)
    assert alone + shared == pytest.approx(sum(s.cost_s for s in plan.unsafe_to_tuck))


def test_the_course_without_corners() -> None:
    """A straight course is told without a table of corners."""
    course, cells = sample_course()
    text = route_summary(replace(course, corners=(), changes=()), cells, np.array([0, len(cells)]))
    assert "No corners that matter." in text
    assert "1 segments" not in text
    assert "nothing" in text

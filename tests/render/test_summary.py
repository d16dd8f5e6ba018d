"""What the terminal shows fits it, is plain, and says what the plan says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.course.segment import course_segments
from pacer.planning.plan import Plan, Reason
from pacer.planning.safety import Rule
from pacer.render._view import stretches
from pacer.render.course_text import route_summary
from pacer.render.digest import decision, enough_for, rule_costs, terrain, tucked_stretches, wind_sign
from pacer.render.reasons import reason_words, rule_words, stretch_reasons
from pacer.render.summary import check_summary, plan_summary
from pacer.render.words import clock, kilometres, percent
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
    one_line = " ".join(text.split())
    for stretch in plan.unsafe_to_tuck:
        (line,) = [line for line in text.splitlines() if f" {kilometres(stretch.start_m)} " in line[8:24]]
        up_by, _, end = (1000.0 * float(word) for word in line.split()[:3])
        assert stretch.up_by_m - 10.0 < up_by <= stretch.up_by_m + 1e-6
        assert stretch.end_m - 1e-6 <= end < stretch.end_m + 10.0
        assert all(words in one_line for words in stretch_reasons(plan, stretch))


def test_nothing_unsafe_never_tucked() -> None:
    """A plan without refusals, and one without a tuck, are told as such."""
    plan = sample_plan()
    segments = tuple(replace(s, tucked=False, position="hoods") for s in plan.segments)
    text = plan_summary(replace(plan, unsafe_to_tuck=(), segments=segments, cautions=()))
    assert "Nowhere do the safety rules refuse the tuck." in text
    assert "Never tucked on this course." in text
    assert "Tuck?      No: upright all the way" in text
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


@pytest.mark.parametrize(
    ("saved", "wanted"),
    [(160.0, "Yes: 2:40 faster than never tucked ("), (9.0, "Hardly: 9.0 s faster"), (0.2, "No gain: ")],
)
def test_the_decision_is_answered_first(saved: float, wanted: str) -> None:
    """Whether tucking pays stands before everything else, and little is called little."""
    plan = sample_plan()
    plan = replace(plan, totals=replace(plan.totals, upright_time_s=plan.totals.time_s + saved))
    assert decision(plan).pays.startswith(wanted)
    for text in (plan_summary(plan), check_summary(plan)):
        first = next(line for line in text.splitlines() if line.startswith("  "))
        assert first.startswith(f"  Tuck?      {wanted}")


@pytest.mark.parametrize(
    ("reason", "wanted"),
    [
        (Reason("steep descent", 6.24, 5.0, "% down"), "steep descent, 6.2 % (at most 5)"),
        (Reason("corner radius", 9.3, 40.0, "m radius"), "tight corner, 9 m radius (at least 40)"),
        (Reason("corner radius", 39.8, 40.0, "m radius"), "tight corner, 39.8 m radius (at least 40)"),
        (
            Reason("corner lateral acceleration", 0.151, 0.15, "g"),
            "fast corner, 0.151 g sideways (at most 0.15)",
        ),
        (Reason("speed-limit zone", 40.0, 40.0, "km/h"), "speed limit 40 km/h"),
        (Reason("distance to the finish", 0.0, 200.0, "m"), "last 200 m"),
        (Reason("braking ahead", 51.7, 21.3, "km/h"), "braking ahead, from 52 to 21 km/h"),
        (Reason("braking ahead", 37.0, 36.9, "km/h"), "braking ahead"),
        (Reason("no-tuck zone", 1.0, 0.0, "zone"), "no-tuck zone"),
        (Reason("gust crosswind", float("nan"), 6.0, "m/s"), "gusts from the side"),
        (Reason("a rule of tomorrow", 3.0, 2.5, "m"), "a rule of tomorrow 3 m (limit 2.5)"),
    ],
)
def test_reasons_are_told_as_a_rider_would(reason: Reason, wanted: str) -> None:
    """The thing, its number and what is allowed, as finely as it takes to see the difference."""
    assert reason_words(reason) == wanted


@pytest.mark.parametrize("rule", list(Rule))
def test_every_rule_has_words(rule: Rule) -> None:
    """No rule of the planner falls back to how an unknown one is told."""
    unit = "zone" if rule in (Rule.NO_TUCK_ZONE, Rule.FEED_ZONE) else "m"
    assert "(limit" not in reason_words(Reason(rule.value, 2.0, 1.0, unit))
    assert rule_words(rule.value)


def test_zones_are_told_with_their_note() -> None:
    """What the rider wrote at a zone stands beside the refusal that it makes, and only there."""
    plan = sample_plan()
    stretch = replace(plan.unsafe_to_tuck[0], reasons=(Reason("no-tuck zone", 1.0, 0.0, "zone"),))
    here = 0.0005 * (stretch.start_m + stretch.end_m)
    far = here + 1000.0
    for start, told in ((here, "no-tuck zone: school gate"), (far, "no-tuck zone")):
        zone = {"kind": "no-tuck", "start_km": start, "end_km": start + 0.01, "note": "school gate"}
        noted = replace(plan, inputs={**plan.inputs, "zones": [zone]})
        assert stretch_reasons(noted, stretch) == (told,)


def test_the_heading_shows_what_was_entered() -> None:
    """Wind in both units and by sixteen points, warmth, mass and power: a slip of units shows at once."""
    text = plan_summary(sample_plan())
    assert "wind 4.2 m/s (15 km/h) from WSW (240°), gusts 8.3 m/s (30 km/h)" in text
    assert "rider 74 kg, bicycle 9 kg, critical power 250 W, skill:" in text


def test_the_road_is_shared_out() -> None:
    """Tucked, upright by the rules and upright by choice: the last is what the pictures leave white."""
    plan = sample_plan()
    white = sum(s.end_m - s.start_m for s in stretches(plan) if s.state == "up")
    assert white > 100.0
    wanted = f"{white / 1000:.1f} km ({percent(white / plan.totals.distance_m)}) more by choice"
    assert wanted in plan_summary(plan)
    never = replace(plan, segments=tuple(replace(s, tucked=False) for s in plan.segments))
    assert "by choice" not in plan_summary(never)


def test_a_forecast_is_told_for_the_time_of_the_race() -> None:
    """What the air does between start and finish, not all day; a card has the range of the wind."""
    plan = sample_plan()
    hours = {
        "seconds_after_start": [-3600.0, 0.0, plan.totals.time_s, 36000.0],
        "wind_from_deg": [90.0, 350.0, 10.0, 90.0],
        "wind_speed_m_s": [20.0, 2.0, 4.0, 20.0],
        "gust_m_s": [30.0, 4.0, 8.0, 30.0],
        "temperature_c": [0.0, 12.0, 15.0, 40.0],
    }
    there = replace(plan, inputs={**plan.inputs, "weather": {**hours, "surface": "dry"}})
    wanted = (
        "forecast wind 2.0 to 4.0 m/s (7 to 14 km/h) from N, gusts up to 8.0 m/s (29 km/h), 12 to 15 °C, dry"
    )
    assert wanted in " ".join(plan_summary(there).split())
    assert wind_sign(there) == "2-4 m/s"
    turned = {**hours, "wind_from_deg": [90.0, 315.0, 45.0, 90.0]}
    text = plan_summary(replace(plan, inputs={**plan.inputs, "weather": turned}))
    assert "from NW at the start and NE at the finish" in " ".join(text.split())
    for broken in ([4.0], ["a", "b", "c", "d"], [], [None, 1.0, 2.0, 3.0]):
        weather = {**hours, "gust_m_s": broken}
        odd = replace(plan, inputs={**plan.inputs, "weather": weather})
        assert "wind from a forecast" in plan_summary(odd)
        assert wind_sign(odd) == ""

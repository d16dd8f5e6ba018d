"""The report's tables: real ones, with captions and heads, so that nothing hangs on the drawings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from pacer.planning.plan import Plan
from pacer.planning.splits import DRAG_SPREAD, POWER_SPREAD, WIND_SPREAD, Split
from pacer.render._html import Html, data_table, el
from pacer.render.digest import enough_for, rule_costs, table, terrain, tucked_stretches
from pacer.render.reasons import rule_words, stretch_reasons
from pacer.render.words import (
    clock,
    compass,
    ground,
    kilometres,
    kilometres_before,
    labelled,
    minutes,
    percent,
    seconds,
    speed_kmh,
    watts,
)

__all__ = [
    "assumptions",
    "proof",
    "rules_table",
    "segments_table",
    "splits_table",
    "terrain_table",
    "unsafe_table",
    "worth_table",
]

_ENOUGH: Final = 0.8
_INPUTS: Final = ("rider", "bike", "race", "weather", "safety", "cockpit")


def place_button(start: float, end: float) -> Html:
    """Give a stretch that can be shown on map and strips."""
    said = f"{kilometres(start)}–{kilometres(end)}"
    return el(
        "button",
        said,
        type="button",
        title="Show it on map and strips",
        data_from=f"{start:.0f}",
        data_to=f"{end:.0f}",
    )


def _ground(grade: float) -> Html:
    return el("span", ground(grade), class_="nowrap")


def _along(wind: float) -> str:
    if abs(wind) < 0.05:
        return "none"
    return f"{abs(wind):.1f} {'against' if wind > 0 else 'behind'}"


def worth_table(plan: Plan) -> Html:
    """Rank the tucked stretches by what they save, with the running sum."""
    stretches = sorted(tucked_stretches(plan), key=lambda s: -s.gain_s)
    if not stretches:
        return el("p", "The plan is never tucked.")
    total = math.fsum(max(s.gain_s, 0.0) for s in stretches)
    enough = enough_for(stretches, _ENOUGH)
    running = np.cumsum([max(s.gain_s, 0.0) for s in stretches])
    rows = [
        (
            str(k + 1),
            place_button(s.start_m, s.end_m),
            seconds(s.gain_s),
            seconds(float(running[k])),
            _bar(float(running[k]) / total if total > 0.0 else 0.0),
            clock(s.duration_s),
            speed_kmh(s.mean_speed_m_s),
            _ground(s.mean_grade),
        )
        for k, s in enumerate(stretches)
    ]
    head = ("rank", "km", "saves", "running sum", "of all", "holding", "km/h", "ground")
    lead = el(
        "p",
        el("b", f"The best {enough} of {len(stretches)} give {percent(_ENOUGH)} of the gain."),
        f" All of them together save {minutes(total)}. A rider who would rather be tucked less keeps the "
        "first few and stays upright elsewhere; the line in the table marks where the 80 % are reached.",
    )
    caption = "What each tucked stretch is worth, best first"
    return el("div", lead, data_table(caption, head, rows, words=(1, 4, 7), marked=(enough - 1,), quiet=True))


def _bar(share: float) -> Html:
    """Give a bar with its number, so that it can be read without being seen."""
    drawn = el("rect", width=f"{100 * share:.1f}%", height="100%")
    return el(
        "span", el("svg", drawn, class_="share", aria_hidden="true"), f" {percent(share)}", class_="nowrap"
    )


def unsafe_table(plan: Plan) -> Html:
    """List where the tuck is refused: by where the hands are back, why with numbers, at what cost."""
    if not plan.unsafe_to_tuck:
        return el("p", "Nowhere do the rules refuse the tuck.")
    rows = [
        (
            kilometres_before(s.up_by_m),
            place_button(s.start_m, s.end_m),
            seconds(s.cost_s),
            el("ul", *(el("li", words) for words in stretch_reasons(plan, s)), class_="reasons"),
        )
        for s in plan.unsafe_to_tuck
    ]
    head = ("up by km", "unsafe km", "costs", "why, with the value found and what is allowed")
    return data_table("Where it is unsafe to be tucked", head, rows, words=(1, 3), quiet=True, stacked=True)


def rules_table(plan: Plan) -> Html:
    """Say what each safety rule costs."""
    rules = rule_costs(plan.unsafe_to_tuck)
    if not rules:
        return el("p", "No rule costs anything here.")
    rows = [(rule_words(r.rule), str(r.stretches), seconds(r.alone_s), seconds(r.shared_s)) for r in rules]
    head = ("rule", "stretches", "by itself", "with others")
    found = data_table("What each safety rule costs", head, rows, words=(0,))
    told = (
        "By itself: in stretches that no other rule refuses; loosening the rule alone would win that back. "
        "With others: in stretches that several refuse, each of which counts the whole."
    )
    return el("div", found, el("p", told, class_="hint"))


def segments_table(plan: Plan) -> Html:
    """List all segments."""
    rows = [
        (
            str(s.index + 1),
            place_button(s.start_m, s.end_m),
            el("span", s.position, class_="tuck" if s.tucked else "up"),
            watts(s.power_w),
            speed_kmh(s.speed_m_s),
            clock(s.duration_s),
            _ground(s.mean_grade),
            compass(s.heading_deg),
            _along(s.headwind_m_s),
            seconds(s.gain_s) if s.tucked else "",
        )
        for s in plan.segments
    ]
    head = ("no.", "km", "position", "W", "km/h", "time", "ground", "heading", "wind m/s", "tuck saves")
    return data_table(
        "Segments: one power and one position each", head, rows, words=(1, 2, 6, 7, 8), quiet=True
    )


def terrain_table(plan: Plan) -> Html:
    """Say where the minutes are."""
    rows = [
        (
            part.name,
            f"{part.length_m / 1000:.1f}",
            clock(part.duration_s),
            percent(part.duration_s / plan.totals.time_s),
            watts(part.mean_power_w),
            percent(part.tucked_s / part.duration_s),
        )
        for part in terrain(plan)
        if part.duration_s > 0.0
    ]
    head = ("ground", "km", "time", "share", "mean W", "tucked")
    return data_table("Where the minutes are", head, rows, words=(0,))


def splits_table(splits: Sequence[Split]) -> Html:
    """Say when to be where."""
    rows = [
        (kilometres(s.distance_m, 1), clock(s.early_s), el("b", clock(s.time_s)), clock(s.late_s))
        for s in splits
    ]
    spreads = (
        f"Early and late: power off by {percent(POWER_SPREAD)}, drag by {percent(DRAG_SPREAD)} and wind "
        f"speed by {percent(WIND_SPREAD)}, each all day long and independent of the others (common "
        "practice, no source)."
    )
    found = data_table("When to be where", ("km", "early", "plan", "late"), rows, quiet=True)
    return el("div", found, el("p", spreads))


def proof(plan: Plan) -> Html:
    """Say in words how good the plan is proven to be."""
    bound, time = plan.optimality.bound_s, plan.totals.time_s
    if not math.isfinite(bound):
        return el("p", "No bound was proven for this plan.")
    said = [
        "No plan within the same limits, whatever its powers and positions, can be faster than "
        f"{clock(bound)} on this course as cut into {plan.cells.start_m.size} cells; this one takes "
        f"{seconds(time - bound)} ({percent(plan.optimality.gap, 2)}) longer."
    ]
    free = plan.optimality.free_optimum_s
    if math.isfinite(free):
        said.append(
            f"With the power free to change from place to place the fastest found takes {clock(free)}; "
            f"holding one power a segment, as a rider can, costs {seconds(time - free)}."
        )
    said.append(f"Solver: {plan.optimality.status}, {plan.optimality.rounds} rounds.")
    return el("p", " ".join(said))


def assumptions(plan: Plan) -> Html:
    """Say what the plan was made from: what was given, and what had to be assumed."""
    assumed = plan.inputs.get("assumed")
    tables = [_inputs(name, found) for name in _INPUTS if (found := table(plan, name))]
    positions = plan.inputs.get("positions")
    if isinstance(positions, list):
        numbered = enumerate(positions, start=1)
        tables += [_inputs(f"position {k}", p) for k, p in numbered if isinstance(p, Mapping)]
    given = el("div", *tables, class_="inputs")
    if not isinstance(assumed, list) or not assumed:
        return given
    lines = el("ul", *(el("li", str(line)) for line in assumed))
    return el("div", el("h3", "Not given, so assumed"), lines, el("h3", "As used"), given)


def _inputs(name: str, values: Mapping[str, Any]) -> Html:
    rows = [labelled(key, value) for key, value in values.items() if not isinstance(value, Mapping)]
    return data_table(name, ("what", "value"), rows, words=(0, 1))

"""What to hold from here, for the terminal and for machines."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any, Protocol

import numpy as np

from pacer.planning.plan import Cue, Plan
from pacer.render.words import clean, clock, cue_kilometres, kilometres, minutes, percent, route_name

__all__ = ["Rest", "replanned_json", "replanned_summary"]


class Rest(Protocol):
    """The rest of a race, see `pacer.replan.Replanned`."""

    @property
    def plan(self) -> Plan:
        """From here to the finish."""

    @property
    def elapsed(self) -> float:
        """Since the start [s]."""

    @property
    def behind(self) -> float:
        """The plan, negative where ahead [s]."""

    @property
    def drag(self) -> float:
        """Of the day over the plan's."""

    @property
    def unexplained(self) -> bool:
        """Whether no drag explains the time so far."""

    @property
    def spent(self) -> float:
        """Fourth-power mean so far [W]."""

    @property
    def budget(self) -> float:
        """Fourth-power mean that is left [W]."""

    @property
    def w_prime_left(self) -> float:
        """[J]."""

    @property
    def finish(self) -> float:
        """Expected, since the start [s]."""

    @property
    def planned_finish(self) -> float:
        """By the old plan [s]."""

    @property
    def overspent(self) -> bool:
        """Whether more was spent than the race allows."""


def replanned_summary(rest: Rest) -> str:
    """Say where the race stands, what to hold, and the cues from here on."""
    plan = rest.plan
    start = float(plan.nodes.distance_m[0])
    side = "behind" if rest.behind >= 0.0 else "ahead of"
    now = f"{clock(abs(rest.behind))} {side} the plan" if abs(rest.behind) >= 0.5 else "on the plan"
    lines = [
        f"{route_name(plan, 50)}, from km {kilometres(start)} at {clock(rest.elapsed)}",
        f"  Now        {now}",
        f"  The day    {_day(rest)}",
    ]
    if rest.spent > 0.0:
        lines.append(f"  Spent      {rest.spent:.0f} W fourth-power mean so far")
    hold = f"{rest.budget:.0f} W fourth-power mean over the {clock(plan.totals.time_s)} left"
    lines.append(f"  Hold       {hold}, W' left {rest.w_prime_left / 1000:.1f} kJ")
    late = rest.finish - rest.planned_finish
    change = f"{minutes(abs(late))} {'later' if late > 0.0 else 'earlier'}"
    lines.append(f"  Finish     {clock(rest.finish)}, {change} than the plan's {clock(rest.planned_finish)}")
    if rest.overspent:
        lines.append("  ! More was spent than the race allows: this is the least that is planned with.")
    return "\n".join([*lines, "", *_cues(plan, rest.elapsed, plan.cues)])


def _day(rest: Rest) -> str:
    if rest.unexplained:
        return "drag doesn't explain the time so far: the rest is taken as planned"
    change = rest.drag - 1.0
    if abs(change) < 0.005:
        return "as planned"
    return f"{percent(abs(change))} {'more' if change > 0 else 'less'} drag than planned, as so far"


def _cues(plan: Plan, elapsed: float, cues: Sequence[Cue]) -> Iterator[str]:
    yield "     km     clock   power  position         where"
    for cue in cues:
        at = float(np.interp(cue.at_m, plan.nodes.distance_m, plan.nodes.time_s)) + elapsed
        place = f"{cue_kilometres(cue):>7}{clock(at):>10}{cue.power_w:6.0f} W"
        yield f"{place}  {clean(cue.position, 15):15}  {clean(cue.text, 36)}".rstrip()


def replanned_json(rest: Rest) -> str:
    """Give it as JSON; segments in the terms of plan.json."""
    document: dict[str, Any] = {
        "schema": "pacer-replan/1",
        "at_m": round(float(rest.plan.nodes.distance_m[0]), 1),
        "elapsed_s": round(rest.elapsed, 1),
        "behind_s": round(rest.behind, 1),
        "drag_factor": round(rest.drag, 4),
        "unexplained": rest.unexplained,
        "spent_w": round(rest.spent, 1),
        "fourth_power_budget_w": round(rest.budget, 1),
        "w_prime_left_j": round(rest.w_prime_left, 0),
        "finish_s": round(rest.finish, 1),
        "planned_finish_s": round(rest.planned_finish, 1),
        "overspent": rest.overspent,
        "segments": [
            {
                "start_m": round(s.start_m, 1),
                "end_m": round(s.end_m, 1),
                "power_w": s.power_w,
                "position": s.position,
                "duration_s": round(s.duration_s, 1),
            }
            for s in rest.plan.segments
        ],
    }
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)

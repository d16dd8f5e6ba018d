"""The report's strips over distance and time: position, profile, power, speed, wind, what is left.

Every strip is an SVG without a viewBox, so that words, marks and hatching keep their shape at any width;
only the lines lie in an inner one that stretches. Zooming is nothing but making the strips wider.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from pacer.planning.plan import Plan
from pacer.render._html import Html, el, join
from pacer.render._strip import (
    X_UNITS,
    Y_UNITS,
    area_path,
    distance_axis,
    lane,
    level,
    line_path,
    lines,
    marks,
    roof,
    span,
    tick,
)
from pacer.render._view import View, stretches
from pacer.render.words import clock
from pacer.units import FloatArray

__all__ = ["X_UNITS", "distance_lanes", "patterns", "time_lanes"]

_ARROWS: Final = 40


def patterns() -> Html:
    """Hatching for where the tuck is refused; used by strips, map and legend."""
    stripe = el("path", d="M-1 1l2 -2M0 6l6 -6M5 7l2 -2", class_="stripe")
    hatch = el("pattern", stripe, id="hatch", width="6", height="6", patternUnits="userSpaceOnUse")
    return el("svg", el("defs", hatch), width="0", height="0", class_="defs", aria_hidden="true")


def distance_lanes(plan: Plan, view: View) -> Html:
    """Draw the strips over distance, one below the other."""
    total = float(plan.nodes.distance_m[-1])
    share = view.distance_m / total
    power_top = roof(max(float(view.power_w.max()), *(s.power_w for s in plan.segments)), 50.0)
    speed_top = roof(float(view.speed_kmh.max()), 10.0)
    low, high = span(view.elevation_m, 60.0)
    gust = roof(float(np.abs(view.headwind_m_s).max()), 2.0)
    return join(
        [
            lane("Position", "", _ribbon(plan, total), 30, ()),
            lane("Height", "m", _profile(plan, view, share, low, high, total), 110, marks(low, high, 4)),
            lane("Power", "W", _power(plan, view, share, power_top, total), 110, marks(0.0, power_top, 4)),
            lane("Speed", "km/h", _speed(view, share, speed_top), 90, marks(0.0, speed_top, 4)),
            lane("Wind along the road", "m/s", _wind(view, share, gust), 84, marks(-gust, gust, 2)),
            lane("km", "", distance_axis(total), 24, ()),
        ]
    )


def time_lanes(plan: Plan) -> Html:
    """Draw the strips over time: what is left of W', the fourth-power mean so far and its budget."""
    nodes, model = plan.nodes, plan.model
    total = float(nodes.time_s[-1])
    keep = np.unique(np.linspace(0, nodes.time_s.size - 1, 400).round().astype(int))
    share = nodes.time_s[keep] / total
    kilojoules = nodes.w_balance_j[keep] / 1000.0
    top = max(model.w_prime_j, 1.0) / 1000.0
    left = join(
        [
            lines(el("path", d=area_path(share, kilojoules, 0.0, top), class_="fill-left")),
            level(model.w_prime_reserve_j / 1000.0, 0.0, top, "reserve"),
        ]
    )
    mean = _fourth_power_so_far(plan)[keep[1:] - 1]
    budget = model.fourth_power_budget_w
    # The first minute says nothing and would squeeze the rest.
    settled = nodes.time_s[keep[1:]] > 0.02 * total
    high = roof(max(float(mean[settled].max(initial=0.0)), budget) * 1.02, 20.0)
    low = max(0.0, min(float(mean[settled].min(initial=high)), budget) // 20.0 * 20.0 - 20.0)
    so_far = join(
        [
            lines(el("path", d=line_path(share[1:][settled], mean[settled], low, high), class_="line-main")),
            level(budget, low, high, "budget"),
        ]
    )
    return join(
        [
            lane("W' left", "kJ", left, 90, marks(0.0, top, 3)),
            lane("Fourth-power mean so far", "W", so_far, 90, marks(low, high, 3)),
            lane("time", "", _time_axis(total), 24, ()),
        ]
    )


def _fourth_power_so_far(plan: Plan) -> FloatArray:
    """Give the running fourth-power mean of what the body feels, at the cell ends, shape (n,) [W]."""
    seconds = np.diff(plan.nodes.time_s)
    felt = plan.cells.power_w / np.maximum(plan.cells.power_factor, 1e-6)
    return np.asarray((np.cumsum(felt**4 * seconds) / np.maximum(np.cumsum(seconds), 1e-9)) ** 0.25)


def _bands(plan: Plan, total: float) -> list[Html]:
    """Where the tuck is refused, hatched."""
    return [
        _band(s.start_m, s.end_m, total, y="0", height="100%", class_="must faint")
        for s in stretches(plan)
        if s.state == "must"
    ]


def _band(start: float, end: float, total: float, **attributes: str) -> Html:
    return el(
        "rect", x=f"{100 * start / total:.3f}%", width=f"{100 * (end - start) / total:.3f}%", **attributes
    )


# ---------------------------------------------------------------- what the strips show


def _ribbon(plan: Plan, total: float) -> Html:
    """Solid where tucked, open where upright, hatched where the tuck is refused."""
    box = {"y": "4", "height": "22"}
    parts = [_band(s.start_m, s.end_m, total, class_=s.state, **box) for s in stretches(plan)]
    return join([*parts, el("rect", x="0", width="100%", class_="frame", **box)])


def _profile(plan: Plan, view: View, share: FloatArray, low: float, high: float, total: float) -> Html:
    wedges = [
        el("svg", el("path", d="M-4 0h8l-4 7z"), x=f"{100 * cue.at_m / total:.3f}%", class_="wedge")
        for cue in plan.cues
        if cue.kind == "up"
    ]
    ground = el("path", d=area_path(share, view.elevation_m, low, high), class_="ground")
    return join([*_bands(plan, total), lines(ground), *wedges])


def _power(plan: Plan, view: View, share: FloatArray, top: float, total: float) -> Html:
    edges = np.array([s.start_m for s in plan.segments] + [plan.segments[-1].end_m]) / total
    held = np.array([s.power_w for s in plan.segments] + [plan.segments[-1].power_w])
    there = el("path", d=area_path(share, view.power_w, 0.0, top, steps=True), class_="fill-there")
    hold = el("path", d=line_path(edges, held, 0.0, top, steps=True), class_="line-main")
    return join([lines(there, hold), level(plan.model.fourth_power_budget_w, 0.0, top, "budget")])


def _speed(view: View, share: FloatArray, top: float) -> Html:
    limit = np.where(np.isnan(view.limit_kmh), 2.0 * top, np.minimum(view.limit_kmh, 2.0 * top))
    cap = el("path", d=line_path(share, limit, 0.0, top, steps=True), class_="line-limit")
    return lines(cap, el("path", d=line_path(share, view.speed_kmh, 0.0, top), class_="line-main"))


def _wind(view: View, share: FloatArray, top: float) -> Html:
    """Draw wind from ahead above the line, from behind below it; arrows as felt by a rider facing up."""
    zero = Y_UNITS // 2
    area = f"{line_path(share, view.headwind_m_s, -top, top)}V{zero}H{round(share[0] * X_UNITS)}z"
    arrows = []
    for k in np.unique(np.linspace(0, share.size - 1, _ARROWS).round().astype(int))[1:-1]:
        turn = float(np.degrees(np.arctan2(-view.crosswind_m_s[k], -view.headwind_m_s[k])))
        arrow = el("path", d="M0 7v-14m-4 5l4 -5l4 5", transform=f"rotate({turn:.0f})", class_="arrow")
        arrows.append(el("svg", arrow, x=f"{100 * share[k]:.2f}%", y="50%", class_="loose"))
    words = [
        el("text", "against you", x="99.5%", y="11", text_anchor="end", class_="hint"),
        el("text", "behind you", x="99.5%", y="80", text_anchor="end", class_="hint"),
    ]
    line = el("line", x1="0", x2="100%", y1="50%", y2="50%", class_="zero")
    return join([lines(el("path", d=area, class_="fill-wind")), line, *arrows, *words])


def _time_axis(total: float) -> Html:
    step = next((s for s in (60, 120, 300, 600, 900, 1800, 3600, 7200) if total / s <= 9), 14_400)
    times = range(0, int(total) + 1, step)
    return join(tick(t / total, clock(float(t)), "other" if k % 2 else "") for k, t in enumerate(times))

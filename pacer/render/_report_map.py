"""The report's map: the road itself, patterned by position; no tiles, no network."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from pacer.planning.plan import Plan
from pacer.render._html import Html, el, polyline
from pacer.render._view import View, clean_steps, mean_wind, stretches
from pacer.units import FloatArray

__all__ = ["MapFrame", "draw_map", "legend", "map_frame"]

_MARGIN: Final = 0.09
_FOOT: Final = 0.06
"""Room below the road for scale and wind, over the map's size."""

_BESIDE: Final = 0.006
"""How far a road ridden there and back is drawn to the right of itself, over the map's size."""

_SAME_ROAD: Final = 25.0
_FURTHER_ON: Final = 400.0
"""Places nearer to each other [m], in opposite directions and so far apart along the course, are one road."""


@dataclass(frozen=True, slots=True, eq=False)
class MapFrame:
    """The road in the map's own units (metres, y down), shape (k,), and the map's box."""

    x: FloatArray
    y: FloatArray
    left: float
    top: float
    width: float
    height: float


def map_frame(view: View) -> MapFrame:
    """Fit the road into a box that is neither too flat nor too tall."""
    size = max(float(np.ptp(view.x)), float(np.ptp(view.y)), 200.0)
    heading = np.radians(view.heading_deg)
    beside = _BESIDE * size * _there_and_back(view)
    x = view.x + beside * np.cos(heading)
    y = -view.y + beside * np.sin(heading)
    edge = _MARGIN * size
    width = max(float(np.ptp(x)), 0.55 * size) + 2 * edge
    height = max(float(np.ptp(y)), 0.5 * size) + 2 * edge
    return MapFrame(
        x=x,
        y=y,
        left=float((x.min() + x.max()) / 2 - width / 2),
        top=float((y.min() + y.max()) / 2 - height / 2),
        width=width,
        height=height + _FOOT * size,
    )


def _there_and_back(view: View) -> FloatArray:
    """Tell where the course comes back along its own road, so that both lines can be drawn; 0 to 1, (k,)."""
    heading = np.radians(view.heading_deg)
    found = np.zeros(view.x.size)
    for k in range(view.x.size):
        near = np.hypot(view.x - view.x[k], view.y - view.y[k]) < _SAME_ROAD
        opposite = np.cos(heading - heading[k]) < -0.85
        far = np.abs(view.distance_m - view.distance_m[k]) > _FURTHER_ON
        found[k] = float(np.any(near & opposite & far))
    smooth = np.ones(9) / 9.0
    return np.asarray(np.convolve(np.pad(found, 4, mode="edge"), smooth, mode="valid"))


def draw_map(plan: Plan, view: View, frame: MapFrame) -> Html:
    """Draw the road: solid where tucked, open where upright, barred where the tuck is refused."""
    size = max(frame.width, frame.height)
    lines = dict.fromkeys(("tuck", "up", "must"), "")
    for stretch in stretches(plan):
        lines[stretch.state] += _path(view, frame, stretch.start_m, stretch.end_m)
    roads = [
        el("path", d=lines["tuck"] + lines["up"], class_="road under"),
        el("path", d=lines["must"], class_="road under must"),
        el("path", d=lines["up"], class_="road over"),
        el("path", d=lines["must"], class_="road over must"),
    ]
    marks = [*_chevrons(view, frame, size), *_kilometres(plan, view, frame, size), _ends(view, frame, size)]
    dot = el("circle", id="dot", cx="0", cy="0", r=0.012 * size, hidden=True)
    return el(
        "svg",
        el("title", "Map of the route, north up"),
        el("desc", _described(plan)),
        *roads,
        *marks,
        _scale_bar(frame),
        _wind(view, frame, size),
        dot,
        id="map",
        role="img",
        viewBox=f"{frame.left:.0f} {frame.top:.0f} {frame.width:.0f} {frame.height:.0f}",
        preserveAspectRatio="xMidYMid meet",
        font_size=f"{0.026 * size:.0f}",
    )


def _described(plan: Plan) -> str:
    """Say in words what the map shows, for those who can't see it."""
    by_state = dict.fromkeys(("tuck", "up", "must"), 0.0)
    for stretch in stretches(plan):
        by_state[stretch.state] += (stretch.end_m - stretch.start_m) / 1000.0
    return (
        f"{by_state['tuck']:.1f} km tucked, {by_state['up']:.1f} km upright by the plan's choice, "
        f"{by_state['must']:.1f} km upright because the tuck is refused; the tables below say where."
    )


def _path(view: View, frame: MapFrame, start: float, end: float) -> str:
    """Give the road between two distances, with its ends between the thinned points."""
    d = view.distance_m
    inside = np.flatnonzero((d > start) & (d < end))
    where = np.concatenate([[start], d[inside], [end]])
    return polyline(np.interp(where, d, frame.x), np.interp(where, d, frame.y))


def _at(view: View, frame: MapFrame, distance: float) -> tuple[float, float]:
    return float(np.interp(distance, view.distance_m, frame.x)), float(
        np.interp(distance, view.distance_m, frame.y)
    )


def _beside(view: View, frame: MapFrame, distance: float, side: float) -> tuple[float, float, float]:
    """Give a place to the right of the road (left where negative) and the direction of travel there [°]."""
    x, y = _at(view, frame, distance)
    span = 0.01 * max(frame.width, frame.height)
    back, on = _at(view, frame, max(distance - span, 0.0)), _at(view, frame, distance + span)
    turn = math.atan2(on[0] - back[0], back[1] - on[1])
    return x + side * math.cos(turn), y + side * math.sin(turn), math.degrees(turn)


def _chevrons(view: View, frame: MapFrame, size: float) -> list[Html]:
    """Show the direction of travel."""
    total = float(view.distance_m[-1])
    a = 0.007 * size
    shape = f"M{-a:.0f} {a:.0f}l{a:.0f} {-2 * a:.0f}l{a:.0f} {2 * a:.0f}"
    found = []
    for k in range(10):
        x, y, turn = _beside(view, frame, total * (k + 0.5) / 10, 0.016 * size)
        place = f"translate({x:.0f} {y:.0f}) rotate({turn:.0f})"
        found.append(el("path", d=shape, class_="chevron", transform=place))
    return found


def _kilometres(plan: Plan, view: View, frame: MapFrame, size: float) -> list[Html]:
    """Number the road at its left; where laps lie on each other, the first one only."""
    total = float(plan.nodes.distance_m[-1]) / 1000.0
    found: list[Html] = []
    taken: list[tuple[float, float]] = [_at(view, frame, 0.0)]
    for km in clean_steps(0.0, total, 9)[1:]:
        x, y, _ = _beside(view, frame, km * 1000.0, -0.024 * size)
        if km < 0.97 * total and all(math.hypot(x - a, y - b) > 0.045 * size for a, b in taken):
            taken.append((x, y))
            on = _at(view, frame, km * 1000.0)
            dot = el("path", d=f"M{on[0]:.0f} {on[1]:.0f}h0", class_="km")
            words = el("text", f"{km:g}", x=x, y=y + 0.009 * size, text_anchor="middle")
            found.append(el("g", dot, words))
    return found


def _ends(view: View, frame: MapFrame, size: float) -> Html:
    x0, y0, x1, y1 = *_at(view, frame, 0.0), *_at(view, frame, float(view.distance_m[-1]))
    close = math.hypot(x1 - x0, y1 - y0) < 0.05 * size
    first = el("path", d=f"M{x0:.0f} {y0:.0f}h0", class_="end")
    last = el("path", d=f"M{x1:.0f} {y1:.0f}h0", class_="end")
    down = 0.04 * size
    told = [("start, finish", x0, y0)] if close else [("start", x0, y0), ("finish", x1, y1)]
    words = [el("text", text, x=x, y=y + down, text_anchor="middle", class_="strong") for text, x, y in told]
    return el("g", first, last, *words)


def _scale_bar(frame: MapFrame) -> Html:
    length = clean_steps(0.0, frame.width * 0.25, 2)[1]
    x, y = frame.left + 0.03 * frame.width, frame.top + frame.height - 0.03 * frame.width
    tick = 0.012 * frame.width
    bar = el("path", d=f"M{x:.0f} {y - tick:.0f}v{tick:.0f}h{length:.0f}v{-tick:.0f}", class_="bar")
    said = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
    words = el("text", said, x=x + length / 2, y=y - 0.7 * tick, text_anchor="middle")
    return el("g", bar, words, class_="furniture")


def _wind(view: View, frame: MapFrame, size: float) -> Html:
    """Show where the wind blows to, as the mean over the course at the rider's height; north is up."""
    speed, turn = mean_wind(view)
    right = frame.left + frame.width - 0.03 * size
    y = frame.top + frame.height - 0.05 * size
    if speed <= 0.05:
        return el(
            "g", el("text", "no wind", x=right, y=y + 0.02 * size, text_anchor="end"), class_="furniture"
        )
    a = 0.032 * size
    arrow = el(
        "path",
        d=f"M0 {a:.0f}V{-a:.0f}M{-0.5 * a:.0f} {-0.45 * a:.0f}L0 {-a:.0f}L{0.5 * a:.0f} {-0.45 * a:.0f}",
        transform=f"translate({right - a:.0f} {y:.0f}) rotate({turn:.0f})",
        class_="wind",
    )
    said = f"wind {speed:.1f} m/s"
    words = el("text", said, x=right - 2.5 * a, y=y + 0.02 * size, text_anchor="end")
    return el("g", arrow, words, class_="furniture")


def legend() -> Html:
    """Say what solid, open and barred mean, with samples of both map and strips."""
    said = (
        ("tuck", "tucked: hands off the brakes"),
        ("up", "upright: the plan's choice"),
        ("must", "upright: the tuck is refused here"),
    )
    wedge = el(
        "svg", el("path", d="M4 3h16l-8 12z"), width="24", height="18", class_="wedge", aria_hidden="true"
    )
    arrow = el(
        "svg",
        el("path", d="M3 9h17m-6 -5l6 5l-6 5"),
        width="24",
        height="18",
        class_="blows",
        aria_hidden="true",
    )
    rows = [el("li", _sample(state), words) for state, words in said]
    rows += [el("li", wedge, "hands back by here"), el("li", arrow, "mean wind at your height; north is up")]
    return el("ul", *rows, class_="legend")


def _sample(state: str) -> Html:
    box = el("rect", x="1", y="2", width="22", height="14", class_=state)
    frame = el("rect", x="1", y="2", width="22", height="14", class_="frame")
    return el("svg", box, frame, width="24", height="18", aria_hidden="true")

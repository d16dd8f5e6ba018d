"""The picture of a plan for sharing: map, profile, power, speed and wind, as PNG or SVG."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from pacer.planning.plan import Plan
from pacer.render._drawing import (
    INK,
    MUST,
    PLACES,
    SOFT,
    WASH,
    WHITE,
    Panel,
    Placed,
    draw_axis,
    draw_box,
    draw_grid,
    draw_ground,
    draw_map_ground,
    fit,
    open_surface,
    span,
    strip,
    write_title,
)
from pacer.render._report_map import map_frame
from pacer.render._surface import Letters, Point, Surface
from pacer.render._view import View, clean_steps, make_view, mean_wind, stretches
from pacer.render.digest import weather_words
from pacer.render.words import clock, kilometres, percent, route_name, wind_speed
from pacer.units import FloatArray

__all__ = ["plan_picture"]

_CAUTION = "Ride the course first. Where you can't see that it is safe, be upright."
_WIND, _BREEZE = "#1c6b73", "#bcd5d6"
_GREY = "#c3c8cc"


def plan_picture(plan: Plan, kind: str = "png") -> bytes:
    """Draw a plan: map, position, profile, power, speed and wind.

    Parameters
    ----------
    kind : str
        "png" or "svg".
    """
    surface = open_surface(kind, f"{route_name(plan)}: plan")
    view = make_view(plan, PLACES)
    totals = plan.totals
    road = f"{kilometres(totals.distance_m, 1)} km, {totals.climb_m:.0f} m of climbing"
    task = f"{clock(totals.time_s)}, {totals.mean_power_w:.0f} W, {percent(totals.tucked_time_share)} tucked"
    write_title(surface, route_name(plan, 60), f"{road}, {weather_words(plan)}", task)
    _plan_map(surface, plan, view)
    total = float(plan.nodes.distance_m[-1])
    low, high = span(view.elevation_m, 60.0)
    _ribbon(surface, plan, strip(total, 130, 28))
    draw_ground(surface, strip(total, 190, 185, low, high), view.distance_m, view.elevation_m)
    top = 50.0 * math.ceil(max(1.0, *(s.power_w for s in plan.segments)) * 1.08 / 50.0)
    _power(surface, plan, view, strip(total, 420, 125, 0.0, top))
    fastest = 10.0 * math.ceil(max(1.0, float(view.speed_kmh.max())) * 1.05 / 10.0)
    speed = strip(total, 592, 100, 0.0, fastest)
    draw_grid(surface, speed, "km/h")
    surface.line(speed.points(view.distance_m, view.speed_kmh), INK, 1.8)
    strongest = max(2.0, math.ceil(float(np.abs(view.headwind_m_s).max())))
    wind = strip(total, 740, 62, -strongest, strongest)
    _headwind(surface, view, wind)
    draw_axis(surface, wind, total)
    names = (
        ("position", 122),
        ("height", 182),
        ("power", 412),
        ("speed", 584),
        ("wind against and behind", 732),
    )
    for name, y in names:
        surface.write((wind.left, y), name, Letters(15, bold=True))
    _legend(surface)
    return surface.done()


# ---------------------------------------------------------------- parts


def _ribbon(surface: Surface, plan: Plan, panel: Panel) -> None:
    for s in stretches(plan):
        x0, x1 = panel.x(s.start_m), panel.x(s.end_m)
        _state(surface, (x0, panel.top, x1, panel.foot), s.state)
    _frame(surface, (panel.left, panel.top, panel.left + panel.width, panel.foot))


def _state(surface: Surface, box: tuple[float, float, float, float], state: str) -> None:
    """Fill a box solid for tucked, not at all for upright, with hatching where the tuck is refused."""
    x0, y0, x1, y1 = box
    surface.fill([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], INK if state == "tuck" else WHITE)
    if state == "must":
        height = y1 - y0
        at = math.floor((x0 - height) / 7.0) * 7.0
        while at < x1:
            # The stroke from (at, foot) up to (at + height, top), cut off at the sides of the box.
            a, b = max(at, x0), min(at + height, x1)
            if b > a:
                surface.line([(a, y1 - (a - at)), (b, y1 - (b - at))], MUST, 1.8)
            at += 7.0


def _frame(surface: Surface, box: tuple[float, float, float, float]) -> None:
    x0, y0, x1, y1 = box
    surface.line([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)], INK, 1.4)


def _power(surface: Surface, plan: Plan, view: View, panel: Panel) -> None:
    draw_grid(surface, panel, "W")
    there = panel.points(view.distance_m, view.power_w)
    surface.fill([(there[0][0], panel.foot), *there, (there[-1][0], panel.foot)], _GREY)
    held: list[Point] = []
    for s in plan.segments:
        held += [(panel.x(s.start_m), panel.y(s.power_w)), (panel.x(s.end_m), panel.y(s.power_w))]
    surface.line(held, INK, 2.4)


def _headwind(surface: Surface, view: View, panel: Panel) -> None:
    """Wind from ahead above the line, from behind below it."""
    zero = panel.y(0.0)
    blown = panel.points(view.distance_m, view.headwind_m_s)
    surface.fill([(blown[0][0], zero), *blown, (blown[-1][0], zero)], _BREEZE)
    surface.line(blown, _WIND, 1.4)
    surface.line([(panel.left, zero), (panel.left + panel.width, zero)], SOFT, 1.0)
    for value, y in ((panel.y1, panel.top + 5), (panel.y0, panel.foot + 5)):
        surface.write(
            (panel.left - 8, y), f"{value:g}".replace("-", "−"), Letters(14, anchor="end", colour=SOFT)
        )
    surface.write((panel.left + panel.width, panel.top - 8), "m/s", Letters(14, anchor="end", colour=SOFT))


def _plan_map(surface: Surface, plan: Plan, view: View) -> None:
    frame = map_frame(view)
    place = fit(frame.left, frame.top, frame.width, frame.height, 0.0)
    draw_map_ground(surface)
    pieces = [(s.state, _piece(view, frame.x, frame.y, s.start_m, s.end_m, place)) for s in stretches(plan)]
    for state, points in pieces:
        surface.line(points, MUST if state == "must" else INK, 7.0)
    for state, points in pieces:
        if state == "up":
            surface.line(points, WHITE, 3.4)
        elif state == "must":
            for part in _dashes(points, 4.0, 5.0):
                surface.line(part, WHITE, 3.4)
    first, last = pieces[0][1][0], pieces[-1][1][-1]
    taken = [first, last]
    d = view.distance_m
    for km in clean_steps(0.0, float(plan.nodes.distance_m[-1]) / 1000.0, 8)[1:]:
        at = place(float(np.interp(km * 1000.0, d, frame.x)), float(np.interp(km * 1000.0, d, frame.y)))
        if all(math.dist(at, other) > 30.0 for other in taken):  # laps lie on each other
            taken.append(at)
            surface.write((at[0] - 10, at[1] - 10), f"{km:g}", Letters(16, anchor="end", halo=WASH))
    near = math.dist(first, last) < 40
    for at, name in ((first, "start, finish" if near else "start"), (last, "" if near else "finish")):
        draw_box(surface, at, 7.0)
        surface.write((at[0], at[1] + 28), name, Letters(17, anchor="middle", bold=True, halo=WASH))
    _wind(surface, *mean_wind(view))


def _wind(surface: Surface, speed: float, blows_to_deg: float) -> None:
    """An arrow in the corner of the map, north up."""
    said = f"{wind_speed(speed)} at your height" if speed > 0.05 else "no wind"
    surface.write((586, 796), said, Letters(15, anchor="end", halo=WASH))
    if speed > 0.05:
        turn = math.radians(blows_to_deg)
        shape = ((0.0, 22.0), (0.0, -22.0)), ((-11.0, -9.0), (0.0, -22.0), (11.0, -9.0))
        for stroke in shape:
            turned = [
                (560 + x * math.cos(turn) - y * math.sin(turn), 748 + x * math.sin(turn) + y * math.cos(turn))
                for x, y in stroke
            ]
            surface.line(turned, _WIND, 4.0)


def _piece(view: View, x: FloatArray, y: FloatArray, start: float, end: float, place: Placed) -> list[Point]:
    d = view.distance_m
    where = np.concatenate([[start], d[(d > start) & (d < end)], [end]])
    return [
        place(float(a), float(b)) for a, b in zip(np.interp(where, d, x), np.interp(where, d, y), strict=True)
    ]


def _dashes(points: Sequence[Point], drawn: float, left_out: float) -> Iterable[list[Point]]:
    """Cut a line into dashes."""
    steps = np.array([math.dist(a, b) for a, b in pairwise(points)])
    along = np.concatenate([[0.0], np.cumsum(steps)])
    xs, ys = np.array([p[0] for p in points]), np.array([p[1] for p in points])
    at = left_out / 2
    while at < along[-1]:
        inside = along[(along > at) & (along < at + drawn)]
        where = np.concatenate([[at], inside, [min(at + drawn, along[-1])]])
        yield [
            (float(a), float(b))
            for a, b in zip(np.interp(where, along, xs), np.interp(where, along, ys), strict=True)
        ]
        at += drawn + left_out


def _legend(surface: Surface) -> None:
    x = 40.0
    said = (("tuck", "tucked"), ("up", "upright, by choice"), ("must", "upright, tuck refused"))
    for state, words in said:
        box = (x, 846.0, x + 34.0, 868.0)
        _state(surface, box, state)
        _frame(surface, box)
        surface.write((x + 44, 863), words, Letters(16))
        x += 60 + 9.6 * len(words) + 24
    surface.write((1560.0, 863.0), _CAUTION, Letters(15, anchor="end", colour=SOFT))

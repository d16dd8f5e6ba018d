"""Pictures for sharing: map and profile of a plan, or of a course, as PNG or SVG."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.track import Cells, Course
from pacer.planning.plan import Plan
from pacer.render._report_map import map_frame
from pacer.render._surface import Letters, PngSurface, Point, Surface, SvgSurface
from pacer.render._view import View, clean_steps, make_view, mean_wind, plane, stretches
from pacer.render.digest import wind_words
from pacer.render.words import clean, clock, kilometres, percent, route_name
from pacer.units import FloatArray

__all__ = ["plan_picture", "route_picture"]

_WIDTH, _HEIGHT = 1600, 900
_CAUTION = "Ride the course first. Where you can't see that it is safe, be upright."
_INK, _SOFT, _RULE, _MUST = "#15222e", "#57636e", "#d8d2c3", "#ad3a12"
_WIND, _BREEZE = "#1c6b73", "#bcd5d6"
_GROUND, _GREY, _WASH, _WHITE = "#d9d2bf", "#c3c8cc", "#f4efe2", "#ffffff"
_PLACES: Final = 900


@dataclass(frozen=True, slots=True)
class _Panel:
    """A rectangle of the picture with scales: `x0` to `x1` and `y0` (below) to `y1` fill it."""

    left: float
    top: float
    width: float
    height: float
    x0: float
    x1: float
    y0: float = 0.0
    y1: float = 1.0

    def x(self, value: float) -> float:
        """Where a value lies across."""
        return self.left + self.width * (value - self.x0) / (self.x1 - self.x0)

    def y(self, value: float) -> float:
        """Where a value lies upward, held within the panel."""
        share = (value - self.y0) / (self.y1 - self.y0)
        return self.top + self.height * (1.0 - min(1.0, max(0.0, share)))

    def points(self, xs: Iterable[float], ys: Iterable[float]) -> list[Point]:
        """Where pairs of values lie."""
        return [(self.x(a), self.y(b)) for a, b in zip(xs, ys, strict=True)]

    @property
    def foot(self) -> float:
        """Its lower edge."""
        return self.top + self.height


def plan_picture(plan: Plan, kind: str = "png") -> bytes:
    """Draw a plan: map, position, profile, power, speed and wind.

    Parameters
    ----------
    kind : str
        "png" or "svg".
    """
    surface = _surface(kind, f"{route_name(plan)}: plan")
    view = make_view(plan, _PLACES)
    totals = plan.totals
    course = f"{kilometres(totals.distance_m, 1)} km, {totals.climb_m:.0f} m of climbing, {wind_words(plan)}"
    task = f"{clock(totals.time_s)}, {totals.mean_power_w:.0f} W, {percent(totals.tucked_time_share)} tucked"
    _title(surface, route_name(plan, 60), course, task)
    _plan_map(surface, plan, view)
    total = float(plan.nodes.distance_m[-1])
    low, high = _span(view.elevation_m, 60.0)
    _ribbon(surface, plan, _strip(total, 130, 28))
    _ground(surface, _strip(total, 190, 185, low, high), view.distance_m, view.elevation_m, "m")
    top = 50.0 * math.ceil(max(1.0, *(s.power_w for s in plan.segments)) * 1.08 / 50.0)
    _power(surface, plan, view, _strip(total, 420, 125, 0.0, top))
    fastest = 10.0 * math.ceil(max(1.0, float(view.speed_kmh.max())) * 1.05 / 10.0)
    speed = _strip(total, 592, 100, 0.0, fastest)
    _grid(surface, speed, "km/h")
    surface.line(speed.points(view.distance_m, view.speed_kmh), _INK, 1.8)
    strongest = max(2.0, math.ceil(float(np.abs(view.headwind_m_s).max())))
    wind = _strip(total, 740, 62, -strongest, strongest)
    _headwind(surface, view, wind)
    _axis(surface, wind, total)
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


def route_picture(course: Course, cells: Cells, cuts: npt.NDArray[np.int64], kind: str = "svg") -> bytes:
    """Draw a course: map with corners, profile with segments, grade of each segment.

    Parameters
    ----------
    cuts : int array, shape (m + 1,)
        Cell ends at which the segments begin and end.
    kind : str
        "svg" or "png".
    """
    name = clean(course.name or course.source or "route", 60)
    surface = _surface(kind, f"{name}: course")
    told = (
        f"{kilometres(course.length, 1)} km, {course.climb:.0f} m of climbing, {len(course.corners)} corners"
    )
    _title(surface, name, told, f"{len(cuts) - 1} segments")
    keep = np.unique(
        np.linspace(0, course.distance.size - 1, min(course.distance.size, _PLACES)).round().astype(int)
    )
    x, y = plane(course.latitude_deg[keep], course.longitude_deg[keep])
    size = max(float(np.ptp(x)), float(np.ptp(y)), 200.0)
    frame = _fit(float(x.min()), float(-y.max()), float(np.ptp(x)), float(np.ptp(y)), 0.08 * size)
    road = [frame(a, -b) for a, b in zip(x, y, strict=True)]
    _map_ground(surface)
    surface.line(road, _INK, 5.0)
    _box(surface, road[0], 7.0)
    for corner in course.corners:
        where = course.distance[keep]
        at = frame(float(np.interp(corner.apex, where, x)), -float(np.interp(corner.apex, where, y)))
        _diamond(surface, at, 8.0 if corner.measured else 11.0, corner.measured)
    surface.write((road[0][0], road[0][1] + 26), "start", Letters(17, anchor="middle", bold=True, halo=_WASH))
    low, high = _span(course.elevation[keep], 60.0)
    profile = _strip(course.length, 190, 330, low, high)
    _ground(surface, profile, course.distance[keep], course.elevation[keep], "m")
    _segments(surface, course, cells, cuts, profile)
    for corner in course.corners:
        _diamond(surface, (profile.x(corner.apex), profile.top + 8), 6.0, corner.measured)
    surface.write((profile.left, 182), "height, with segments and corners", Letters(15, bold=True))
    surface.write((profile.left, 567), "grade of each segment", Letters(15, bold=True))
    _diamond(surface, (60, 862), 8.0, True)
    surface.write((76, 868), "corner", Letters(16))
    _diamond(surface, (180, 862), 11.0, False)
    surface.write((198, 868), "too coarse to measure: hands as for a tight one", Letters(16))
    return surface.done()


# ---------------------------------------------------------------- parts


def _surface(kind: str, title: str) -> Surface:
    if kind == "png":
        return PngSurface(_WIDTH, _HEIGHT, title)
    if kind == "svg":
        return SvgSurface(_WIDTH, _HEIGHT, title)
    raise ValueError(f"a picture is png or svg, not {kind!r}")


def _title(surface: Surface, name: str, line: str, right: str) -> None:
    surface.fill([(0, 0), (_WIDTH, 0), (_WIDTH, 10), (0, 10)], _INK)
    surface.write((40, 58), name, Letters(34, bold=True))
    surface.write((40, 88), line, Letters(18, colour=_SOFT))
    surface.write((_WIDTH - 40, 58), right, Letters(24, anchor="end", bold=True))


def _strip(total: float, top: float, height: float, low: float = 0.0, high: float = 1.0) -> _Panel:
    return _Panel(700.0, top, _WIDTH - 740.0, height, 0.0, total, low, high)


def _span(values: FloatArray, least: float) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    spare = max(least - (high - low), 0.12 * (high - low))
    return low - 0.1 * spare, high + 0.9 * spare


def _grid(surface: Surface, panel: _Panel, unit: str) -> None:
    for value in clean_steps(panel.y0, panel.y1, 4):
        y = panel.y(value)
        surface.line([(panel.left, y), (panel.left + panel.width, y)], _RULE, 1.0)
        surface.write(
            (panel.left - 8, y + 5), f"{value:g}".replace("-", "−"), Letters(14, anchor="end", colour=_SOFT)
        )
    surface.write((panel.left + panel.width, panel.top - 8), unit, Letters(14, anchor="end", colour=_SOFT))


def _axis(surface: Surface, panel: _Panel, total: float) -> None:
    for km in clean_steps(0.0, total / 1000.0, 10):
        x = panel.x(km * 1000.0)
        surface.line([(x, panel.foot), (x, panel.foot + 7)], _SOFT, 1.0)
        surface.write((x, panel.foot + 25), f"{km:g}", Letters(15, anchor="middle"))
    surface.write((panel.left - 8, panel.foot + 25), "km", Letters(15, anchor="end", colour=_SOFT))


def _ground(surface: Surface, panel: _Panel, distance: FloatArray, elevation: FloatArray, unit: str) -> None:
    _grid(surface, panel, unit)
    ridge = panel.points(distance, elevation)
    surface.fill([(ridge[0][0], panel.foot), *ridge, (ridge[-1][0], panel.foot)], _GROUND)
    surface.line(ridge, _INK, 1.8)


def _ribbon(surface: Surface, plan: Plan, panel: _Panel) -> None:
    for s in stretches(plan):
        x0, x1 = panel.x(s.start_m), panel.x(s.end_m)
        _state(surface, (x0, panel.top, x1, panel.foot), s.state)
    _frame(surface, (panel.left, panel.top, panel.left + panel.width, panel.foot))


def _state(surface: Surface, box: tuple[float, float, float, float], state: str) -> None:
    """Fill a box solid for tucked, not at all for upright, with hatching where the tuck is refused."""
    x0, y0, x1, y1 = box
    surface.fill([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], _INK if state == "tuck" else _WHITE)
    if state == "must":
        height = y1 - y0
        at = math.floor((x0 - height) / 7.0) * 7.0
        while at < x1:
            # The stroke from (at, foot) up to (at + height, top), cut off at the sides of the box.
            a, b = max(at, x0), min(at + height, x1)
            if b > a:
                surface.line([(a, y1 - (a - at)), (b, y1 - (b - at))], _MUST, 1.8)
            at += 7.0


def _frame(surface: Surface, box: tuple[float, float, float, float]) -> None:
    x0, y0, x1, y1 = box
    surface.line([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)], _INK, 1.4)


def _power(surface: Surface, plan: Plan, view: View, panel: _Panel) -> None:
    _grid(surface, panel, "W")
    there = panel.points(view.distance_m, view.power_w)
    surface.fill([(there[0][0], panel.foot), *there, (there[-1][0], panel.foot)], _GREY)
    held: list[Point] = []
    for s in plan.segments:
        held += [(panel.x(s.start_m), panel.y(s.power_w)), (panel.x(s.end_m), panel.y(s.power_w))]
    surface.line(held, _INK, 2.4)


def _fit(left: float, top: float, width: float, height: float, edge: float) -> _Placed:
    """Fit a box of the world into the picture's map."""
    room_x, room_y = 560.0, 690.0
    scale = min(room_x / (width + 2 * edge), room_y / (height + 2 * edge))
    return _Placed(
        40.0 + room_x / 2 - scale * (left + width / 2), 120.0 + room_y / 2 - scale * (top + height / 2), scale
    )


def _headwind(surface: Surface, view: View, panel: _Panel) -> None:
    """Wind from ahead above the line, from behind below it."""
    zero = panel.y(0.0)
    blown = panel.points(view.distance_m, view.headwind_m_s)
    surface.fill([(blown[0][0], zero), *blown, (blown[-1][0], zero)], _BREEZE)
    surface.line(blown, _WIND, 1.4)
    surface.line([(panel.left, zero), (panel.left + panel.width, zero)], _SOFT, 1.0)
    for value, y in ((panel.y1, panel.top + 5), (panel.y0, panel.foot + 5)):
        surface.write(
            (panel.left - 8, y), f"{value:g}".replace("-", "−"), Letters(14, anchor="end", colour=_SOFT)
        )
    surface.write((panel.left + panel.width, panel.top - 8), "m/s", Letters(14, anchor="end", colour=_SOFT))


@dataclass(frozen=True, slots=True)
class _Placed:
    """From metres (y down) to pixels."""

    x0: float
    y0: float
    scale: float

    def __call__(self, x: float, y: float) -> Point:
        """Give the pixel of a place."""
        return self.x0 + self.scale * x, self.y0 + self.scale * y


def _map_ground(surface: Surface) -> None:
    surface.fill([(40, 120), (600, 120), (600, 810), (40, 810)], _WASH)


def _plan_map(surface: Surface, plan: Plan, view: View) -> None:
    frame = map_frame(view)
    place = _fit(frame.left, frame.top, frame.width, frame.height, 0.0)
    _map_ground(surface)
    pieces = [(s.state, _piece(view, frame.x, frame.y, s.start_m, s.end_m, place)) for s in stretches(plan)]
    for state, points in pieces:
        surface.line(points, _MUST if state == "must" else _INK, 7.0)
    for state, points in pieces:
        if state == "up":
            surface.line(points, _WHITE, 3.4)
        elif state == "must":
            for part in _dashes(points, 4.0, 5.0):
                surface.line(part, _WHITE, 3.4)
    first, last = pieces[0][1][0], pieces[-1][1][-1]
    taken = [first, last]
    d = view.distance_m
    for km in clean_steps(0.0, float(plan.nodes.distance_m[-1]) / 1000.0, 8)[1:]:
        at = place(float(np.interp(km * 1000.0, d, frame.x)), float(np.interp(km * 1000.0, d, frame.y)))
        if all(math.dist(at, other) > 30.0 for other in taken):  # laps lie on each other
            taken.append(at)
            surface.write((at[0] - 10, at[1] - 10), f"{km:g}", Letters(16, anchor="end", halo=_WASH))
    near = math.dist(first, last) < 40
    for at, name in ((first, "start, finish" if near else "start"), (last, "" if near else "finish")):
        _box(surface, at, 7.0)
        surface.write((at[0], at[1] + 28), name, Letters(17, anchor="middle", bold=True, halo=_WASH))
    _wind(surface, *mean_wind(view))


def _wind(surface: Surface, speed: float, blows_to_deg: float) -> None:
    """An arrow in the corner of the map, north up."""
    said = f"{speed:.1f} m/s at your height" if speed > 0.05 else "no wind"
    surface.write((586, 796), said, Letters(15, anchor="end", halo=_WASH))
    if speed > 0.05:
        turn = math.radians(blows_to_deg)
        shape = ((0.0, 22.0), (0.0, -22.0)), ((-11.0, -9.0), (0.0, -22.0), (11.0, -9.0))
        for stroke in shape:
            turned = [
                (560 + x * math.cos(turn) - y * math.sin(turn), 748 + x * math.sin(turn) + y * math.cos(turn))
                for x, y in stroke
            ]
            surface.line(turned, _WIND, 4.0)


def _piece(view: View, x: FloatArray, y: FloatArray, start: float, end: float, place: _Placed) -> list[Point]:
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


def _box(surface: Surface, at: Point, half: float) -> None:
    x, y = at
    surface.fill(
        [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)], _INK
    )


def _diamond(surface: Surface, at: Point, half: float, solid: bool) -> None:
    x, y = at
    shape = [(x, y - half), (x + half, y), (x, y + half), (x - half, y)]
    surface.fill(shape, _MUST if solid else _WHITE)
    surface.line([*shape, shape[0]], _MUST, 1.8)


def _segments(
    surface: Surface, course: Course, cells: Cells, cuts: npt.NDArray[np.int64], profile: _Panel
) -> None:
    """Cut lines through the profile, and the mean grade of each segment below."""
    nodes = cells.nodes
    means = [
        float(np.average(cells.grade[a:b], weights=cells.length[a:b])) * 100.0
        for a, b in pairwise(cuts.tolist())
    ]
    reach = max(4.0, 2.0 * math.ceil(max(abs(m) for m in means) / 2.0))
    panel = _strip(course.length, 580, 210, -reach, reach)
    _grid(surface, panel, "%")
    for (a, b), mean in zip(pairwise(cuts.tolist()), means, strict=True):
        x0, x1 = panel.x(float(nodes[a])), panel.x(float(nodes[b]))
        y = panel.y(mean)
        surface.fill([(x0, panel.y(0.0)), (x0, y), (x1, y), (x1, panel.y(0.0))], _GROUND)
        surface.line([(x0, panel.y(0.0)), (x0, y), (x1, y), (x1, panel.y(0.0))], _INK, 1.2)
        surface.line([(x0, profile.top), (x0, profile.foot)], _SOFT, 0.8)
    _axis(surface, panel, course.length)


def _legend(surface: Surface) -> None:
    x = 40.0
    said = (("tuck", "tucked"), ("up", "upright, by choice"), ("must", "upright, tuck refused"))
    for state, words in said:
        box = (x, 846.0, x + 34.0, 868.0)
        _state(surface, box, state)
        _frame(surface, box)
        surface.write((x + 44, 863), words, Letters(16))
        x += 60 + 9.6 * len(words) + 24
    surface.write((1560.0, 863.0), _CAUTION, Letters(15, anchor="end", colour=_SOFT))

"""What the pictures share: the surface, its title, panels with scales, the map's ground."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from pacer.render._surface import Letters, PngSurface, Point, Surface, SvgSurface
from pacer.render._view import clean_steps
from pacer.units import FloatArray

__all__ = [
    "GROUND",
    "INK",
    "MUST",
    "PLACES",
    "SOFT",
    "WASH",
    "WHITE",
    "WIDTH",
    "Panel",
    "Placed",
    "draw_axis",
    "draw_box",
    "draw_grid",
    "draw_ground",
    "draw_map_ground",
    "fit",
    "open_surface",
    "span",
    "strip",
    "write_title",
]

WIDTH, HEIGHT = 1600, 900
INK, SOFT, RULE, MUST = "#15222e", "#57636e", "#d8d2c3", "#ad3a12"
GROUND, WASH, WHITE = "#d9d2bf", "#f4efe2", "#ffffff"
PLACES: Final = 900
"""Places that a line is drawn through."""


@dataclass(frozen=True, slots=True)
class Panel:
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


def open_surface(kind: str, title: str) -> Surface:
    """Open an empty picture, "png" or "svg"."""
    if kind == "png":
        return PngSurface(WIDTH, HEIGHT, title)
    if kind == "svg":
        return SvgSurface(WIDTH, HEIGHT, title)
    raise ValueError(f"a picture is png or svg, not {kind!r}")


def write_title(surface: Surface, name: str, line: str, right: str) -> None:
    """Write the name large, a line below it and what matters most at the right."""
    surface.fill([(0, 0), (WIDTH, 0), (WIDTH, 10), (0, 10)], INK)
    surface.write((40, 58), name, Letters(34, bold=True))
    surface.write((40, 88), line, Letters(18, colour=SOFT))
    surface.write((WIDTH - 40, 58), right, Letters(24, anchor="end", bold=True))


def strip(total: float, top: float, height: float, low: float = 0.0, high: float = 1.0) -> Panel:
    """Lay a panel over the whole course [m], below each other at the right of the map."""
    return Panel(700.0, top, WIDTH - 740.0, height, 0.0, total, low, high)


def span(values: FloatArray, least: float) -> tuple[float, float]:
    """Give bounds that leave room around values; they differ by `least` at least."""
    low, high = float(values.min()), float(values.max())
    spare = max(least - (high - low), 0.12 * (high - low))
    return low - 0.1 * spare, high + 0.9 * spare


def draw_grid(surface: Surface, panel: Panel, unit: str) -> None:
    """Draw round values across a panel and name the unit."""
    for value in clean_steps(panel.y0, panel.y1, 4):
        y = panel.y(value)
        surface.line([(panel.left, y), (panel.left + panel.width, y)], RULE, 1.0)
        surface.write(
            (panel.left - 8, y + 5), f"{value:g}".replace("-", "−"), Letters(14, anchor="end", colour=SOFT)
        )
    surface.write((panel.left + panel.width, panel.top - 8), unit, Letters(14, anchor="end", colour=SOFT))


def draw_axis(surface: Surface, panel: Panel, total: float) -> None:
    """Write kilometres below a panel."""
    for km in clean_steps(0.0, total / 1000.0, 10):
        x = panel.x(km * 1000.0)
        surface.line([(x, panel.foot), (x, panel.foot + 7)], SOFT, 1.0)
        surface.write((x, panel.foot + 25), f"{km:g}", Letters(15, anchor="middle"))
    surface.write((panel.left - 8, panel.foot + 25), "km", Letters(15, anchor="end", colour=SOFT))


def draw_ground(surface: Surface, panel: Panel, distance: FloatArray, elevation: FloatArray) -> None:
    """Draw the profile [m]."""
    draw_grid(surface, panel, "m")
    ridge = panel.points(distance, elevation)
    surface.fill([(ridge[0][0], panel.foot), *ridge, (ridge[-1][0], panel.foot)], GROUND)
    surface.line(ridge, INK, 1.8)


@dataclass(frozen=True, slots=True)
class Placed:
    """From metres (y down) to pixels."""

    x0: float
    y0: float
    scale: float

    def __call__(self, x: float, y: float) -> Point:
        """Give the pixel of a place."""
        return self.x0 + self.scale * x, self.y0 + self.scale * y


def fit(left: float, top: float, width: float, height: float, edge: float) -> Placed:
    """Fit a box of the world into the picture's map."""
    room_x, room_y = 560.0, 690.0
    scale = min(room_x / (width + 2 * edge), room_y / (height + 2 * edge))
    return Placed(
        40.0 + room_x / 2 - scale * (left + width / 2), 120.0 + room_y / 2 - scale * (top + height / 2), scale
    )


def draw_map_ground(surface: Surface) -> None:
    """Lay the ground of the map."""
    surface.fill([(40, 120), (600, 120), (600, 810), (40, 810)], WASH)


def draw_box(surface: Surface, at: Point, half: float) -> None:
    """Draw a square, a start or a finish."""
    x, y = at
    surface.fill(
        [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)], INK
    )

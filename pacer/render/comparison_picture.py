"""A comparison as one picture: how far ahead or behind each variant is along the road, over the profile."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np

from pacer.planning.comparing import Comparison, Difference, Outcome
from pacer.render._surface import Letters, PngSurface, Surface, SvgSurface
from pacer.render._view import clean_steps
from pacer.render.words import clean, signed_seconds
from pacer.units import FloatArray

__all__ = ["comparison_picture"]

_WIDTH, _HEIGHT = 1600, 900
_INK, _SOFT, _RULE, _GROUND = "#15222e", "#57636e", "#d8d2c3", "#d9d2bf"
_LINES: Final = ("#ad3a12", "#1c6b73", "#7a4b9a", "#b07d00", "#2b6cb0", "#4d7a2a", "#8a5a44", "#57636e")
_LEFT, _RIGHT, _TOP, _FOOT = 90.0, 1180.0, 130.0, 640.0
_PROFILE_TOP, _PROFILE_FOOT = 700.0, 820.0


def comparison_picture(comparison: Comparison, kind: str = "svg") -> bytes:
    """Draw how far ahead or behind each variant is along the road, over the profile.

    Parameters
    ----------
    kind : str
        "svg" or "png".
    """
    title = f"{clean(comparison.name, 60)}: seconds against {clean(comparison.base_label, 40)}"
    surface: Surface = (
        PngSurface(_WIDTH, _HEIGHT, title) if kind == "png" else SvgSurface(_WIDTH, _HEIGHT, title)
    )
    surface.fill([(0, 0), (_WIDTH, 0), (_WIDTH, 10), (0, 10)], _INK)
    surface.write((40, 58), clean(comparison.name, 60), Letters(34, bold=True))
    surface.write((40, 90), "seconds behind (up) or ahead (down) along the road", Letters(18, colour=_SOFT))
    shown = [d for d in comparison.differences if d.gap.size]
    low, high = _extent(shown)
    total = float(comparison.base.distance[-1])
    _grid(surface, low, high)
    ends = _spaced([_y(float(d.gap[-1]), low, high) for d in shown])
    for k, (difference, end) in enumerate(zip(shown, ends, strict=True)):
        colour = _LINES[k % len(_LINES)]
        points = _curve(comparison.base.distance, difference.gap, total, low, high)
        surface.line(points, colour, 3.0)
        surface.line([points[-1], (_RIGHT + 14, end)], colour, 1.0)
        won = signed_seconds(difference.seconds).replace("-", "−")
        told = f"{won} s  {clean(difference.label, 30)}"
        surface.write((_RIGHT + 20, end + 6), told, Letters(17, colour=colour, bold=True))
    _profile(surface, comparison.base, total)
    return surface.done()


def _extent(shown: list[Difference]) -> tuple[float, float]:
    low = min([0.0, *(float(d.gap.min()) for d in shown)])
    high = max([0.0, *(float(d.gap.max()) for d in shown)])
    spare = 0.06 * max(high - low, 1.0)
    return low - spare, high + spare


def _x(distance: float, total: float) -> float:
    return _LEFT + (_RIGHT - _LEFT) * distance / total


def _y(value: float, low: float, high: float) -> float:
    return _FOOT - (_FOOT - _TOP) * (value - low) / (high - low)


def _curve(
    distance: FloatArray, gap: FloatArray, total: float, low: float, high: float
) -> list[tuple[float, float]]:
    keep = np.unique(np.linspace(0, gap.size - 1, min(gap.size, 700)).round().astype(int))
    return [(_x(float(distance[i]), total), _y(float(gap[i]), low, high)) for i in keep]


def _grid(surface: Surface, low: float, high: float) -> None:
    for value in clean_steps(low, high, 8):
        y = _y(value, low, high)
        surface.line([(_LEFT, y), (_RIGHT, y)], _INK if abs(value) < 1e-9 else _RULE, 1.2)
        said = f"{value:+g}".replace("-", "−") if abs(value) > 1e-9 else "0"
        surface.write((_LEFT - 10, y + 5), said, Letters(15, anchor="end", colour=_SOFT))


def _spaced(wanted: list[float], step: float = 24.0) -> list[float]:
    """Heights of labels, near where they are wanted and apart from each other."""
    order = np.argsort(wanted, kind="stable")
    found = np.array(wanted, dtype=np.float64)
    for before, after in pairwise(order.tolist()):
        found[after] = max(found[after], found[before] + step)
    if found.size:
        over = max(0.0, float(found.max()) - (_FOOT + 40.0))
        found -= over
    return [float(value) for value in found]


def _profile(surface: Surface, base: Outcome, total: float) -> None:
    low, high = float(base.elevation.min()), float(base.elevation.max())
    span = max(high - low, 40.0)
    middle = 0.5 * (base.distance[1:] + base.distance[:-1])
    keep = np.unique(np.linspace(0, middle.size - 1, min(middle.size, 700)).round().astype(int))
    height = _PROFILE_FOOT - _PROFILE_TOP
    ridge = [
        (_x(float(middle[i]), total), _PROFILE_FOOT - height * (float(base.elevation[i]) - low) / span)
        for i in keep
    ]
    surface.fill([(ridge[0][0], _PROFILE_FOOT), *ridge, (ridge[-1][0], _PROFILE_FOOT)], _GROUND)
    surface.line(ridge, _INK, 1.8)
    surface.write((_LEFT, _PROFILE_TOP - 12), f"height, {low:.0f} to {high:.0f} m", Letters(15, bold=True))
    for km in clean_steps(0.0, total / 1000.0, 10):
        x = _x(km * 1000.0, total)
        surface.line([(x, _PROFILE_FOOT), (x, _PROFILE_FOOT + 7)], _SOFT, 1.0)
        surface.write((x, _PROFILE_FOOT + 26), f"{km:g}", Letters(15, anchor="middle"))
    surface.write((_LEFT - 10, _PROFILE_FOOT + 26), "km", Letters(15, anchor="end", colour=_SOFT))

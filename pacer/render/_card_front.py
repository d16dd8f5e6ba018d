"""Drawing the card's front: a header with the whole course, then one line a cue.

Tucked lines are white on black, upright ones black on white, and each says UP or TUCK in words: nothing hangs
on colour. Sizes follow from the height of a line.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from pacer.planning.plan import Plan
from pacer.render._card_rows import Row
from pacer.render._pen import MM, SQUEEZE, Box, Pen
from pacer.render.digest import wind_sign
from pacer.render.words import clock, route_name

__all__ = ["draw_front", "lines_on"]

_EDGE: Final = 1.6 * MM
_LINE: Final = 6.3 * MM
_TALLEST: Final = 10.0 * MM
_NARROW: Final = 46.0 * MM
_COLUMN: Final = 52.0 * MM
_LEGIBLE: Final = 0.85
"""Share of the size down to which words are made smaller before something is left out; a design choice."""

_DIGIT: Final = 0.73
"""Height of a digit over the size of the font (DejaVu Sans)."""


def _columns(width: float) -> int:
    return max(1, int(width // _COLUMN))


def _line_height(width: float) -> float:
    return _LINE if width / _columns(width) >= _NARROW else 1.5 * _LINE


def _header_height(width: float) -> float:
    return 8.6 * MM if width >= _NARROW else 11.2 * MM


def lines_on(width: float, height: float) -> int:
    """How many lines a front of this size holds; sizes in points."""
    room = height - _header_height(width) - 2 * _EDGE
    return max(1, int(room / _line_height(width)) * _columns(width))


def draw_front(
    pen: Pen, box: Box, plan: Plan, rows: Sequence[Row], *, number: str, span: tuple[float, float]
) -> None:
    """Draw one front.

    Parameters
    ----------
    rows : sequence of Row
        No more than `lines_on` says.
    number : str
        Which of how many fronts, empty where there is one.
    span : (float, float)
        The stretch of road that this front tells of [m], marked in the header.
    """
    inner = box.inset(_EDGE)
    header = _header_height(box.width)
    room = inner.height - header
    _draw_header(pen, Box(inner.x, inner.y + room, inner.width, header), plan, number, span)
    columns = _columns(box.width)
    per_column = -(-len(rows) // columns)
    height = min(room / max(per_column, 1), _TALLEST * _line_height(box.width) / _LINE)
    width = inner.width / columns
    digits = max((len(row.where.partition(".")[0]) for row in rows), default=1)
    for k, row in enumerate(rows):
        column, line = divmod(k, per_column)
        gap = 1.2 * MM if column < columns - 1 else 0.0
        top = inner.y + room - line * height
        _draw_row(pen, Box(inner.x + column * width, top - height, width - gap, height), row, digits)


def _draw_header(pen: Pen, box: Box, plan: Plan, number: str, span: tuple[float, float]) -> None:
    """Name, wind and time, and the course in outline with a bar where it is ridden tucked."""
    size, gap = 2.5 * MM, 2.0 * MM
    line = box.top - 0.8 * size
    time = f"{clock(plan.totals.time_s)}  {number}".strip()
    room = box.width - pen.text(box.right, line, time, size, bold=True, right=True) - gap / 2
    if box.width < _NARROW:
        sign = wind_sign(plan)
        small = min(0.84 * size, room / max(0.82 * pen.typeface.width(sign, 1.0), 1e-9))
        pen.text(box.x, line, sign, small, room=room)
        line -= 1.05 * size
        room = box.width
    else:
        right = box.x + room - gap / 2
        room -= gap / 2 + pen.text(right, line, wind_sign(plan), 0.84 * size, right=True) + gap
    pen.text(box.x, line, route_name(plan), size, bold=True, room=room)
    foot = box.y + 1.3 * MM
    bar = Box(box.x, foot, box.width, 1.1 * MM)
    pen.ink(0.62)
    pen.shape(_outline(plan, Box(box.x, bar.top + 0.25 * MM, box.width, line - bar.top - 0.9 * MM)))
    pen.ink(0.0)
    pen.frame(bar, 0.3)
    scale = box.width / float(plan.nodes.distance_m[-1])
    for segment in plan.segments:
        if segment.tucked:
            start, end = box.x + segment.start_m * scale, box.x + segment.end_m * scale
            pen.fill(Box(start, bar.y, end - start, bar.height))
    if number:
        pen.line(box.x + span[0] * scale, foot - 0.55 * MM, box.x + span[1] * scale, foot - 0.55 * MM, 1.0)


def _outline(plan: Plan, box: Box) -> list[tuple[float, float]]:
    """Give the corners of the profile's outline."""
    cells = plan.cells
    places = np.linspace(0.0, float(plan.nodes.distance_m[-1]), 160)
    heights = np.interp(places, cells.start_m + cells.length_m / 2, cells.elevation_m)
    low, high = float(heights.min()), float(heights.max())
    rise = (heights - low) / max(high - low, 40.0) * (box.height - 0.5) + 0.5
    x = np.linspace(box.x, box.right, places.size)
    ridge = [(float(a), box.y + float(b)) for a, b in zip(x, rise, strict=True)]
    return [(box.x, box.y), *ridge, (box.right, box.y)]


def _draw_row(pen: Pen, box: Box, row: Row, digits: int) -> None:
    ink = 1.0 if row.tucked else 0.0
    pen.ink(1.0 - ink)
    pen.fill(box)
    pen.line(box.x, box.y, box.right, box.y, 0.4, gray=0.5)
    pen.ink(ink)
    if row.warns:
        _draw_warning(pen, box)
    draw = _draw_wide if box.width >= _NARROW else _draw_tall
    draw(pen, box, row, digits)
    pen.ink(0.0)


def _draw_warning(pen: Pen, box: Box) -> None:
    """Draw a wedge at the edge: hands back on the brakes."""
    reach = min(1.7 * MM, box.height / 3)
    pen.shape([(box.x, box.top), (box.x + reach, box.y + box.height / 2), (box.x, box.y)])


def _draw_wide(pen: Pen, box: Box, row: Row, digits: int) -> None:
    """Kilometres at the left, watts at the right, words between."""
    big = min(0.60 * box.height / _DIGIT, box.width / (8.9 + 0.7 * digits))
    base = box.y + (box.height - _DIGIT * big) / 2
    left, right = box.x + 2.2 * MM, box.right - 0.9 * MM
    _draw_distance(pen, left + 0.7 * digits * big, base, row.where, big)
    if row.watts:
        pen.text(right, base, row.watts, big, bold=True, right=True, room=2.3 * big)
    words = left + (0.7 * digits + 1.25 + 0.25) * big
    room = right - words - (2.3 * big if row.watts else 0.0)
    first, second = min(0.40 * box.height, 3.6 * MM), min(0.35 * box.height, 3.1 * MM)
    _draw_seen(pen, words, box.y + 0.565 * box.height, row, first, room)
    _draw_task(pen, words, box.y + 0.15 * box.height, row, second, room)


def _draw_tall(pen: Pen, box: Box, row: Row, digits: int) -> None:
    """On a narrow card: figures above, words below."""
    left, right = box.x + 2.5 * MM, box.right - 0.6 * MM
    # Decimals and watts take 3.3 of the font's size; the rest keeps kilometres and watts apart.
    big = min(0.40 * box.height / _DIGIT, (right - left) / (4.0 + 0.7 * digits))
    base = box.top - _DIGIT * big - 0.10 * box.height
    _draw_distance(pen, left + 0.7 * digits * big, base, row.where, big)
    if row.watts:
        pen.text(right, base, row.watts, big, bold=True, right=True, room=2.3 * big)
    size = min(0.20 * box.height, 2.6 * MM)
    _draw_seen(pen, left, base - 1.15 * size, row, size, right - left)
    _draw_task(pen, left, base - 2.2 * size, row, 0.94 * size, right - left)


def _draw_seen(pen: Pen, x: float, y: float, row: Row, size: float, room: float) -> None:
    """Write what stands there; of several things the first ones alone rather than all of them small."""
    said = row.seen
    while _fits(pen, said, size, room) < _LEGIBLE and ", " in said:
        said = said.rpartition(", ")[0]
    pen.text(x, y, said, size * min(1.0, max(0.7, _fits(pen, said, size, room))), bold=True, room=room)


def _fits(pen: Pen, said: str, size: float, room: float) -> float:
    """How large bold letters, narrowed a little, may be to fit, as a share of their size."""
    return room / max(0.82 * pen.typeface.width(said, size, bold=True), 1e-9)


def _draw_task(pen: Pen, x: float, y: float, row: Row, size: float, room: float) -> None:
    """UP or TUCK in bold, then for how long; smaller rather than cut, and never the kilometre at the end."""
    gap = 0.3
    em = pen.typeface.width(row.action, 1.0, bold=True) + gap + 0.82 * pen.typeface.width(row.detail, 1.0)
    size *= min(1.0, max(0.65, room / (em * size)))
    detail = pen.typeface.width(row.detail, size) * SQUEEZE + gap * size
    least = pen.typeface.width(row.action.partition(" ")[0], size, bold=True) * SQUEEZE
    taken = pen.text(x, y, row.action, size, bold=True, room=max(room - detail, least)) + gap * size
    pen.text(x + taken, y, row.detail, size, room=room - taken)


def _draw_distance(pen: Pen, point: float, y: float, where: str, size: float) -> None:
    """Whole kilometres large, the decimals smaller on the same line, the decimal point at `point`."""
    whole, _, part = where.partition(".")
    pen.text(point, y, whole, size, bold=True, right=True)
    if part:
        pen.text(point, y, f".{part}", 0.68 * size, bold=True)

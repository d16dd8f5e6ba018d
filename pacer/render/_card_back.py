"""The card's back: what to check before the race, the bars' settings, cautions, and when to be where."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from pacer.planning.plan import Plan
from pacer.planning.splits import DRAG_SPREAD, POWER_SPREAD, WIND_SPREAD, Split
from pacer.render._fonts import Typeface
from pacer.render._pen import MM, Box, Pen
from pacer.render.digest import table, weather_words
from pacer.render.words import as_typed, clean, clock, kilometres, percent, together

__all__ = ["CHECKLIST", "Item", "back_items", "draw_back", "flow"]

CHECKLIST: Final = (
    "Bar and pad bolts at the makers' torque (the lower limit rules)",
    "Pads locked: lean on them hard, nothing slips or turns",
    "All bar ends plugged, extensions too",
    "Brakes bite, pads have life, levers free of cables",
    "Tyres: pressure for the surface, no cuts, seated all round",
    "Wheels tight, gears reach both ends",
    "Power meter zeroed, distance at 0 on the line",
    "Course ridden or driven; this card checked against the road",
    "Race rules read: where tucked riding and drafting are barred",
)
"""Common practice, no source."""

_COCKPIT: Final = {
    "reach_mm": ("reach", "mm"),
    "pad_width_mm": ("pad width", "mm"),
    "pad_height_mm": ("pad height", "mm"),
    "tilt_deg": ("tilt", "°"),
    "clamp_torque_nm": ("clamp bolts", "N·m"),
    "extension_torque_nm": ("extension bolts", "N·m"),
    "pad_torque_nm": ("pad bolts", "N·m"),
    "stem_torque_nm": ("stem bolts", "N·m"),
    "clamp_torque_limit_nm": ("clamp limit", "N·m"),
    "bar_torque_limit_nm": ("bar limit", "N·m"),
    "extension_torque_limit_nm": ("extension limit", "N·m"),
    "pad_torque_limit_nm": ("pad limit", "N·m"),
    "stem_torque_limit_nm": ("stem limit", "N·m"),
}


DISTANCE_OFF: Final = 0.01
"""Share of the way by which a computer's distance may differ from the card's (common practice, no source)."""

_EDGE: Final = 2.0 * MM
_NARROW: Final = 42.0 * MM


@dataclass(frozen=True, slots=True)
class Item:
    """A piece of the back: `kind` is heading, check, text or row (columns set from the right)."""

    kind: str
    text: str
    columns: tuple[str, ...] = ()


def back_items(
    plan: Plan, splits: Sequence[Split], extras: Iterable[str], notes: Iterable[str]
) -> list[Item]:
    """Give everything that stands on the back, in the order of importance.

    Parameters
    ----------
    extras : iterable of str
        The user's own lines for the checklist.
    notes : iterable of str
        About this card: what merging cost, what the font lacks.
    """
    items = [Item("heading", "Before the start")]
    items += [Item("check", line) for line in CHECKLIST]
    items += [Item("check", clean(line, 120)) for line in extras]
    settings = list(_cockpit_lines(plan.inputs))
    if settings:
        items += [Item("heading", "My bars"), *settings]
    cautions = [*_on_the_road(plan), *(clean(line) for line in plan.cautions)]
    items += [Item("heading", "Cautions"), *(Item("text", line) for line in cautions)]
    items += [Item("heading", "When to be where"), Item("row", "km", ("early", "plan", "late", "±"))]
    for split in splits:
        wide = max(split.late_s - split.time_s, split.time_s - split.early_s)
        times = (clock(split.early_s), clock(split.time_s), clock(split.late_s), f"±{clock(wide)}")
        items.append(Item("row", kilometres(split.distance_m, 1), times))
    spreads = (
        f"Early and late: power ±{percent(POWER_SPREAD)}, drag ±{percent(DRAG_SPREAD)}, wind speed "
        f"±{percent(WIND_SPREAD)}, together."
    )
    items.append(Item("text", spreads))
    items.append(Item("text", f"Planned for {weather_words(plan)}."))
    items += [Item("text", clean(note)) for note in notes]
    return items


def _on_the_road(plan: Plan) -> Iterator[str]:
    """Say what the front can't: how fast is too fast to be tucked, and how far a computer may be off."""
    top = table(plan, "safety").get("tuck_top_speed_kmh")
    if isinstance(top, int | float):
        yield f"Tucked never above {top:.0f} km/h: sit up first, and whenever a gust pushes you."
    off = DISTANCE_OFF * float(plan.nodes.distance_m[-1])
    yield (
        f"A computer's kilometres may be {percent(DISTANCE_OFF)} off, {off:.0f} m at the finish. Where the "
        "eye sees the place first, the hands go back there and then."
    )


def _cockpit_lines(inputs: Mapping[str, Any]) -> Iterator[Item]:
    """Give the rider's own settings, as entered, with their units."""
    rider = inputs.get("rider")
    cockpit = inputs.get("cockpit") or (rider.get("cockpit") if isinstance(rider, Mapping) else None)
    if not isinstance(cockpit, Mapping):
        return
    for key, (label, unit) in _COCKPIT.items():
        value = cockpit.get(key)
        if isinstance(value, int | float) and not isinstance(value, bool):
            yield Item("row", label, (f"{value:g} {unit}",))
    note = cockpit.get("note")
    if isinstance(note, str) and note:
        yield Item("text", clean(note, 200))


@dataclass(frozen=True, slots=True)
class _Line:
    """A set line: its text is already short enough."""

    item: Item
    text: str
    first: bool
    height: float


def _sizes(width: float) -> tuple[float, ...]:
    """Sizes of letters to try, the best first: 6.4 pt on a card 60 mm wide, within 5.2 and 9 pt."""
    best = min(9.0, max(5.4, 6.4 * math.sqrt(width / (60.0 * MM))))
    return best, max(5.2, 0.94 * best), max(5.2, 0.88 * best)


def flow(
    items: Sequence[Item], width: float, height: float, typeface: Typeface
) -> tuple[list[list[_Line]], float]:
    """Break the items into lines and the lines into backs of this size [pt].

    The letters are the largest of a few sizes that need the fewest backs; gives the backs and that size.
    """
    tried = [(_pages(items, width, height, size, typeface), size) for size in _sizes(width)]
    fewest = min(len(pages) for pages, _ in tried)
    return next(found for found in tried if len(found[0]) == fewest)


def _pages(
    items: Sequence[Item], width: float, height: float, size: float, typeface: Typeface
) -> list[list[_Line]]:
    """Fill backs line by line; a heading stays with what follows."""
    room = height - 2 * _EDGE
    blocks = [list(_set(item, width - 2 * _EDGE, size, typeface)) for item in items]
    heights = [sum(line.height for line in block) for block in blocks]
    pages: list[list[_Line]] = [[]]
    used = 0.0
    for k, block in enumerate(blocks):
        led = heights[k + 1] if items[k].kind == "heading" and k + 1 < len(items) else 0.0
        if pages[-1] and used + heights[k] + led > room >= heights[k] + led:
            pages.append([])
            used = 0.0
        for line in block:
            if pages[-1] and used + line.height > room:
                pages.append([])
                used = 0.0
            pages[-1].append(line)
            used += line.height
    return pages


def _set(item: Item, room: float, size: float, typeface: Typeface) -> Iterator[_Line]:
    lead = 1.24 * size
    if item.kind == "heading":
        yield _Line(item, item.text, True, lead + 0.75 * size)
    elif item.kind == "row":
        yield _Line(item, item.text, True, lead)
    else:
        indent = 1.3 * size if item.kind == "check" else 0.0
        for k, text in enumerate(_wrapped(together(item.text), room - indent, size, typeface)):
            yield _Line(item, as_typed(text), k == 0, lead + (0.22 * size if k == 0 else 0.0))


def _wrapped(text: str, room: float, size: float, typeface: Typeface) -> Iterator[str]:
    """Break a text at spaces; a single word wider than the room is broken where it must."""
    line = ""
    for word in text.split(" "):
        while typeface.width(word, size) > room and len(word) > 1:
            cut = len(word) - 1
            while cut > 1 and typeface.width(word[:cut], size) > room:
                cut -= 1
            if line:
                yield line
                line = ""
            yield word[:cut]
            word = word[cut:]
        joined = f"{line} {word}" if line else word
        if line and typeface.width(joined, size) > room:
            yield line
            line = word
        else:
            line = joined
    if line:
        yield line


def draw_back(pen: Pen, box: Box, lines: Sequence[_Line], size: float) -> None:
    """Draw one back with letters of this size [pt]."""
    left, right = box.x + _EDGE, box.right - _EDGE
    y = box.top - _EDGE
    for line in lines:
        y -= line.height
        base = y + 0.30 * size
        if line.item.kind == "heading":
            pen.text(left, base, line.text.upper(), size, bold=True, room=right - left)
            pen.line(left, y + 0.02 * size, right, y + 0.02 * size, 0.6)
        elif line.item.kind == "row":
            _draw_columns(pen, left, right, base, line.item, size)
        elif line.item.kind == "check":
            if line.first:
                pen.frame(Box(left, base - 0.06 * size, 0.78 * size, 0.78 * size), 0.6)
            pen.text(left + 1.3 * size, base, line.text, size)
        else:
            pen.text(left, base, line.text, size)


def _draw_columns(pen: Pen, left: float, right: float, y: float, item: Item, size: float) -> None:
    """Write a label and its values, set from the right; on narrow cards times come as plan and ± alone."""
    columns = item.columns
    if len(columns) == 4:
        columns = columns[:3] if right - left > _NARROW else columns[1::2]
    count = len(columns)
    step = (right - left) / (count + 0.7)
    lone = count == 1
    pen.text(
        left, y, item.text, size, bold=not lone, room=right - left - (1.2 if lone else count) * step * 0.9
    )
    for k, value in enumerate(columns):
        place = right - (count - 1 - k) * step
        pen.text(
            place, y, value, size, bold=value == item.columns[len(item.columns) // 3], right=True, room=step
        )

"""The cue card: a PDF at true size, several to a sheet, with cut marks and a ruler to check the print."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from pacer.errors import SettingsError
from pacer.planning.cues import merge_cues
from pacer.planning.plan import Cue, Plan
from pacer.planning.splits import expected_splits
from pacer.render._card_back import back_items, draw_back, flow
from pacer.render._card_front import draw_front, lines_on
from pacer.render._card_rows import Row, card_rows
from pacer.render._fonts import Typeface, load_typeface, missing_letters
from pacer.render._pen import MM, Box, Pen
from pacer.render.words import clean, route_name, seconds

__all__ = ["PAPERS", "SIZES", "DrawnCard", "card_size", "draw_card"]

SIZES: Final = {"card": (60.0, 90.0), "strip": (30.0, 250.0), "pocket": (74.0, 105.0)}
"""Named sizes [mm]: over the stem, along the top tube, in a pocket."""

PAPERS: Final = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Sheets [mm]."""

_SMALLEST, _LARGEST = 25.0, 280.0
_SIDE, _TOP, _BOTTOM = 8.0, 7.0, 13.0
_MOST_FRONTS: Final = 16
_MANY_FRONTS: Final = 8
"""More than these and the user is told how to need fewer."""
_SMALL_LOSS: Final = 0.001
"""Share of the race's time that merging may cost before another front is added; a design choice."""


@dataclass(frozen=True, slots=True)
class DrawnCard:
    """A card as PDF, with what is worth telling about it.

    Attributes
    ----------
    pdf : bytes
    notes : tuple of str
        What merging cost, characters that the font lacks.
    cues : tuple of Cue
        Those that stand on it.
    merging_cost_s : float
        Estimated seconds lost by merging, 0 where nothing was.
    """

    pdf: bytes
    notes: tuple[str, ...]
    cues: tuple[Cue, ...]
    merging_cost_s: float


@dataclass(frozen=True, slots=True)
class _Grid:
    """How the cards lie on the sheet; points."""

    page: tuple[float, float]
    card: tuple[float, float]
    columns: int
    rows: int

    def box(self, place: int) -> Box:
        """Give the place of a card, counted along the rows from the top left."""
        row, column = divmod(place, self.columns)
        x = (self.page[0] - self.columns * self.card[0]) / 2 + column * self.card[0]
        y = self.page[1] - _TOP * MM - (row + 1) * self.card[1]
        return Box(x, y, *self.card)


def card_size(text: str) -> tuple[float, float]:
    """Read a size: a name ("card", "strip", "pocket") or millimetres ("60x90").

    Raises
    ------
    SettingsError
        Where it is neither, or out of range.
    """
    word = text.strip().lower()
    if word in SIZES:
        return SIZES[word]
    match = re.fullmatch(r"(\d{1,3}(?:\.\d{1,2})?)\s*[x×]\s*(\d{1,3}(?:\.\d{1,2})?)(?:\s*mm)?", word)
    if match is None:
        do = f"give {', '.join(SIZES)} or width x height in mm, as in 60x90"
        raise SettingsError("not a card size", where="--size", found=clean(text, 40), do=do)
    width, height = float(match[1]), float(match[2])
    _check_size(width, height)
    return width, height


def _check_size(width: float, height: float) -> None:
    for side in (width, height):
        if not (math.isfinite(side) and _SMALLEST <= side <= _LARGEST):
            do = f"a card measures {_SMALLEST:g} to {_LARGEST:g} mm each way"
            found = f"{width:g} x {height:g} mm"
            raise SettingsError("card size out of range", where="--size", found=found, do=do)


def draw_card(
    plan: Plan,
    *,
    size: tuple[float, float] = SIZES["card"],
    paper: str = "A4",
    most_cues: int | None = None,
    extras: Iterable[str] = (),
    font: bytes | None = None,
) -> DrawnCard:
    """Draw the cue card.

    Parameters
    ----------
    plan : Plan
    size : (float, float)
        Width and height of a card [mm].
    paper : str
        One of `PAPERS`.
    most_cues : int or None
        At most so many lines, on as many fronts as it takes. By default as few fronts as keep the loss by
        merging under a thousandth of the time, sixteen at most.
    extras : iterable of str
        The user's own lines for the checklist on the back.
    font : bytes or None
        A TrueType font to use instead of the package's own.

    Returns
    -------
    DrawnCard

    Raises
    ------
    SettingsError
        Where the size, the paper or the font can't be used.
    """
    typeface = load_typeface(font)
    grid = _grid(size, paper)
    room = lines_on(*grid.card)
    cues, cost = merge_cues(plan, most_cues) if most_cues is not None else _merged_to_fit(plan, room)
    rows = card_rows(plan, cues)
    fronts = _spread(rows, room)
    notes = list(_merging_note(plan, cues, cost))
    splits = expected_splits(plan, _split_distance(plan))
    extras = tuple(extras)
    printed = [route_name(plan), *(f"{row.action} {row.seen}" for row in rows)]
    printed += [item.text for item in back_items(plan, splits, extras, notes)]
    lacking = _lacking_note(printed, typeface)
    backs, letters = flow(back_items(plan, splits, extras, [*notes, _identity(plan)]), *grid.card, typeface)
    notes += [*_many_note(len(fronts), grid, most_cues), *lacking]
    pdf = _draw_sheets(plan, grid, fronts, backs, letters, cues, typeface)
    return DrawnCard(pdf, tuple(notes), cues, cost)


def _merged_to_fit(plan: Plan, room: int) -> tuple[tuple[Cue, ...], float]:
    """Merge onto as few fronts as lose little."""
    for fronts in range(1, _MOST_FRONTS + 1):
        cues, cost = merge_cues(plan, fronts * room)
        if cost <= _SMALL_LOSS * plan.totals.time_s:
            break
    return cues, cost


def _grid(size: tuple[float, float], paper: str) -> _Grid:
    if paper not in PAPERS:
        do = f"give {' or '.join(PAPERS)}"
        raise SettingsError("not a paper", where="--paper", found=clean(paper, 40), do=do)
    _check_size(*size)
    best: _Grid | None = None
    upright = PAPERS[paper]
    for page in (upright, upright[::-1]):
        columns = int((page[0] - 2 * _SIDE + 0.01) // size[0])
        rows = int((page[1] - _TOP - _BOTTOM + 0.01) // size[1])
        if columns * rows > (best.columns * best.rows if best else 0):
            best = _Grid((page[0] * MM, page[1] * MM), (size[0] * MM, size[1] * MM), columns, rows)
    if best is None:
        found = f"{size[0]:g} x {size[1]:g} mm"
        raise SettingsError(f"doesn't fit on {paper}", where="--size", found=found, do="give a smaller card")
    return best


def _spread(rows: Sequence[Row], room: int) -> list[tuple[Row, ...]]:
    """Share the lines out evenly over as many fronts as it takes."""
    if not rows:
        return [()]
    fronts = -(-len(rows) // room)
    each = -(-len(rows) // fronts)
    return [tuple(rows[k : k + each]) for k in range(0, len(rows), each)]


def _split_distance(plan: Plan) -> float:
    """Give the round distance that makes at most ten splits [m]."""
    tenth = plan.totals.distance_m / 10.0
    steps = (500.0, 1000.0, 2000.0, 2500.0, 5000.0, 10_000.0)
    return next((step for step in steps if tenth <= step), 20_000.0)


def _merging_note(plan: Plan, cues: Sequence[Cue], cost: float) -> Iterable[str]:
    if len(cues) < len(plan.cues):
        lost = "at no loss" if cost < 0.05 else f"about {seconds(cost)} slower than the full plan"
        yield f"{len(plan.cues)} cues merged into {len(cues)}: {lost}."


def _many_note(fronts: int, grid: _Grid, most_cues: int | None) -> Iterable[str]:
    if most_cues is None and fronts > _MANY_FRONTS:
        room = lines_on(*(side * MM for side in SIZES["strip"]))
        longer = f" --size strip holds {room} lines a front;" if room > lines_on(*grid.card) else ""
        fewer = "--most-cues N merges to fewer and says what that costs."
        yield f"The card needs {fronts} fronts:{longer} {fewer}"


def _lacking_note(printed: Iterable[str], typeface: Typeface) -> list[str]:
    found: dict[str, str] = {}
    for text in printed:
        for letter in missing_letters(clean(text), typeface):
            found.setdefault(letter, clean(text, 40))
    if not found:
        return []
    first = list(found.items())[:5]
    named = ", ".join(f"{letter} (U+{ord(letter):04X}, in “{text}”)" for letter, text in first)
    more = f" and {len(found) - 5} more" if len(found) > 5 else ""
    return [f"The card's font lacks {named}{more}; give another font with --font FILE.ttf."]


def _identity(plan: Plan) -> str:
    return f"Route {clean(str(plan.inputs.get('route_sha256', '')), 8).rstrip('…') or 'unknown'}."


def _draw_sheets(
    plan: Plan,
    grid: _Grid,
    fronts: list[tuple[Row, ...]],
    backs: list[Any],
    letters: float,
    cues: Sequence[Cue],
    typeface: Typeface,
) -> bytes:
    """Fill sheets with whole sets of fronts and backs, as many sets as fit on one sheet."""
    from reportlab.pdfgen.canvas import Canvas

    stream = io.BytesIO()
    canvas = Canvas(stream, pagesize=grid.page, invariant=1, pageCompression=1)
    canvas.setTitle(f"Cue card: {route_name(plan)}")
    canvas.setAuthor("pacer")
    canvas.setCreator("pacer")
    pen = Pen(canvas, typeface)
    places, faces = grid.columns * grid.rows, len(fronts) + len(backs)
    total = max(1, places // faces) * faces
    spans = _spans(plan, cues, fronts)
    for number in range(total):
        place, face = number % places, number % faces
        if place == 0:
            if number:
                canvas.showPage()
            _draw_marks(pen, grid, min(places, total - number))
        box = grid.box(place)
        if face < len(fronts):
            count = f"{face + 1}/{len(fronts)}" if len(fronts) > 1 else ""
            draw_front(pen, box, plan, fronts[face], number=count, span=spans[face])
        else:
            draw_back(pen, box, backs[face - len(fronts)], letters)
    canvas.showPage()
    canvas.save()
    return stream.getvalue()


def _spans(plan: Plan, cues: Sequence[Cue], fronts: Sequence[Sequence[Row]]) -> list[tuple[float, float]]:
    """Give the stretch of road that each front tells of."""
    starts, k = [], 0
    for front in fronts:
        starts.append(cues[k].at_m if front else 0.0)
        k += len(front)
    ends = [*starts[1:], float(plan.nodes.distance_m[-1])]
    return list(zip(starts, ends, strict=True))


def _draw_marks(pen: Pen, grid: _Grid, used: int) -> None:
    """Short lines outside the cards where to cut, faint ones between them, the ruler at the foot."""
    rows = -(-used // grid.columns)
    first = grid.box(0)
    left, top = first.x, first.top
    right, bottom = left + grid.columns * grid.card[0], top - rows * grid.card[1]
    far, near = 4.0 * MM, 0.8 * MM
    for k in range(grid.columns + 1):
        x = left + k * grid.card[0]
        pen.line(x, top + near, x, top + far, 0.3)
        pen.line(x, bottom - near, x, bottom - far, 0.3)
        pen.line(x, top, x, bottom, 0.3, gray=0.8)
    for k in range(rows + 1):
        y = top - k * grid.card[1]
        pen.line(left - far, y, left - near, y, 0.3)
        pen.line(right + near, y, right + far, y, 0.3)
        pen.line(left, y, right, y, 0.3, gray=0.8)
    _draw_ruler(pen, left, 5.0 * MM)


def _draw_ruler(pen: Pen, x: float, y: float) -> None:
    pen.line(x, y, x + 50.0 * MM, y, 0.5)
    for k in range(51):
        tick = 2.2 if k % 10 == 0 else 1.5 if k % 5 == 0 else 0.9
        pen.line(x + k * MM, y, x + k * MM, y + tick * MM, 0.4)
    told = "This ruler is 50 mm long. If yours isn't, print at 100 %, not fitted to the page."
    pen.text(x + 53.0 * MM, y + 0.3 * MM, told, 6.5)

"""HTML and SVG as text: whatever isn't marked as markup is escaped."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from typing import Any, Final

from pacer.render.words import clean, together

__all__ = ["Html", "data_table", "el", "join", "polyline"]

_FLOWING: Final = frozenset({"p", "li"})
"""Elements that hold sentences."""

_VOID: Final = frozenset({"br", "meta", "input", "hr", "link", "img", "col"})


class Html(str):
    """A text that is markup already."""

    __slots__ = ()


def _content(part: object) -> str:
    if isinstance(part, Html):
        return part
    text = str(part)
    # `clean` takes the spaces at the ends, which between two pieces are meant.
    before, after = " " if text[:1] == " " else "", " " if text[-1:] == " " else ""
    return html.escape(f"{before}{clean(text, 2000)}{after}", quote=False)


def join(parts: Iterable[object]) -> Html:
    """Put pieces side by side; those that aren't markup are escaped."""
    return Html("".join(_content(part) for part in parts))


def el(tag: str, *children: object, **attributes: Any) -> Html:
    """Make an element.

    Parameters
    ----------
    children
        Markup, or texts, which are escaped.
    attributes
        A trailing underscore is dropped (``class_``), others become hyphens (``aria_label``); None leaves the
        attribute out, True gives it without a value.
    """
    written = "".join(_attribute(name, value) for name, value in attributes.items())
    if tag in _VOID:
        return Html(f"<{tag}{written}>")
    if tag in _FLOWING:
        children = tuple(part if isinstance(part, Html) else _unbroken(part) for part in children)
    return Html(f"<{tag}{written}>{join(children)}</{tag}>")


def _unbroken(part: object) -> Html:
    return Html(together(_content(part)))


def _attribute(name: str, value: Any) -> str:
    if value is None or value is False:
        return ""
    key = name.rstrip("_").replace("_", "-")
    if value is True:
        return f" {key}"
    shown = f"{value:.6g}" if isinstance(value, float) else str(value)
    return f' {key}="{html.escape(" ".join(shown.split()), quote=True)}"'


def data_table(
    caption: str,
    head: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    words: Sequence[int] = (),
    marked: Iterable[int] = (),
    quiet: bool = False,
    stacked: bool = False,
) -> Html:
    """Make a real table with a caption, column heads and row heads.

    Parameters
    ----------
    words : sequence of int
        Columns that hold words rather than numbers, set to the left.
    marked : iterable of int
        Rows with a line below.
    quiet : bool
        Whether the caption is for those who can't see the heading above, and isn't shown.
    stacked : bool
        Whether the last column, which holds words, goes below the others on a narrow screen. Roles are then
        written out, because browsers forget those of a table that is laid out otherwise.
    """

    def role(name: str) -> str | None:
        return name if stacked else None

    left = frozenset(words)
    lined = frozenset(marked)
    heads = join(
        el("th", name, scope="col", role=role("columnheader"), class_="w" if k in left else None)
        for k, name in enumerate(head)
    )
    body = []
    for number, row in enumerate(rows):
        cells = [
            el(
                "th" if k == 0 else "td",
                value,
                scope="row" if k == 0 else None,
                role=role("cell" if k else "rowheader"),
                class_="w" if k in left else None,
            )
            for k, value in enumerate(row)
        ]
        body.append(el("tr", *cells, role=role("row"), class_="mark" if number in lined else None))
    table = el(
        "table",
        el("caption", caption, class_="quiet" if quiet else None),
        el("thead", el("tr", heads, role=role("row")), role=role("rowgroup")),
        el("tbody", *body, role=role("rowgroup")),
        role=role("table"),
        class_="stacked" if stacked else None,
    )
    return el("div", table, class_="scroll", tabindex="0", role="region", aria_label=caption)


def polyline(xs: Iterable[float], ys: Iterable[float], *, steps: bool = False) -> str:
    """Write the data of a path through whole-numbered points, relative moves to keep it short.

    With `steps` the line keeps its height up to the next point.
    """
    points = [(round(x), round(y)) for x, y in zip(xs, ys, strict=True)]
    if not points:
        return ""
    parts = [f"M{points[0][0]} {points[0][1]}"]
    (x, y) = points[0]
    for nx, ny in points[1:]:
        dx, dy = nx - x, ny - y
        if steps:
            parts.append(f"h{dx}" + (f"v{dy}" if dy else ""))
        elif dx or dy:
            parts.append(f"l{dx} {dy}")
        x, y = nx, ny
    return "".join(parts)

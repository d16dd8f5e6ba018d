"""The few things that a card is drawn with, over a reportlab canvas; lengths in points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from pacer.render._fonts import Typeface

__all__ = ["MM", "SQUEEZE", "Box", "Pen"]

MM: Final = 72.0 / 25.4
"""A millimetre in points (exact)."""

SQUEEZE: Final = 0.80
"""How far letters may be narrowed before a text is cut."""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on the sheet: lower left corner and size."""

    x: float
    y: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Its right edge."""
        return self.x + self.width

    @property
    def top(self) -> float:
        """Its upper edge."""
        return self.y + self.height

    def inset(self, edge: float) -> Box:
        """Give the box within an edge on all sides."""
        return Box(self.x + edge, self.y + edge, self.width - 2 * edge, self.height - 2 * edge)


@dataclass(frozen=True, slots=True)
class Pen:
    """A canvas and its letters; black unless `ink` is called."""

    canvas: Any
    typeface: Typeface

    def ink(self, gray: float) -> None:
        """Set the grey of texts and filled shapes: 0 black, 1 white."""
        self.canvas.setFillGray(gray)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        bold: bool = False,
        room: float = 1e9,
        right: bool = False,
    ) -> float:
        """Write on one line, squeezed, then cut, where it is wider than its room; gives the width used."""
        width = self.typeface.width(text, size, bold=bold)
        squeeze = min(1.0, max(SQUEEZE, room / width)) if width > 0.0 else 1.0
        while text and self.typeface.width(text, size, bold=bold) * squeeze > room + 0.01:
            text = text.rstrip("…")[:-1].rstrip(" ,") + "…" if len(text) > 2 else ""
        taken = self.typeface.width(text, size, bold=bold) * squeeze
        run = self.canvas.beginText(x - taken if right else x, y)
        run.setFont(self.typeface.bold if bold else self.typeface.regular, size)
        run.setHorizScale(100.0 * squeeze)
        run.textOut(text)
        self.canvas.drawText(run)
        return taken

    def line(self, x0: float, y0: float, x1: float, y1: float, width: float, gray: float = 0.0) -> None:
        """Draw a straight line."""
        self.canvas.setStrokeGray(gray)
        self.canvas.setLineWidth(width)
        self.canvas.line(x0, y0, x1, y1)

    def frame(self, box: Box, width: float) -> None:
        """Draw the outline of a box in black."""
        self.canvas.setStrokeGray(0.0)
        self.canvas.setLineWidth(width)
        self.canvas.rect(box.x, box.y, box.width, box.height, stroke=1, fill=0)

    def fill(self, box: Box) -> None:
        """Fill a box with the ink."""
        self.canvas.rect(box.x, box.y, box.width, box.height, stroke=0, fill=1)

    def shape(self, points: Sequence[tuple[float, float]]) -> None:
        """Fill a polygon with the ink."""
        path = self.canvas.beginPath()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        path.close()
        self.canvas.drawPath(path, stroke=0, fill=1)

"""Two surfaces to draw a picture on, with the same few strokes: SVG as text, PNG as pixels."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import TYPE_CHECKING, Final, Protocol

from pacer.render._fonts import font_bytes
from pacer.render._html import Html, el
from pacer.render.words import clean

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageFont import FreeTypeFont

__all__ = ["Letters", "PngSurface", "Point", "Surface", "SvgSurface"]

Point = tuple[float, float]

PAPER: Final = "#fffdf7"
_FINE: Final = 2
"""PNG is drawn this many times larger and scaled down, for smooth edges."""

_ANCHORS: Final = {"start": "ls", "middle": "ms", "end": "rs"}


@dataclass(frozen=True, slots=True)
class Letters:
    """How a text looks: size [px], where its point lies (start, middle, end), a halo's colour or none."""

    size: float
    anchor: str = "start"
    bold: bool = False
    colour: str = "#15222e"
    halo: str = ""


class Surface(Protocol):
    """Something to draw on; pixels from the upper left corner."""

    def fill(self, points: Sequence[Point], colour: str) -> None:
        """Fill a polygon."""

    def line(self, points: Sequence[Point], colour: str, width: float) -> None:
        """Draw a line through points."""

    def write(self, at: Point, text: str, letters: Letters) -> None:
        """Write a text on one line."""

    def done(self) -> bytes:
        """Give the file."""


class SvgSurface:
    """Draws into an SVG."""

    def __init__(self, width: int, height: int, title: str) -> None:
        self.size = (width, height)
        ground = el("rect", width=str(width), height=str(height), fill=PAPER)
        self.parts: list[Html] = [el("title", title), ground]

    def fill(self, points: Sequence[Point], colour: str) -> None:
        """Fill a polygon."""
        self.parts.append(el("path", d=f"{_path(points)}z", fill=colour))

    def line(self, points: Sequence[Point], colour: str, width: float) -> None:
        """Draw a line through points."""
        style = {"fill": "none", "stroke": colour, "stroke_width": width, "stroke_linejoin": "round"}
        self.parts.append(el("path", d=_path(points), **style))

    def write(self, at: Point, text: str, letters: Letters) -> None:
        """Write a text on one line."""
        halo = {"stroke": letters.halo, "stroke_width": "5", "paint_order": "stroke"} if letters.halo else {}
        written = el(
            "text",
            text,
            x=f"{at[0]:.1f}",
            y=f"{at[1]:.1f}",
            font_size=letters.size,
            text_anchor=None if letters.anchor == "start" else letters.anchor,
            font_weight="700" if letters.bold else None,
            fill=letters.colour,
            **halo,
        )
        self.parts.append(written)

    def done(self) -> bytes:
        """Give the file."""
        width, height = self.size
        picture = el(
            "svg",
            *self.parts,
            xmlns="http://www.w3.org/2000/svg",
            viewBox=f"0 0 {width} {height}",
            width=str(width),
            height=str(height),
            style="max-width:100%;height:auto",
            role="img",
            font_family="DejaVu Sans, system-ui, sans-serif",
        )
        return f"{picture}\n".encode("utf-8", errors="replace")


def _path(points: Sequence[Point]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)


class PngSurface:
    """Draws into a PNG with Pillow, which comes with reportlab, and the package's own fonts."""

    def __init__(self, width: int, height: int, title: str) -> None:
        from PIL import Image, ImageDraw

        self.size = (width, height)
        self.title = clean(title, 200)
        self.image = Image.new("RGB", (width * _FINE, height * _FINE), PAPER)
        self.pen = ImageDraw.Draw(self.image)
        self.colours: list[str] = [PAPER]

    def fill(self, points: Sequence[Point], colour: str) -> None:
        """Fill a polygon."""
        self.colours.append(colour)
        if len(points) > 2:
            self.pen.polygon([(x * _FINE, y * _FINE) for x, y in points], fill=colour)

    def line(self, points: Sequence[Point], colour: str, width: float) -> None:
        """Draw a line through points."""
        self.colours.append(colour)
        scaled = [(x * _FINE, y * _FINE) for x, y in points]
        self.pen.line(scaled, fill=colour, width=max(1, round(width * _FINE)), joint="curve")

    def write(self, at: Point, text: str, letters: Letters) -> None:
        """Write a text on one line."""
        self.colours.append(letters.colour)
        self.pen.text(
            (at[0] * _FINE, at[1] * _FINE),
            clean(text),
            fill=letters.colour,
            font=_font(letters.bold, round(letters.size * _FINE)),
            anchor=_ANCHORS[letters.anchor],
            stroke_width=2 * _FINE if letters.halo else 0,
            stroke_fill=letters.halo or None,
        )

    def done(self) -> bytes:
        """Give the file."""
        from PIL import Image, PngImagePlugin

        words = PngImagePlugin.PngInfo()
        words.add_itxt("Title", self.title)
        stream = io.BytesIO()
        small = self.image.resize(self.size, Image.Resampling.LANCZOS)
        few = small.quantize(palette=self._palette(), dither=Image.Dither.NONE)
        few.save(stream, "PNG", optimize=True, pnginfo=words)
        return stream.getvalue()

    def _palette(self) -> Image:
        """Give the colours drawn with, and the blends of each two of them that smooth edges need."""
        from PIL import Image, ImageColor

        used = [ImageColor.getrgb(colour)[:3] for colour in dict.fromkeys(self.colours)]
        shares = range(1, 1 + max(1, (256 - len(used)) // max(1, len(used) * (len(used) - 1) // 2)))
        blends = [
            tuple(round(x + (y - x) * k / (len(shares) + 1)) for x, y in zip(a, b, strict=True))
            for a, b in combinations(used, 2)
            for k in shares
        ]
        found = Image.new("P", (1, 1))
        found.putpalette([part for colour in [*used, *blends][:256] for part in colour])
        return found


@lru_cache(maxsize=32)
def _font(bold: bool, size: int) -> FreeTypeFont:
    from PIL import ImageFont

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(io.BytesIO(font_bytes(name)), size)

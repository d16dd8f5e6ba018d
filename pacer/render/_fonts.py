"""The card's letters: two subsets of DejaVu Sans that travel with the package, or the user's own font."""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING

from pacer.errors import SettingsError

if TYPE_CHECKING:
    from reportlab.pdfbase.ttfonts import TTFont

__all__ = ["Typeface", "font_bytes", "load_typeface", "missing_letters"]


@dataclass(frozen=True, slots=True)
class Typeface:
    """Names under which reportlab knows a regular and a bold font, and the characters that both have."""

    regular: str
    bold: str
    letters: frozenset[int]

    def width(self, text: str, size: float, *, bold: bool = False) -> float:
        """Width of a text in points."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        return float(stringWidth(text, self.bold if bold else self.regular, size))


def font_bytes(name: str) -> bytes:
    """Read a font file of the package: "DejaVuSans.ttf" or "DejaVuSans-Bold.ttf"."""
    return (resources.files("pacer.render") / "fonts" / name).read_bytes()


def load_typeface(font: bytes | None = None) -> Typeface:
    """Register the fonts with reportlab.

    Parameters
    ----------
    font : bytes or None
        A TrueType file to use instead, for regular and bold alike.

    Raises
    ------
    SettingsError
        Where it isn't a TrueType font that can be put into a PDF.
    """
    return _own() if font is None else _users(font)


@lru_cache(maxsize=1)
def _own() -> Typeface:
    regular = _register("pacer-regular", font_bytes("DejaVuSans.ttf"))
    bold = _register("pacer-bold", font_bytes("DejaVuSans-Bold.ttf"))
    letters = frozenset(regular.face.charToGlyph) & frozenset(bold.face.charToGlyph)
    return Typeface("pacer-regular", "pacer-bold", letters)


def _users(font: bytes) -> Typeface:
    name = f"pacer-{hashlib.sha256(font).hexdigest()[:12]}"
    try:
        registered = _register(name, font)
    except Exception as error:  # reportlab raises many kinds on broken font files
        found = " ".join(str(error).split())[:120]
        do = "give a .ttf file with TrueType outlines"
        raise SettingsError("can't be used as a font", where="--font", found=found, do=do) from error
    return Typeface(name, name, frozenset(registered.face.charToGlyph))


def _register(name: str, content: bytes) -> TTFont:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    font = TTFont(name, io.BytesIO(content))
    pdfmetrics.registerFont(font)
    return font


def missing_letters(text: str, typeface: Typeface) -> tuple[str, ...]:
    """Give the characters of a text that the typeface can't draw, each once, in order."""
    return tuple(dict.fromkeys(c for c in text if ord(c) not in typeface.letters))

"""One strip of a page: a name, a scale and lines that stretch with its width.

A strip is an SVG without a viewBox, so that words, marks and hatching keep their shape at any width; only the
lines lie in an inner one that stretches.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from pacer.render._html import Html, el, join, polyline
from pacer.render._view import clean_steps
from pacer.units import FloatArray

__all__ = [
    "X_UNITS",
    "Y_UNITS",
    "area_path",
    "distance_axis",
    "lane",
    "level",
    "line_path",
    "lines",
    "marks",
    "roof",
    "span",
    "tick",
]

X_UNITS: Final = 20_000
Y_UNITS: Final = 1000


def lane(name: str, unit: str, plot: Html, height: int, marks: Sequence[tuple[float, str]]) -> Html:
    """Make a strip with its name and scale, which stay in sight while it is scrolled."""
    grid = [el("line", x1="0", x2="100%", y1=down(y), y2=down(y), class_="grid") for y, _ in marks]
    scale = [
        el("text", text, x="3", y=f"{max(9.0, min((1 - y) * height + 3.5, height - 2.0)):.1f}")
        for y, text in marks
    ]
    label = el("p", el("b", name), f" {unit}" if unit else "", class_="name")
    picture = el("svg", *grid, plot, class_="plot", height=height, aria_hidden="true", focusable="false")
    ruler = el("svg", *scale, class_="scale", height=height, width="46", aria_hidden="true") if marks else ""
    return el("div", label, picture, ruler, class_="lane")


def down(share: float) -> str:
    return f"{100 * (1 - share):.2f}%"


def lines(*paths: Html) -> Html:
    """Make the part of a strip that stretches with its width."""
    box = f"0 0 {X_UNITS} {Y_UNITS}"
    return el("svg", *paths, viewBox=box, preserveAspectRatio="none", width="100%", height="100%")


def line_path(share: FloatArray, values: FloatArray, low: float, high: float, *, steps: bool = False) -> str:
    return polyline(share * X_UNITS, (1.0 - (values - low) / (high - low)) * Y_UNITS, steps=steps)


def area_path(share: FloatArray, values: FloatArray, low: float, high: float, *, steps: bool = False) -> str:
    foot = Y_UNITS
    return f"{line_path(share, values, low, high, steps=steps)}V{foot}H{round(share[0] * X_UNITS)}z"


def level(value: float, low: float, high: float, name: str) -> Html:
    y = down((value - low) / (high - low))
    line = el("line", x1="0", x2="100%", y1=y, y2=y, class_="level")
    said = f"{value:.0f}" if value >= 100.0 else f"{value:.4g}"
    return join(
        [line, el("text", f"{name} {said}", x="99.5%", y=y, dy="-4", text_anchor="end", class_="level")]
    )


def marks(low: float, high: float, most: int) -> list[tuple[float, str]]:
    return [
        ((v - low) / (high - low), f"{v + 0.0:g}".replace("-", "−"))
        for v in clean_steps(low, high, most)
        if v < high
    ]


def roof(value: float, step: float) -> float:
    return max(step, float(np.ceil(value * 1.03 / step)) * step)


def span(values: FloatArray, least: float) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    spare = max(least - (high - low), 0.08 * (high - low))
    return low - 0.1 * spare, high + 0.9 * spare


def distance_axis(total: float) -> Html:
    """Kilometres; the finer ones show when zoomed."""
    coarse = set(np.round(clean_steps(0.0, total / 1000.0, 10), 3).tolist())
    fine = np.round(clean_steps(0.0, total / 1000.0, 60), 3).tolist()
    return join(tick(km * 1000.0 / total, f"{km:g}", "" if km in coarse else "fine") for km in fine)


def tick(share: float, text: str, class_: str) -> Html:
    x = f"{100 * share:.3f}%"
    anchor = "start" if share < 0.01 else "end" if share > 0.985 else "middle"
    line = el("line", x1=x, x2=x, y1="0", y2="5", class_="tick")
    return el("g", line, el("text", text, x=x, y="17", text_anchor=anchor), class_=class_ or None)

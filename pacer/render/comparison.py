"""A comparison as a table for the terminal, and as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final

from pacer.planning.comparing import Comparison, Difference, Outcome
from pacer.render.words import clean, clock, signed_seconds, wrap

__all__ = ["comparison_json", "comparison_summary"]

_LABEL: Final = 22
_TIME: Final = 7
_COLUMNS: Final = ("climb", "flat", "descent", "headwind", "sidewind", "tailwind")
_HEADS: Final = ("climbs", "flat", "descents", "head", "side", "tail")

_UNITS: Final = (
    ("power", 1.0, "1 W more to hold"),
    ("drag_area", -0.01, "0.01 m² less drag area"),
    ("mass", -1.0, "1 kg lighter"),
    ("crr", -0.001, "0.001 less rolling resistance"),
    ("wind", 1.0, "1 m/s more wind"),
)
"""Field of `Sensitivity`, the step shown, and how it is called."""


def comparison_summary(comparison: Comparison, width: int = 80) -> str:
    """Say what each variant wins or loses and where, and what one unit of each thing is worth."""
    return "\n".join(
        [
            clean(comparison.name, width),
            "Seconds against the race as given: - faster, + slower; shared out by the slope",
            "of the road, and once more by the wind along it. These are the fastest rides",
            "within the limits; a plan that can be read off a card is some seconds slower.",
            "",
            *_rows(comparison),
            "",
            "What one unit is worth here, everything else as it is",
            *_unit_lines(comparison),
            *_refused(comparison, width),
            *(line for note in comparison.notes for line in _wrapped(note, width)),
        ]
    )


def _rows(comparison: Comparison) -> Iterator[str]:
    heads = f"{'all':>7}" + "".join(f"{name:>{_wide(name)}}" for name in _HEADS)
    yield f"{'':{_LABEL}}{'time':>{_TIME}}{heads}"
    yield _row(comparison.base_label, comparison.base)
    for difference in comparison.differences:
        if difference.outcome is None:
            yield f"{clean(difference.label, _LABEL - 1):{_LABEL}}{'no plan':>{_TIME}}"
        else:
            yield _row(difference.label, difference.outcome, difference)


def _row(label: str, outcome: Outcome, difference: Difference | None = None) -> str:
    line = f"{clean(label, _LABEL - 1):{_LABEL}}{clock(outcome.seconds):>{_TIME}}"
    if difference is None:
        return line
    line += f"{signed_seconds(difference.seconds):>7}"
    if difference.shares is None:
        return f"{line}  (another road: no shares)"
    shares = [signed_seconds(getattr(difference.shares, name)) for name in _COLUMNS]
    return line + "".join(f"{share:>{_wide(head)}}" for head, share in zip(_HEADS, shares, strict=True))


def _wide(head: str) -> int:
    return max(7, len(head) + 1)


def _unit_lines(comparison: Comparison) -> Iterator[str]:
    for name, step, words in _UNITS:
        yield f"  {words:<31}{getattr(comparison.sensitivity, name) * step:+8.1f} s"


def _refused(comparison: Comparison, width: int) -> Iterator[str]:
    for difference in comparison.differences:
        if difference.outcome is None:
            yield from _wrapped(f"{difference.label}: {difference.why_not}", width)


def _wrapped(text: str, width: int) -> list[str]:
    return ["", *wrap(clean(text), width)]


def comparison_json(comparison: Comparison) -> str:
    """Give the comparison for machines, SI."""
    base = comparison.base
    document: dict[str, Any] = {
        "schema": "pacer-compare/1",
        "name": comparison.name,
        "base": {"label": comparison.base_label, **_figures(base)},
        "variants": [_variant(difference) for difference in comparison.differences],
        "sensitivity": {
            "time_s_per_w": _rounded(comparison.sensitivity.power, 5),
            "time_s_per_m2": _rounded(comparison.sensitivity.drag_area, 3),
            "time_s_per_kg": _rounded(comparison.sensitivity.mass, 5),
            "time_s_per_crr": _rounded(comparison.sensitivity.crr, 1),
            "time_s_per_m_s_of_wind": _rounded(comparison.sensitivity.wind, 5),
        },
        "notes": list(comparison.notes),
    }
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False)


def _figures(outcome: Outcome) -> dict[str, Any]:
    return {
        "time_s": _rounded(outcome.seconds, 3),
        "mean_power_w": _rounded(outcome.mean_power, 2),
        "fourth_power_mean_w": _rounded(outcome.body_power, 2),
        "min_w_balance_j": _rounded(outcome.lowest_balance, 1),
        "tucked_time_share": _rounded(outcome.tucked_share, 5),
        "safety_cost_s": _rounded(outcome.safety_cost, 3),
    }


def _variant(difference: Difference) -> dict[str, Any]:
    if difference.outcome is None:
        return {"label": difference.label, "infeasible": difference.why_not}
    found: dict[str, Any] = {
        "label": difference.label,
        **_figures(difference.outcome),
        "difference_s": _rounded(difference.seconds, 3),
    }
    if difference.shares is not None:
        found["shares_s"] = {name: _rounded(getattr(difference.shares, name), 3) for name in _COLUMNS}
    return found


def _rounded(value: float, digits: int) -> float:
    return round(float(value), digits) + 0.0

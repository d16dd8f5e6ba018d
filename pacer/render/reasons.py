"""Why the hands are on the brakes, as a rider says it: the thing, its number, what is allowed."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final

from pacer.planning.plan import Plan, Reason, UnsafeStretch
from pacer.render.words import clean

__all__ = ["reason_words", "rule_words", "stretch_reasons"]

_RULES: Final = {
    "corner radius": "tight corner",
    "corner lateral acceleration": "fast corner",
    "gust crosswind": "gusts from the side",
    "distance from the start": "the start",
    "distance to the finish": "the finish",
    "speed-limit zone": "speed limit",
    "rolls past the tucked top speed": "rolls too fast to tuck",
    "too short a stay": "too short to tuck between",
}
"""Rules of the plan file that the rider reads in other words; the rest stand as they are."""

_ZONES: Final = {"no-tuck zone": "no-tuck", "feed zone": "feed", "speed-limit zone": "speed-limit"}


def rule_words(rule: str) -> str:
    """Name a rule in the words of a rider."""
    return _RULES.get(rule, clean(rule, 80))


def _pair(value: float, limit: float, digits: int = 0) -> tuple[str, str]:
    """Round a value and its limit, as finely as it takes to tell them apart; at most two digits more."""
    for more in range(3):
        told = f"{value:.{digits + more}f}", f"{limit:.{digits + more}f}"
        if told[0] != told[1]:
            break
    return told


def _against(words: str, unit: str, bound: str, digits: int = 0) -> Callable[[Reason], str]:
    """Words of a rule that holds a value against a limit: "steep descent 6.2 % (at most 5)"."""

    def say(reason: Reason) -> str:
        value, limit = _pair(reason.value, reason.limit, digits)
        return f"{words} {value}{unit} ({bound} {float(limit):g})"

    return say


def _braking(reason: Reason) -> str:
    """A rule whose limit is the speed that the road ahead allows at the end of the place."""
    fast, slow = f"{reason.value:.0f}", f"{reason.limit:.0f}"
    return f"braking ahead, from {fast} to {slow} km/h" if fast != slow else "braking ahead"


_WORDS: Final[Mapping[str, Callable[[Reason], str]]] = {
    "corner radius": _against("tight corner,", " m radius", "at least"),
    "dead turn": lambda reason: f"dead turn, {reason.value:.0f} m radius",
    "corner lateral acceleration": _against("fast corner,", " g sideways", "at most", 2),
    "steep descent": _against("steep descent,", " %", "at most", 1),
    "gust crosswind": _against("gusts from the side,", " m/s", "at most", 1),
    "distance from the start": lambda reason: f"first {reason.limit:.0f} m",
    "distance to the finish": lambda reason: f"last {reason.limit:.0f} m",
    "speed-limit zone": lambda reason: f"speed limit {reason.limit:.0f} km/h",
    "rough surface": _against("rough surface,", " times the rolling resistance", "at most", 1),
    "too slow to be steady": _against("too slow to be steady,", " km/h", "at least"),
    "rolls past the tucked top speed": _against("would roll to", " km/h", "tucked at most"),
    "braking ahead": _braking,
    "hands back in time": lambda reason: f"{reason.limit:g} s for the hands to move",
    "too short a stay": _against("too short to tuck between,", " s", "at least"),
}


def reason_words(reason: Reason) -> str:
    """Say a refusal with its numbers: "steep descent, 6.2 % (at most 5)"."""
    known = _WORDS.get(reason.rule)
    if known is not None and math.isfinite(reason.value) and math.isfinite(reason.limit):
        return known(reason)
    rule = rule_words(reason.rule)
    if reason.unit == "zone" or not math.isfinite(reason.value):
        return rule
    limit = f" (limit {reason.limit:.3g})" if math.isfinite(reason.limit) else ""
    return f"{rule} {reason.value:.3g} {clean(reason.unit, 20)}{limit}"


def stretch_reasons(plan: Plan, stretch: UnsafeStretch) -> tuple[str, ...]:
    """Say all refusals of a stretch; zones with the note that the rider gave them."""
    return tuple(_with_note(plan, stretch, reason) for reason in stretch.reasons)


def _with_note(plan: Plan, stretch: UnsafeStretch, reason: Reason) -> str:
    said = reason_words(reason)
    kind = _ZONES.get(reason.rule)
    zones = plan.inputs.get("zones")
    if kind is None or not isinstance(zones, list | tuple):
        return said
    notes = [zone["note"] for zone in zones if _is_here(zone, kind, stretch) and zone.get("note")]
    return f"{said}: {clean(', '.join(dict.fromkeys(map(str, notes))), 80)}" if notes else said


def _is_here(zone: Any, kind: str, stretch: UnsafeStretch) -> bool:
    if not isinstance(zone, Mapping) or zone.get("kind") != kind:
        return False
    start, end = zone.get("start_km"), zone.get("end_km")
    if not isinstance(start, int | float) or not isinstance(end, int | float):
        return False
    return 1000.0 * start <= stretch.end_m and 1000.0 * end >= stretch.start_m

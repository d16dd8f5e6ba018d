"""What the rider's eye sees at a place: a corner, a crest, a bridge noted in the race file, the wind turning.

All of it is read off the finished plan's cells, the corners and the zones; the words are those of the card.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pacer.course.track import Corner, CornerKind, Zone, ZoneKind
from pacer.planning.plan import PlanCells, PlanSegment, UnsafeStretch
from pacer.planning.safety import Rule
from pacer.units import KMH

__all__ = ["LIMIT", "Landmarks", "limit_words"]

LIMIT: Final = "limit "
"""What a speed limit's words begin with."""

NEAR: Final = 150.0
"""How far a landmark may be from the place that it marks [m]; a design choice."""

LOOK: Final = 200.0
"""Stretch before and after a place over which the road's grade is judged [m]; a design choice."""

SLOPE: Final = 0.015
"""Grade from which the eye calls the road a climb or a descent; a design choice."""

SOON: Final = 300.0
"""How far beyond the point where the hands go back its cause may lie to be named [m]; a design choice."""

_WIND_TURN: Final = 2.5
_STRAIGHT_ON: Final = np.radians(20.0)

_RULE_WORDS: Final[dict[str, str]] = {
    Rule.CORNER_RADIUS: "corner",
    Rule.CORNER_LEAN: "fast corner",
    Rule.DEAD_TURN: "dead turn",
    Rule.STEEP_DESCENT: "steep descent",
    Rule.NO_TUCK_ZONE: "no-tuck zone",
    Rule.FEED_ZONE: "feed",
    Rule.SPEED_ZONE: "speed limit",
    Rule.ROUGH: "rough surface",
    Rule.BRAKING: "brake",
    Rule.START: "start",
    Rule.FINISH: "finish",
    Rule.ROLLS_FAST: "fast descent",
    Rule.HANDS_BACK: "hands back",
}


def corner_words(corner: Corner) -> str:
    """Say what a corner looks like: "hairpin left", "dead turn", "roundabout right"."""
    if corner.kind is CornerKind.DEAD_TURN:
        return "dead turn"
    if corner.kind is CornerKind.ROUNDABOUT and abs(corner.turn) < _STRAIGHT_ON:
        return "roundabout"
    return f"{corner.kind.value} {'right' if corner.turn > 0 else 'left'}"


@dataclass(frozen=True, slots=True, eq=False)
class Landmarks:
    """Finds words for a place on the road."""

    cells: PlanCells
    corners: Sequence[Corner]
    zones: Sequence[Zone]

    def ahead(self, stretch: UnsafeStretch) -> str:
        """Say why the hands go back: the thing itself where it can be seen, else the rule."""
        rules = {reason.rule for reason in stretch.reasons}
        soon = min(stretch.end_m, stretch.up_by_m + SOON)
        met = [c for c in self.corners if c.start < stretch.end_m + 1.0 and c.end > stretch.start_m - 1.0]
        near = [c for c in met if c.start < soon + 1.0]
        seen: list[str] = []
        # A descent that holds corners is a descent first: the rider is on the brakes from its top.
        if Rule.STEEP_DESCENT in rules and self._falls_first(stretch, met):
            seen.append("steep" if met else _RULE_WORDS[Rule.STEEP_DESCENT])
            near = met[:1]
        if near:
            more = f" and {len(near) - 1} more" if len(near) > 1 else ""
            seen.append(corner_words(near[0]) + more)
        zones = (z for z in self.zones if z.kind in _ZONE_RULES and _meet(z, stretch) and z.start <= soon)
        seen.extend(
            limit_words(zone) or zone.note or _RULE_WORDS[_ZONE_RULES[zone.kind]]
            for zone in zones
            if _ZONE_RULES[zone.kind] in rules
        )
        if Rule.GUST in rules:
            seen.append(self._side_wind(stretch))
        if Rule.FINISH in rules and stretch.end_m < stretch.up_by_m + 2.0 * SOON:
            seen.append(_RULE_WORDS[Rule.FINISH])
        return ", ".join(dict.fromkeys(seen[:2])) or self._by_the_road(stretch)

    def _by_the_road(self, stretch: UnsafeStretch) -> str:
        """Say what the road does where nothing stands that the hands go back for; else name the rule."""
        place = stretch.up_by_m
        slope = self._grade(place, place + SOON)
        if slope > SLOPE:
            return self._slope_change(place) or _slope_words(slope)
        # A finish that is near has been named: a far one isn't why the hands go back here.
        rules = [reason.rule for reason in stretch.reasons if reason.rule != Rule.FINISH]
        named = [_RULE_WORDS[rule] for rule in rules if rule in _RULE_WORDS]
        return named[0] if named else self._slope_change(place) or "hands back"

    def at(self, place: float, segment: PlanSegment, before: PlanSegment | None) -> str:
        """Say what stands at a place where the rider's task changes without a refusal."""
        # What the rider noted may be a danger: it never marks where the hands leave the brakes.
        tucks = segment.tucked and not (before is not None and before.tucked)
        note = "" if tucks else self._noted(place)
        passed = [c for c in self.corners if -1.0 <= place - c.end <= NEAR]
        if note:
            return note
        if before is None:
            return "start"
        if passed:
            return f"after {corner_words(passed[-1])}"
        return (
            self._slope_change(place)
            or self._wind_change(segment, before)
            or _slope_words(segment.mean_grade)
        )

    def slope(self, segment: PlanSegment) -> str:
        """Say what the road does from here on, in numbers."""
        return _slope_words(segment.mean_grade)

    def _noted(self, place: float) -> str:
        notes = [z for z in self.zones if z.kind is ZoneKind.NOTE and z.note]
        here = [z for z in notes if z.start - NEAR <= place <= z.end + NEAR]
        return min(here, key=lambda z: abs(z.start - place)).note if here else ""

    def _grade(self, start: float, end: float) -> float:
        """Mean grade between two places; 0 beyond the course."""
        cells = self.cells
        overlap = np.clip(
            np.minimum(cells.start_m + cells.length_m, end) - np.maximum(cells.start_m, start), 0.0, None
        )
        total = float(overlap.sum())
        return float(overlap @ cells.grade) / total if total > 0.0 else 0.0

    def _slope_change(self, place: float) -> str:
        """Tell a crest, a dip, the foot or the easing of a slope, or nothing."""
        back, on = self._grade(place - LOOK, place), self._grade(place, place + LOOK)
        if abs(on - back) < SLOPE:
            return ""
        if on < back:
            return self._easing(back, on)
        if back < -SLOPE:
            return "dip" if on > SLOPE else "foot of descent"
        return "foot of climb" if back < SLOPE else "steeper"

    @staticmethod
    def _easing(back: float, on: float) -> str:
        if back > SLOPE:
            return "crest" if on < SLOPE / 2 else "climb eases"
        return "descent begins" if back > -SLOPE else "descent steepens"

    @staticmethod
    def _wind_change(segment: PlanSegment, before: PlanSegment) -> str:
        turn = segment.headwind_m_s - before.headwind_m_s
        if abs(turn) < _WIND_TURN:
            return ""
        if turn > 0.0:
            return "into the wind" if segment.headwind_m_s > 1.0 else "tailwind drops"
        return "wind behind" if segment.headwind_m_s < -1.0 else "headwind drops"

    def _falls_first(self, stretch: UnsafeStretch, corners: Sequence[Corner]) -> bool:
        first = corners[0].start if corners else stretch.end_m
        return first - stretch.start_m > 0.5 * NEAR and self._grade(stretch.start_m, first) < -SLOPE

    def _side_wind(self, stretch: UnsafeStretch) -> str:
        cells = self.cells
        inside = (cells.start_m < stretch.end_m) & (cells.start_m + cells.length_m > stretch.start_m)
        side = float(cells.crosswind_m_s[inside].mean()) if inside.any() else 0.0
        return f"side wind {'right' if side > 0 else 'left'}"


_ZONE_RULES: Final = {
    ZoneKind.NO_TUCK: Rule.NO_TUCK_ZONE,
    ZoneKind.FEED: Rule.FEED_ZONE,
    ZoneKind.SPEED_LIMIT: Rule.SPEED_ZONE,
    ZoneKind.SURFACE: Rule.ROUGH,
}


def limit_words(zone: Zone) -> str:
    """Say a speed limit, the number first since a card cuts from behind; nothing of other zones."""
    if zone.kind is not ZoneKind.SPEED_LIMIT or zone.value is None:
        return ""
    limit = f"{LIMIT}{zone.value / KMH:.0f} km/h"
    return f"{limit}, {zone.note}" if zone.note else limit


def _meet(zone: Zone, stretch: UnsafeStretch) -> bool:
    return zone.start <= stretch.end_m and zone.end >= stretch.start_m


def _slope_words(grade: float) -> str:
    if abs(grade) < SLOPE / 2:
        return "flat"
    return f"{'climb' if grade > 0 else 'descent'} {100 * abs(grade):.0f} %"

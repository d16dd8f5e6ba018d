"""What stands on the card: where, what the eye sees, the power to hold, tucked or up.

A cue stands wherever the rider's task changes: the position, or the power by as much as can be held apart
on a power meter. Hands go back at the point that the safety rules give, never later.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from pacer.course.track import Corner, Zone, ZoneKind
from pacer.planning.landmarks import Landmarks, limit_words
from pacer.planning.merging import merge_cues
from pacer.planning.plan import Cue, PlanCells, PlanSegment, UnsafeStretch

__all__ = ["make_cues", "merge_cues"]

_SAME_POWER: Final = 0.5
_SHORTEST: Final = 1.0

_BECAUSE: Final = 300.0
"""A refusal further on than this isn't why the hands go back here [m]; a design choice."""

_AGAIN: Final = 600.0
"""The same words so soon after would be taken for the same place [m]; a design choice."""

Run = tuple[PlanSegment, ...]


def make_cues(
    cells: PlanCells,
    segments: Sequence[PlanSegment],
    unsafe: Sequence[UnsafeStretch],
    corners: Sequence[Corner],
    zones: Sequence[Zone],
) -> tuple[Cue, ...]:
    """Decide what stands on the card, before anything is merged for want of room.

    Parameters
    ----------
    cells : PlanCells
    segments, unsafe : sequences
        Of the finished plan, in the order of the road.
    corners, zones : sequences
        What can be seen there; metres along the course as ridden, all laps.

    Returns
    -------
    tuple of Cue
        In the order of the road; `kind` is one of

        - ``start``: the first, at 0 m;
        - ``up``: hands back on the brakes by here, `text` says for what;
        - ``tuck``: go tucked here;
        - ``power``: same position, another power;
        - ``feed``, ``note``: from the race file, nothing changes.
    """
    marks = Landmarks(cells, corners, zones)
    found: list[Cue] = []
    before: PlanSegment | None = None
    for run in _runs(segments):
        cue = _cue(run, before, unsafe, marks)
        if found and cue.text == found[-1].text and cue.at_m - found[-1].at_m < _AGAIN:
            cue = replace(cue, text=marks.slope(run[0]))
        found.append(cue)
        before = run[-1]
    found.extend(_zone_cues(segments, zones, found))
    return tuple(sorted(found, key=lambda cue: cue.at_m))


def _runs(segments: Sequence[PlanSegment]) -> Iterator[Run]:
    """Join neighbours that ask the same of the rider; yields at least one segment each."""
    run: list[PlanSegment] = []
    for segment in segments:
        if run and not _same_task(run[-1], segment):
            yield tuple(run)
            run = []
        run.append(segment)
    if run:
        yield tuple(run)


def _same_task(a: PlanSegment, b: PlanSegment) -> bool:
    return a.position == b.position and abs(a.power_w - b.power_w) < _SAME_POWER


def _cue(run: Run, before: PlanSegment | None, unsafe: Sequence[UnsafeStretch], marks: Landmarks) -> Cue:
    first = run[0]
    at = first.start_m
    kind = _kind(first, before)
    text = ""
    if kind == "up" and before is not None:
        stretch = _first_refusal(run, unsafe)
        if stretch is not None:
            at = min(at, stretch.up_by_m)
            text = marks.ahead(stretch)
    return Cue(at, text or marks.at(at, first, before), first.power_w, first.position, first.tucked, kind)


def _kind(segment: PlanSegment, before: PlanSegment | None) -> str:
    if before is None:
        return "start"
    if segment.tucked and segment.position != before.position:
        return "tuck"
    return "up" if before.tucked and not segment.tucked else "power"


def _first_refusal(run: Run, unsafe: Sequence[UnsafeStretch]) -> UnsafeStretch | None:
    """Give the unsafe stretch for which these hands go back, None where the optimiser alone wants them up."""
    start = run[0].start_m
    for stretch in unsafe:
        if stretch.end_m > start + _SHORTEST and stretch.up_by_m < start + _BECAUSE:
            return stretch
    return None


def _zone_cues(segments: Sequence[PlanSegment], zones: Sequence[Zone], told: Sequence[Cue]) -> Iterator[Cue]:
    """Give zones that change nothing but that the rider wants to hear of, unless a cue names them."""
    for zone in zones:
        text = _zone_text(zone)
        near = [c for c in told if abs(c.at_m - zone.start) < _BECAUSE]
        told_by = text if zone.kind is ZoneKind.SPEED_LIMIT else zone.note or text
        if not text or any(told_by in c.text for c in near):
            continue
        here = next((s for s in segments if s.start_m <= zone.start < s.end_m), None)
        if here is not None:
            kind = "feed" if zone.kind is ZoneKind.FEED else "note"
            yield Cue(zone.start, text, here.power_w, here.position, here.tucked, kind)


def _zone_text(zone: Zone) -> str:
    if zone.kind is ZoneKind.FEED:
        return zone.note or "feed"
    if zone.kind is ZoneKind.NOTE:
        return zone.note
    if zone.kind is ZoneKind.SURFACE:
        return zone.note or "surface changes"
    return limit_words(zone)

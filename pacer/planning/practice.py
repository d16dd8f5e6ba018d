"""Stretches of home roads that suit practising on the aero bars, and a progression over weeks.

The order of things, the lengths, slopes and weeks are common practice with no source: power on and speed low
first, so a gentle climb before the flat, the flat before a gentle descent, straight before bends. The safety
limits are those that every plan obeys; practice keeps a margin from them. All of it defers to a coach and to
the law of the road.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.course.track import Cells, Corner, CornerKind, Zone, ZoneKind
from pacer.physics.rider import Skill
from pacer.planning.limits import Limits
from pacer.units import FloatArray, signed_angle

__all__ = ["Road", "Stage", "Stretch", "Week", "find_stretches", "progression"]

MARGIN: Final = 0.6
"""Share of the skill's limits on gusts and descents within which practice stays."""

STRAIGHT: Final = np.radians(20.0)
"""Most that a straight stretch may turn from its beginning."""

CLEAR_OF_CORNER: Final = 60.0
"""A straight stretch ends so far before the next corner, and begins so far after the last [m]."""

OPEN_BEND: Final = 2.0
"""An open bend is this many times wider than the tightest that the skill may ride tucked."""

_QUIET: Final = re.compile(r"\bquiet\b", re.IGNORECASE)
_BUSY: Final = re.compile(
    r"\b(busy|traffic|school|lorr(y|ies)|trucks?|gravel|potholes?|rough)\b", re.IGNORECASE
)


class Stage(StrEnum):
    """What is practised, in its order."""

    CLIMB = "gentle climb"
    FLAT = "flat"
    HANDS = "hands back before a bend"
    DESCENT = "gentle descent"
    BEND = "open bend"


@dataclass(frozen=True, slots=True)
class _Want:
    """What a stretch must be: lowest, best, highest grade of its cells; shortest, longest length [m]."""

    lowest: float
    best: float
    highest: float
    shortest: float
    longest: float


_WANTS: Final = {
    Stage.CLIMB: _Want(0.012, 0.025, 0.04, 300.0, 2000.0),
    Stage.FLAT: _Want(-0.008, 0.0, 0.01, 500.0, 4000.0),
    Stage.DESCENT: _Want(-0.025, -0.015, -0.006, 400.0, 2000.0),
}

_HANDS: Final = _Want(-0.01, 0.01, 0.03, 250.0, 1000.0)
_BEND: Final = _Want(-0.01, 0.01, 0.03, 60.0, 600.0)


@dataclass(frozen=True, slots=True, eq=False)
class Road:
    """A route to look through.

    Attributes
    ----------
    name : str
    cells : Cells
    corners : tuple of Corner
    zones : tuple of Zone
        What the user knows: notes with "quiet" or "busy", rough surfaces, no-tuck zones.
    gust_crosswind : FloatArray, shape (n,)
        At the rider's height [m/s].
    """

    name: str
    cells: Cells
    corners: tuple[Corner, ...]
    zones: tuple[Zone, ...]
    gust_crosswind: FloatArray


@dataclass(frozen=True, slots=True)
class Stretch:
    """A place to practise.

    Attributes
    ----------
    start, end : float
        [m].
    grade : float
        Mean.
    steepest : float
        Of its cells, in size.
    turn : float
        Largest change of heading from its beginning [rad].
    gust : float
        Largest side gust [m/s].
    gust_limit : float
        Of the skill [m/s].
    radius : float
        Of its bend, infinite where straight [m].
    quiet : bool or None
        As the user noted; None where nothing is noted.
    latitude_deg, longitude_deg : float
        Of its beginning.
    score : float
        Higher is better, within its stage.
    """

    stage: Stage
    road: str
    start: float
    end: float
    grade: float
    steepest: float
    turn: float
    gust: float
    gust_limit: float
    radius: float
    quiet: bool | None
    latitude_deg: float
    longitude_deg: float
    score: float

    @property
    def length(self) -> float:
        """[m]."""
        return self.end - self.start


@dataclass(frozen=True, slots=True)
class Week:
    """A week of the progression: what to do, on stretches of these stages."""

    number: int
    title: str
    stages: tuple[Stage, ...]
    tasks: tuple[str, ...]


class _Survey:
    """One road looked through for every stage."""

    def __init__(self, road: Road, limits: Limits) -> None:
        self.road, self.limits = road, limits
        cells = road.cells
        self.clear = np.ones(len(cells), dtype=bool)
        ends = cells.start + cells.length
        for corner in road.corners:
            before, after = corner.start - CLEAR_OF_CORNER, corner.end + CLEAR_OF_CORNER
            self.clear &= (ends <= before) | (cells.start >= after)
        self.calm = road.gust_crosswind <= MARGIN * limits.tuck_gust_crosswind
        self.smooth = np.ones(len(cells), dtype=bool)
        self.noted_quiet = np.zeros(len(cells), dtype=bool)
        for zone in road.zones:
            hit = (cells.start < max(zone.end, zone.start + 1.0)) & (ends > zone.start)
            rough = zone.kind is ZoneKind.SURFACE and (zone.value or 1.0) > 1.05
            if rough or zone.kind in (ZoneKind.NO_TUCK, ZoneKind.SPEED_LIMIT) or _BUSY.search(zone.note):
                self.smooth &= ~hit
            elif _QUIET.search(zone.note):
                self.noted_quiet |= hit

    def straight(self, stage: Stage, want: _Want) -> list[Stretch]:
        """Runs of cells within the grades that turn little."""
        cells = self.road.cells
        lowest = max(want.lowest, -MARGIN * self.limits.tuck_steepest_descent)
        good = self.clear & self.calm & self.smooth
        good &= (cells.grade >= lowest) & (cells.grade <= want.highest)
        return self.within(stage, want, self.runs(good, want))

    def runs(self, good: npt.NDArray[np.bool_], want: _Want) -> list[tuple[int, int]]:
        """Longest runs, as pairs of nodes, that keep their direction and are not longer than wanted."""
        cells, found, first = self.road.cells, [], 0
        n = len(cells)
        while first < n:
            if not good[first]:
                first += 1
                continue
            last = first
            while (
                last < n
                and good[last]
                and abs(float(signed_angle(cells.heading[last] - cells.heading[first]))) <= STRAIGHT
                and cells.start[last] + cells.length[last] - cells.start[first] <= want.longest
            ):
                last += 1
            found.append((first, last))
            first = last
        return found

    def hands(self) -> list[Stretch]:
        """Level or rising straights that lead to a bend."""
        cells, found = self.road.cells, []
        for corner in self.road.corners:
            end = int(np.searchsorted(cells.nodes, corner.start - 1e-3))
            first = end
            level = (cells.grade >= _HANDS.lowest) & (cells.grade <= _HANDS.highest)
            fine = level & self.calm & self.smooth & ~np.isfinite(cells.tightest_radius)
            while first > 0 and fine[first - 1] and corner.start - cells.start[first - 1] <= _HANDS.longest:
                first -= 1
            found.append((first, min(end, len(cells))))
        return self.within(Stage.HANDS, _HANDS, found)

    def bends(self) -> list[Stretch]:
        """Open bends on level or rising road."""
        cells, found = self.road.cells, []
        for corner in self.road.corners:
            wide = corner.measured and corner.tightest >= OPEN_BEND * self.limits.tuck_min_radius
            if not wide or corner.kind in (CornerKind.DEAD_TURN, CornerKind.ROUNDABOUT):
                continue
            first, last = np.searchsorted(cells.nodes, [corner.start - 30.0, corner.end + 30.0]).tolist()
            part = slice(max(first, 0), min(last, len(cells)))
            level = (cells.grade[part] >= _BEND.lowest) & (cells.grade[part] <= _BEND.highest)
            if level.all() and self.calm[part].all() and self.smooth[part].all():
                found.append((part.start, part.stop))
        return self.within(Stage.BEND, _BEND, found)

    def within(self, stage: Stage, want: _Want, runs: Sequence[tuple[int, int]]) -> list[Stretch]:
        nodes = self.road.cells.nodes
        return [
            self.stretch(stage, want, first, last)
            for first, last in runs
            if last > first and nodes[last] - nodes[first] >= want.shortest
        ]

    def stretch(self, stage: Stage, want: _Want, first: int, last: int) -> Stretch:
        road, cells, part = self.road, self.road.cells, slice(first, last)
        length = cells.length[part]
        grade = float(length @ cells.grade[part] / length.sum())
        turn = np.abs(signed_angle(cells.heading[part] - cells.heading[first]))
        gust, limit = float(road.gust_crosswind[part].max()), self.limits.tuck_gust_crosswind
        share = float(length @ self.noted_quiet[part] / length.sum())
        quiet = True if share > 0.5 else None
        off = abs(grade - want.best) / max(want.highest - want.lowest, 1e-6)
        long = min(float(length.sum()) / (3.0 * want.shortest), 1.0)
        score = long - off - 0.5 * gust / max(limit, 1e-6) + (0.5 if quiet else 0.0)
        return Stretch(
            stage=stage,
            road=road.name,
            start=float(cells.nodes[first]),
            end=float(cells.nodes[last]),
            grade=grade,
            steepest=float(np.abs(cells.grade[part]).max()),
            turn=float(turn.max()),
            gust=gust,
            gust_limit=limit,
            radius=float(cells.tightest_radius[part].min()) if stage is Stage.BEND else float("inf"),
            quiet=quiet,
            latitude_deg=float(cells.latitude_deg[first]),
            longitude_deg=float(cells.longitude_deg[first]),
            score=score,
        )


def find_stretches(roads: Sequence[Road], limits: Limits, most: int = 3) -> dict[Stage, tuple[Stretch, ...]]:
    """Find the best stretches for every stage over all roads.

    Parameters
    ----------
    roads : sequence of Road
    limits : Limits
        Of the rider's skill; practice keeps `MARGIN` of them.
    most : int
        Stretches a stage.

    Returns
    -------
    dict
        Every stage; an empty tuple where no road has such a stretch.
    """
    surveys = [_Survey(road, limits) for road in roads]
    searches: dict[Stage, Callable[[_Survey], list[Stretch]]] = {
        stage: partial(_Survey.straight, stage=stage, want=want) for stage, want in _WANTS.items()
    }
    searches[Stage.HANDS] = _Survey.hands
    searches[Stage.BEND] = _Survey.bends
    found = {}
    for stage in Stage:
        stretches = [stretch for survey in surveys for stretch in searches[stage](survey)]
        found[stage] = tuple(sorted(stretches, key=lambda s: (-s.score, s.road, s.start))[:most])
    return found


def progression(skill: Skill) -> tuple[Week, ...]:
    """Weeks of practice for a skill; common practice, no source."""
    everything = _WEEKS
    first = {Skill.NEW: 0, Skill.PRACTISED: 3, Skill.EXPERT: 5}[skill]
    return tuple(
        Week(number, week.title, week.stages, week.tasks) for number, week in enumerate(everything[first:], 1)
    )


_WEEKS: Final[tuple[Week, ...]] = (
    Week(
        1,
        "Down and up again, on the climb",
        (Stage.CLIMB,),
        (
            "Indoors first: ten times onto the bars and back, until the elbows find the pads unseen.",
            "On the climb at an easy power: one hand, the other, five breaths tucked, up. Six times.",
            "Eyes on the road twenty metres and more ahead, not on the wheel; shoulders loose.",
        ),
    ),
    Week(
        2,
        "Longer on the climb",
        (Stage.CLIMB,),
        (
            "Half a minute tucked, half a minute up, six times; then a minute each.",
            "Hands back on the brakes on a word spoken aloud, ten times, within the seconds of the plan.",
            "Hold a line of a hand's width along the edge marking, not on it.",
        ),
    ),
    Week(
        3,
        "The flat",
        (Stage.FLAT,),
        (
            "A minute tucked, a minute up; by the end of the week five minutes on end.",
            "A glance over the shoulder only when up; drink only when up.",
            "Shift down a gear before going onto the bars: spinning steadies the bicycle.",
        ),
    ),
    Week(
        4,
        "Hands back in time",
        (Stage.HANDS, Stage.FLAT),
        (
            "Tucked towards the bend, hands back where the whole of it comes into sight, earlier than "
            "needed; brake lightly, ride it on the hoods.",
            "Pass a mark on the road by leaning early and wide, never by a flick.",
            "Race power for five minutes tucked, twice.",
        ),
    ),
    Week(
        5,
        "Gentle descents",
        (Stage.DESCENT, Stage.FLAT),
        (
            "First down it upright, looking at every metre. Then its middle tucked, pedalling lightly.",
            "Up at the first gust, the first car, the first doubt.",
            "Ten minutes tucked at race power on the flat.",
        ),
    ),
    Week(
        6,
        "All of it together",
        (Stage.BEND, Stage.FLAT, Stage.DESCENT),
        (
            "Open bends: look through to the exit, wide in, wide out, within your own half of the road.",
            "Twenty minutes as in the race, card on the bars: tucked and up where it says.",
            "Another day the same in some wind, upright wherever it pushes you.",
        ),
    ),
)

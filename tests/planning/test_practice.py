"""Stretches to practise on, on made-up roads whose best place is known."""

from __future__ import annotations

import numpy as np
import pytest

from pacer.course.track import Cells, Corner, CornerKind, Zone, ZoneKind
from pacer.physics.rider import Skill
from pacer.planning.limits import DEFAULT_LIMITS
from pacer.planning.practice import Road, Stage, find_stretches, progression
from pacer.render.practice import practice_gpx, practice_summary

CELL = 25.0
NEW = DEFAULT_LIMITS[Skill.NEW]


def _road(
    grade: list[tuple[float, float]],
    *,
    corners: tuple[Corner, ...] = (),
    zones: tuple[Zone, ...] = (),
    gust: float = 1.0,
    heading: np.ndarray | None = None,
) -> Road:
    """A road of pieces (length [m], grade), straight east unless told."""
    grades = np.concatenate([np.full(round(length / CELL), value) for length, value in grade])
    n = grades.size
    start = CELL * np.arange(n)
    radius = np.full(n, np.inf)
    for corner in corners:
        radius[(start < corner.end) & (start + CELL > corner.start)] = corner.radius
    cells = Cells(
        start=start,
        length=np.full(n, CELL),
        grade=grades,
        heading=np.full(n, np.pi / 2) if heading is None else heading,
        latitude_deg=np.full(n, 41.0),
        longitude_deg=-38.0 + start / 80_000.0,
        elevation=np.cumsum(grades * CELL),
        corner_radius=radius,
        tightest_radius=radius,
    )
    return Road("home", cells, corners, zones, np.full(n, gust))


def _corner(start: float, end: float, radius: float) -> Corner:
    return Corner(start, 0.5 * (start + end), end, radius, 1.0, CornerKind.BEND)


def test_the_gentle_climb_is_found_to_the_cell() -> None:
    """Of flat, a 2.5 % climb, a 7 % climb and flat, the gentle climb is the one, from its foot to its end."""
    road = _road([(1000.0, 0.0), (600.0, 0.025), (500.0, 0.07), (1000.0, 0.0)])
    (climb,) = find_stretches([road], NEW)[Stage.CLIMB]
    assert (climb.start, climb.end) == (1000.0, 1600.0)
    assert climb.grade == pytest.approx(0.025)
    assert climb.turn == 0.0


def test_flat_and_descent_are_told_apart_from_what_is_too_steep() -> None:
    """A level kilometre is for the flat, 1.5 % down a gentle descent; 4 % down is for nothing."""
    road = _road([(1000.0, 0.0), (600.0, -0.015), (800.0, -0.04), (300.0, 0.0)])
    found = find_stretches([road], NEW)
    (flat,), (descent,) = found[Stage.FLAT], found[Stage.DESCENT]
    assert (flat.start, flat.end) == (0.0, 1000.0)
    assert (descent.start, descent.end) == (1000.0, 1600.0)
    assert found[Stage.CLIMB] == ()


def test_practice_keeps_a_margin_from_the_limits_of_the_skill() -> None:
    """2.2 % down is within an expert's practice and not within a beginner's, whose limit is 3 %."""
    road = _road([(600.0, -0.022)])
    assert find_stretches([road], NEW)[Stage.DESCENT] == ()
    assert len(find_stretches([road], DEFAULT_LIMITS[Skill.EXPERT])[Stage.DESCENT]) == 1


def test_side_gusts_rule_a_stretch_out() -> None:
    """With gusts near the skill's limit nothing is for practice; with light ones everything is."""
    for gust, count in ((0.5 * NEW.tuck_gust_crosswind, 1), (0.8 * NEW.tuck_gust_crosswind, 0)):
        assert len(find_stretches([_road([(1000.0, 0.0)], gust=gust)], NEW)[Stage.FLAT]) == count


def test_a_straight_stretch_keeps_clear_of_corners() -> None:
    """A corner in the middle of a level road leaves the parts before and after it, 60 m away."""
    road = _road([(3000.0, 0.0)], corners=(_corner(1500.0, 1550.0, 30.0),))
    stretches = sorted(find_stretches([road], NEW)[Stage.FLAT], key=lambda s: s.start)
    assert [(s.start, s.end) for s in stretches] == [(0.0, 1425.0), (1625.0, 3000.0)]


def test_a_road_that_winds_is_cut_where_it_has_turned_too_far() -> None:
    """A road that turns steadily by 60° in 1.5 km has no straight of more than 20°."""
    turning = np.linspace(0.0, np.radians(60.0), 60)
    for stretch in find_stretches([_road([(1500.0, 0.0)], heading=turning)], NEW)[Stage.FLAT]:
        assert stretch.turn <= np.radians(20.0) + 1e-9


def test_hands_back_is_practised_before_a_bend() -> None:
    """The level straight that ends at the bend is the place."""
    road = _road([(2000.0, 0.0)], corners=(_corner(1500.0, 1550.0, 40.0),))
    (hands,) = find_stretches([road], NEW)[Stage.HANDS]
    assert hands.end == 1500.0
    assert hands.start == 500.0


def test_only_wide_bends_are_for_looking_through() -> None:
    """A bend twice as wide as the skill's tightest is one; a tight or unmeasured one isn't."""
    wide = _corner(400.0, 500.0, 2.5 * NEW.tuck_min_radius)
    tight = _corner(1000.0, 1050.0, 1.2 * NEW.tuck_min_radius)
    guessed = Corner(1500.0, 1525.0, 1550.0, 300.0, 1.0, CornerKind.BEND, measured=False)
    found = find_stretches([_road([(2000.0, 0.0)], corners=(wide, tight, guessed))], NEW)[Stage.BEND]
    (bend,) = found
    assert bend.radius == wide.radius
    assert bend.start <= 400.0 <= 500.0 <= bend.end


def test_what_the_rider_notes_counts() -> None:
    """Noted busy, rough or no-tuck, a stretch is left out; noted quiet, it comes first."""
    pieces = [(800.0, 0.0), (300.0, 0.06), (800.0, 0.0)]
    for zone in (
        Zone(ZoneKind.NOTE, 0.0, 800.0, "busy with lorries"),
        Zone(ZoneKind.SURFACE, 0.0, 800.0, "", 1.3),
        Zone(ZoneKind.NO_TUCK, 0.0, 800.0, "village"),
        Zone(ZoneKind.SPEED_LIMIT, 0.0, 800.0, "", 8.0),
    ):
        (flat,) = find_stretches([_road(pieces, zones=(zone,))], NEW)[Stage.FLAT]
        assert flat.start == 1100.0
    quiet = Zone(ZoneKind.NOTE, 1100.0, 1900.0, "quiet on Sundays")
    best = find_stretches([_road(pieces, zones=(quiet,))], NEW)[Stage.FLAT][0]
    assert best.start == 1100.0
    assert best.quiet


def test_the_best_of_several_roads_comes_first_and_only_so_many() -> None:
    """Stretches of all roads compete; no more are told than asked for."""
    short, long = _road([(520.0, 0.0)]), _road([(2500.0, 0.0)])
    found = find_stretches([short, long, short], NEW, most=2)[Stage.FLAT]
    assert len(found) == 2
    assert found[0].length == 2500.0


def test_a_beginner_begins_on_the_climb_and_nobody_skips_the_last_week() -> None:
    """New riders get six weeks, practised ones fewer, experts the last; numbered from one."""
    weeks = {skill: progression(skill) for skill in Skill}
    assert [len(weeks[skill]) for skill in (Skill.NEW, Skill.PRACTISED, Skill.EXPERT)] == [6, 3, 1]
    assert weeks[Skill.NEW][0].stages == (Stage.CLIMB,)
    for found in weeks.values():
        assert [week.number for week in found] == list(range(1, len(found) + 1))
        assert found[-1].title == weeks[Skill.NEW][-1].title


def test_the_summary_gives_reasons_and_defers() -> None:
    """It fits 80 columns; says what to look for where nothing was found, what to stop for, who overrules."""
    road = _road([(1000.0, 0.0), (600.0, 0.025)])
    found = find_stretches([road], NEW)
    text = practice_summary(Skill.NEW, found, progression(Skill.NEW))
    assert max(map(len, text.splitlines())) <= 80
    flat = " ".join(text.split())
    for words in (
        "+2.5 % over 600 m",
        "none on these roads; look for",
        "stop for",
        "Common practice, no source",
    ):
        assert words in flat
    assert "coach" in flat
    assert "law of the road" in flat
    assert practice_gpx(found).count(b"<wpt") == sum(map(len, found.values()))

"""Zones: from kilometres, maps and waypoints to the right stretch, the right way round."""

import numpy as np
import pytest

from pacer.course.build import build_course
from pacer.course.cells import make_cells
from pacer.course.track import Waypoint, Zone, ZoneKind
from pacer.course.zones import (
    GeoShape,
    GeoZone,
    check_zones,
    match_zones,
    repeat_over_laps,
    turned_round,
    waypoint_zones,
    zone_effects,
)
from pacer.errors import CourseError
from tests.course import truth as t


def on_earth(*points):
    """Longitude and latitude of points of the plane."""
    raw = t.raw(np.array(points, dtype=float), np.zeros(len(points)))
    return np.column_stack((raw.longitude_deg, raw.latitude_deg))


def circle(east, north, radius):
    """Draw a ring around a point."""
    angle = np.linspace(0.0, 2.0 * np.pi, 33)
    return on_earth(*np.column_stack((east + radius * np.cos(angle), north + radius * np.sin(angle))))


def built(pieces, waypoints=(), laps=1):
    """Build a level course that starts northwards from the centre of the plane."""
    truth = t.build(pieces, heading_deg=0.0)
    raw = t.track(truth, np.arange(0.0, truth.s[-1], 8.0), np.random.default_rng(0))
    from dataclasses import replace

    return build_course(replace(raw, waypoints=tuple(waypoints)), laps=laps)


@pytest.fixture(scope="module")
def there_and_back():
    """Ride 2 km north and back, the lanes 7 m apart."""
    return built(t.out_and_back([t.straight(2000.0)]))


@pytest.fixture(scope="module")
def north():
    """Ride 3 km north."""
    return built([t.straight(3000.0)])


def spans(zones):
    """Round the ends of zones."""
    return [(round(z.start, -1), round(z.end, -1)) for z in zones]


def test_a_line_along_the_way_out_is_not_on_the_way_back(there_and_back):
    """A line drawn in the direction of travel belongs to that direction alone."""
    line = on_earth((0.0, 500.0), (0.0, 900.0))
    out = GeoZone(ZoneKind.NO_TUCK, GeoShape.LINE, (line,))
    back = GeoZone(ZoneKind.NO_TUCK, GeoShape.LINE, (line[::-1],))
    length = there_and_back.length
    (first,) = match_zones(there_and_back, [out])
    assert (first.start, first.end) == (pytest.approx(500.0, abs=30.0), pytest.approx(900.0, abs=30.0))
    (second,) = match_zones(there_and_back, [back])
    assert second.start == pytest.approx(length - 900.0, abs=35.0)
    assert second.end == pytest.approx(length - 500.0, abs=35.0)


def test_a_line_for_both_ways_is_on_both(there_and_back):
    """A line that says so counts both ways."""
    line = on_earth((0.0, 500.0), (0.0, 900.0))
    zone = GeoZone(ZoneKind.SHELTERED, GeoShape.LINE, (line,), value=0.5, both_ways=True)
    assert len(match_zones(there_and_back, [zone])) == 2


def test_an_area_counts_both_ways_and_by_heading_one(there_and_back):
    """A polygon holds the road both ways; with a heading only the way that runs so."""
    ring = circle(0.0, 1000.0, 200.0)
    both = match_zones(there_and_back, [GeoZone(ZoneKind.SHELTERED, GeoShape.AREA, (ring,), value=0.5)])
    assert spans(both)[0] == (800.0, 1200.0)
    assert len(both) == 2
    zone = GeoZone(ZoneKind.SHELTERED, GeoShape.AREA, (ring,), value=0.5, heading=np.pi)
    (south,) = match_zones(there_and_back, [zone])
    assert south.start > 2000.0


def test_a_hole_in_an_area_is_outside(north):
    """The inner ring of a polygon cuts the stretch in two."""
    rings = (circle(0.0, 1000.0, 400.0), circle(0.0, 1000.0, 100.0))
    zones = match_zones(north, [GeoZone(ZoneKind.SURFACE, GeoShape.AREA, rings, value=1.5)])
    assert spans(zones) == [(600.0, 900.0), (1100.0, 1400.0)]


def test_a_point_of_danger_is_a_stretch_and_a_feed_is_a_place(north):
    """Kinds that need a stretch reach 50 m to both sides; feeds and notes don't."""
    point = on_earth((8.0, 1500.0))
    zones = match_zones(
        north,
        [GeoZone(kind, GeoShape.POINT, (point,)) for kind in (ZoneKind.NO_TUCK, ZoneKind.FEED)],
    )
    assert {z.kind: round(z.end - z.start) for z in zones} == {ZoneKind.NO_TUCK: 100, ZoneKind.FEED: 0}


def test_a_zone_on_a_lap_is_on_every_lap():
    """A place of a two-lap course is met twice."""
    course = built([t.arc(500.0, 360.0)], laps=2)
    zone = GeoZone(ZoneKind.NO_TUCK, GeoShape.AREA, (circle(500.0, 500.0, 100.0),))
    first, second = match_zones(course, [zone])
    assert second.start - first.start == pytest.approx(2.0 * np.pi * 500.0, rel=0.01)


def test_a_line_that_only_crosses_is_no_zone(north):
    """A road across the route is not on it."""
    line = on_earth((-300.0, 1000.0), (300.0, 1000.0))
    with pytest.raises(CourseError, match=r"zones, feature no\. 3: the no-tuck zone 'bend' touches"):
        match_zones(
            north,
            [GeoZone(ZoneKind.NO_TUCK, GeoShape.LINE, (line,), note="bend", label="feature no. 3")],
            "zones",
        )


@pytest.mark.parametrize("shape", list(GeoShape))
def test_a_zone_far_away_is_an_error_that_names_it(north, shape):
    """Whatever it is drawn as, a zone that touches the route nowhere is refused by name."""
    ring = {
        GeoShape.POINT: on_earth((900.0, 900.0)),
        GeoShape.LINE: on_earth((900.0, 900.0), (900.0, 1200.0)),
        GeoShape.AREA: circle(900.0, 900.0, 50.0),
    }[shape]
    with pytest.raises(CourseError, match="'the wood' touches the route nowhere"):
        match_zones(north, [GeoZone(ZoneKind.NO_TUCK, shape, (ring,), note="the wood")])


def test_kilometres_beyond_the_course_are_refused_or_shortened(north):
    """A zone past the finish is refused by name; one that reaches past it ends there."""
    kept = check_zones(north, [Zone(ZoneKind.NO_TUCK, 2500.0, 9000.0)])
    assert kept[0].end == north.length
    with pytest.raises(CourseError, match=r"the feed zone 'bottle' touches the route nowhere .*of 2\.99 km"):
        check_zones(north, [Zone(ZoneKind.FEED, 7000.0, 7000.0, "bottle")])


@pytest.fixture(scope="module")
def ring():
    """Ride three times round a ring of 1 km, drawn but for its last 60 m."""
    angle = np.linspace(0.0, 2.0 * np.pi * 0.94, 189)
    xy = 1000.0 / (2.0 * np.pi) * np.column_stack((1.0 - np.cos(angle), np.sin(angle)))
    return build_course(t.raw(xy, np.zeros(len(xy))), laps=3)


def place(course, distance):
    """Latitude and longitude there."""
    return tuple(np.interp(distance, course.distance, c) for c in (course.latitude_deg, course.longitude_deg))


def test_a_zone_of_the_first_lap_holds_on_every_lap(ring):
    """A zone that begins within the first lap is repeated, one beyond it stays where it is."""
    zones = [Zone(ZoneKind.NO_TUCK, 100.0, 200.0), Zone(ZoneKind.FEED, 1500.0, 1500.0)]
    found = repeat_over_laps(zones, ring)
    kinds = [ZoneKind.NO_TUCK, ZoneKind.NO_TUCK, ZoneKind.FEED, ZoneKind.NO_TUCK]
    assert [z.kind for z in found] == kinds
    assert found[2].start == 1500.0
    assert [z.end - z.start for z in found] == pytest.approx([100.0, 100.0, 0.0, 100.0])


def test_a_repeated_zone_lies_on_the_same_road(ring):
    """However the lap's end was joined to its start, the third lap's school gate is the first one's."""
    first, *_, last = repeat_over_laps([Zone(ZoneKind.NO_TUCK, 300.0, 400.0)], ring)
    assert place(ring, last.start) == pytest.approx(place(ring, first.start), abs=2e-5)


def test_a_repeated_zone_lies_on_the_same_road_of_a_part():
    """Of laps that begin late, too."""
    angle = np.linspace(0.0, 2.0 * np.pi, 201)
    xy = 1000.0 / (2.0 * np.pi) * np.column_stack((1.0 - np.cos(angle), np.sin(angle)))
    part = build_course(t.raw(xy, np.zeros(len(xy))), laps=3, start_km=0.7)
    found = repeat_over_laps([Zone(ZoneKind.NO_TUCK, 300.0, 400.0)], part)
    assert len(found) == 3
    assert place(part, found[2].start) == pytest.approx(place(part, 300.0), abs=2e-5)


def test_a_zone_over_the_end_of_the_lap_holds_at_every_join(ring):
    """At the first start, where laps meet, and to the finish."""
    lap = ring.lap
    found = check_zones(ring, repeat_over_laps([Zone(ZoneKind.NO_TUCK, lap - 80.0, lap + 40.0)], ring))
    ends = [x for zone in found for x in (zone.start, zone.end)]
    wanted = [0.0, 40.0, lap - 80.0, lap + 40.0, 2 * lap - 80.0, 2 * lap + 40.0, 3 * lap - 80.0, ring.length]
    assert ends == pytest.approx(wanted)


def test_a_zone_longer_than_a_lap_or_on_one_lap_stays(ring, north):
    """A wind that is sheltered over all laps is sheltered once; one lap repeats nothing."""
    everywhere = Zone(ZoneKind.SHELTERED, 0.0, ring.length, value=0.5)
    assert repeat_over_laps([everywhere], ring) == (everywhere,)
    over_the_end = Zone(ZoneKind.NO_TUCK, 2900.0, 3100.0)
    assert repeat_over_laps([over_the_end], north) == (over_the_end,)


def test_zones_turned_round_lie_on_the_same_road():
    """A kilometre from the start is one from the end of the road ridden the other way."""
    zones = [Zone(ZoneKind.NO_TUCK, 100.0, 300.0, "gate"), Zone(ZoneKind.NOTE, 900.0, 900.0, "inn")]
    found = [(z.note, z.start, z.end) for z in turned_round(zones, 1000.0)]
    assert found == [("inn", 100.0, 100.0), ("gate", 700.0, 900.0)]


def test_effects_reach_the_cells(north):
    """No tuck and limits hold in every cell that is touched; factors by the share covered."""
    cells = make_cells(north)
    zones = [
        Zone(ZoneKind.NO_TUCK, 100.0, 200.0),
        Zone(ZoneKind.NO_TUCK, 801.0, 801.0),
        Zone(ZoneKind.SPEED_LIMIT, 300.0, 420.0, value=8.0),
        Zone(ZoneKind.SPEED_LIMIT, 400.0, 500.0, value=5.0),
        Zone(ZoneKind.SHELTERED, 1000.0, 1310.0, value=0.5),
        Zone(ZoneKind.SURFACE, 1000.0, 1310.0, value=1.5),
        Zone(ZoneKind.NOTE, 50.0, 60.0, "nothing"),
    ]
    effects = zone_effects(cells, zones)
    middle = cells.start + 0.5 * cells.length
    assert np.all(effects.no_tuck[(middle > 100.0) & (middle < 200.0)])
    assert effects.no_tuck[np.searchsorted(cells.start, 801.0) - 1]
    assert effects.no_tuck.sum() < 8
    assert effects.speed_limit[np.argmin(np.abs(middle - 350.0))] == 8.0
    assert effects.speed_limit[np.argmin(np.abs(middle - 410.0))] == 5.0
    assert np.isinf(effects.speed_limit[np.argmin(np.abs(middle - 900.0))])
    assert np.sum((1.0 - effects.wind_factor) * cells.length) == pytest.approx(0.5 * 310.0)
    assert np.sum((effects.crr_factor - 1.0) * cells.length) == pytest.approx(0.5 * 310.0)


@pytest.mark.parametrize(
    ("name", "kind", "expected"),
    [
        ("Feed station 1", "", ZoneKind.FEED),
        ("km 40", "Drinking Water", ZoneKind.FEED),
        ("Hazard: grate", "", ZoneKind.NO_TUCK),
        ("bridge", "Danger", ZoneKind.NO_TUCK),
        ("Level crossing", "", ZoneKind.NO_TUCK),
        ("Cattle grid!", "", ZoneKind.NO_TUCK),
        ("old cobbles", "", ZoneKind.NO_TUCK),
        ("Tunnel", "", ZoneKind.NO_TUCK),
        ("Tram rails", "", ZoneKind.NO_TUCK),
        ("Start", "Obstacle", ZoneKind.NO_TUCK),
        ("Trail head", "", ZoneKind.NOTE),
        ("Church", "", ZoneKind.NOTE),
        ("Stafford", "", ZoneKind.NOTE),
    ],
)
def test_waypoints_become_zones_by_their_words(name, kind, expected):
    """Food and water are feeds, danger is no place to tuck, anything else a note."""
    place = on_earth((10.0, 700.0))[0]
    course = built([t.straight(1500.0)], [Waypoint(place[1], place[0], name, kind=kind)])
    (zone,), changes = waypoint_zones(course)
    assert zone.kind is expected
    assert zone.note == name
    assert 0.5 * (zone.start + zone.end) == pytest.approx(700.0, abs=10.0)
    assert changes == ()


def test_danger_in_a_description_is_danger():
    """A number for a name hides nothing: the description says what it is, on the card too."""
    place = on_earth((10.0, 700.0))[0]
    point = Waypoint(place[1], place[0], "WP 12", description="danger: drain at the kerb")
    ((zone,), _) = waypoint_zones(built([t.straight(1500.0)], [point]))
    assert (zone.kind, zone.note) == (ZoneKind.NO_TUCK, "danger: drain at the kerb")


@pytest.mark.parametrize(("from_the_turn", "times"), [(60.0, 2), (35.0, 2), (5.0, 1)])
def test_a_danger_near_a_turn_holds_on_the_way_back_too(there_and_back, from_the_turn, times):
    """Though the route never leaves the point's reach between, it passes it twice; at the tip it is once."""
    from dataclasses import replace

    place = on_earth((3.0, 2000.0 - from_the_turn))[0]
    point = Waypoint(place[1], place[0], "Hazard")
    zones, _ = waypoint_zones(replace(there_and_back, waypoints=(point,)))
    middles = [0.5 * (zone.start + zone.end) for zone in zones]
    assert len(middles) == times
    there = np.interp(middles, there_and_back.distance, there_and_back.latitude_deg)
    assert there == pytest.approx([place[1]] * times, abs=1e-4)


def test_a_danger_off_the_route_is_told_loudly():
    """It may belong to the road that is ridden: the plan's cautions name it; a hotel they don't."""
    place = on_earth((80.0, 700.0))[0]
    for name, loud in (("Hazard", True), ("Hotel", False)):
        _, changes = waypoint_zones(built([t.straight(1500.0)], [Waypoint(place[1], place[0], name)]))
        assert [change.loud for change in changes] == [loud]


def test_a_waypoint_off_the_route_is_left_out_and_told():
    """A hotel in another town is no zone and no error."""
    place = on_earth((5000.0, 700.0))[0]
    zones, changes = waypoint_zones(built([t.straight(1500.0)], [Waypoint(place[1], place[0], "Hotel")]))
    assert zones == ()
    assert "'Hotel'" in changes[0].what

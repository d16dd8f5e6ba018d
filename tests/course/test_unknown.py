"""Where the file doesn't know the road or its height, the hands stay at the brakes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.course.build import build_course
from pacer.course.track import Course, RawTrack, ZoneKind
from pacer.course.zones import unknown_zones
from tests.course import truth as t
from tests.planning.courses import make_request


def road() -> RawTrack:
    """A file of a straight flat road of 6 km, a point every 10 m."""
    truth = t.build([t.straight(6000.0)])
    return t.track(truth, np.arange(0.0, truth.s[-1], 10.0), np.random.default_rng(1))


def without(track: RawTrack, first: int, last: int) -> RawTrack:
    """The same with a hole: no points from `first` to `last`."""
    keep = np.ones(track.elevation.size, dtype=bool)
    keep[first:last] = False
    return replace(
        track,
        latitude_deg=track.latitude_deg[keep],
        longitude_deg=track.longitude_deg[keep],
        elevation=track.elevation[keep],
        time=track.time[keep],
        part=track.part[keep],
    )


def spans(course: Course) -> list[tuple[float, float]]:
    """Where the hands are kept at the brakes."""
    zones = unknown_zones(course)
    assert all(zone.kind is ZoneKind.NO_TUCK for zone in zones)
    return [(zone.start, zone.end) for zone in zones]


def test_a_hole_in_the_road_is_ridden_upright():
    """No points for 1 km: a stretch without tuck, as long as the hole."""
    ((start, end),) = spans(build_course(without(road(), 200, 300)))
    assert (start, end) == pytest.approx((1990.0, 3000.0), abs=3.0)


def test_a_long_hole_in_the_elevation_is_ridden_upright():
    """No heights for 300 m, and for 20 m elsewhere: the long hole may hide a descent, the short one can't."""
    track = road()
    elevation = track.elevation.copy()
    elevation[100:130] = np.nan
    elevation[400:402] = np.nan
    ((start, end),) = spans(build_course(replace(track, elevation=elevation)))
    assert (start, end) == pytest.approx((990.0, 1300.0), abs=3.0)


def test_a_levelled_gorge_is_ridden_upright():
    """What was taken for a bridge may be a steep dip: the hands are at the brakes."""
    track = road()
    elevation = track.elevation.copy()
    elevation[300:320] -= 25.0 * np.sqrt(np.sin(np.pi * np.arange(20) / 20.0))
    ((start, end),) = spans(build_course(replace(track, elevation=elevation)))
    assert 2900.0 < start < 3010.0
    assert 3180.0 < end < 3300.0


def test_an_unknown_stretch_stays_where_it_is_when_the_ride_is_turned_or_cut():
    """Ridden the other way it lies as far from the end; a part that begins in it keeps the rest."""
    track = without(road(), 200, 300)
    whole = build_course(track)
    ((start, end),) = spans(build_course(track, reverse=True))
    assert (start, end) == pytest.approx((whole.length - 3000.0, whole.length - 1990.0), abs=3.0)
    ((start, end),) = spans(build_course(track, start_km=2.5))
    assert (start, end) == pytest.approx((0.0, 500.0), abs=3.0)
    assert spans(build_course(track, start_km=3.5)) == []


def test_an_unknown_stretch_is_unknown_on_every_lap():
    """Three laps of a rounded square, each with the same hole and with the join of finish and start."""
    truth = t.build([t.straight(500.0), t.arc(30.0, 90.0)] * 4)
    track = t.track(truth, np.arange(0.0, truth.s[-1], 10.0), np.random.default_rng(1))
    track = without(without(track, track.elevation.size - 5, track.elevation.size), 12, 40)
    ((start, end),) = spans(build_course(track))
    course = build_course(track, laps=3)
    found = sorted(spans(course))
    lap = truth.s[-1]
    assert len(found) == 5
    for k in range(3):
        assert found[2 * k] == pytest.approx((start + k * lap, end + k * lap), abs=12.0)
    for k in range(2):
        assert found[2 * k + 1] == pytest.approx(((k + 1) * lap - 55.0, (k + 1) * lap), abs=15.0)


def test_every_request_knows_of_the_unknown_road():
    """Whoever asks for a plan, not the program alone, is upright there; asking again adds nothing."""
    request = make_request(build_course(without(road(), 200, 300)))
    assert request.zones == unknown_zones(request.course)
    assert replace(request, assumed=("again",)).zones == request.zones


def test_a_whole_file_has_no_unknown_stretch():
    """Nothing missing, nothing refused."""
    assert spans(build_course(road())) == []

"""The whole pipeline: laps, reverse, trimming, places on the Earth, and one road from several files."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pacer.course.build import build_course
from pacer.course.cells import make_cells
from pacer.course.track import CornerKind, RawTrack
from pacer.errors import CourseError
from tests.course import truth as t


def loop_track(radius=800.0, spacing=8.0, gap=0.0, overlap=0.0, **noise):
    """A round course that ends `gap` short of its start or `overlap` beyond it."""
    truth = t.build(
        [t.arc(radius, 360.0 + np.degrees((overlap - gap) / radius))],
        lambda s: 0.03 * np.cos(s / radius) * np.ones_like(s),
    )
    at = np.append(np.arange(0.0, truth.s[-1] - spacing / 2, spacing), truth.s[-1])
    return t.track(truth, at, np.random.default_rng(1), **noise)


@pytest.fixture(scope="module")
def country():
    """Give a country road and its recording."""
    rng = np.random.default_rng(11)
    truth = t.build(t.country_road(rng, 12_000.0), t.rolling_grades(rng, 20_000.0))
    at, period = t.recorded_at(truth)
    return truth, t.track(truth, at, rng, position_noise=1.0, elevation_noise=0.5, period=period)


def check(course):
    """Assert what every course promises."""
    assert course.distance[0] == 0.0
    assert np.all(np.diff(course.distance) > 0.0)
    for name in ("latitude_deg", "longitude_deg", "elevation", "heading", "curvature"):
        values = getattr(course, name)
        assert values.shape == course.distance.shape
        assert np.all(np.isfinite(values))
    assert np.all((course.heading >= 0.0) & (course.heading < 2.0 * np.pi))
    assert np.all(np.abs(course.longitude_deg) <= 180.0)
    last = 0.0
    for corner in course.corners:
        assert 0.0 <= corner.start <= corner.apex <= corner.end <= course.length
        assert corner.apex >= last
        assert corner.radius >= 3.0
        last = corner.apex


def test_length_heading_and_place_are_true(country):
    """Length to 0.2 %, heading to 3° in the median, the line within 1.5 m of the road."""
    truth, raw = country
    course = build_course(raw)
    check(course)
    assert course.length == pytest.approx(truth.length, rel=2e-3)
    heading = np.interp(course.distance * truth.s[-1] / course.length, truth.s, np.unwrap(truth.heading))
    assert np.median(np.abs(np.angle(np.exp(1j * (course.heading - heading))))) < np.radians(3.0)


def test_the_raw_length_would_be_wrong(country):
    """Noise makes the file's own length 1 % too long, which the smoothing takes back."""
    from pacer.course.geodesy import geodesic_steps

    truth, raw = country
    length, _ = geodesic_steps(raw.latitude_deg, raw.longitude_deg)
    assert np.sum(length) > 1.008 * truth.length


def test_reverse_is_the_mirror(country):
    """Ridden the other way, climbs are descents and right is left; the length stays."""
    _, raw = country
    there, back = build_course(raw), build_course(raw, reverse=True)
    assert back.length == pytest.approx(there.length, rel=1e-4)
    fall = there.elevation[0] - there.elevation[-1] + there.climb
    assert back.climb == pytest.approx(fall, abs=1.0)
    for corner in there.corners:
        if abs(corner.turn) > np.radians(40.0):
            at = back.length - corner.apex
            mirrored = [c for c in back.corners if c.turn * corner.turn < 0.0]
            other = min(mirrored, key=lambda c: abs(c.apex - at))
            assert abs(other.apex - at) < 15.0
            assert other.turn == pytest.approx(-corner.turn, abs=0.45)


def profile_of(course):
    """Plan distance and elevation."""
    run = np.sqrt(np.maximum(np.diff(course.distance) ** 2 - np.diff(course.elevation) ** 2, 0.0))
    return np.concatenate(([0.0], np.cumsum(run))), course.elevation


@pytest.mark.parametrize(
    "other",
    [
        {"elevation_noise": 0.3, "position_noise": 0.5},
        {"quantum": 1.0, "position_noise": 1.5},
        {"elevation_jitter": 0.4, "position_jitter": 2.0},
        {"elevation_noise": 0.2, "drift": 15.0},
    ],
)
def test_one_road_by_several_devices_is_one_profile(country, other):
    """The same road by another device has the same length to 0.5 % and the same grade to 0.6 % RMS."""
    truth, raw = country
    at, period = t.recorded_at(truth, speed=8.0)
    second = build_course(t.track(truth, at, np.random.default_rng(5), period=period, **other))
    first = build_course(raw)
    assert second.length == pytest.approx(first.length, rel=5e-3)
    share = np.linspace(0.01, 0.99, 1000)
    grades = []
    for course in (first, second):
        s, z = profile_of(course)
        middle = share * s[-1]
        grades.append((np.interp(middle + 50.0, s, z) - np.interp(middle - 50.0, s, z)) / 100.0)
    assert np.sqrt(np.mean((grades[1] - grades[0]) ** 2)) < 0.006


def test_out_and_back_give_one_profile():
    """On a course ridden out and back the way back is the way out, mirrored."""
    rng = np.random.default_rng(12)
    grades = t.there_and_back(t.rolling_grades(rng, 10_000.0))
    truth = t.build(t.out_and_back(t.country_road(rng, 5000.0)), grades)
    at, period = t.recorded_at(truth)
    course = build_course(t.track(truth, at, rng, elevation_noise=0.5, position_noise=1.0, period=period))
    s, z = profile_of(course)
    half = np.arange(100.0, 0.48 * s[-1], 10.0)
    out = (np.interp(half + 50, s, z) - np.interp(half - 50, s, z)) / 100.0
    back = (np.interp(s[-1] - half - 50, s, z) - np.interp(s[-1] - half + 50, s, z)) / 100.0
    assert np.sqrt(np.mean((out - back) ** 2)) < 0.005
    assert [c.kind for c in course.corners].count(CornerKind.DEAD_TURN) == 1


@pytest.mark.parametrize(("gap", "overlap"), [(0.0, 0.0), (40.0, 0.0), (0.0, 120.0)])
def test_laps_repeat_the_course(gap, overlap):
    """Three laps are three times one lap less the last gap, without a step or a turn about at the join."""
    raw = loop_track(gap=gap, overlap=overlap, elevation_noise=0.3)
    one = 2.0 * np.pi * 800.0
    course = build_course(raw, laps=3)
    check(course)
    assert course.length == pytest.approx(3.0 * one - gap, rel=2e-3)
    assert np.abs(np.gradient(course.elevation, course.distance)).max() < 0.06
    assert all(abs(c.turn) < 1.0 for c in course.corners)
    z = np.interp([500.0, 500.0 + one, 500.0 + 2.0 * one], course.distance, course.elevation)
    assert np.ptp(z) < 1.0


def test_laps_of_a_course_that_does_not_close_are_refused(country):
    """A lap must end where it starts."""
    with pytest.raises(CourseError, match="must end where it starts"):
        build_course(country[1], laps=2)
    with pytest.raises(CourseError, match="must be 1 or more"):
        build_course(country[1], laps=0)


def test_trimming_keeps_the_part_between_two_kilometres(country):
    """The part is as long as asked, begins at 0, and holds the corners of its stretch."""
    _, raw = country
    whole, part = build_course(raw), build_course(raw, start_km=2.0, end_km=7.5)
    check(part)
    assert part.length == pytest.approx(5500.0, abs=1e-6)
    inside = [c for c in whole.corners if 2000.0 < c.apex < 7500.0]
    assert [c.apex + 2000.0 for c in part.corners] == pytest.approx([c.apex for c in inside])
    assert part.elevation[0] == pytest.approx(np.interp(2000.0, whole.distance, whole.elevation))


@pytest.mark.parametrize(("start_km", "end_km"), [(5.0, 4.0), (-1.0, 3.0), (0.0, 99.0), (3.0, 3.001)])
def test_a_part_that_is_not_there_is_refused(country, start_km, end_km):
    """Kilometres that aren't on the course are refused."""
    with pytest.raises(CourseError, match="doesn't exist"):
        build_course(country[1], start_km=start_km, end_km=end_km)


@pytest.mark.parametrize(
    "where", [(0.0, 179.98), (-17.0, -179.97), (71.0, 25.0), (85.0, 10.0), (-54.8, -68.3), (0.0, 0.0)]
)
def test_a_course_is_the_same_anywhere_on_earth(where):
    """Across the antimeridian, on the equator and far north: same length, corners and climb."""
    rng = np.random.default_rng(3)
    truth = t.build(t.country_road(rng, 5000.0), t.rolling_grades(rng, 6000.0))
    at = np.arange(0.0, truth.s[-1], 8.0)
    course = build_course(t.track(truth, at, np.random.default_rng(0), where=where))
    check(course)
    cells = make_cells(course)
    assert course.length == pytest.approx(truth.length, rel=2e-3)
    assert len(course.corners) == len(truth.corners)
    assert course.climb == pytest.approx(truth.climb, rel=0.03)
    assert np.abs(np.diff(np.unwrap(np.radians(cells.longitude_deg)))).max() < 0.02


def test_flat_ignores_elevation_and_says_so(country):
    """With --flat a file without elevation is planned level, loudly."""
    _, raw = country
    bare = replace(raw, elevation=np.full(raw.elevation.size, np.nan))
    with pytest.raises(CourseError, match=r"no elevation.*--flat"):
        build_course(bare)
    for track in (bare, raw):
        course = build_course(track, flat=True)
        assert np.all(course.elevation == 0.0)
        assert course.climb == 0.0
        assert any(change.loud and "flat" in change.what for change in course.changes)


def test_changes_are_in_the_order_of_the_road():
    """What was changed is listed from start to finish, what concerns the whole file first."""
    raw = loop_track(elevation_noise=0.2)
    z = np.array(raw.elevation)
    z[[100, 400]] += 40.0
    changes = build_course(replace(raw, elevation=z)).changes
    starts = [c.start for c in changes if c.start is not None]
    assert starts == sorted(starts)


def test_the_same_file_gives_the_same_course(country):
    """Building twice gives the same bits."""
    first, second = build_course(country[1]), build_course(country[1])
    assert np.array_equal(first.elevation, second.elevation)
    assert first.corners == second.corners
    assert first.changes == second.changes


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_any_points_are_a_course_or_one_line(data):
    """Random walks with holes, repeats, leaps and missing heights are built soundly or refused clearly."""
    seed = data.draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    n = data.draw(st.integers(2, 300))
    scale = data.draw(st.sampled_from([0.5, 8.0, 40.0, 300.0]))
    xy = np.cumsum(rng.normal(0.0, scale, (n, 2)), axis=0)
    if data.draw(st.booleans()):
        xy = np.repeat(xy, rng.integers(1, 4, n), axis=0)
    z = np.cumsum(rng.normal(0.0, data.draw(st.sampled_from([0.0, 0.1, 3.0])), len(xy)))
    z[rng.random(len(z)) < data.draw(st.sampled_from([0.0, 0.1, 0.9]))] = np.nan
    if data.draw(st.booleans()):
        z[rng.integers(0, len(z))] = data.draw(st.sampled_from([0.0, -32768.0, 9000.0]))
    part = np.sort(rng.integers(0, 3, len(xy)))
    where = data.draw(st.sampled_from([(50.0, 5.0), (0.0, 180.0), (88.0, 0.0)]))
    raw = t.raw(xy, z, part=part, where=where)
    course = None
    try:
        course = build_course(raw, reverse=data.draw(st.booleans()), laps=data.draw(st.integers(1, 2)))
    except CourseError as error:
        line = str(error)
        assert line
    if course is not None:
        check(course)
        cells = make_cells(course)
        assert np.sum(cells.length) == pytest.approx(course.length)
        assert np.abs(cells.grade).max() < 0.4


def test_two_points_make_a_course():
    """The smallest course is a straight between two points."""
    raw = RawTrack(
        "two",
        "two.gpx",
        np.array([50.0, 50.01]),
        np.array([5.0, 5.0]),
        np.array([10.0, 20.0]),
        np.full(2, np.nan),
        np.zeros(2, dtype=np.int64),
    )
    course = build_course(raw)
    check(course)
    assert course.corners == ()
    assert course.length == pytest.approx(1112.3, abs=0.5)

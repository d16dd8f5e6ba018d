"""Cells: a partition, short where something changes, nodes at corners."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pacer.course.build import build_course
from pacer.course.cells import make_cells
from pacer.course.segment import course_segments
from tests.course import truth as t


def course(pieces, grade_of=None, seed=0, **noise):
    """Build the course of some pieces, recorded each second."""
    truth = t.build(pieces, grade_of)
    at, period = t.recorded_at(truth)
    return build_course(t.track(truth, at, np.random.default_rng(seed), period=period, **noise))


@pytest.fixture(scope="module")
def country():
    """Give 40 km of rolling country road."""
    rng = np.random.default_rng(4)
    return course(
        t.country_road(rng, 40_000.0),
        t.rolling_grades(rng, 50_000.0),
        position_noise=1.0,
        elevation_noise=0.5,
    )


@pytest.fixture(scope="module")
def mountain():
    """Give 30 km of mountain road."""
    rng = np.random.default_rng(5)
    grades = t.rolling_grades(rng, 50_000.0, spread=0.05, piece=(80.0, 500.0), ease=40.0)
    return course(t.mountain_road(rng, 30_000.0), grades, position_noise=1.0, elevation_noise=0.5)


@pytest.mark.parametrize("name", ["country", "mountain"])
def test_cells_partition_the_course(request, name):
    """Each cell begins where the one before ends; the lengths add up to the course; the rise is kept."""
    built = request.getfixturevalue(name)
    cells = make_cells(built)
    assert cells.start[0] == 0.0
    assert np.all(cells.start[:-1] + cells.length[:-1] == pytest.approx(cells.start[1:], abs=1e-9))
    assert cells.nodes[-1] == pytest.approx(built.length, abs=1e-9)
    rise = np.sum(cells.length * np.sin(np.arctan(cells.grade)))
    assert rise == pytest.approx(built.elevation[-1] - built.elevation[0], abs=1e-6)


@pytest.mark.parametrize("name", ["country", "mountain"])
def test_cells_keep_their_bounds(request, name):
    """Cells are 10 to 50 m long, on steep road at most 20 m; near tight corners and the start 4 m or more."""
    built = request.getfixturevalue(name)
    cells = make_cells(built)
    assert cells.length.max() <= 50.0 + 1e-9
    assert cells.length.min() >= 4.0 - 1e-9
    free = np.isinf(cells.tightest_radius)
    beside = np.zeros(len(cells), bool)
    beside[:-1] |= ~free[1:]
    beside[1:] |= ~free[:-1]
    near = cells.start < 100.0
    for corner in built.corners:
        if corner.radius < 30.0:
            near |= (cells.start > corner.start - 60.0) & (cells.start < corner.end + 100.0)
    assert cells.length[free & ~beside & ~near].min() >= 10.0 - 1e-9
    assert np.percentile(cells.length[np.abs(cells.grade) > 0.085], 99) <= 25.0


@pytest.mark.parametrize("name", ["country", "mountain"])
def test_corners_begin_and_end_at_nodes(request, name):
    """Start and end of every corner lie within 4 m of a node, the apex of a long one too."""
    built = request.getfixturevalue(name)
    nodes = make_cells(built).nodes
    for corner in built.corners:
        assert np.abs(nodes - corner.start).min() < 4.0
        assert np.abs(nodes - corner.end).min() < 4.0
        if corner.end - corner.start > 20.0:
            assert np.abs(nodes - corner.apex).min() < 4.0


@pytest.mark.parametrize("name", ["country", "mountain"])
def test_each_corner_holds_in_the_cells_that_it_touches(request, name):
    """Cells know the tightest corner on them, and only cells that a corner touches have one."""
    built = request.getfixturevalue(name)
    cells = make_cells(built)
    end = cells.start + cells.length
    for i, corner in enumerate(built.corners):
        touched = (end > corner.start + 0.6) & (cells.start < corner.end - 0.6)
        assert np.all(cells.tightest_radius[touched] <= corner.tightest + 1e-9), i
        start, stop = corner.arc
        assert corner.start <= start < corner.apex < stop <= corner.end
        ridden = (end > start + 0.6) & (cells.start < stop - 0.6)
        assert np.all(cells.corner_radius[ridden] <= corner.radius + 1e-9), i
    straight = np.isinf(cells.tightest_radius)
    assert np.all(np.isinf(cells.corner_radius[straight]))
    for k in np.flatnonzero(~straight):
        assert any(
            cells.tightest_radius[k] == corner.tightest
            and cells.start[k] < corner.end + 1e-6
            and end[k] > corner.start - 1e-6
            for corner in built.corners
        )


def test_as_many_cells_as_the_optimiser_can_use(country, mountain):
    """About 1300 to 2000 cells for 40 km of rolling road; never much above 4500."""
    assert 1300 <= len(make_cells(country)) <= 2000
    rng = np.random.default_rng(6)
    long = course(t.country_road(rng, 180_000.0), t.rolling_grades(rng, 200_000.0))
    assert len(make_cells(long)) <= 4700
    assert len(make_cells(mountain)) <= 2800  # 30 km with many hairpins, each with short cells about it


def test_a_straight_level_road_has_long_cells():
    """Where nothing changes cells are as long as allowed."""
    cells = make_cells(course([t.straight(5000.0)]))
    assert np.median(cells.length) > 45.0
    assert np.all(np.isinf(cells.tightest_radius))


def test_grade_changes_within_a_cell_are_small(country):
    """Where grade changes fast, cells are shorter: neighbours differ by less than 1 % in 95 of 100."""
    cells = make_cells(country)
    assert np.percentile(np.abs(np.diff(cells.grade)), 95) < 0.01


def test_heading_is_that_of_the_road():
    """A road to the east heads east."""
    truth = t.build([t.straight(2000.0)], heading_deg=90.0)
    cells = make_cells(build_course(t.track(truth, np.arange(0.0, 2000.0, 8.0), np.random.default_rng(0))))
    assert np.allclose(cells.heading, np.pi / 2, atol=0.01)


def test_further_nodes_are_kept(country):
    """Ends of zones become nodes."""
    also = np.array([1234.5, 20_001.0])
    nodes = make_cells(country, also=also).nodes
    assert all(np.abs(nodes - x).min() < 4.0 for x in also)


@settings(max_examples=25, deadline=None)
@given(longest=st.floats(12.0, 200.0), share=st.floats(0.05, 1.0))
def test_any_bounds_give_a_partition(longest, share):
    """Whatever the bounds, cells partition the course and none exceeds the longest."""
    rng = np.random.default_rng(7)
    built = course(t.country_road(rng, 2000.0), t.rolling_grades(rng, 5000.0))
    cells = make_cells(built, longest=longest, shortest=longest * share)
    assert np.all(cells.length > 0.0)
    assert cells.length.max() <= longest * (1.0 + 1e-9)
    assert np.sum(cells.length) == pytest.approx(built.length)


@pytest.mark.parametrize(("longest", "shortest"), [(10.0, 20.0), (50.0, 0.0)])
def test_bounds_that_make_no_sense_are_refused(country, longest, shortest):
    """A shortest cell above the longest is a mistake of the caller."""
    with pytest.raises(ValueError, match="make no sense"):
        make_cells(country, longest=longest, shortest=shortest)


def test_segments_follow_grade_and_heading():
    """A climb, a descent and a turn are cut where they are."""
    grades = [(2000.0, 0.0), (4000.0, 0.05), (6000.0, -0.04)]

    def grade_of(s):
        return np.select([s < end for end, _ in grades], [g for _, g in grades], 0.0)

    built = course([t.straight(7000.0), t.arc(40.0, 90.0), t.straight(3000.0)], grade_of)
    cells = make_cells(built)
    nodes = cells.nodes[course_segments(cells)]
    for place in (2000.0, 4000.0, 6000.0, 7030.0):
        assert np.abs(nodes - place).min() < 60.0
    assert len(nodes) <= 10

"""Cleaning: what isn't road goes, what is stays, and what was done is told."""

import numpy as np
import pytest

from pacer.course.clean import Points, clean_points
from pacer.errors import CourseError


def points(xy, *, time=None, part=None):
    """Points at height 0."""
    xy = np.asarray(xy, dtype=float)
    return Points(
        xy,
        np.zeros(len(xy)),
        np.full(len(xy), np.nan) if time is None else np.asarray(time, dtype=float),
        np.zeros(len(xy), dtype=np.int64) if part is None else np.asarray(part),
    )


def straight(count, spacing=8.0, start=0.0):
    """Lay points along a straight road eastwards."""
    return np.column_stack((start + spacing * np.arange(count), np.zeros(count)))


def whats(changes):
    """List the sentences of the changes."""
    return [change.what for change in changes]


def test_repeated_points_are_merged_and_their_heights_averaged():
    """Points on one spot become one, at their mean height."""
    xy = np.repeat(straight(30), 3, axis=0)
    raw = points(xy)
    raw = Points(raw.xy, np.tile([1.0, np.nan, 3.0], 30), raw.time, raw.part)
    cleaned, changes = clean_points(raw, "f")
    assert len(cleaned.z) == 30
    assert np.all(cleaned.z == 2.0)
    assert whats(changes) == ["repeated points on one spot were merged"]


def test_standing_at_the_start_becomes_one_point():
    """A minute of standing with 3 m of jitter adds no road."""
    rng = np.random.default_rng(4)
    cloud = rng.normal(0.0, 3.0, (60, 2))
    cleaned, changes = clean_points(points(np.concatenate((cloud, straight(200)))), "f")
    assert np.sum(cleaned.steps) == pytest.approx(1592.0, abs=12.0)
    assert "points recorded while standing were merged" in whats(changes)


def test_a_pause_in_the_middle_becomes_one_point():
    """So does a stop at a crossing."""
    rng = np.random.default_rng(5)
    cloud = np.array([800.0, 0.0]) + rng.normal(0.0, 2.0, (40, 2))
    xy = np.concatenate((straight(100), cloud, straight(100, start=800.0)))
    cleaned, _ = clean_points(points(xy), "f")
    assert np.sum(cleaned.steps) == pytest.approx(1592.0, abs=12.0)


def test_a_dead_turn_is_no_pause():
    """Slowing down to turn about keeps the turn: the road still reaches the post."""
    out = straight(100)
    angle = np.linspace(0.0, np.pi, 5)[1:-1]
    turn = np.column_stack((792.0 + 3.5 * np.sin(angle), 3.5 - 3.5 * np.cos(angle)))
    back = straight(100)[::-1] + np.array([0.0, 7.0])
    cleaned, changes = clean_points(points(np.concatenate((out, turn, back))), "f")
    assert cleaned.xy[:, 0].max() == pytest.approx(795.5, abs=0.1)
    assert changes == []


@pytest.mark.parametrize("width", [1, 2, 3])
def test_a_leap_of_a_recording_is_dropped(width):
    """Up to three points that leap away and back go, loudly, with or without times."""
    xy = straight(100)
    xy[50 : 50 + width, 1] += 150.0
    for time in (None, np.arange(100.0)):
        cleaned, changes = clean_points(points(xy, time=time), "f")
        assert len(cleaned.z) == 100 - width
        (change,) = changes
        assert change.loud
        assert change.start == pytest.approx(392.0, abs=1.0)


def test_a_visit_to_a_side_road_on_a_planned_line_stays():
    """A planner's point off the main road is a place to ride to, not a leap."""
    xy = straight(60, spacing=40.0)
    xy[30, 1] = 200.0
    cleaned, changes = clean_points(points(xy), "f")
    assert len(cleaned.z) == 60
    assert changes == []


def test_a_hole_is_bridged_and_told():
    """A hole of less than two kilometres is bridged loudly, with its place."""
    xy = np.concatenate((straight(50), straight(50, start=1000.0)))
    _, changes = clean_points(points(xy), "f")
    (change,) = changes
    assert change.loud
    assert (change.start, change.end) == (392.0, 1000.0)


def test_a_break_between_parts_is_told():
    """A smaller hole counts where the recording was interrupted."""
    xy = np.concatenate((straight(50), straight(50, start=500.0)))
    _, changes = clean_points(points(xy, part=[0] * 50 + [1] * 50), "f")
    assert whats(changes) == ["a hole was bridged by a straight line"]


def test_a_long_straight_of_a_planner_is_no_hole():
    """Few points on a straight road are how planners draw."""
    _, changes = clean_points(points(straight(20, spacing=240.0)), "f")
    assert changes == []


def test_a_long_hole_is_refused():
    """Two kilometres of unknown road are too much."""
    xy = np.concatenate((straight(50), straight(50, start=3000.0)))
    with pytest.raises(CourseError, match=r"f, km 0\.4: a hole of 2\.6 km in the course"):
        clean_points(points(xy), "f")

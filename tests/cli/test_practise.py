"""`pacer practise` as a user meets it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.run import run
from tests.workflow.races import ROUTES


def test_several_roads_with_notes(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Stretches over all roads given, notes applied where they lie, places written as waypoints."""
    gpx = tmp_path / "places.gpx"
    done = run(
        capsys,
        "practise",
        ROUTES / "orlibeck-tri.gpx",
        ROUTES / "marnhythe-tt.gpx",
        "--rider",
        ROUTES / "rider-new.toml",
        "--notes",
        ROUTES / "orlibeck-tri.zones.geojson",
        "--gpx",
        gpx,
    )
    assert done.code == 0
    assert "Week 6" in done.out
    assert "Orlibeck" in done.out
    assert gpx.read_bytes().count(b"<wpt") > 3


def test_the_same_roads_in_a_gale_are_for_another_day(capsys: pytest.CaptureFixture[str]) -> None:
    """Wind across takes stretches away."""
    route = ROUTES / "marnhythe-tt.gpx"
    calm = run(capsys, "practise", route)
    gale = run(capsys, "practise", route, "--wind-from", "340", "--wind-speed", "12")
    assert calm.code == gale.code == 0
    assert gale.out.count("none on these roads") > calm.out.count("none on these roads")


def test_a_note_that_lies_nowhere_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """Notes drawn beside every route given are an error, not silence."""
    notes = ROUTES / "orlibeck-tri.zones.geojson"
    done = run(capsys, "practise", ROUTES / "marnhythe-tt.gpx", "--notes", notes)
    assert done.code == 1
    assert "touches none of the routes" in done.err
    assert done.out == ""


def test_an_unreadable_route_is_one_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Exit 1 and one line for a route that isn't there."""
    done = run(capsys, "practise", tmp_path / "none.gpx")
    assert done.code == 1
    assert done.err.count("\n") == 1


def test_a_week_says_where_each_exercise_is_ridden(capsys: pytest.CaptureFixture[str]) -> None:
    """A flat road isn't offered for a descent: what the roads don't have is named with what to look for."""
    routes = (ROUTES / "marnhythe-tt.gpx", ROUTES / "orlibeck-tri.gpx")
    done = run(capsys, "practise", *routes, "--rider", ROUTES / "rider-practised.toml")
    exercises, weeks = done.out.split("\nWeek 1", 1)
    assert "Gentle descent\n  - none on these roads" in exercises
    week = weeks.split("Gentle descents\n", 1)[1].split("\n\n", 1)[0]
    assert week.lstrip().startswith("- gentle descent: none here; look for")
    assert "  - flat: " in week

"""The demo routes: made as ORIGIN.md says, read back as what they truly are."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pacer.course.build import build_course
from pacer.course.track import Corner, CornerKind, Course, RawTrack, ZoneKind
from pacer.course.zones import check_zones, match_zones
from pacer.files.gpx import read_gpx
from pacer.files.settings import read_race_file, read_rider_file
from pacer.files.zones import read_zones_geojson
from pacer.physics.rider import Skill
from tests.routes.make_routes import main as make_routes

ROUTES = Path(__file__).parents[2] / "routes"
NAMES = ("marnhythe-tt", "orlibeck-tri", "scarnow-pass")
TURNING = ("dead turn", "hairpin")
METRES_A_DEGREE = 111_200.0


@cache
def track_of(name: str) -> RawTrack:
    """Read the points of a demo route."""
    return read_gpx(ROUTES / f"{name}.gpx")


@cache
def course_of(name: str, seed: int | None = None) -> Course:
    """Build the course of a demo route, or of a noisy copy of it."""
    track = track_of(name)
    if seed is not None:
        track = shaken(track, np.random.default_rng(seed))
    return build_course(track)


def shaken(track: RawTrack, rng: np.random.Generator) -> RawTrack:
    """Add 1 m of noise to the position and 0.5 m to the height of every point."""
    count = track.latitude_deg.size
    east = METRES_A_DEGREE * np.cos(np.radians(track.latitude_deg))
    return replace(
        track,
        latitude_deg=track.latitude_deg + rng.normal(0.0, np.sqrt(0.5), count) / METRES_A_DEGREE,
        longitude_deg=track.longitude_deg + rng.normal(0.0, np.sqrt(0.5), count) / east,
        elevation=track.elevation + rng.normal(0.0, 0.5, count),
    )


@cache
def truth_of(name: str) -> dict[str, Any]:
    """Read what is true of a demo route."""
    return json.loads((ROUTES / f"{name}.truth.json").read_text(encoding="utf-8"))


@dataclass(frozen=True)
class Match:
    """A true corner and the found one nearest to it on the ground, within 150 m of road."""

    true: dict[str, Any]
    found: Corner | None
    apart: float


def matches(course: Course, truth: dict[str, Any], kinds: tuple[str, ...]) -> list[Match]:
    """Find for each true corner of some kinds what was found in its place."""
    found = []
    for true in truth["corners"]:
        if true["kind"] not in kinds:
            continue
        best = Match(true, None, np.inf)
        for corner in course.corners:
            if abs(corner.apex - true["apex_m"] * course.length / truth["length_m"]) > 150.0:
                continue
            latitude = np.interp(corner.apex, course.distance, course.latitude_deg)
            longitude = np.interp(corner.apex, course.distance, course.longitude_deg)
            east = (longitude - true["longitude_deg"]) * np.cos(np.radians(latitude)) * METRES_A_DEGREE
            apart = float(np.hypot((latitude - true["latitude_deg"]) * METRES_A_DEGREE, east))
            if apart < best.apart:
                best = Match(true, corner, apart)
        found.append(best)
    return found


def test_the_files_are_what_the_script_makes(tmp_path: Path) -> None:
    """Running it again gives the same points to a decimetre and the same corners."""
    make_routes(tmp_path)
    for name in NAMES:
        made, kept = read_gpx(tmp_path / f"{name}.gpx"), track_of(name)
        np.testing.assert_allclose(made.latitude_deg, kept.latitude_deg, atol=1.1e-5)
        np.testing.assert_allclose(made.longitude_deg, kept.longitude_deg, atol=1.1e-5)
        np.testing.assert_allclose(made.elevation, kept.elevation, atol=1.01)
        again = json.loads((tmp_path / f"{name}.truth.json").read_text(encoding="utf-8"))
        assert len(again["corners"]) == len(truth_of(name)["corners"])
    assert (tmp_path / "orlibeck-tri.zones.geojson").exists()


def test_the_files_are_small() -> None:
    """None is over 1.5 MB."""
    assert max(path.stat().st_size for path in ROUTES.iterdir()) < 1_500_000


def test_what_the_scenario_needs_is_there() -> None:
    """Two dead turns; fourteen hairpins of 7 to 12 m down; junctions; grades of 5 to 9 % for kilometres."""
    kinds = [[corner["kind"] for corner in truth_of(name)["corners"]] for name in NAMES]
    assert kinds[0].count("dead turn") == 2
    assert kinds[1].count("corner") >= 4
    heights = np.array(truth_of("scarnow-pass")["elevation_every_100_m"])
    top = 100.0 * int(np.argmax(heights))
    down = [c for c in truth_of("scarnow-pass")["corners"] if c["kind"] == "hairpin" and c["start_m"] > top]
    assert len(down) == 14
    assert all(7.0 <= corner["radius_m"] <= 12.1 for corner in down)
    grades = np.diff(heights) / 100.0
    assert np.sum((grades > 0.05) & (grades < 0.095)) > 100
    assert grades.max() < 0.1
    rolling = np.diff(truth_of("orlibeck-tri")["elevation_every_100_m"]) / 100.0
    assert np.abs(rolling).max() < 0.07


@pytest.mark.parametrize("name", NAMES)
def test_length_is_true(name: str) -> None:
    """The course is as long as the road, to 0.2 %."""
    assert course_of(name).length == pytest.approx(truth_of(name)["length_m"], rel=2e-3)


@pytest.mark.parametrize("name", ["orlibeck-tri", "scarnow-pass"])
def test_climb_is_true(name: str) -> None:
    """The climb of a hilly course is that of the road, to 5 %."""
    assert course_of(name).climb == pytest.approx(truth_of(name)["climb_m"], rel=0.05)


@pytest.mark.parametrize("name", ["marnhythe-tt", "scarnow-pass"])
@pytest.mark.parametrize("seed", [None, 1, 2, 3])
def test_every_hairpin_and_dead_turn_is_found(name: str, seed: int | None) -> None:
    """In the file and in noisy copies each is there, in its place, sharp, and never rated much too wide."""
    for match in matches(course_of(name, seed), truth_of(name), TURNING):
        label = f"{match.true['kind']} at {match.true['apex_m']:.0f} m"
        assert match.found is not None, f"{label} wasn't found"
        assert match.apart < 15.0, label
        assert abs(match.found.turn) > np.radians(120.0), label
        assert match.found.turn * match.true["turn_deg"] > 0.0, label
        assert match.found.radius < 1.5 * match.true["radius_m"] + 1.0, label


@pytest.mark.parametrize("name", ["marnhythe-tt", "scarnow-pass"])
def test_every_hairpin_and_dead_turn_has_its_name(name: str) -> None:
    """In the file as it is, what the eye sees is what it is called."""
    expected = {"dead turn": CornerKind.DEAD_TURN, "hairpin": CornerKind.HAIRPIN}
    for match in matches(course_of(name), truth_of(name), TURNING):
        assert match.found is not None
        assert match.found.kind is expected[match.true["kind"]]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("seed", [None, 1])
def test_every_junction_is_found(name: str, seed: int | None) -> None:
    """A junction or roundabout may be drawn by three points; it is there, and never rated much too wide."""
    for match in matches(course_of(name, seed), truth_of(name), ("corner", "roundabout")):
        label = f"{match.true['kind']} at {match.true['apex_m']:.0f} m"
        assert match.found is not None, f"{label} wasn't found"
        assert match.apart < 25.0, label
        assert match.found.radius < 2.0 * match.true["radius_m"], label


@pytest.mark.parametrize(
    ("rider", "skill"), [("new", Skill.NEW), ("practised", Skill.PRACTISED), ("expert", Skill.EXPERT)]
)
def test_the_riders_are_read(rider: str, skill: Skill) -> None:
    """Each is of the skill in its name, with a tucked position of less drag."""
    settings = read_rider_file(ROUTES / f"rider-{rider}.toml")
    assert settings.setup.rider.skill is skill
    tucked = min(position.cda for position in settings.setup.positions if position.tucked)
    assert tucked < min(position.cda for position in settings.setup.positions if not position.tucked)


@pytest.mark.parametrize("name", NAMES)
def test_the_races_are_read_with_nothing_assumed(name: str) -> None:
    """Each says all that a plan needs."""
    assert read_race_file(ROUTES / f"{name}.race.toml").assumed == ()


def test_the_kilometre_zones_lie_on_the_course() -> None:
    """The time trial's zones are stretches of it."""
    zones = check_zones(course_of("marnhythe-tt"), read_race_file(ROUTES / "marnhythe-tt.race.toml").zones)
    assert {zone.kind for zone in zones} >= {ZoneKind.NO_TUCK, ZoneKind.SPEED_LIMIT, ZoneKind.SHELTERED}


def test_the_drawn_zones_lie_on_both_laps() -> None:
    """Bridge, rough road, wood and feed are met twice each, the bridge over its 90 m."""
    settings = read_race_file(ROUTES / "orlibeck-tri.race.toml")
    course = build_course(track_of("orlibeck-tri"), laps=settings.race.laps)
    assert settings.zones_file is not None
    zones = match_zones(course, read_zones_geojson(settings.zones_file))
    assert len(zones) == 8
    bridges = [zone for zone in zones if zone.kind is ZoneKind.NO_TUCK]
    for bridge in bridges:
        assert bridge.end - bridge.start == pytest.approx(90.0, abs=60.0)
    assert bridges[1].start - bridges[0].start == pytest.approx(course.length / 2.0, rel=2e-3)


def test_the_forecast_covers_the_race() -> None:
    """From the start to four and a half hours later the wind is known, and it turns."""
    weather = read_race_file(ROUTES / "scarnow-pass.race.toml").weather
    state = weather.at([0.0, 4.5 * 3600.0])
    assert state.held == 0.0
    assert state.gust[1] > 2.0 * state.gust[0]

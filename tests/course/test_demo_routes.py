"""The demo routes and noisy copies of them against their truth, which the reader's code had no part in."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pacer.course.build import build_course
from pacer.course.track import CornerKind
from pacer.files.gpx import read_gpx

ROUTES = Path(__file__).parents[2] / "routes"
NAMES = sorted(path.name.removesuffix(".truth.json") for path in ROUTES.glob("*.truth.json"))
METRES = 111_200.0


def load(name):
    """Read the truth and the file."""
    return json.loads((ROUTES / f"{name}.truth.json").read_text("utf-8")), read_gpx(ROUTES / f"{name}.gpx")


def noisy(raw, seed):
    """Copy a file with 1 m of noise on each point's position, each way, and 0.5 m on its height."""
    rng = np.random.default_rng(seed)
    n = raw.latitude_deg.size
    shrink = np.cos(np.radians(raw.latitude_deg))
    return replace(
        raw,
        latitude_deg=raw.latitude_deg + rng.normal(0.0, 1.0, n) / METRES,
        longitude_deg=raw.longitude_deg + rng.normal(0.0, 1.0, n) / (METRES * shrink),
        elevation=raw.elevation + rng.normal(0.0, 0.5, n),
    )


def near(course, truth, corner):
    """List the corners found within 25 m of where a true corner lies."""
    north = (course.latitude_deg - corner["latitude_deg"]) * METRES
    east = (course.longitude_deg - corner["longitude_deg"]) * METRES
    away = np.hypot(north, east * np.cos(np.radians(corner["latitude_deg"])))
    expected = corner["apex_m"] * course.length / truth["length_m"]
    at = course.distance[np.argmin(away + 0.05 * np.abs(course.distance - expected))]
    return [c for c in course.corners if c.end > at - 25.0 and c.start < at + 25.0]


@pytest.mark.parametrize("name", NAMES)
def test_length_climb_and_grade(name):
    """Length to 0.2 %, grade to 0.5 % RMS over 100 m, climb to 5 % where hills exceed the noise."""
    truth, raw = load(name)
    course = build_course(raw)
    assert course.length == pytest.approx(truth["length_m"], rel=2e-3)
    heights = np.array(truth["elevation_every_100_m"])
    at = 100.0 * np.arange(heights.size) * course.length / truth["length_m"]
    found = np.interp(at, course.distance, course.elevation)
    assert np.sqrt(np.mean((np.diff(found - heights) / 100.0) ** 2)) < 0.005
    if np.ptp(heights) > 10.0:
        assert course.climb == pytest.approx(truth["climb_m"], rel=0.05)
    else:
        assert course.climb < 1.1 * truth["climb_m"]


@pytest.mark.parametrize("seed", [None, 1, 2, 3])
@pytest.mark.parametrize("name", NAMES)
def test_every_tight_corner_is_found(name, seed):
    """All hairpins, dead turns and junctions are found, in the file and in noisy copies of it."""
    truth, raw = load(name)
    course = build_course(raw if seed is None else noisy(raw, seed))
    tight = [c for c in truth["corners"] if c["kind"] in ("hairpin", "dead turn", "corner")]
    assert tight
    for corner in tight:
        found = max(near(course, truth, corner), key=lambda c: abs(c.turn))
        assert abs(found.turn) > 0.6 * np.radians(abs(corner["turn_deg"]))
        assert found.tightest < 1.6 * corner["radius_m"]


@pytest.mark.parametrize("name", NAMES)
def test_radii_and_kinds_of_the_files_as_they_are(name):
    """Measured hairpins have their radius to 25 %; hairpins and dead turns are called so."""
    truth, raw = load(name)
    course = build_course(raw)
    for corner in truth["corners"]:
        if corner["kind"] in ("hairpin", "dead turn"):
            found = max(near(course, truth, corner), key=lambda c: abs(c.turn))
            assert found.kind is CornerKind(corner["kind"])
            if found.measured:
                assert found.radius == pytest.approx(corner["radius_m"], rel=0.25)

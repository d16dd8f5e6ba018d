"""Geodesy against published lines and an independent implementation."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from pacer.course.geodesy import Plane, geodesic_steps

# Test lines of the GeographicLib test suite (C. F. F. Karney): lat1, lon1, azi1, lat2, lon2, s12.
LINES = [
    (35.60777, -139.44815, 111.098748429560326, -11.17491, -69.95921, 8935244.5604818305),
    (55.52454, 106.05087, 22.020059880982801, 77.03196, 197.18234, 4105086.1713924406),
    (-21.97856, 142.59065, -32.44456876433189, 41.84138, 98.56635, 8394328.894657671),
    (-19.79938, -174.47484, 71.167275780171533, -11.99349, -154.35109, 2319004.8601169389),
    (-41.22777, 122.32875, 14.285113402275739, -7.57291, 130.37946, 3812686.035106021),
    (-68.82867, -74.28391, 93.774347763114881, -50.63005, -8.36685, 3956936.926063544),
    # The same suite: a line and one shorter than a hand.
    (40.6, -73.8, 53.47022, 49.01666667, 2.55, 5853226.0),
    (36.493349428792, 0.0, 90.0, 36.49334942879201, 0.0000008, 0.072),
    # Flinders Peak to Buninyong (Geocentric Datum of Australia technical manual; GRS80, < 1 mm off WGS84).
    (
        -(37 + 57 / 60 + 3.72030 / 3600),
        144 + 25 / 60 + 29.52440 / 3600,
        306 + 52 / 60 + 5.37 / 3600,
        -(37 + 39 / 60 + 10.15610 / 3600),
        143 + 55 / 60 + 35.38390 / 3600,
        54972.271,
    ),
]


@pytest.mark.parametrize("line", LINES)
def test_published_lines(line):
    """Length and heading agree with the published lines: 1 mm (or the digits given) and 1e-4 degrees."""
    lat1, lon1, azimuth, lat2, lon2, length = line
    found, heading = geodesic_steps(np.array([lat1, lat2]), np.array([lon1, lon2]))
    assert found[0] == pytest.approx(length, abs=0.6 if length == round(length) else 1e-3)
    turned = (np.degrees(heading[0]) - azimuth + 180.0) % 360.0 - 180.0
    assert abs(turned) < (1e-4 if length > 1.0 else 0.5)


@pytest.mark.parametrize(
    ("lat1", "lon1", "lat2", "lon2"),
    [(0, 0, 0, 0.001), (45, 7, 45.01, 7.01), (45, 179.999, 45, -179.999), (64.1, -21.9, 64.105, -21.89)],
)
def test_short_lines_agree_with_an_independent_library(lat1, lon1, lat2, lon2):
    """At the scale of track points two implementations agree to a micrometre, across the antimeridian too."""
    inverse = Geodesic.WGS84.Inverse(lat1, lon1, lat2, lon2)
    length, heading = geodesic_steps(np.array([lat1, lat2]), np.array([lon1, lon2]))
    assert length[0] == pytest.approx(inverse["s12"], abs=1e-6)
    assert np.degrees(heading[0]) == pytest.approx(inverse["azi1"] % 360.0, abs=1e-6)


@pytest.mark.parametrize("centre", [(50.0, 5.0), (0.0, 179.95), (-45.0, -180.0), (78.2, 15.6), (89.5, 0.0)])
def test_the_plane_keeps_lengths_and_gives_points_back(centre):
    """Near its centre the plane keeps lengths to 1e-5, and every point returns where it was."""
    rng = np.random.default_rng(2)
    plane = Plane(*centre)
    points = rng.uniform(-20_000.0, 20_000.0, (50, 2))
    latitude, longitude = plane.to_earth(points)
    assert np.allclose(plane.to_plane(latitude, longitude), points, atol=1e-6)
    length, _ = geodesic_steps(latitude, longitude)
    assert np.allclose(length, np.hypot(*np.diff(points, axis=0).T), rtol=1e-5)


def test_the_plane_stands_in_the_middle_across_the_antimeridian():
    """Points on both sides of 180° have their middle there, not at Greenwich."""
    plane = Plane.about(np.array([10.0, 10.0]), np.array([179.9, -179.9]))
    assert abs(plane.longitude_deg) == pytest.approx(180.0)
    assert np.abs(plane.to_plane(np.array([10.0]), np.array([179.9]))).max() < 12_000.0

"""Zones from GeoJSON: what is read, and the line for each fault."""

import json

import numpy as np
import pytest

from pacer.course.track import ZoneKind
from pacer.course.zones import GeoShape
from pacer.errors import CourseError
from pacer.files.zones import read_zones_geojson

LINE = {"type": "LineString", "coordinates": [[5.0, 50.0], [5.01, 50.01, 120.0]]}


def write(folder, data):
    """Write a file and return its path."""
    path = folder / "zones.geojson"
    path.write_text(data if isinstance(data, str) else json.dumps(data), encoding="utf-8")
    return path


def feature(properties, geometry=LINE):
    """Make one feature."""
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def shape(kind, coordinates):
    """Make a geometry."""
    return {"type": kind, "coordinates": coordinates}


def collection(*features):
    """Make a collection."""
    return {"type": "FeatureCollection", "features": list(features)}


def test_points_lines_and_areas_are_read(tmp_path):
    """Every geometry of a zone is read, the parts of a multiple one each as a zone."""
    ring = [[5.0, 50.0], [5.1, 50.0], [5.1, 50.1], [5.0, 50.0]]
    path = write(
        tmp_path,
        collection(
            feature({"kind": "speed-limit", "limit_kmh": 36.0, "note": "school", "colour": "red"}),
            feature({"kind": "feed", "heading_deg": 90}, {"type": "Point", "coordinates": [5.0, 50.0]}),
            feature(
                {"kind": "sheltered", "wind_factor": 0.4}, {"type": "Polygon", "coordinates": [ring, ring]}
            ),
            feature(
                {"kind": "no-tuck", "both_ways": True},
                {"type": "MultiLineString", "coordinates": [ring, ring]},
            ),
        ),
    )
    zones = read_zones_geojson(path)
    assert [z.kind for z in zones] == [
        ZoneKind.SPEED_LIMIT,
        ZoneKind.FEED,
        ZoneKind.SHELTERED,
        ZoneKind.NO_TUCK,
        ZoneKind.NO_TUCK,
    ]
    assert [z.shape for z in zones[:3]] == [GeoShape.LINE, GeoShape.POINT, GeoShape.AREA]
    assert zones[0].value == pytest.approx(10.0)
    assert zones[0].note == "school"
    assert zones[1].heading == pytest.approx(np.pi / 2)
    assert len(zones[2].rings) == 2
    assert zones[3].both_ways
    assert zones[4].label == "feature no. 4"


def test_one_feature_alone_is_read(tmp_path):
    """A file may hold a single feature."""
    assert len(read_zones_geojson(write(tmp_path, feature({"kind": "no-tuck"})))) == 1


@pytest.mark.parametrize(
    ("data", "line"),
    [
        ("{", "zones.geojson: not valid JSON"),
        ([], "not a GeoJSON FeatureCollection"),
        (collection({"type": "Feature"}), "feature no. 1: a feature has no geometry"),
        (collection(feature({"kind": "no-go"})), "feature no. 1"),
        (collection(feature({})), "feature no. 1"),
        (collection(feature({"kind": "speed-limit"})), "limit_kmh is missing"),
        (collection(feature({"kind": "speed-limit", "limit_kmh": 999})), "limit_kmh"),
        (collection(feature({"kind": "feed", "limit_kmh": 20})), "limit_kmh has no meaning"),
        (collection(feature({"kind": "feed", "heading_deg": 999})), "heading_deg must be a number"),
        (collection(feature({"kind": "feed"}, {"type": "Circle"})), "a point, a line or a polygon"),
        (
            collection(feature({"kind": "feed"}, shape("Point", [5.0]))),
            "pairs of longitude",
        ),
        (collection(feature({"kind": "feed"}, shape("Point", [50, 500]))), "on the Earth"),
        (
            collection(feature({"kind": "feed"}, shape("LineString", [[5, 50]]))),
            "at least 2",
        ),
        (
            collection(feature({"kind": "feed"}, shape("Polygon", [[[5, 50]]]))),
            "at least 4",
        ),
        (collection(feature({"kind": "feed"}, shape("Polygon", 7))), "polygon"),
    ],
)
def test_faults_are_told_in_one_line(tmp_path, data, line):
    """Each fault names the file, the feature and what is wrong."""
    with pytest.raises(CourseError) as caught:
        read_zones_geojson(write(tmp_path, data))
    assert line in str(caught.value)
    assert "zones.geojson" in str(caught.value)


def test_a_missing_file_is_told(tmp_path):
    """A file that isn't there is one line."""
    with pytest.raises(CourseError, match="can't be read"):
        read_zones_geojson(tmp_path / "none.geojson")

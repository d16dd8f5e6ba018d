"""The GPX reader: what it accepts, what it refuses, and the line that a user then gets."""

from pathlib import Path

import gpxpy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pacer.course.build import build_course
from pacer.errors import CourseError
from pacer.files.gpx import read_gpx

FAULTS = Path(__file__).parents[1] / "data" / "gpx"
LINES = {line.split(".gpx", 1)[0]: line for line in (FAULTS / "lines.txt").read_text("utf-8").splitlines()}

NAMESPACE_1_1 = ' xmlns="http://www.topografix.com/GPX/1/1"'
NAMESPACE_1_0 = ' xmlns="http://www.topografix.com/GPX/1/0"'
BODY = """<trk><name>T</name><trkseg>
<trkpt lat="50.0" lon="5.0"><ele>100.5</ele><time>2026-05-01T08:00:00Z</time></trkpt>
<trkpt lat="50.001" lon="5.001"><ele/><time>2026-05-01T08:00:10.5+00:00</time></trkpt>
<trkpt lat="5.0002e1" lon="5.002"><time>yesterday</time></trkpt>
</trkseg></trk>"""


def write(folder, text, encoding="utf-8", name="a.gpx"):
    """Write a file and return its path."""
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    return path


def wrap(body, namespace=NAMESPACE_1_1, version="1.1"):
    """Wrap tracks in a GPX document."""
    return f'<gpx version="{version}" creator="t"{namespace}>{body}</gpx>'


@pytest.mark.parametrize("path", sorted(FAULTS.glob("*.gpx")), ids=lambda p: p.stem)
def test_each_broken_file_gets_its_one_line(path):
    """A file with one fault is refused by one line: file, place, what was found, what to do."""
    with pytest.raises(CourseError) as caught:
        build_course(read_gpx(path))
    message = str(caught.value)
    assert message == LINES[path.stem]
    assert "\n" not in message
    assert len(message) < 220


def test_no_broken_file_is_without_its_line():
    """The list of lines and the folder hold the same names."""
    assert set(LINES) == {path.stem for path in FAULTS.glob("*.gpx")}


@pytest.mark.parametrize(
    ("namespace", "version"),
    [(NAMESPACE_1_1, "1.1"), (NAMESPACE_1_0, "1.0"), ("", "1.1"), (' xmlns="urn:other"', "9")],
)
def test_every_namespace_reads_alike(tmp_path, namespace, version):
    """GPX 1.0, 1.1, no namespace and a strange one give the same points."""
    track = read_gpx(write(tmp_path, wrap(BODY, namespace, version)))
    assert track.latitude_deg.tolist() == [50.0, 50.001, 50.002]
    assert track.name == "T"
    assert np.isnan(track.elevation).tolist() == [False, True, True]
    assert track.time[1] - track.time[0] == 10.5
    assert np.isnan(track.time[2])


def test_a_prefixed_namespace_and_an_undeclared_prefix_are_read(tmp_path):
    """Prefixes don't matter, declared or not."""
    body = BODY.replace("<trk", "<g:trk").replace("</trk", "</g:trk")
    body = body.replace("<ele/>", "<ele/><extensions><odd:power>200</odd:power></extensions>")
    text = f'<g:gpx xmlns:g="http://www.topografix.com/GPX/1/1">{body}</g:gpx>'
    assert read_gpx(write(tmp_path, text)).latitude_deg.size == 3


def test_values_inside_extensions_are_not_the_point_s_own(tmp_path):
    """An `ele` or `time` within extensions is left alone."""
    body = BODY.replace("<ele/>", "<ele>7</ele><extensions><ele>999</ele></extensions>")
    assert read_gpx(write(tmp_path, wrap(body))).elevation[1] == 7.0


@pytest.mark.parametrize(
    ("declared", "codec"),
    [
        ("UTF-8", "utf-8-sig"),
        ("UTF-16", "utf-16"),
        ("ISO-8859-1", "latin-1"),
        ("windows-1252", "cp1252"),
        ("shift_jis", "shift_jis"),
    ],
)
def test_encodings(tmp_path, declared, codec):
    """The declared encoding is obeyed, a byte-order mark is not in the way."""
    name = "Küste" if codec != "shift_jis" else "海岸"
    text = f'<?xml version="1.0" encoding="{declared}"?>' + wrap(BODY.replace(">T<", f">{name}<"))
    assert read_gpx(write(tmp_path, text, codec)).name == name


def test_a_route_is_read_where_there_is_no_track(tmp_path):
    """A planned route counts as the course."""
    body = '<rte><name>R</name><rtept lat="1" lon="2"/><rtept lat="1.001" lon="2"/></rte>'
    track = read_gpx(write(tmp_path, wrap(body)))
    assert (track.name, track.latitude_deg.size) == ("R", 2)


def test_shape_points_of_a_route_are_read(tmp_path):
    """Points that a route keeps in its extensions between its own are the road."""
    inner = '<extensions><x:rpts><x:rpt lat="1.0004" lon="2"/></x:rpts></extensions>'
    body = f'<rte><rtept lat="1" lon="2">{inner}</rtept><rtept lat="1.001" lon="2"/></rte>'
    assert read_gpx(write(tmp_path, wrap(body))).latitude_deg.tolist() == [1.0, 1.0004, 1.001]


def points(first, count, lat=50.0):
    """Points 33 m apart going north."""
    return "".join(f'<trkpt lat="{lat + 0.0003 * (first + i):.6f}" lon="5"/>' for i in range(count))


def test_segments_become_parts(tmp_path):
    """Segments of one track are parts of one course; empty ones leave no trace."""
    body = f"<trk><trkseg>{points(0, 3)}</trkseg><trkseg/><trkseg>{points(3, 4)}</trkseg></trk>"
    assert read_gpx(write(tmp_path, wrap(body))).part.tolist() == [0, 0, 0, 1, 1, 1, 1]


def test_tracks_that_join_are_joined(tmp_path):
    """A track that begins where the one before ends continues it."""
    body = "".join(f"<trk><trkseg>{points(first, 5)}</trkseg></trk>" for first in (0, 5, 10))
    assert read_gpx(write(tmp_path, wrap(body))).latitude_deg.size == 15


def test_tracks_apart_need_a_choice(tmp_path):
    """Tracks that don't join are chosen by number; a number that isn't there is refused."""
    body = "".join(
        f"<trk><name>{lat}</name><trkseg>{points(0, n, lat)}</trkseg></trk>"
        for lat, n in ((50.0, 4), (60.0, 6))
    )
    path = write(tmp_path, wrap(body))
    with pytest.raises(CourseError, match=r"choose one with --track 1 to 2"):
        read_gpx(path)
    assert read_gpx(path, track=2).latitude_deg.size == 6
    with pytest.raises(CourseError, match=r"no such track \(found --track 3\)"):
        read_gpx(path, track=3)


def test_waypoints_are_kept(tmp_path):
    """Waypoints keep place, name, description and kind."""
    body = '<wpt lat="50" lon="5"><name>Feed 1</name><cmt>left</cmt><sym>Food</sym></wpt>' + BODY
    (point,) = read_gpx(write(tmp_path, wrap(body))).waypoints
    assert (point.name, point.description, point.kind) == ("Feed 1", "left", "Food")
    assert (point.latitude_deg, point.longitude_deg) == (50.0, 5.0)


@pytest.mark.parametrize("longitude", ["180", "-180", "180.0"])
def test_longitude_180_is_on_the_earth(tmp_path, longitude):
    """180° is accepted though the schema excludes it: it is a place."""
    assert read_gpx(write(tmp_path, wrap(BODY.replace("5.001", longitude)))).latitude_deg.size == 3


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    """A path that can't be read is told in one line."""
    for path in (tmp_path / "none.gpx", tmp_path):
        with pytest.raises(CourseError, match="the file can't be read"):
            read_gpx(path)


def test_reads_what_another_reader_reads(tmp_path):
    """An independent GPX library finds the same points, elevations and times."""
    rng = np.random.default_rng(1)
    body = "".join(
        f'<trkpt lat="{50 + 1e-4 * i + 1e-6 * rng.random():.7f}" lon="{5 + 1e-4 * rng.random():.7f}">'
        f"<ele>{rng.normal(100, 5):.2f}</ele><time>2026-05-01T08:{i // 60:02d}:{i % 60:02d}Z</time></trkpt>\n"
        for i in range(500)
    )
    path = write(tmp_path, wrap(f"<trk><trkseg>{body}</trkseg></trk>"))
    ours = read_gpx(path)
    theirs = gpxpy.parse(path.read_text("utf-8")).tracks[0].segments[0].points
    assert ours.latitude_deg.tolist() == [p.latitude for p in theirs]
    assert ours.longitude_deg.tolist() == [p.longitude for p in theirs]
    assert ours.elevation.tolist() == [p.elevation for p in theirs]
    assert ours.time.tolist() == [p.time.timestamp() for p in theirs]


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_damage_is_read_or_refused_never_a_crash(tmp_path_factory, data):
    """A file with bytes changed, cut or repeated is read, or refused by one line."""
    raw = bytearray(('<?xml version="1.0"?>' + wrap(BODY)).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(raw) - 1))
        kind = data.draw(st.sampled_from(["flip", "cut", "repeat"]))
        if kind == "flip":
            raw[at] = data.draw(st.integers(0, 255))
        elif kind == "cut":
            del raw[at : at + data.draw(st.integers(1, 40))]
        else:
            raw[at:at] = raw[at : at + 30]
        raw = raw or bytearray(b"<")
    path = write(tmp_path_factory.mktemp("gpx"), bytes(raw))
    track, line = None, ""
    try:
        track = read_gpx(path)
    except CourseError as error:
        line = str(error)
    assert "\n" not in line
    assert bool(line) == (track is None)
    assert track is None or np.all(np.abs(track.latitude_deg) <= 90.0)
    assert track is None or np.all(np.abs(track.longitude_deg) <= 180.0)

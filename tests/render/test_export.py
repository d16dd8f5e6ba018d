"""What other programs are given can be read by other programs, and says what the plan says."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import xml.etree.ElementTree as ET
from dataclasses import replace

import gpxpy
import numpy as np
import pytest

from pacer.planning.plan import Cue, Plan, Reason
from pacer.render.export import cues_gpx, label, segments_csv, splits_csv, tcx_course
from pacer.render.reasons import reason_words
from tests.render.sample import sample_plan

GPX = "{http://www.topografix.com/GPX/1/1}"
TCX = "{http://www.garmin.com/xmlschemas/TrainingCenterDatabase/v2}"


def hostile(plan: Plan) -> Plan:
    """Give the plan names that other programs could choke on."""
    cue = Cue(5000.0, 'bridge <&> "quoted"\x00\x1b\nnext line', 230.0, "=2+5", True, "power")
    inputs = {**plan.inputs, "race": {"name": "</name><wpt>\x01 \ud800 Ωμέγα"}}
    segments = (
        replace(plan.segments[0], position="=HYPERLINK(1)", reasons=(Reason("@x\r\ny", 1.0, 2.0, "m"),)),
    )
    return replace(plan, inputs=inputs, cues=(*plan.cues[:3], cue), segments=(*segments, *plan.segments[1:]))


def test_gpx_is_read_by_another_reader() -> None:
    """A general-purpose GPX reader finds every cue in order, and the road as a route."""
    plan = sample_plan()
    found = gpxpy.parse(cues_gpx(plan).decode())
    assert len(found.waypoints) == len(plan.cues)
    assert len(found.routes) == 1
    for point, cue in zip(found.waypoints, plan.cues, strict=True):
        assert point.name is not None
        assert point.name.isascii()
        assert len(point.name) <= 10
        assert point.type == cue.kind
        told = float(str(point.description).split(",")[0].split(":")[0].removeprefix("km ")) * 1000.0
        assert abs(told - cue.at_m) <= 10.0
        assert not (cue.kind == "up" and told > cue.at_m + 1e-6)
        assert not (cue.kind == "tuck" and told < cue.at_m - 1e-6)
        if cue.kind not in {"feed", "note"}:
            assert f"{cue.power_w:.0f} W" in str(point.description)
            assert point.name.endswith("TUCK") is cue.tucked
    route = found.routes[0].points
    assert 500 < len(route) <= 1500
    assert found.routes[0].length() == pytest.approx(plan.totals.distance_m, rel=0.01)


def test_gpx_follows_the_schema() -> None:
    """Elements stand in the order that GPX 1.1 asks for, in the file and in each point."""
    root = ET.fromstring(cues_gpx(sample_plan()))
    assert root.tag == f"{GPX}gpx"
    assert root.attrib == {"version": "1.1", "creator": "pacer"}
    order = [child.tag.removeprefix(GPX) for child in root]
    assert order == ["metadata"] + ["wpt"] * order.count("wpt") + ["rte"]
    assert [child.tag.removeprefix(GPX) for child in root[1]] == ["ele", "name", "desc", "type"]
    (route,) = root.findall(f"{GPX}rte")
    assert [child.tag.removeprefix(GPX) for child in route][:2] == ["name", "rtept"]


def test_cues_stand_on_the_road() -> None:
    """A cue's coordinates are those of the cell that it lies in, within a cell's length."""
    plan = sample_plan()
    for point, cue in zip(gpxpy.parse(cues_gpx(plan).decode()).waypoints, plan.cues, strict=True):
        cell = int(np.searchsorted(plan.cells.start_m, cue.at_m, side="right")) - 1
        north = (point.latitude - plan.cells.latitude_deg[cell]) * 111_195.0
        east = (point.longitude - plan.cells.longitude_deg[cell]) * 111_195.0 * math.cos(math.radians(47.3))
        assert math.hypot(north, east) <= plan.cells.length_m[cell]


def test_tcx_is_a_course() -> None:
    """The TCX course has the planned times, rising distances, and a point for each cue on the track."""
    plan = sample_plan()
    course = ET.fromstring(tcx_course(plan)).find(f"{TCX}Courses/{TCX}Course")
    assert course is not None
    assert [child.tag.removeprefix(TCX) for child in course][:3] == ["Name", "Lap", "Track"]
    name = course.findtext(f"{TCX}Name")
    assert name == "Gannet Island t"[:15].rstrip()
    assert float(course.findtext(f"{TCX}Lap/{TCX}TotalTimeSeconds", "")) == pytest.approx(
        plan.totals.time_s, abs=0.1
    )
    track = course.findall(f"{TCX}Track/{TCX}Trackpoint")
    distances = [float(point.findtext(f"{TCX}DistanceMeters", "")) for point in track]
    assert distances == sorted(distances)
    times = [point.findtext(f"{TCX}Time", "") for point in track]
    assert times == sorted(times)
    points = course.findall(f"{TCX}CoursePoint")
    assert len(points) == len(plan.cues)
    for point, cue in zip(points, plan.cues, strict=True):
        assert len(point.findtext(f"{TCX}Name", "")) <= 10
        assert point.findtext(f"{TCX}Time") in times
        assert (point.findtext(f"{TCX}PointType") == "Danger") is (cue.kind == "up")


@pytest.mark.parametrize(
    ("start", "first"),
    [
        ("2031-05-04T07:30:00+02:00", "2031-05-04T05:30:00.000Z"),
        ("2031-05-04T07:30:00", "2031-05-04T07:30:00.000Z"),
        (None, "2000-01-01T00:00:00.000Z"),
        ("soon", "2000-01-01T00:00:00.000Z"),
        ("9999-12-31T23:59:59+00:00", "2000-01-01T00:00:00.000Z"),
        (7, "2000-01-01T00:00:00.000Z"),
    ],
)
def test_tcx_times(start: object, first: str) -> None:
    """Times start with the race's start time in UTC, or at a fixed date, never at the clock."""
    plan = sample_plan()
    timed = replace(plan, inputs={**plan.inputs, "race": {"start_time": start}})
    stamp = ET.fromstring(tcx_course(timed)).findtext(f".//{TCX}Trackpoint/{TCX}Time")
    assert stamp == first
    assert dt.datetime.fromisoformat(str(stamp)).tzinfo is not None


def test_hostile_names_stay_text() -> None:
    """Markup, control characters and broken Unicode in names give files that any XML reader takes."""
    plan = hostile(sample_plan())
    for raw in (cues_gpx(plan), tcx_course(plan)):
        root = ET.fromstring(raw)
        assert not any(ord(c) < 32 and c not in "\n\t" for c in raw.decode())
        assert 'bridge <&> "quoted" next line' in "".join(root.itertext())
    assert gpxpy.parse(cues_gpx(plan).decode()).routes[0].name == "</name><wpt> Ωμέγα"


def test_the_antimeridian() -> None:
    """A course over the antimeridian stays on it, with longitudes from -180 up to but without 180."""
    plan = sample_plan()
    shift = 180.0 - float(plan.cells.longitude_deg[300])
    moved = np.mod(plan.cells.longitude_deg + shift + 180.0, 360.0) - 180.0
    route = gpxpy.parse(
        cues_gpx(replace(plan, cells=replace(plan.cells, longitude_deg=moved))).decode()
    ).routes[0]
    longitudes = [point.longitude for point in route.points]
    assert all(-180.0 <= x < 180.0 for x in longitudes)
    assert not any(-170.0 < x < 170.0 for x in longitudes)


def test_segments_csv_says_what_the_plan_says() -> None:
    """Each segment is a line whose numbers are those of plan.json."""
    plan = sample_plan()
    rows = list(csv.DictReader(io.StringIO(segments_csv(plan).decode())))
    assert len(rows) == len(plan.segments)
    assert math.fsum(float(row["duration_s"]) for row in rows) == pytest.approx(plan.totals.time_s, abs=0.01)
    for row, segment in zip(rows, plan.segments, strict=True):
        assert int(row["index"]) == segment.index
        assert float(row["power_w"]) == segment.power_w
        assert float(row["end_m"]) == pytest.approx(segment.end_m, abs=1e-4)
        assert (row["tucked"] == "true") is segment.tucked
        assert all(reason_words(reason) in row["reasons"] for reason in segment.reasons)


def test_csv_holds_no_formula() -> None:
    """No cell begins as a formula does or holds a control character."""
    raw = segments_csv(hostile(sample_plan())).decode()
    for row in csv.reader(io.StringIO(raw)):
        for cell in row:
            assert cell.isprintable()
            try:
                float(cell)
            except ValueError:
                assert not cell.startswith(("=", "+", "-", "@", "\t", "|", "%"))


def test_splits_csv() -> None:
    """Splits come every so many kilometres with bounds around them, the finish last."""
    plan = sample_plan()
    rows = list(csv.DictReader(io.StringIO(splits_csv(plan, 2.5).decode())))
    assert [float(row["distance_km"]) for row in rows][:3] == [2.5, 5.0, 7.5]
    assert float(rows[-1]["time_s"]) == pytest.approx(plan.totals.time_s, abs=0.05)
    assert all(float(r["early_s"]) < float(r["time_s"]) < float(r["late_s"]) for r in rows)


@pytest.mark.parametrize(
    ("cue", "name"),
    [
        (Cue(0, "x", 260.0, "bars", True, "tuck"), "260W TUCK"),
        (Cue(0, "x", 1260.0, "bars", True, "tuck"), "1260W TUCK"),
        (Cue(0, "x", 12600.0, "bars", True, "tuck"), "12600WTUCK"),
        (Cue(0, "x", 95.4, "hoods", False, "up"), "95W UP"),
        (Cue(0, "Brücke über", 95.4, "hoods", False, "note"), "BRUCKE UBE"),
        (Cue(0, "島", 95.4, "hoods", False, "feed"), "FEED"),
    ],
)
def test_labels(cue: Cue, name: str) -> None:
    """Names fit a small screen: ten plain characters."""
    assert label(cue) == name


def test_same_plan_same_bytes() -> None:
    """Nothing depends on the clock or on chance."""
    plan = sample_plan()
    for write in (cues_gpx, tcx_course, segments_csv):
        assert write(plan) == write(plan)

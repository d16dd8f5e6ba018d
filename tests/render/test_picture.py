"""Pictures show the plan and the course as they are, in both formats alike."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image

from pacer.course.segment import course_segments
from pacer.planning.plan import Plan
from pacer.render._view import clean_steps, make_view, mean_wind, plane, stretches
from pacer.render.course_picture import route_picture
from pacer.render.picture import plan_picture
from pacer.render.words import clock
from tests.render.sample import WIND, sample_course, sample_plan

SVG = "{http://www.w3.org/2000/svg}"
INK = (0x15, 0x22, 0x2E)


def pixels(png: bytes) -> np.ndarray:
    """Read a PNG with the library that others use."""
    picture = Image.open(io.BytesIO(png))
    picture.load()
    return np.asarray(picture.convert("RGB"), dtype=np.int64)


def texts(svg: bytes) -> list[str]:
    """Read the words of an SVG."""
    return ["".join(node.itertext()) for node in ET.fromstring(svg).iter(f"{SVG}text")]


def test_the_ribbon_is_dark_where_the_plan_is_tucked() -> None:
    """The share of ink in the position strip is the plan's share of road ridden tucked."""
    plan = sample_plan()
    strip = pixels(plan_picture(plan))[134:156, 701:1559]
    dark = float((np.abs(strip - np.array(INK)).sum(axis=2) < 60).mean())
    assert dark == pytest.approx(plan.totals.tucked_distance_share, abs=0.02)


def test_the_picture_says_what_the_plan_says() -> None:
    """Name, time, power and share of the tuck are the plan's."""
    plan = sample_plan()
    said = texts(plan_picture(plan, "svg"))
    totals = plan.totals
    assert "Gannet Island time trial" in said
    task = (
        f"{clock(totals.time_s)}, {totals.mean_power_w:.0f} W, {100 * totals.tucked_time_share:.0f} % tucked"
    )
    assert task in said


def test_the_course_shows_its_corners_and_segments() -> None:
    """Each corner has a mark on map and profile, and the legend one; segments are counted."""
    course, cells = sample_course()
    cuts = course_segments(cells)
    corners = tuple(replace(corner, measured=k > 1) for k, corner in enumerate(course.corners))
    unsure = replace(course, corners=corners)
    svg = route_picture(unsure, cells, cuts, "svg")
    assert f"{len(cuts) - 1} segments" in texts(svg)
    paths = [node.attrib for node in ET.fromstring(svg).iter(f"{SVG}path")]
    solid = [p for p in paths if p.get("fill") == "#ad3a12"]
    assert len(solid) == 2 * (len(course.corners) - 2) + 1
    assert pixels(route_picture(course, cells, cuts, "png")).shape == (900, 1600, 3)


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_same_plan_same_bytes(kind: str) -> None:
    """Drawing twice gives the same file."""
    assert plan_picture(sample_plan(), kind) == plan_picture(sample_plan(), kind)


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", "\x00\x1b[1m", "\ud800", "島" * 40, ""])
def test_hostile_names(name: str) -> None:
    """Names stay text, whatever is in them."""
    plan = sample_plan()
    odd = replace(plan, inputs={"race": {"name": name}, "route": name})
    svg = plan_picture(odd, "svg")
    assert ET.fromstring(svg).find(f"{SVG}script") is None
    assert pixels(plan_picture(odd)).shape == (900, 1600, 3)


def test_another_kind() -> None:
    """Other formats are a mistake of the programmer."""
    with pytest.raises(ValueError, match="png or svg"):
        plan_picture(sample_plan(), "gif")


def upright(plan: Plan) -> Plan:
    """Give the plan without a tuck."""
    return replace(plan, segments=tuple(replace(s, tucked=False) for s in plan.segments))


def test_stretches_partition_the_road() -> None:
    """The stretches follow on each other from start to finish, tucked where the plan is."""
    for plan in (sample_plan(), upright(sample_plan())):
        found = stretches(plan)
        assert found[0].start_m == 0.0
        assert all(a.end_m == pytest.approx(b.start_m) for a, b in pairwise(found))
        assert found[-1].end_m == pytest.approx(plan.totals.distance_m)
        tucked = sum(s.end_m - s.start_m for s in found if s.state == "tuck")
        wanted = sum(s.end_m - s.start_m for s in plan.segments if s.tucked)
        assert tucked == pytest.approx(wanted)


def test_thinning_keeps_every_segment() -> None:
    """A thinned view has about as many places as asked for, and a place in each segment."""
    plan = sample_plan()
    view = make_view(plan, 200)
    assert 200 <= view.distance_m.size <= 200 + len(plan.segments)
    assert set(view.segment.tolist()) == set(range(len(plan.segments)))
    assert make_view(plan, 10**6).distance_m.size == plan.cells.start_m.size


def test_the_mean_wind_comes_back() -> None:
    """From head and cross components the wind of the race is found again, its speed and where to."""
    speed, blows_to = mean_wind(make_view(sample_plan(), 10**6))
    assert speed == pytest.approx(0.72 * WIND)
    assert blows_to % 360.0 == pytest.approx(60.0)


def test_the_plane_keeps_distances_over_the_antimeridian() -> None:
    """Two places on either side of the antimeridian lie as far apart as they are."""
    x, y = plane(np.array([0.0, 0.0]), np.array([179.995, -179.995]))
    assert np.hypot(np.diff(x), np.diff(y)) == pytest.approx(0.01 * 111_195.0, rel=1e-3)


@pytest.mark.parametrize(
    ("low", "high", "most", "steps"),
    [
        (0.0, 41.0, 9, [0, 5, 10, 15, 20, 25, 30, 35, 40]),
        (-5.0, 5.0, 2, [-5.0, 0.0, 5.0]),
        (0.0, 0.37, 4, [0.0, 0.1, 0.2, 0.3]),
    ],
)
def test_round_steps(low: float, high: float, most: int, steps: list[float]) -> None:
    """Scales are marked at round values."""
    assert clean_steps(low, high, most) == pytest.approx(steps)

"""The same road recorded by different devices, or ridden the other way, gives nearly the same plan time.

`python -m tests.planning.test_devices` prints the table in `docs/explanation/course.md`.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from pacer.course.build import build_course
from pacer.course.track import CornerKind, Course, RawTrack
from pacer.planning.plan import Plan
from pacer.workflow import make_plan
from tests.course import truth as t
from tests.planning.courses import make_request, windy

ALLOWED = 0.01
"""Share of the plan time; the bound that the project sets itself."""

WIND = windy(4.0, math.radians(250.0), gust=6.0)

DEVICES: dict[str, dict[str, Any]] = {
    "bicycle computer, each second": {"position_noise": 1.0, "elevation_noise": 0.3, "quantum": 0.2},
    "watch, each second": {
        "position_jitter": 2.0,
        "elevation_jitter": 0.5,
        "drift": 2.0,  # in 17 minutes; a front that passes brings about 8 m an hour
    },
    "telephone, every 8 m": {
        "position_noise": 2.0,
        "elevation_noise": 1.5,
        "quantum": 1.0,
    },
    "logger, each second, feet": {"position_noise": 1.5, "quantum": 0.3048},
    "planner, 20 to 50 m": {"quantum": 1.0},
    "as rides are recorded": {  # half as much again as eight recordings show: `python -m tests.course.real`
        "position_jitter": 0.9,
        "position_reach": 150.0,
        "elevation_jitter": 0.8,
        "quantum": 0.2,
    },
}
ROADS = ("as ridden", "wide bends", "country", "out and back", "mountain")
LENGTH = 20_000.0
"""Of each road, the way back included; the shortest usual race [m]."""


def wide_bends(rng: np.random.Generator, metres: float) -> list[Any]:
    """A main road: straights, and bends of 150 to 400 m radius."""
    pieces: list[Any] = []
    total = 0.0
    while total < metres:
        radius, turn = rng.uniform(150.0, 400.0), rng.uniform(15.0, 50.0) * rng.choice([-1.0, 1.0])
        pieces += [t.straight(rng.uniform(200.0, 700.0)), t.arc(radius, turn, CornerKind.BEND)]
        total += pieces[-2][1] + radius * abs(np.radians(turn))
    return [*pieces, t.straight(200.0)]


_track: Any = t.track
_build: Any = t.build


@cache
def true_road(kind: str, seed: int) -> Any:
    """A road of 20 km, known every half metre."""
    rng = np.random.default_rng(seed)
    back = kind == "out and back"
    lay: dict[str, Any] = {
        "as ridden": t.ridden_road,
        "wide bends": wide_bends,
        "mountain": t.mountain_road,
    }
    pieces = lay.get(kind, t.country_road)(rng, 0.5 * LENGTH if back else LENGTH)
    grades = t.rolling_grades(rng, 2.0 * LENGTH, spread=0.05 if kind == "mountain" else 0.025)
    if back:
        pieces, grades = t.out_and_back(pieces), t.there_and_back(grades)
    return _build(pieces, grades)


def recorded(road: Any, device: str, seed: int) -> RawTrack:
    """The file that a device makes of a road."""
    rng = np.random.default_rng([seed, list(DEVICES).index(device)])
    if "each second" in device or "recorded" in device:
        at, period = t.recorded_at(road)
        return _track(road, at, rng, period=period, **DEVICES[device])
    at = t.planned_at(rng, road) if "planner" in device else np.arange(0.0, road.s[-1], 8.0)
    return _track(road, at, rng, **DEVICES[device])


def exact(road: Any) -> RawTrack:
    """The road itself, a point every 4 m."""
    return _track(road, np.append(np.arange(0.0, road.s[-1], 4.0), road.s[-1]), np.random.default_rng(0))


def turned(track: RawTrack) -> RawTrack:
    """The file of someone who rode the road the other way."""
    return replace(
        track,
        latitude_deg=track.latitude_deg[::-1],
        longitude_deg=track.longitude_deg[::-1],
        elevation=track.elevation[::-1],
    )


def planned(course: Course) -> Plan:
    """The plan of the typical rider in wind."""
    return make_plan(make_request(course, weather=WIND))


@cache
def true_time(kind: str, seed: int) -> float:
    """Plan time on the road itself [s]."""
    return planned(build_course(exact(true_road(kind, seed)))).totals.time_s


def on_true_corners(kind: str, device: str, seed: int) -> float:
    """Plan time on the device's line and profile with the true corners, over the true time, less one."""
    road = true_road(kind, seed)
    course = build_course(recorded(road, device, seed))
    true = build_course(exact(road))
    scale = course.length / true.length
    corners = tuple(
        replace(c, start=scale * c.start, apex=scale * c.apex, end=min(scale * c.end, course.length))
        for c in true.corners
    )
    return planned(replace(course, corners=corners)).totals.time_s / true_time(kind, seed) - 1.0


def difference(kind: str, device: str, seed: int) -> float:
    """Plan time from the device's file as it is, over the true time, less one."""
    course = build_course(recorded(true_road(kind, seed), device, seed))
    return planned(course).totals.time_s / true_time(kind, seed) - 1.0


@pytest.mark.parametrize("device", DEVICES)
@pytest.mark.parametrize("kind", ["country", "out and back"])
def test_devices_agree_on_line_and_profile(kind: str, device: str) -> None:
    """Whatever recorded the road, line, length and profile give the road's own time within 1 %."""
    assert abs(on_true_corners(kind, device, seed=1)) < ALLOWED


@pytest.mark.parametrize("device", DEVICES)
def test_a_road_recorded_the_other_way_gives_the_same_time(device: str) -> None:
    """Ridden back and planned with --reverse, the road takes the time that it takes as ridden out."""
    track = recorded(true_road("country", 1), device, 1)
    out, back = build_course(track), build_course(turned(track), reverse=True)
    assert planned(back).totals.time_s == pytest.approx(planned(out).totals.time_s, rel=1e-4)


@pytest.mark.parametrize("device", ["as rides are recorded", "bicycle computer, each second"])
@pytest.mark.parametrize("kind", ROADS)
def test_files_as_they_are_agree(kind: str, device: str) -> None:
    """Corners as the file shows them give the road's own time within 1 %, tight ones and wide ones."""
    assert abs(difference(kind, device, seed=1)) < ALLOWED


@pytest.mark.parametrize(
    "device", ["watch, each second", "telephone, every 8 m", "logger, each second, feet"]
)
def test_on_roads_as_ridden_all_that_record_agree(device: str) -> None:
    """However they err, where corners are as long as riders' lines are on the whole."""
    assert abs(difference("as ridden", device, seed=1)) < ALLOWED


@pytest.mark.parametrize(
    ("kind", "device", "most"),
    [
        ("country", "telephone, every 8 m", 0.016),
        ("out and back", "telephone, every 8 m", 0.0165),
        ("country", "logger, each second, feet", 0.0135),
        ("out and back", "watch, each second", 0.0115),
        ("mountain", "planner, 20 to 50 m", 0.023),
    ],
)
def test_others_are_no_farther_off_than_the_docs_say(kind: str, device: str, most: float) -> None:
    """Corners unlike most, under much noise; and hairpins that a planner cuts short."""
    assert abs(difference(kind, device, seed=1)) < most


def main() -> None:
    """Print the tables: least and largest difference over six roads, by road and device."""
    for title, measured in (("line and profile", on_true_corners), ("as it is", difference)):
        print(f"\n{title}\n\n| device | " + " | ".join(ROADS) + " |")
        print("| --- |" + " --- |" * len(ROADS))
        for device in DEVICES:
            cells = []
            for kind in ROADS:
                found = [100.0 * measured(kind, device, seed) for seed in range(1, 7)]
                cells.append(f"{min(found):+.2f} to {max(found):+.2f} %".replace("-", "\u2212"))
            print(f"| {device} | " + " | ".join(cells) + " |", flush=True)


if __name__ == "__main__":
    main()

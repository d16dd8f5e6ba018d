"""Make the demo routes again: ``python -m tests.routes.make_routes FOLDER``. Deterministic; numpy only.

The rider, race and forecast files beside them are written by hand.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from tests.routes.drawing import Line, Pen, Place, out_and_back, with_hills
from tests.routes.recording import (
    Points,
    area_of,
    barometer,
    draw,
    line_of,
    point_of,
    record,
    splice,
    spot,
    terrain,
    write_gpx,
    write_truth,
    write_zones,
    zone,
)

OPEN_SEA = 41.2, -38.6
"""Mid-Atlantic, some thousand kilometres from any road."""


def marnhythe() -> tuple[Line, Points, Place]:
    """Draw a flat out-and-back with two dead turns, a roundabout and a junction passed twice each."""
    rng = np.random.default_rng(1901)
    pen = Pen(heading=94.0)
    pen.straight(700.0)
    pen.bend(14.0, 420.0)
    pen.straight(1900.0)
    pen.bend(-24.0, 260.0)
    pen.straight(1300.0)
    pen.bend(9.0, 600.0)
    pen.straight(2300.0)
    pen.bend(88.0, 15.0)
    pen.straight(900.0)
    pen.bend(-31.0, 190.0)
    pen.straight(2200.0)
    road = with_hills(pen.line(), [(1.0, 0.0)], rng, base=9.0, ripple=0.004, loop=True)
    line = out_and_back(road, middle=5020.0, lane=3.5, islands=(3400.0,))
    points = barometer(record(line, rng, cruise=10.8, jitter=0.9), rng, noise=0.4, drift=3.0)
    return line, points, Place(OPEN_SEA[0], OPEN_SEA[1])


def orlibeck() -> tuple[Line, Points, Place]:
    """Draw a rolling lap with junctions, sweeping bends and a narrow bridge, closed on itself."""
    rng = np.random.default_rng(1902)
    pen = Pen(heading=62.0)
    first = pen.straight(1500.0)
    pen.wander(rng, 4300.0, 60.0, tightest=110.0)
    pen.bend((150.0 - pen.heading + 180.0) % 360.0 - 180.0, 11.0)
    second = pen.straight(900.0)
    pen.wander(rng, 2300.0, 152.0, tightest=75.0)
    pen.bend((236.0 - pen.heading + 180.0) % 360.0 - 180.0, 9.0)
    pen.straight(640.0)
    pen.bend(-42.0, 55.0)
    pen.straight(420.0)
    pen.bend(50.0, 48.0)
    pen.wander(rng, 6100.0, 240.0, tightest=95.0)
    pen.bend((326.0 - pen.heading + 180.0) % 360.0 - 180.0, 12.0)
    pen.straight(1500.0)
    pen.bend(8.0, 300.0)
    pen.straight(500.0)
    pen.bend((62.0 - pen.heading + 180.0) % 360.0 - 180.0, 14.0)
    pen.straight(700.0)
    pen.close(first, second)
    grades = [
        (9, 0.003), (7, 0.042), (5, -0.05), (8, 0.004), (6, 0.058), (3, 0.012), (7, -0.057), (8, -0.004),
        (5, 0.031), (6, -0.038), (9, 0.01), (4, 0.048), (6, -0.044), (9, 0.0),
    ]  # fmt: skip
    line = with_hills(pen.line(), grades, rng, base=38.0, ripple=0.005, loop=True)
    return line, terrain(draw(line, rng), line, rng, 1.0), Place(OPEN_SEA[0] + 0.31, OPEN_SEA[1] + 0.22)


def scarnow() -> tuple[Line, Points, Place]:
    """Draw two passes: hairpins up, a dozen and more down, valley roads between."""
    rng = np.random.default_rng(1903)
    pen = Pen(heading=20.0)
    marks, grades = [0.0], []

    def hill(grade: float) -> None:
        marks.append(pen.at)
        grades.append((marks[-1] - marks[-2], grade))

    pen.wander(rng, 13_000.0, 25.0)
    hill(0.004)
    pen.wander(rng, 4200.0, 40.0, tightest=70.0)
    hill(0.052)
    pen.hairpins(rng, 6, (230.0, 420.0), (9.0, 14.0))
    hill(0.068)
    pen.wander(rng, 3600.0, 35.0, tightest=60.0)
    hill(0.078)
    pen.wander(rng, 2400.0, 30.0, tightest=60.0)
    hill(0.055)
    pen.wander(rng, 900.0, 30.0)
    hill(0.0)
    pen.wander(rng, 2600.0, 60.0, tightest=60.0)
    hill(-0.062)
    pen.hairpins(rng, 14, (160.0, 390.0), (7.0, 12.0))
    hill(-0.076)
    pen.wander(rng, 3000.0, 80.0, tightest=55.0)
    hill(-0.048)
    pen.wander(rng, 15_500.0, 130.0)
    hill(-0.003)
    pen.bend((205.0 - pen.heading + 180.0) % 360.0 - 180.0, 13.0)
    pen.wander(rng, 2800.0, 200.0, tightest=70.0)
    hill(0.062)
    pen.wander(rng, 1200.0, 210.0, tightest=70.0)
    hill(0.021)
    pen.wander(rng, 4300.0, 205.0, tightest=60.0)
    hill(0.087)
    pen.wander(rng, 6400.0, 215.0, tightest=48.0)
    hill(-0.071)
    pen.wander(rng, 3100.0, 225.0, tightest=65.0)
    hill(-0.041)
    pen.wander(rng, 19_000.0, 235.0)
    hill(-0.006)
    line = with_hills(pen.line(), grades, rng, base=14.0, ripple=0.004)
    valleys = [(marks[0], marks[1]), (marks[9], marks[10]), (marks[15], marks[16])]
    drawn = [(start, end, draw(line, rng, start, end)) for start, end in valleys]
    points = terrain(splice(record(line, rng, cruise=9.3, jitter=0.9), drawn), line, rng, 0.1)
    return line, points, Place(OPEN_SEA[0] - 0.35, OPEN_SEA[1] - 0.4)


def orlibeck_zones(line: Line, place: Place) -> list[dict[str, object]]:
    """Draw on the map what the rider knows of the lap: bridge, wood, rough road, feed."""
    junctions = [item for item in line.features if item.kind == "corner"]
    bridge = junctions[0].end + 320.0
    rough = junctions[1].end + 150.0
    wood = junctions[2].start - 2600.0
    return [
        zone("no-tuck", line_of(line, place, bridge, bridge + 90.0), note="narrow bridge"),
        zone("surface", line_of(line, place, rough, rough + 260.0), note="patched road", crr_factor=1.35),
        zone("sheltered", area_of(line, place, wood, wood + 1400.0), note="Orlibeck wood", wind_factor=0.5),
        zone("feed", point_of(line, place, junctions[2].end + 700.0), note="bottles from the left"),
    ]


def main(folder: Path) -> None:
    """Write the three routes with what is true of them."""
    line, points, place = marnhythe()
    begin = datetime(2026, 5, 9, 8, 12, tzinfo=UTC)
    write_gpx(folder / "marnhythe-tt.gpx", "Marnhythe out and back", points, place, digits=7, begin=begin)
    write_truth(folder / "marnhythe-tt.truth.json", line, place)

    line, points, place = orlibeck()
    write_gpx(folder / "orlibeck-tri.gpx", "Orlibeck triathlon, one lap", points, place, digits=5)
    write_truth(folder / "orlibeck-tri.truth.json", line, place)
    write_zones(folder / "orlibeck-tri.zones.geojson", orlibeck_zones(line, place))

    line, points, place = scarnow()
    top = float(line.s[np.argmax(line.z)])
    second = float(line.s[np.argmax(np.where(line.s > top + 20_000.0, line.z, 0.0))])
    named = ((top, "Scarnow Pass"), (top + 14_000.0, "Feed station, Tammerfold"), (second, "Ysterhead"))
    waypoints = tuple((*spot(line, at), label) for at, label in named)
    write_gpx(
        folder / "scarnow-pass.gpx", "Two passes of Scarnow", points, place, digits=6, waypoints=waypoints
    )
    write_truth(folder / "scarnow-pass.truth.json", line, place)


if __name__ == "__main__":
    main(Path(sys.argv[1]))

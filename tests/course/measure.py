"""Measure built courses against the truth; `python -m tests.course.measure` prints the tables of the docs."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pacer.course.build import build_course
from pacer.course.track import CornerKind, Course
from tests.course import truth as t


@dataclass
class CornerScore:
    """How the corners of one kind were found."""

    found: list[bool] = field(default_factory=list)
    kind_right: list[bool] = field(default_factory=list)
    measured: list[bool] = field(default_factory=list)
    ratio: list[float] = field(default_factory=list)
    tightest: list[float] = field(default_factory=list)


def warp(course: Course, truth: t.Truth):
    """Map distance along the built course to distance along the true line, by the nearest place."""
    from pyproj import Proj

    plane = Proj(proj="aeqd", ellps="WGS84", lat_0=50.0, lon_0=5.0)
    x, y = plane(course.longitude_deg, course.latitude_deg)
    guess = course.distance * truth.s[-1] / course.length
    at, shift = np.empty(guess.size), 0.0
    for i, g in enumerate(guess):
        low = int(np.searchsorted(truth.s, g + shift - 30.0))
        high = max(int(np.searchsorted(truth.s, g + shift + 30.0)), low + 1)
        away = np.hypot(truth.xy[low:high, 0] - x[i], truth.xy[low:high, 1] - y[i])
        off = np.abs(truth.s[low:high] - g - shift)
        best = low + int(np.argmin(away + 0.3 * off))
        at[i] = truth.s[min(best, truth.s.size - 1)]
        shift += 0.05 * (at[i] - g - shift)
    at = np.maximum.accumulate(at)
    return lambda d: np.interp(d, course.distance, at)


def grade_error(course: Course, truth: t.Truth, window=100.0):
    """Root mean square error of the grade over `window` metres."""
    to_truth = warp(course, truth)
    s = np.arange(window, course.length - window, 10.0)
    rise = np.interp(s + window / 2, course.distance, course.elevation) - np.interp(
        s - window / 2, course.distance, course.elevation
    )
    middle = to_truth(s)
    true = np.interp(middle + window / 2, truth.s, truth.z) - np.interp(middle - window / 2, truth.s, truth.z)
    return float(np.sqrt(np.mean(((rise - true) / window) ** 2)))


def climb_error(course: Course, truth: t.Truth):
    """Relative error of the total ascent."""
    return course.climb / truth.climb - 1.0


def score_corners(course: Course, truth: t.Truth):
    """Compare corners: scores by kind, and the corners that aren't there.

    A true corner is found if a corner of the same hand, with at least 60 % of its turn, overlaps it within
    15 m; the hand of a turn about isn't told apart.
    """
    to_truth = warp(course, truth)
    placed = [(float(to_truth(c.start)), float(to_truth(c.end)), c) for c in course.corners]
    scores: dict[CornerKind, CornerScore] = {}
    real: set[int] = set()
    for corner in truth.corners:
        near = []
        for i, (start, end, c) in enumerate(placed):
            same = c.turn * corner.turn > 0.0 or min(abs(c.turn), abs(corner.turn)) > 2.5
            if same and end > corner.start - 15.0 and start < corner.end + 15.0:
                near.append(c)
                real.add(i)
        score = scores.setdefault(corner.kind, CornerScore())
        best = max(near, key=lambda c: abs(c.turn), default=None)
        found = best is not None and abs(best.turn) >= 0.6 * abs(corner.turn)
        score.found.append(found)
        if best is not None and found:
            score.kind_right.append(best.kind is corner.kind)
            score.measured.append(best.measured)
            score.ratio.append(best.radius / corner.radius)
            score.tightest.append(best.tightest / corner.radius)
    return scores, [c for i, (_, _, c) in enumerate(placed) if i not in real]


ROADS = {
    "country": lambda rng: t.country_road(rng, 15000.0),
    "mountain": lambda rng: t.mountain_road(rng, 15000.0),
    "out-and-back": lambda rng: t.out_and_back(t.country_road(rng, 6000.0)),
}
GRADES = {
    "country": {"spread": 0.025},
    "mountain": {"spread": 0.05, "piece": (80.0, 500.0), "ease": 40.0},
    "out-and-back": {"spread": 0.02},
}
FILES = {
    "recorded each second": {"recorded": True},
    "a point every 8 m": {"every": 8.0},
    "planned, 20 to 50 m": {"planned": True},
}
FAULTS = {
    "none": {},
    "1 m position, 0.5 m elevation": {"position_noise": 1.0, "elevation_noise": 0.5},
    "1 m position, rounded to 1 m": {"position_noise": 1.0, "quantum": 1.0},
    "3 m position, 1.5 m elevation": {"position_noise": 3.0, "elevation_noise": 1.5},
    "jitter 3 m and 0.5 m over 60 m": {"position_jitter": 3.0, "elevation_jitter": 0.5},
}


def make(road, file, fault, seed):
    """Make the truth and the file of one case."""
    rng = np.random.default_rng(seed)
    pieces = ROADS[road](rng)
    grades = t.rolling_grades(rng, 60_000.0, **GRADES[road])
    truth = t.build(pieces, t.there_and_back(grades) if road == "out-and-back" else grades)
    how, period = FILES[file], None
    if "recorded" in how:
        at, period = t.recorded_at(truth)
    elif "every" in how:
        at = np.append(np.arange(0.0, truth.s[-1] - 4.0, how["every"]), truth.s[-1])
    else:
        at = t.planned_at(rng, truth)
    return truth, t.track(truth, at, rng, period=period, **FAULTS[fault])


def table(seeds=range(4)):
    """Rows of figures: one for each road, file and fault."""
    for road in ROADS:
        for file in FILES:
            for fault in FAULTS:
                yield road, file, fault, *_row(road, file, fault, seeds)


def _row(road, file, fault, seeds):
    grade, climb, length, false, metres = [], [], [], 0, 0.0
    kinds: dict[CornerKind, CornerScore] = {}
    for seed in seeds:
        truth, raw = make(road, file, fault, seed)
        course = build_course(raw)
        grade.append(grade_error(course, truth) ** 2)
        climb.append(climb_error(course, truth))
        length.append(course.length / truth.length - 1.0)
        scores, wrong = score_corners(course, truth)
        false, metres = false + len(wrong), metres + truth.length
        for kind, score in scores.items():
            total = kinds.setdefault(kind, CornerScore())
            for name in ("found", "kind_right", "measured", "ratio", "tightest"):
                getattr(total, name).extend(getattr(score, name))
    return (
        float(np.sqrt(np.mean(grade))),
        float(np.mean(climb)),
        float(np.mean(length)),
        1e5 * false / metres,
        kinds,
    )


def _matrix(title, rows, value):
    """Print one figure of every case: a row for each road and file, a column for each fault."""
    print(f"\n{title}\n\n| road, file | {' | '.join(FAULTS)} |\n|{' --- |' * (len(FAULTS) + 1)}")
    for road in ROADS:
        for file in FILES:
            cells = " | ".join(value(rows[road, file, fault]) for fault in FAULTS)
            print(f"| {road}, {file} | {cells} |")


def _corner_table(rows, fault):
    """Print how corners were found under one fault."""
    print(f"\nCorners under: {fault}\n")
    print(
        "| road, file | kind | found | expected radius / true: 10th, 50th, 90th percentile "
        "| tightest / true | measured |"
    )
    print("| --- | --- | --- | --- | --- | --- |")
    for (road, file, this), row in rows.items():
        if this != fault:
            continue
        for kind, score in row[-1].items():
            likely, tight = (
                ", ".join(f"{x:.2f}" for x in np.percentile(ratio or [np.nan], [10, 50, 90]))
                for ratio in (score.ratio, score.tightest)
            )
            measured = np.array(score.measured, dtype=bool)
            print(
                f"| {road}, {file} | {kind.value} | {sum(score.found)} of {len(score.found)} "
                f"| {likely} | {tight} | {100 * np.mean(measured):.0f} % |"
            )


if __name__ == "__main__":
    found = {row[:3]: row[3:] for row in table()}
    _matrix("Grade over 100 m, RMS error", found, lambda r: f"{100 * r[0]:.2f} %")
    _matrix("Climb, mean error", found, lambda r: f"{100 * r[1]:+.1f} %")
    _matrix("Length, mean error", found, lambda r: f"{100 * r[2]:+.2f} %")
    _matrix("Corners that aren't there, in 100 km", found, lambda r: f"{r[3]:.0f}")
    for name in FAULTS:
        _corner_table(found, name)

"""What real recordings say of how far they err and of how long corners are.

::

    python -m tests.course.real RIDE...

Where a ride passes the same road twice the same way, the two lines and profiles differ by what recorded them
and by the rider's choice within the lane. `docs/explanation/course.md` gives the figures of eight rides.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.spatial import cKDTree

from pacer.course import arcs, radii
from pacer.course.build import build_course
from pacer.course.geodesy import Plane
from pacer.course.track import RawTrack
from pacer.errors import PacerError
from pacer.files.rides import read_recording
from pacer.units import FloatArray

STEP = 5.0
"""Spacing at which two passes are compared [m]."""

LAGS_M = (10, 20, 40, 100, 200, 300, 500)
TURNS_DEG = (15, 25, 40, 60, 80, 110, 180)


def track_of(path: Path) -> RawTrack:
    """The points of a recorded ride, as if they were a course."""
    ride = read_recording(path)
    latitude, longitude = ride.channels["latitude_deg"], ride.channels["longitude_deg"]
    known = np.isfinite(latitude) & np.isfinite(longitude)
    return RawTrack(
        name=path.stem,
        source=str(path),
        latitude_deg=latitude[known],
        longitude_deg=longitude[known],
        elevation=ride.channels["elevation"][known],
        time=ride.time[known],
        part=np.zeros(int(known.sum()), dtype=np.int64),
    )


def passes(track: RawTrack) -> list[FloatArray]:
    """For each 300 m or more ridden again the same way: how far to the right and how much higher, (k, 2)."""
    xy = Plane.about(track.latitude_deg, track.longitude_deg).to_plane(
        track.latitude_deg, track.longitude_deg
    )
    along = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))))
    moved = np.concatenate(([True], np.diff(along) > 0.0))
    at = np.arange(0.0, along[-1], STEP)
    x, y, z = (np.interp(at, along[moved], c[moved]) for c in (*xy.T, track.elevation))
    place = np.column_stack((x, y))
    way = np.gradient(place, axis=0)
    way /= np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    apart = np.full((at.size, 2), np.nan)
    for i, near in enumerate(cKDTree(place).query_ball_point(place, 15.0)):
        before = [j for j in near if j < i - 100 and way[i] @ way[j] > math.cos(math.radians(20.0))]
        if before:
            j = min(before, key=lambda k: math.dist(place[k], place[i]))
            east, north = place[i] - place[j]
            apart[i] = east * way[i, 1] - north * way[i, 0], z[i] - z[j]
    known = np.isfinite(apart).all(axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(int)))
    return [apart[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True) if (b - a) * STEP >= 300.0]


def profiles_of(track: RawTrack) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Turn of each corner, likelihood of each ln radius tried, (m, 15, 2); turn, length of measured."""
    seen: list[tuple[FloatArray, ...]] = []

    def watch(*given: FloatArray) -> FloatArray:
        seen.append(given)
        return radii.expected_radius(*given)

    original, arcs.expected_radius = arcs.expected_radius, watch
    try:
        corners = build_course(track, flat=True).corners
    finally:
        arcs.expected_radius = original
    best, turn, tighter, wider = seen[-1]
    worse = np.column_stack((tighter[:, ::-1], np.zeros(best.size), wider))
    likely = np.exp(-0.5 * worse**2) * radii.WIDTHS
    measured = [(abs(c.turn), c.radius * abs(c.turn)) for c in corners if c.measured]
    return turn, np.stack((np.log(best)[:, None] + radii.TRIED, likely), axis=2), np.array(measured)


def lengths(turn: FloatArray, profile: FloatArray) -> tuple[float, float]:
    """Mean and spread of ln length that make the points of all corners likeliest."""
    ln_length = profile[:, :, 0] + np.log(turn)[:, None]

    def unlikely(state: FloatArray) -> float:
        spread = math.exp(state[1])
        prior = np.exp(-0.5 * ((ln_length - state[0]) / spread) ** 2) / spread
        return -float(np.sum(np.log(np.sum(profile[:, :, 1] * prior, axis=1) + 1e-300)))

    found = minimize(unlikely, [3.5, 0.0], method="Nelder-Mead").x
    return float(found[0]), math.exp(float(found[1]))


def main(names: list[str]) -> None:
    """Print how recordings err, and how long corners are by how much they turn."""
    tracks = []
    for name in names:
        try:
            tracks.append(track_of(Path(name)))
        except (PacerError, KeyError) as fault:
            print(f"left out: {name}: {fault}", file=sys.stderr)
    runs = [run for track in tracks for run in passes(track)]
    metres = STEP * sum(len(run) for run in runs)
    print(f"passed again the same way: {metres / 1000.0:.1f} km in {len(runs)} parts")
    print("| change over | " + " | ".join(f"{lag} m" for lag in LAGS_M) + " |")
    for column, what in enumerate(("to the side", "in height")):
        cells = []
        for lag in LAGS_M:
            k = round(lag / STEP)
            change = np.concatenate([run[k:, column] - run[:-k, column] for run in runs if len(run) > k])
            cells.append(f"{np.percentile(np.abs(change), 68.27) / math.sqrt(2.0):.2f} m")
        print(f"| {what} | " + " | ".join(cells) + " |")
    turn, profile, measured = (np.concatenate(p) for p in zip(*map(profiles_of, tracks), strict=True))
    for low, high in zip((*TURNS_DEG[:-1], 15), (*TURNS_DEG[1:], 180), strict=True):
        part = (np.degrees(turn) >= low) & (np.degrees(turn) < high)
        mean, spread = lengths(turn[part], profile[part])
        own = np.log(measured[(np.degrees(measured[:, 0]) >= low) & (np.degrees(measured[:, 0]) < high), 1])
        alone = f"{own.mean():.2f} ± {own.std():.2f} of {own.size} measured"
        print(f"{low} to {high}°: {part.sum()} corners, ln length {mean:.2f} ± {spread:.2f}; {alone}")


if __name__ == "__main__":
    main(sys.argv[1:])

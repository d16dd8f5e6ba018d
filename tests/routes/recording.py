"""What a recording or a route planner makes of a drawn road, and the files of it. numpy only."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np

from tests.routes.drawing import STEP, Line, Place


def _correlated(rng: np.random.Generator, at: np.ndarray, size: float, reach: float) -> np.ndarray:
    """Noise that forgets itself over `reach`, sampled at `at`."""
    keep = np.exp(-np.diff(at, prepend=at[0] - reach) / reach)
    fresh = rng.normal(0.0, size, at.size) * np.sqrt(1.0 - keep**2)
    out = np.empty(at.size)
    value = rng.normal(0.0, size)
    for i in range(at.size):
        value = keep[i] * value + fresh[i]
        out[i] = value
    return out


def ride_times(line: Line, cruise: float) -> np.ndarray:
    """Seconds at which a rider passes each sample: slower uphill and in corners, no sudden change."""
    s, z = line.s, line.z
    window = round(60.0 / STEP)
    grade = np.convolve(np.pad(np.gradient(z, s), window, mode="edge"), np.full(window, 1.0 / window), "same")
    grade = grade[window:-window]
    speed = np.where(grade > 0.0, cruise / (1.0 + 22.0 * grade), cruise * (1.0 - 7.0 * grade))
    speed = np.minimum(np.minimum(speed, 17.0), np.sqrt(2.2 / np.maximum(np.abs(line.curvature), 1e-6)))
    speed[0] = 1.0
    for i in range(1, s.size):
        speed[i] = min(speed[i], np.sqrt(speed[i - 1] ** 2 + 2.0 * 0.6 * (s[i] - s[i - 1])))
    for i in range(s.size - 2, -1, -1):
        speed[i] = min(speed[i], np.sqrt(speed[i + 1] ** 2 + 2.0 * 1.5 * (s[i + 1] - s[i])))
    return np.concatenate(([0.0], np.cumsum(np.diff(s) / (0.5 * (speed[1:] + speed[:-1])))))


@dataclass(frozen=True)
class Points:
    """What stands in a file: true distance, east, north, height [m], and seconds or nothing."""

    at: np.ndarray
    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    t: np.ndarray | None = None


def record(line: Line, rng: np.random.Generator, *, cruise: float, jitter: float) -> Points:
    """Record a ride once a second: positions off by a jitter that wanders, heights true."""
    times = ride_times(line, cruise)
    t = np.arange(0.0, times[-1], 1.0)
    at = np.interp(t, times, line.s)
    x, y, z = (np.interp(at, line.s, column) for column in (line.x, line.y, line.z))
    x, y = (column + _correlated(rng, t, jitter, 12.0) + rng.normal(0.0, 0.15, t.size) for column in (x, y))
    return Points(at, x, y, z, t)


def barometer(points: Points, rng: np.random.Generator, *, noise: float, drift: float) -> Points:
    """Give heights as a barometer has them: shivering, drifting slowly, in steps of 0.2 m."""
    hours = points.t / 3600.0
    slow = drift * hours + 0.25 * drift * np.sin(2.0 * np.pi * (hours / 0.45 + rng.uniform()))
    z = points.z + _correlated(rng, points.t, noise, 4.0) + slow
    return replace(points, z=np.round(z / 0.2) * 0.2)


def draw(line: Line, rng: np.random.Generator, start: float = 0.0, end: float = np.inf) -> Points:
    """Draw a route by hand on a map: a point every 15 to 40 m and three to a tight corner."""
    end = min(end, float(line.s[-1]))
    at = start + np.concatenate(([0.0], np.cumsum(rng.uniform(15.0, 40.0, int((end - start) / 15.0)))))
    tight = [
        item
        for item in line.features
        if item.kind in ("corner", "hairpin") and start < item.start < item.end < end
    ]
    for item in tight:
        at = at[(at < item.start - 5.0) | (at > item.end + 5.0)]
    extra = [value for item in tight for value in (item.start, 0.5 * (item.start + item.end), item.end)]
    at = np.sort(np.concatenate((at[at < end - 5.0], extra, [end])))
    return Points(at, *(np.interp(at, line.s, column) for column in (line.x, line.y, line.z)))


def terrain(points: Points, line: Line, rng: np.random.Generator, step: float) -> Points:
    """Give heights as a terrain model of 90 m cells has them: rounded off, half a metre wrong or so."""
    window = round(90.0 / STEP)
    coarse = np.convolve(np.pad(line.z, window, mode="edge"), np.full(window, 1.0 / window), "same")[
        window:-window
    ]
    z = np.interp(points.at, line.s, coarse) + _correlated(rng, points.at, 0.5, 250.0)
    return replace(points, z=np.round(z / step) * step)


def splice(recorded: Points, drawn: list[tuple[float, float, Points]]) -> Points:
    """Put drawn stretches, each from and to a distance, in the place of what was recorded there."""
    keep = np.ones(recorded.at.size, dtype=bool)
    for start, end, _ in drawn:
        keep &= (recorded.at < start - 5.0) | (recorded.at > end + 5.0)
    parts = [
        Points(recorded.at[keep], recorded.x[keep], recorded.y[keep], recorded.z[keep]),
        *(item[2] for item in drawn),
    ]
    order = np.argsort(np.concatenate([part.at for part in parts]), kind="stable")
    return Points(
        *(np.concatenate([getattr(part, name) for part in parts])[order] for name in ("at", "x", "y", "z"))
    )


def write_gpx(
    path: Path,
    name: str,
    points: Points,
    place: Place,
    *,
    digits: int,
    begin: datetime | None = None,
    waypoints: tuple[tuple[float, float, str], ...] = (),
) -> None:
    """Write a track as GPX 1.1."""
    latitude, longitude = place.degrees(points.x, points.y)
    height_digits = 0 if np.all(points.z == np.round(points.z)) else 1
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="pacer demo" xmlns="http://www.topografix.com/GPX/1/1">',
        f"<metadata><name>{escape(name)}</name>"
        "<desc>An invented course on an invented island.</desc></metadata>",
    ]
    for x, y, label in waypoints:
        lat, lon = place.degrees(np.float64(x), np.float64(y))
        lines.append(f'<wpt lat="{lat:.{digits}f}" lon="{lon:.{digits}f}"><name>{escape(label)}</name></wpt>')
    lines.append(f"<trk><name>{escape(name)}</name><trkseg>")
    for i in range(points.x.size):
        clock = ""
        if begin is not None and points.t is not None:
            clock = f"<time>{begin + timedelta(seconds=float(points.t[i])):%Y-%m-%dT%H:%M:%SZ}</time>"
        lines.append(
            f'<trkpt lat="{latitude[i]:.{digits}f}" lon="{longitude[i]:.{digits}f}">'
            f"<ele>{points.z[i]:.{height_digits}f}</ele>{clock}</trkpt>"
        )
    lines.append("</trkseg></trk></gpx>")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_truth(path: Path, line: Line, place: Place) -> None:
    """Write what the road really is: length, climb, corners, and its height every 100 m."""
    along = line.along
    marks = np.arange(0.0, along[-1], 100.0)
    truth = {
        "length_m": round(float(along[-1]), 1),
        "climb_m": round(float(np.sum(np.maximum(np.diff(line.z), 0.0))), 1),
        "corners": true_corners(line, place),
        "elevation_every_100_m": [round(float(z), 2) for z in np.interp(marks, along, line.z)],
    }
    rows = ",\n  ".join(json.dumps(item) for item in truth["corners"])
    body = {key: value for key, value in truth.items() if key != "corners"}
    text = json.dumps(body)[:-1] + f',\n "corners": [\n  {rows}\n ]}}\n'
    path.write_text(text, encoding="utf-8")


def true_corners(line: Line, place: Place) -> list[dict[str, object]]:
    """List the corners of a line with their true figures."""
    s, along, heading, curvature = line.s, line.along, line.heading, np.abs(line.curvature)
    corners = []
    for item in line.features:
        a, b = np.searchsorted(s, (item.start, item.end))
        b = min(int(b), s.size - 1)
        turned = np.abs(heading[a : b + 1] - heading[a])
        halfway = int(a) + int(np.searchsorted(np.maximum.accumulate(turned), 0.5 * turned.max()))
        middle = (int(a) + b) // 2 if item.kind == "roundabout" else halfway
        latitude, longitude = place.degrees(line.x[middle], line.y[middle])
        corners.append(
            {
                "kind": item.kind,
                "start_m": round(float(along[a]), 1),
                "apex_m": round(float(along[middle]), 1),
                "end_m": round(float(along[b]), 1),
                "radius_m": round(1.0 / float(curvature[a : b + 1].max()), 2),
                "turn_deg": round(float(np.degrees(heading[b] - heading[a])), 1),
                "latitude_deg": round(float(latitude), 7),
                "longitude_deg": round(float(longitude), 7),
            }
        )
    return corners


def spot(line: Line, at: float) -> tuple[float, float]:
    """Give metres east and north of a distance along the line."""
    return float(np.interp(at, line.s, line.x)), float(np.interp(at, line.s, line.y))


def line_of(line: Line, place: Place, start: float, end: float) -> dict[str, object]:
    """Draw a stretch of the road as a GeoJSON line."""
    at = np.linspace(start, end, 2 + int((end - start) / 40.0))
    return {"type": "LineString", "coordinates": _coordinates(line, place, at, 0.0)}


def area_of(line: Line, place: Place, start: float, end: float) -> dict[str, object]:
    """Draw a GeoJSON polygon 60 m to both sides of a stretch."""
    at = np.linspace(start, end, 2 + int((end - start) / 120.0))
    ring = _coordinates(line, place, at, 60.0) + _coordinates(line, place, at[::-1], -60.0)
    return {"type": "Polygon", "coordinates": [[*ring, ring[0]]]}


def point_of(line: Line, place: Place, at: float) -> dict[str, object]:
    """Draw a GeoJSON point on the road."""
    return {"type": "Point", "coordinates": _coordinates(line, place, np.array([at]), 0.0)[0]}


def _coordinates(line: Line, place: Place, at: np.ndarray, aside: float) -> list[list[float]]:
    right = np.interp(at, line.s, line.heading) + 0.5 * np.pi
    x = np.interp(at, line.s, line.x) + aside * np.sin(right)
    y = np.interp(at, line.s, line.y) + aside * np.cos(right)
    latitude, longitude = place.degrees(x, y)
    return [[round(float(b), 6), round(float(a), 6)] for a, b in zip(latitude, longitude, strict=True)]


def zone(kind: str, geometry: dict[str, object], **properties: object) -> dict[str, object]:
    """Make a GeoJSON feature with the keys of a race file's zone."""
    return {"type": "Feature", "properties": {"kind": kind, **properties}, "geometry": geometry}


def write_zones(path: Path, features: list[dict[str, object]]) -> None:
    """Write a GeoJSON file, one feature a line."""
    rows = ",\n".join(json.dumps(item) for item in features)
    path.write_text(f'{{"type": "FeatureCollection", "features": [\n{rows}\n]}}\n', encoding="utf-8")

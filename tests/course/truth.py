"""Courses of known grade, climb, heading and radius, and the faulty files made of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pyproj import Proj

from pacer.course.track import CornerKind, RawTrack

STEP = 0.5
"""Spacing of the true line [m]."""


@dataclass(frozen=True)
class TrueCorner:
    """An arc of the true line."""

    start: float
    end: float
    radius: float
    turn: float
    kind: CornerKind

    @property
    def apex(self):
        """Middle of the arc [m]."""
        return 0.5 * (self.start + self.end)


@dataclass(frozen=True)
class Truth:
    """The true line at every half metre of plan distance."""

    s: np.ndarray
    xy: np.ndarray
    z: np.ndarray
    heading: np.ndarray
    curvature: np.ndarray
    corners: tuple[TrueCorner, ...]

    @property
    def grade(self):
        """Rise over run."""
        return np.gradient(self.z, self.s)

    @property
    def climb(self):
        """Total ascent [m]."""
        return float(np.sum(np.maximum(np.diff(self.z), 0.0)))

    @property
    def length(self):
        """Along the sloping road [m]."""
        return float(np.sum(np.hypot(np.diff(self.s), np.diff(self.z))))


def arc(radius, turn_deg, kind=None):
    """Describe an arc; positive turns to the right."""
    return ("arc", radius, np.radians(turn_deg), kind)


def straight(length):
    """Describe a straight."""
    return ("straight", length)


def build(pieces, grade_of=None, heading_deg=40.0):
    """Lay the pieces end to end; `grade_of(s)` gives the true grade."""
    curvature, corners, position = [], [], 0.0
    for piece in pieces:
        if piece[0] == "straight":
            count, value = max(round(piece[1] / STEP), 1), 0.0
        else:
            _, radius, turn, kind = piece
            count = max(round(abs(turn) * radius / STEP), 2)
            value = turn / (count * STEP)
            if kind is not None:
                corners.append(TrueCorner(position, position + count * STEP, radius, turn, kind))
        curvature.append(np.full(count, value))
        position += count * STEP
    curvature = np.concatenate(curvature)
    s = np.arange(curvature.size + 1) * STEP
    heading = np.radians(heading_deg) + np.concatenate(([0.0], np.cumsum(curvature * STEP)))
    middle = 0.5 * (heading[1:] + heading[:-1])
    xy = np.concatenate(
        (np.zeros((1, 2)), np.cumsum(STEP * np.column_stack((np.sin(middle), np.cos(middle))), axis=0))
    )
    grade = np.zeros_like(s) if grade_of is None else grade_of(s)
    z = 120.0 + np.concatenate(([0.0], np.cumsum(0.5 * (grade[1:] + grade[:-1]) * STEP)))
    return Truth(s, xy, z, np.mod(heading, 2 * np.pi), np.append(curvature, 0.0), tuple(corners))


def rolling_grades(rng, length, *, spread=0.025, piece=(150.0, 900.0), ease=60.0, steepest=0.12):
    """Grades that hold for a few hundred metres and change over `ease` metres, as roads are built."""
    knots, values = [0.0], [0.0]
    while knots[-1] < length:
        knots.append(knots[-1] + rng.uniform(*piece))
        values.append(float(np.clip(rng.normal(0.0, spread), -steepest, steepest)))
    knots, values = np.array(knots), np.array(values)

    def grade_of(s):
        index = np.clip(np.searchsorted(knots, s, side="right") - 1, 0, values.size - 1)
        held = values[index]
        kernel = np.hanning(int(ease / STEP) + 2)
        padded = np.pad(held, kernel.size, mode="edge")
        return np.convolve(padded, kernel / kernel.sum(), mode="same")[kernel.size : -kernel.size]

    return grade_of


def there_and_back(grade_of):
    """Mirror grades about the middle: the way back falls where the way out rose."""

    def mirrored(s):
        there = grade_of(s)
        return np.where(s <= 0.5 * s[-1], there, -there[::-1])

    return mirrored


def country_road(rng, metres, *, corner=0.25):
    """Pieces of a country road: straights, bends, and now and then a corner in a village."""
    pieces, total = [], 0.0
    while total < metres:
        length = rng.uniform(120.0, 700.0)
        pieces.append(straight(length))
        sign = rng.choice([-1.0, 1.0])
        if rng.random() < corner:
            pieces.append(arc(rng.uniform(8.0, 15.0), sign * rng.uniform(75.0, 105.0), CornerKind.CORNER))
        else:
            radius = rng.uniform(40.0, 150.0)
            pieces.append(arc(radius, sign * rng.uniform(25.0, 80.0), CornerKind.BEND))
        total += length + pieces[-1][1] * abs(pieces[-1][2])
    pieces.append(straight(150.0))
    return pieces


def ridden_road(rng, metres):
    """Pieces of a road with corners as often, as sharp and as long as in eight recorded rides.

    Source: `python -m tests.course.real`, figures in docs/explanation/course.md.
    """
    pieces, total = [straight(200.0)], 200.0
    while total < metres:
        sharpness = rng.choice(6, p=np.array([346, 364, 210, 118, 172, 52]) / 1262)
        low, high = ((15, 25), (25, 40), (40, 60), (60, 80), (80, 110), (110, 175))[sharpness]
        turn_deg = rng.uniform(low, high)
        length = np.exp(rng.normal(np.interp(turn_deg, [40.0, 80.0], [3.8, 3.4]), 0.95))
        radius = np.clip(length / np.radians(turn_deg), 6.0 if turn_deg < 150.0 else 3.5, 300.0)
        gap = 30.0 + rng.exponential(200.0)
        kind = CornerKind.CORNER if turn_deg > 50.0 and radius < 30.0 else CornerKind.BEND
        pieces += [straight(gap), arc(radius, rng.choice([-1.0, 1.0]) * turn_deg, kind)]
        total += gap + radius * np.radians(turn_deg)
    return [*pieces, straight(200.0)]


def mountain_road(rng, metres):
    """Pieces of a mountain road: hairpins one above the other, bends between."""
    pieces, total, sign = [straight(150.0)], 150.0, 1.0
    while total < metres:
        for _ in range(int(rng.integers(0, 3))):
            way = rng.choice([-1.0, 1.0])
            pieces += [
                straight(rng.uniform(40.0, 160.0)),
                arc(rng.uniform(30.0, 90.0), way * rng.uniform(25.0, 60.0), CornerKind.BEND),
            ]
        pieces += [
            straight(rng.uniform(60.0, 250.0)),
            arc(rng.uniform(6.0, 12.0), sign * rng.uniform(150.0, 180.0), CornerKind.HAIRPIN),
        ]
        sign = -sign
        total = sum(p[1] if p[0] == "straight" else p[1] * abs(p[2]) for p in pieces)
    pieces.append(straight(200.0))
    return pieces


def out_and_back(pieces, *, radius=3.5):
    """Ride the pieces, turn about a post, ride them back in the other lane (7 m away)."""
    back = [p if p[0] == "straight" else (*p[:2], -p[2], p[3]) for p in reversed(pieces)]
    return [*pieces, arc(radius, 180.0, CornerKind.DEAD_TURN), *back]


def roundabout(radius=15.0, *, deflection_deg=35.0, out_deg=0.0):
    """Enter a roundabout, go round it, leave at `out_deg` from straight on."""
    swing = 2 * deflection_deg + out_deg
    side = CornerKind.CORNER
    return [
        arc(20.0, -deflection_deg, side),
        arc(radius, swing, CornerKind.ROUNDABOUT),
        arc(20.0, -deflection_deg, side),
    ]


def correlated(rng, s, sigma, reach):
    """First-order correlated noise along s."""
    out = np.empty(s.size)
    out[0] = rng.normal(0.0, sigma)
    shocks = rng.normal(size=s.size)
    keep = np.exp(-np.diff(s) / reach)
    for i, k in enumerate(keep):
        out[i + 1] = k * out[i] + sigma * np.sqrt(1 - k * k) * shocks[i + 1]
    return out


def recorded_at(truth, *, speed=9.0, period=1.0, lateral=2.7):
    """Distances of a 1 s recording: the rider slows down in corners."""
    radius = 1.0 / np.maximum(np.abs(truth.curvature), 1e-9)
    pace = np.minimum(speed, np.sqrt(lateral * radius))
    # Brakes and accelerates at 2 and 1 m/s².
    for i in range(pace.size - 2, -1, -1):
        pace[i] = min(pace[i], np.sqrt(pace[i + 1] ** 2 + 2 * 2.0 * STEP))
    for i in range(1, pace.size):
        pace[i] = min(pace[i], np.sqrt(pace[i - 1] ** 2 + 2 * 1.0 * STEP))
    clock = np.concatenate(([0.0], np.cumsum(STEP / (0.5 * (pace[1:] + pace[:-1])))))
    return np.interp(np.arange(0.0, clock[-1], period), clock, truth.s), period


def planned_at(rng, truth, *, spacing=(20.0, 50.0)):
    """Distances of the points that a planner draws."""
    steps = rng.uniform(*spacing, size=int(truth.s[-1] / spacing[0]) + 2)
    at = np.concatenate(([0.0], np.cumsum(steps)))
    return np.append(at[at < truth.s[-1] - 5.0], truth.s[-1])


def track(
    truth,
    at,
    rng,
    *,
    position_noise=0.0,
    position_jitter=0.0,
    position_reach=60.0,
    elevation_noise=0.0,
    elevation_jitter=0.0,
    quantum=0.0,
    drift=0.0,
    period=None,
    where=(50.0, 5.0),
    name="truth",
):
    """Make the file: sample the true line at `at`, spoil it, put it on the Earth.

    `position_noise` and `elevation_noise` are white; the jitters are correlated over 60 m, or that of
    position over `position_reach`; `drift` is added over the whole length; `quantum` rounds the elevation
    last.
    """
    xy = np.column_stack([np.interp(at, truth.s, truth.xy[:, i]) for i in range(2)])
    z = np.interp(at, truth.s, truth.z)
    xy = xy + rng.normal(0.0, 1.0, xy.shape) * position_noise
    if position_jitter:
        xy = xy + np.column_stack([correlated(rng, at, position_jitter, position_reach) for _ in range(2)])
    z = z + rng.normal(0.0, 1.0, z.shape) * elevation_noise + drift * at / at[-1]
    if elevation_jitter:
        z = z + correlated(rng, at, elevation_jitter, 60.0)
    if quantum:
        z = np.round(z / quantum) * quantum
    time = np.full(at.size, np.nan) if period is None else 1.7e9 + period * np.arange(at.size)
    return raw(xy, z, time=time, where=where, name=name)


def raw(xy, z, *, time=None, where=(50.0, 5.0), name="truth", part=None):
    """Put points of a plane on the Earth."""
    plane = Proj(proj="aeqd", ellps="WGS84", lat_0=where[0], lon_0=where[1])
    longitude, latitude = plane(xy[:, 0], xy[:, 1], inverse=True)
    return RawTrack(
        name=name,
        source="truth.gpx",
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation=z,
        time=np.full(len(z), np.nan) if time is None else time,
        part=np.zeros(len(z), dtype=np.int64) if part is None else part,
    )

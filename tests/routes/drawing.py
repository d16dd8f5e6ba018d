"""Draw a road that never was.

numpy only, nothing of `pacer`: the truth that the tests hold `pacer` to is made without it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

STEP = 0.5
"""Distance between the samples of a drawn line [m]."""


@dataclass(frozen=True)
class Feature:
    """A corner as drawn: where it lies on the line [m] and what it is."""

    start: float
    end: float
    kind: str


@dataclass
class Pen:
    """Draw a line of straights and of bends that begin and end in a spiral.

    Heading 0 is north, clockwise; a positive turn goes to the right. Angles in degrees, lengths in metres.
    """

    heading: float
    pieces: list[tuple[float, float, float]] = field(default_factory=list)
    features: list[Feature] = field(default_factory=list)
    at: float = 0.0

    def straight(self, length: float) -> int:
        """Go straight on; the number of the piece comes back."""
        return self._add(length, 0.0, 0.0)

    def bend(self, turn: float, radius: float, kind: str = "") -> None:
        """Turn; a bend tighter than 100 m is noted as a corner under its kind."""
        angle = abs(np.radians(turn))
        spiral = min(0.5 * radius * angle, 60.0)
        bow = radius * angle - spiral
        curvature = np.sign(turn) / radius
        start = self.at
        self._add(spiral, 0.0, curvature)
        self._add(bow, curvature, curvature)
        self._add(spiral, curvature, 0.0)
        self.heading = (self.heading + turn) % 360.0
        if radius <= 100.0:
            self.features.append(Feature(start, self.at, kind or _kind(turn, radius)))

    def wander(
        self, rng: np.random.Generator, length: float, towards: float, *, tightest: float = 90.0
    ) -> None:
        """Follow the land for a while: straights and sweeping bends about one heading."""
        end = self.at + length
        while self.at < end - 700.0:
            self.straight(rng.uniform(120.0, 480.0))
            wish = towards + rng.uniform(-38.0, 38.0)
            turn = (wish - self.heading + 180.0) % 360.0 - 180.0
            if abs(turn) > 6.0:
                self.bend(turn, rng.uniform(tightest, 380.0))
        self.straight(max(end - self.at, 60.0))

    def hairpins(
        self, rng: np.random.Generator, count: int, legs: tuple[float, float], radii: tuple[float, float]
    ) -> None:
        """Zigzag: `count` hairpins with straight legs between them, the first to the right."""
        for turn in range(count):
            self.bend((1.0 if turn % 2 == 0 else -1.0) * rng.uniform(160.0, 176.0), rng.uniform(*radii))
            leg = rng.uniform(*legs)
            self.straight(0.5 * leg)
            self.bend(rng.uniform(-14.0, 14.0), rng.uniform(120.0, 260.0))
            self.straight(0.4 * leg)

    def close(self, one: int, other: int) -> None:
        """Lengthen two straights so that the line ends where it began."""
        line = self.line()
        gap = np.array([line.x[-1] - line.x[0], line.y[-1] - line.y[0]])
        ways = np.array([self._way(one), self._way(other)]).T
        for piece, more in zip((one, other), np.linalg.solve(ways, -gap), strict=True):
            length, *curvature = self.pieces[piece]
            assert length + more > 50.0, f"the lap can't be closed: a straight of {length + more:.0f} m"
            self.pieces[piece] = (length + float(more), *curvature)
            begin = sum(item[0] for item in self.pieces[:piece])
            self.features = [
                Feature(item.start + more, item.end + more, item.kind) if item.start >= begin else item
                for item in self.features
            ]

    def line(self) -> Line:
        """Give what was drawn, sampled."""
        lengths = np.array([piece[0] for piece in self.pieces])
        ends = np.concatenate(([0.0], np.cumsum(lengths)))
        s = np.linspace(0.0, ends[-1], round(ends[-1] / STEP) + 1)
        piece = np.clip(np.searchsorted(ends, s, side="right") - 1, 0, lengths.size - 1)
        k0, k1 = (np.array([item[i] for item in self.pieces])[piece] for i in (1, 2))
        within = s - ends[piece]
        gained = np.concatenate(
            ([0.0], np.cumsum(0.5 * lengths * np.array([p[1] + p[2] for p in self.pieces])))
        )
        turned = gained[piece] + k0 * within + 0.5 * (k1 - k0) * within**2 / lengths[piece]
        heading = np.radians(self._first) + turned
        middle = 0.5 * (heading[1:] + heading[:-1])
        x = np.concatenate(([0.0], np.cumsum(np.diff(s) * np.sin(middle))))
        y = np.concatenate(([0.0], np.cumsum(np.diff(s) * np.cos(middle))))
        return Line(x, y, np.zeros_like(x), tuple(self.features))

    @property
    def _first(self) -> float:
        return self.heading - sum(np.degrees(0.5 * length * (k0 + k1)) for length, k0, k1 in self.pieces)

    def _way(self, piece: int) -> tuple[float, float]:
        heading = np.radians(self._first) + sum(
            0.5 * length * (k0 + k1) for length, k0, k1 in self.pieces[:piece]
        )
        return float(np.sin(heading)), float(np.cos(heading))

    def _add(self, length: float, k0: float, k1: float) -> int:
        self.pieces.append((float(length), float(k0), float(k1)))
        self.at += length
        return len(self.pieces) - 1


def _kind(turn: float, radius: float) -> str:
    if abs(turn) >= 120.0:
        return "hairpin"
    return "corner" if radius <= 30.0 and abs(turn) >= 40.0 else "bend"


@dataclass(frozen=True)
class Line:
    """A drawn line: east, north, height of close samples [m] and its corners."""

    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    features: tuple[Feature, ...]

    @property
    def s(self) -> np.ndarray:
        """Distance in plan view [m]."""
        return np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(self.x), np.diff(self.y)))))

    @property
    def along(self) -> np.ndarray:
        """Distance along the sloping road [m]."""
        steps = np.sqrt(np.diff(self.x) ** 2 + np.diff(self.y) ** 2 + np.diff(self.z) ** 2)
        return np.concatenate(([0.0], np.cumsum(steps)))

    @property
    def heading(self) -> np.ndarray:
        """Direction of travel, unwrapped [rad]."""
        steps = np.unwrap(np.arctan2(np.diff(self.x), np.diff(self.y)))
        return np.concatenate((steps[:1], 0.5 * (steps[1:] + steps[:-1]), steps[-1:]))

    @property
    def curvature(self) -> np.ndarray:
        """Of the plan view over two metres, positive to the right [1/m]."""
        raw = np.gradient(self.heading, self.s)
        return np.convolve(np.pad(raw, 2, mode="edge"), np.full(5, 0.2), mode="valid")


def with_hills(
    line: Line,
    grades: list[tuple[float, float]],
    rng: np.random.Generator,
    *,
    base: float,
    ripple: float,
    loop: bool = False,
) -> Line:
    """Lay a line over hills.

    `grades` lists share of the length and mean grade; corners of the profile are rounded over some 150 m,
    and a ripple of some hundred metres' wavelength is added to the grade. A loop ends at the height it began.
    """
    s = line.s
    shares = np.array([share for share, _ in grades])
    ends = np.cumsum(shares) / shares.sum() * s[-1]
    grade = np.array([item[1] for item in grades])[np.minimum(np.searchsorted(ends, s), len(grades) - 1)]
    for wavelength in (310.0, 530.0, 870.0, 1430.0):
        grade = grade + ripple * 0.5 * np.sin(2.0 * np.pi * (s / wavelength + rng.uniform()))
    window = round(150.0 / STEP)
    smooth = np.convolve(np.pad(grade, window, mode="edge"), np.full(window, 1.0 / window), mode="same")[
        window:-window
    ]
    z = np.concatenate(([0.0], np.cumsum(0.5 * (smooth[1:] + smooth[:-1]) * np.diff(s))))
    if loop:
        z = z - s / s[-1] * z[-1]
    return Line(line.x, line.y, base + z, line.features)


def out_and_back(road: Line, middle: float, lane: float, islands: tuple[float, ...]) -> Line:
    """Ride a road from its middle to its beginning, to its end and back to its middle, on the right.

    At both ends the rider turns round on half a circle as wide as the lanes are apart; at each island the
    lane swings round a roundabout.
    """
    s, heading = road.s, road.heading
    first = int(np.searchsorted(s, middle))
    swing = lane + sum(10.0 * _bump((s - at) / 28.0) for at in islands)
    parts: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []

    def ride(picked: np.ndarray, way: float) -> None:
        right = heading[picked] + way * 0.5 * np.pi
        parts.append(
            (
                road.x[picked] + swing[picked] * np.sin(right),
                road.y[picked] + swing[picked] * np.cos(right),
                road.z[picked],
            )
        )

    def turn_round(at: int, way: float) -> None:
        angle = heading[at] + way * 0.5 * np.pi - np.linspace(0.0, np.pi, round(np.pi * lane / STEP))[1:-1]
        parts.append(
            (
                road.x[at] + lane * np.sin(angle),
                road.y[at] + lane * np.cos(angle),
                np.full(angle.size, road.z[at]),
            )
        )

    ride(np.arange(first, -1, -1), -1.0)
    turn_round(0, -1.0)
    ride(np.arange(s.size), 1.0)
    turn_round(s.size - 1, 1.0)
    ride(np.arange(s.size - 1, first + 60, -1), -1.0)
    x, y, z = (np.concatenate(column) for column in zip(*parts, strict=True))
    path = _even(Line(x, y, z, ()))
    features = [(*_span(path, parts[index]), "dead turn") for index in (1, 3)]
    for index in (0, 2, 4):
        for item in (*road.features, *(Feature(at - 28.0, at + 28.0, "roundabout") for at in islands)):
            picked = _picked(index, first, s, item)
            if picked is not None:
                features.append((*_span(path, tuple(column[picked] for column in parts[index])), item.kind))
    return Line(path.x, path.y, path.z, tuple(Feature(*item) for item in sorted(features)))


def _bump(t: np.ndarray) -> np.ndarray:
    return np.where(np.abs(t) < 1.0, 0.5 * (1.0 + np.cos(np.pi * np.clip(t, -1.0, 1.0))), 0.0)


def _picked(index: int, first: int, s: np.ndarray, item: Feature) -> slice | None:
    """Find where a corner of the road lies in one part of the ride, if it does."""
    a, b = int(np.searchsorted(s, item.start)), int(np.searchsorted(s, item.end))
    if index == 2:
        return slice(a, b)
    if index == 0:
        return slice(first - b, first - a) if b < first else None
    return slice(s.size - 1 - b, s.size - 1 - a) if a > first + 61 else None


def _even(line: Line) -> Line:
    """Sample a line evenly."""
    s = line.s
    new = np.linspace(0.0, s[-1], round(s[-1] / STEP) + 1)
    return Line(*(np.interp(new, s, column) for column in (line.x, line.y, line.z)), line.features)


def _span(path: Line, part: tuple[np.ndarray, ...]) -> tuple[float, float]:
    """Find where a piece of the ride begins and ends on the whole path; its lane tells the passes apart."""
    found = [float(path.s[np.argmin(np.hypot(path.x - part[0][at], path.y - part[1][at]))]) for at in (0, -1)]
    return max(min(found) - 1.0, 0.0), min(max(found) + 1.0, float(path.s[-1]))


@dataclass(frozen=True)
class Place:
    """Where on the WGS84 ellipsoid a line's origin lies [degrees]."""

    latitude: float
    longitude: float

    def degrees(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Turn metres east and north into degrees, to a centimetre within some 20 km."""
        a, e2 = 6_378_137.0, 0.006_694_379_990_14
        sine = np.sin(np.radians(self.latitude))
        meridian = a * (1.0 - e2) / (1.0 - e2 * sine**2) ** 1.5
        latitude = self.latitude + np.degrees(y / meridian)
        sines = np.sin(np.radians(latitude))
        normal = a / np.sqrt(1.0 - e2 * sines**2)
        return latitude, self.longitude + np.degrees(x / (normal * np.cos(np.radians(latitude))))

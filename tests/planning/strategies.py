"""Random races, of any course, rider, wind and zones, for property tests of the whole plan.

A `Case` is plain numbers, so that hypothesis can shrink it and a seed can make it; `Case.request` builds
the race.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from hypothesis import strategies as st

from pacer.air.weather import Surface, Weather, constant_weather
from pacer.course.build import build_course
from pacer.course.track import Corner, CornerKind, Course, RawTrack, Zone, ZoneKind
from pacer.physics.rider import Bike, Position, Rider, Setup, Skill
from pacer.planning.limits import DEFAULT_LIMITS
from pacer.planning.race import FinishKind, Race, StartKind
from pacer.units import KMH, ZERO_CELSIUS, FloatArray
from pacer.workflow import Request
from tests.planning.courses import STEP, draw_course

_METRES_A_DEGREE = 111_200.0
_ZONES = tuple(ZoneKind)


@dataclass(frozen=True)
class Leg:
    """A stretch of road: metres, grade, the turn at its end in degrees, and that corner's radius."""

    length: float
    grade: float
    turn: float
    radius: float


@dataclass(frozen=True)
class Case:
    """One random race, in plain numbers."""

    legs: tuple[Leg, ...]
    recorded: bool
    """Whether the course comes as points of a recording, with noise, or as drawn by hand."""
    noise_seed: int
    mass: float
    critical_power: float
    w_prime: float
    power_over_critical: float
    skill: int
    hoods_cda: float
    tuck_share: float
    """Drag area of the tuck over that of the hoods."""
    tuck_factor: float
    longest_tuck: float
    crr: float
    effort: float
    asked: int
    """0: effort, 1: target power, 2: neither."""
    reserve_share: float
    standing: bool
    dismount: bool
    wind: float
    wind_from: float
    gust: float
    temperature: float
    wet: bool
    zones: tuple[tuple[int, float, float, float], ...]
    """Kind, start and length as shares of the course, and a value from 0 to 1 for the kinds that have one."""
    safety: tuple[tuple[str, float], ...] = ()

    def request(self) -> Request:
        """Build the race; raises what building the course raises."""
        course = self._recorded() if self.recorded else self._drawn()
        return Request(
            course=course,
            setup=self._setup(),
            race=self._race(),
            weather=self._weather(),
            safety=dict(self.safety),
            zones=self._zones(course),
        )

    def _line(self) -> tuple[FloatArray, FloatArray, tuple[Corner, ...]]:
        """Grade and heading of steps of 10 m, and a corner between legs that turn."""
        grades, headings, corners, heading, at = [], [], [], 0.0, 0.0
        for leg in self.legs:
            steps = max(round(leg.length / STEP), 3)
            grades.append(np.full(steps, leg.grade))
            headings.append(np.full(steps, heading))
            at += steps * STEP
            turn = np.radians(leg.turn)
            heading += turn
            if abs(leg.turn) > 20.0 and leg is not self.legs[-1]:
                half = float(np.clip(0.5 * leg.radius * abs(turn), 4.0, 0.4 * STEP * 3))
                kind = CornerKind.DEAD_TURN if abs(leg.turn) > 150.0 else CornerKind.CORNER
                corners.append(Corner(at - half, at, at + half, leg.radius, float(turn), kind))
        grade = np.concatenate(grades)
        # No road changes its grade within a metre: rounded off over about 50 m.
        smooth = np.convolve(np.pad(grade, 2, mode="edge"), np.full(5, 0.2), mode="valid")
        return smooth, np.concatenate(headings), tuple(corners)

    def _drawn(self) -> Course:
        grade, heading, corners = self._line()
        return draw_course(grade, heading=heading, corners=corners, name="random")

    def _recorded(self) -> Course:
        grade, heading, _ = self._line()
        rng = np.random.default_rng(self.noise_seed)
        flat = STEP / np.hypot(1.0, grade)
        north = np.concatenate(([0.0], np.cumsum(flat * np.cos(heading))))
        east = np.concatenate(([0.0], np.cumsum(flat * np.sin(heading))))
        rise = np.concatenate(([0.0], np.cumsum(flat * grade)))
        keep = np.sort(rng.choice(north.size, size=max(int(0.7 * north.size), 4), replace=False))
        size = rng.uniform(0.0, 1.0)
        north, east = (x[keep] + rng.normal(0.0, size, keep.size) for x in (north, east))
        count = keep.size
        return build_course(
            RawTrack(
                name="random",
                source="random.gpx",
                latitude_deg=48.0 + north / _METRES_A_DEGREE,
                longitude_deg=11.0 + east / (_METRES_A_DEGREE * np.cos(np.radians(48.0))),
                elevation=200.0 + rise[keep] + rng.normal(0.0, 0.5 * size, count),
                time=np.full(count, np.nan),
                part=np.zeros(count, dtype=np.int64),
            )
        )

    def _setup(self) -> Setup:
        rider = Rider(
            mass=self.mass,
            critical_power=self.critical_power,
            w_prime=self.w_prime,
            max_power=self.critical_power * self.power_over_critical,
            skill=list(Skill)[self.skill],
        )
        bike = Bike(9.0, self.crr, 0.976, 0.14, 0.334, 0.0)
        hoods = Position("hoods", self.hoods_cda, 1.0, hands_on_brakes=True)
        bars = Position(
            "aero bars",
            self.hoods_cda * self.tuck_share,
            self.tuck_factor,
            hands_on_brakes=False,
            max_continuous=self.longest_tuck,
        )
        return Setup(rider, bike, (hoods, bars))

    def _race(self) -> Race:
        target = self.effort * self.critical_power
        return Race(
            start=StartKind.STANDING if self.standing else StartKind.ROLLING,
            finish=FinishKind.STOP if self.dismount else FinishKind.ROLLING,
            effort=self.effort if self.asked == 0 else None,
            target_power=target if self.asked == 1 else None,
            w_prime_reserve=self.reserve_share * self.w_prime,
        )

    def _weather(self) -> Weather:
        return constant_weather(
            wind_speed=self.wind,
            wind_from=np.radians(self.wind_from),
            gust=self.wind * self.gust,
            temperature=ZERO_CELSIUS + self.temperature,
            surface=Surface.WET if self.wet else Surface.DRY,
        )

    def _zones(self, course: Course) -> tuple[Zone, ...]:
        found = []
        for kind, start, length, value in self.zones:
            zone = Zone(
                _ZONES[kind],
                start * course.length,
                min(start + length, 1.0) * course.length,
                value={
                    ZoneKind.SPEED_LIMIT: (15.0 + 45.0 * value) * KMH,
                    ZoneKind.SHELTERED: value,
                    ZoneKind.SURFACE: 0.8 + 2.0 * value,
                }.get(_ZONES[kind]),
            )
            found.append(zone)
        return tuple(sorted(found, key=lambda zone: zone.start))


RANGES: dict[str, tuple[float, float]] = {
    "mass": (45.0, 120.0),
    "critical_power": (120.0, 420.0),
    "w_prime": (6_000.0, 35_000.0),
    "power_over_critical": (1.5, 4.0),
    "hoods_cda": (0.25, 0.5),
    "tuck_share": (0.65, 1.05),
    "tuck_factor": (0.85, 1.0),
    "longest_tuck": (60.0, 3_000.0),
    "crr": (0.002, 0.012),
    "effort": (0.5, 1.1),
    "reserve_share": (0.0, 0.5),
    "wind": (0.0, 12.0),
    "wind_from": (0.0, 360.0),
    "gust": (1.0, 2.0),
    "temperature": (-5.0, 40.0),
}
"""Of the plain numbers of a case: wide, but of this world."""

LEG_RANGES = {
    "length": (60.0, 1_200.0),
    "grade": (-0.10, 0.10),
    "turn": (-179.0, 179.0),
    "radius": (6.0, 150.0),
}

SAFETY_FACTORS = (0.6, 1.6)
"""A safety key, where one is overridden, is this many times its default."""

OVERRIDDEN = (
    "corner_lateral_g",
    "braking_m_s2",
    "tuck_top_speed_kmh",
    "hands_back_s",
    "tuck_shortest_stay_s",
)


def _default_of(key: str, skill: int) -> float:
    from pacer.planning.limits import safety_table

    return safety_table(DEFAULT_LIMITS[list(Skill)[skill]])[key]


def legs(most: int) -> st.SearchStrategy[tuple[Leg, ...]]:
    """A course of one to `most` legs."""
    leg = st.builds(Leg, **{name: st.floats(low, high) for name, (low, high) in LEG_RANGES.items()})
    return st.lists(leg, min_size=1, max_size=most).map(tuple)


@st.composite
def cases(draw: st.DrawFn, most_legs: int = 6) -> Case:
    """Any case."""
    share = st.floats(0.0, 1.0)
    zone = st.tuples(st.integers(0, len(_ZONES) - 1), st.floats(0.0, 0.95), st.floats(0.0, 0.3), share)
    skill = draw(st.integers(0, 2))
    keys = draw(st.lists(st.sampled_from(OVERRIDDEN), max_size=2, unique=True))
    safety = tuple((key, _default_of(key, skill) * draw(st.floats(*SAFETY_FACTORS))) for key in keys)
    numbers = {name: draw(st.floats(low, high)) for name, (low, high) in RANGES.items()}
    return Case(
        legs=draw(legs(most_legs)),
        recorded=draw(st.booleans()),
        noise_seed=draw(st.integers(0, 1_000)),
        skill=skill,
        asked=draw(st.integers(0, 2)),
        standing=draw(st.booleans()),
        dismount=draw(st.booleans()),
        wet=draw(st.booleans()),
        zones=tuple(draw(st.lists(zone, max_size=3))),
        safety=safety,
        **numbers,
    )


def random_case(seed: int, *, most_legs: int = 12) -> Case:
    """The case of a seed, from the same ranges."""
    rng = np.random.default_rng(seed)

    def between(bounds: tuple[float, float]) -> float:
        return float(rng.uniform(*bounds))

    def leg() -> Leg:
        values = {name: between(bounds) for name, bounds in LEG_RANGES.items()}
        # Most roads are not steep, and not every leg ends in a corner.
        values["grade"] *= float(rng.choice([0.2, 0.5, 1.0]))
        values["turn"] *= float(rng.choice([0.05, 0.5, 1.0]))
        return Leg(**values)

    skill = int(rng.integers(0, 3))
    keys = rng.choice(OVERRIDDEN, size=int(rng.integers(0, 3)), replace=False)
    numbers: dict[str, Any] = {name: between(bounds) for name, bounds in RANGES.items()}
    return Case(
        legs=tuple(leg() for _ in range(int(rng.integers(1, most_legs + 1)))),
        recorded=bool(rng.random() < 0.5),
        noise_seed=seed,
        skill=skill,
        asked=int(rng.integers(0, 3)),
        standing=bool(rng.random() < 0.7),
        dismount=bool(rng.random() < 0.3),
        wet=bool(rng.random() < 0.3),
        zones=tuple(
            (
                int(rng.integers(0, len(_ZONES))),
                between((0.0, 0.95)),
                between((0.0, 0.2)),
                float(rng.random()),
            )
            for _ in range(int(rng.integers(0, 4)))
        ),
        safety=tuple((str(key), _default_of(str(key), skill) * between(SAFETY_FACTORS)) for key in keys),
        **numbers,
    )


def turned(case: Case, degrees: float) -> Case:
    """The same race with road and wind turned together; only for drawn courses, which start due north."""
    return replace(case, wind_from=(case.wind_from + degrees) % 360.0)

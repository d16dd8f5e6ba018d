"""An invented race on an island that doesn't exist, and a plausible plan of it, for the tests of this room.

The road is drawn by lengths and turns, the speeds come from riding the powers through the equation of motion,
so that times, speeds, powers and lengths agree with each other as they do in a real plan.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from pacer.course.track import Cells, Change, Corner, CornerKind, Course, Zone, ZoneKind
from pacer.physics.forces import resisting_force
from pacer.planning.cues import make_cues
from pacer.planning.plan import (
    Optimality,
    Plan,
    PlanCells,
    PlanModel,
    PlanNodes,
    PlanSegment,
    PlanTotals,
    Reason,
    UnsafeStretch,
)
from pacer.units import GRAVITY, FloatArray

LATITUDE, LONGITUDE = 47.31, -28.64  # open ocean
MASS, INERTIAL, EFFICIENCY = 83.0, 84.25, 0.976
BUDGET, CRITICAL, W_PRIME = 236.0, 250.0, 18000.0
HOODS, BARS = "hoods", "aero bars"
CDA = {HOODS: 0.36, BARS: 0.29}
FACTOR = {HOODS: 1.0, BARS: 0.97}
MAX_TUCK_SPEED = 14.4
WIND, WIND_FROM = 4.2, math.radians(240.0)

# length [m], total turn over it [°], mean grade, what stands there
ROAD: list[tuple[float, float, float, str]] = [
    (900, 0, 0.000, ""),
    (25, 88, 0.0, "corner"),
    (2300, 22, 0.004, ""),
    (1400, -14, 0.021, ""),
    (45, -70, 0.015, "bend"),
    (1500, 25, 0.046, ""),
    (900, -30, 0.058, ""),
    (1100, 12, -0.018, ""),
    (700, 0, -0.064, ""),
    (32, -165, -0.05, "hairpin"),
    (420, 10, -0.071, ""),
    (32, 170, -0.05, "hairpin"),
    (600, 14, -0.055, ""),
    (2200, -35, -0.004, ""),
    (30, 95, 0.0, "corner"),
    (3600, 18, 0.002, ""),
    (1700, -25, 0.012, ""),
    (14, 180, 0.0, "dead turn"),
    (1700, 25, -0.012, ""),
    (2400, -20, -0.002, ""),
    (60, 85, 0.0, "bend"),
    (2800, 30, 0.009, ""),
    (1200, -22, 0.033, ""),
    (1500, 16, -0.037, ""),
    (28, 92, -0.01, "corner"),
    (3900, 12, 0.0015, ""),
    (40, 75, 0.0, "corner"),
    (2600, 10, -0.003, ""),
    (2100, -18, 0.005, ""),
    (35, 80, 0.0, "corner"),
    (3000, 8, -0.004, ""),
]
KINDS = {kind.value: kind for kind in CornerKind}


@dataclass(frozen=True, slots=True)
class Road:
    """The invented road in cells, with its corners."""

    start: FloatArray
    length: FloatArray
    grade: FloatArray
    heading: FloatArray
    radius: FloatArray
    corners: tuple[Corner, ...]


@lru_cache
def _road(laps: int) -> Road:
    lengths, grades, headings, radii = [], [], [], []
    corners: list[Corner] = []
    heading, at = math.radians(35.0), 0.0
    for length, turn_deg, grade, what in ROAD * laps:
        turn = math.radians(turn_deg)
        pieces = max(1, round(length / (8.0 if what else 27.0)))
        for piece in range(pieces):
            lengths.append(length / pieces)
            headings.append(heading + turn * (piece + 0.5) / pieces)
            swell = 0.0 if what else 0.006 * math.sin(0.9 * piece * length / pieces / 90.0)
            grades.append(grade + swell)
            radii.append(length / abs(turn) if what else math.nan)
        if what:
            corners.append(Corner(at, at + length / 2, at + length, length / abs(turn), turn, KINDS[what]))
        heading += turn
        at += length
    length_array = np.array(lengths)
    smooth = np.convolve(np.pad(np.array(grades), 4, mode="edge"), np.ones(9) / 9.0, mode="valid")
    return Road(
        start=np.concatenate([[0.0], np.cumsum(length_array)[:-1]]),
        length=length_array,
        grade=smooth,
        heading=np.mod(np.array(headings), 2 * math.pi),
        radius=np.array(radii),
        corners=tuple(corners),
    )


def _places(road: Road) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Latitude, longitude and elevation of the middles of the cells."""
    north = np.cumsum(road.length * np.cos(road.heading)) - road.length * np.cos(road.heading) / 2
    east = np.cumsum(road.length * np.sin(road.heading)) - road.length * np.sin(road.heading) / 2
    latitude = LATITUDE + np.degrees(north / 6.371e6)
    longitude = LONGITUDE + np.degrees(east / 6.371e6 / math.cos(math.radians(LATITUDE)))
    rise = road.grade * road.length
    return latitude, longitude, 12.0 + np.cumsum(rise) - rise / 2


def sample_zones() -> tuple[Zone, ...]:
    """Give what the organiser says of this road."""
    return (
        Zone(ZoneKind.NO_TUCK, 19400.0, 19750.0, "school gate"),
        Zone(ZoneKind.NOTE, 14420.0, 14480.0, "stone bridge"),
        Zone(ZoneKind.FEED, 27800.0, 27850.0, "bottle table"),
        Zone(ZoneKind.NOTE, 33000.0, 33000.0, "lighthouse"),
    )


def sample_corners(laps: int = 1) -> tuple[Corner, ...]:
    """Corners of the road."""
    return _road(laps).corners


def _refusals(road: Road, gust_cross: FloatArray) -> list[tuple[Reason, ...]]:
    """Reasons per cell, with the room to move the hands before each."""
    total = float(road.start[-1] + road.length[-1])
    middle = road.start + road.length / 2
    reasons: list[list[Reason]] = [[] for _ in road.length]
    for corner in road.corners:
        near = (middle > corner.start - 110.0) & (middle < corner.end + 20.0)
        for i in np.flatnonzero(near):
            reasons[i].append(Reason("corner radius", round(corner.radius, 1), 60.0, "m radius"))
    for i in np.flatnonzero(road.grade < -0.05):
        reasons[i].append(Reason("steep descent", round(-100 * float(road.grade[i]), 2), 5.0, "% down"))
    for i in np.flatnonzero(np.abs(gust_cross) > 6.0):
        reasons[i].append(Reason("gust crosswind", round(abs(float(gust_cross[i])), 2), 6.0, "m/s"))
    for zone in sample_zones():
        if zone.kind is ZoneKind.NO_TUCK:
            for i in np.flatnonzero((middle > zone.start) & (middle < zone.end)):
                reasons[i].append(Reason("no-tuck zone", 1.0, 0.0, "zone"))
    for i in np.flatnonzero(middle < 200.0):
        reasons[i].append(Reason("distance from the start", round(float(road.start[i]), 1), 200.0, "m"))
    for i in np.flatnonzero(middle > total - 200.0):
        reasons[i].append(Reason("distance to the finish", round(total - float(middle[i]), 1), 200.0, "m"))
    return [tuple(item) for item in reasons]


def _segment_of(road: Road, refused: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Cut where the refusal changes and after about a kilometre."""
    segment = np.zeros(road.length.size, dtype=np.int64)
    since, index = 0.0, 0
    for i in range(1, road.length.size):
        since += float(road.length[i - 1])
        if (refused[i] != refused[i - 1] and since > 60.0) or since > 1300.0:
            index, since = index + 1, 0.0
        segment[i] = index
    return segment


@dataclass(slots=True)
class _Ride:
    speed: FloatArray
    time: FloatArray
    brake: FloatArray
    power: FloatArray


def _ride(
    road: Road, power: FloatArray, cda: FloatArray, wind: tuple[FloatArray, FloatArray], limit: FloatArray
) -> _Ride:
    n = road.length.size
    v, t = np.zeros(n + 1), np.zeros(n + 1)
    brake, used = np.zeros(n), power.copy()
    v[0] = 2.0
    ahead = np.append(limit, np.inf)
    for i in range(n - 1, -1, -1):
        ahead[i] = min(ahead[i], math.sqrt(ahead[i + 1] ** 2 + 2 * 1.8 * road.length[i]))
    for i in range(n):
        speed, steps = v[i], 8
        step = road.length[i] / steps
        for _ in range(steps):
            force = EFFICIENCY * power[i] / max(speed, 2.0) - float(
                resisting_force(
                    speed,
                    grade=road.grade[i],
                    headwind=wind[0][i],
                    crosswind=wind[1][i],
                    density=1.21,
                    drag_area=cda[i],
                    mass=MASS,
                    crr=0.0045,
                )
            )
            speed = math.sqrt(max(speed**2 + 2 * step * force / INERTIAL, 1.0))
        if speed > ahead[i + 1]:
            used[i] = 0.0
            brake[i] = max(
                0.0,
                INERTIAL * (speed**2 - ahead[i + 1] ** 2) / (2 * road.length[i])
                - EFFICIENCY * power[i] / speed,
            )
            speed = ahead[i + 1]
        v[i + 1] = speed
        t[i + 1] = t[i] + 2 * road.length[i] / (v[i] + v[i + 1])
    return _Ride(v, t, brake, used)


def _w_balance(power: FloatArray, time: FloatArray) -> FloatArray:
    balance = np.full(time.size, W_PRIME)
    for i, (watts, dt) in enumerate(zip(power, np.diff(time), strict=True)):
        rate = CRITICAL - watts
        rate *= 1.0 if rate < 0 else 1.0 - balance[i] / W_PRIME
        balance[i + 1] = min(W_PRIME, balance[i] + rate * dt)
    return balance


def sample_time(power: float = 1.0, drag: float = 1.0, wind: float = 1.0) -> float:
    """Ride the powers of the sample plan with power, drag or wind off by a factor; the time [s]."""
    plan = sample_plan()
    road = _road(1)
    cells = plan.cells
    limit = np.where(np.isnan(cells.speed_limit_m_s), np.inf, cells.speed_limit_m_s)
    held = np.array([segment.power_w for segment in plan.segments])[cells.segment]
    air = (cells.headwind_m_s * wind, cells.crosswind_m_s * wind)
    return float(_ride(road, held * power, cells.cda_m2 * drag, air, limit).time[-1])


@lru_cache
def sample_plan(laps: int = 1, name: str = "Gannet Island time trial") -> Plan:
    """Build a plan of `laps` laps of the invented road, about 41 km each."""
    road = _road(laps)
    headwind = WIND * 0.72 * np.cos(road.heading - WIND_FROM)
    crosswind = WIND * 0.72 * np.sin(WIND_FROM - road.heading)
    gust_cross = np.abs(crosswind) * 1.98
    reasons = _refusals(road, gust_cross)
    refused = np.array([bool(item) for item in reasons])
    segment = _segment_of(road, refused)
    limit = np.minimum(
        np.where(np.isnan(road.radius), np.inf, np.sqrt(0.27 * GRAVITY * road.radius)), 60 / 3.6
    )

    count = int(segment[-1]) + 1
    position, seg_power = np.empty(road.length.size, dtype=object), np.zeros(count)
    for k in range(count):
        inside = segment == k
        grade = float(np.average(road.grade[inside], weights=road.length[inside]))
        slow = grade > 0.045
        position[inside] = HOODS if refused[inside].any() or slow else BARS
        wanted = 228.0 + 900.0 * max(-0.12, min(grade, 0.06)) + 5.0 * float(headwind[inside].mean())
        seg_power[k] = 5.0 * round(max(0.0, wanted) / 5.0)
    cda = np.array([CDA[p] for p in position])
    ride = _ride(road, seg_power[segment], cda, (headwind, crosswind), limit)
    upright = _ride(road, seg_power[segment], np.full(cda.size, CDA[HOODS]), (headwind, crosswind), limit)
    duration = np.diff(ride.time)
    factor = np.array([FACTOR[p] for p in position])
    balance = _w_balance(ride.power / factor, ride.time)

    segments = []
    for k in range(count):
        cells = np.flatnonzero(segment == k)
        first, last = cells[0], cells[-1]
        length = float(road.length[cells].sum())
        seconds = float(duration[cells].sum())
        tucked = position[first] == BARS
        gain = float(np.diff(upright.time)[cells].sum() - seconds) if tucked else 0.0
        why: dict[str, Reason] = {r.rule: r for i in cells for r in reasons[i]}
        segments.append(
            PlanSegment(
                index=k,
                start_m=float(road.start[first]),
                end_m=float(road.start[last] + road.length[last]),
                mean_grade=float(np.average(road.grade[cells], weights=road.length[cells])),
                heading_deg=float(
                    np.degrees(
                        np.angle(np.sum(road.length[cells] * np.exp(1j * road.heading[cells])))
                        % (2 * math.pi)
                    )
                ),
                headwind_m_s=float(np.average(headwind[cells], weights=road.length[cells])),
                power_w=float(seg_power[k]),
                position=str(position[first]),
                tucked=bool(tucked),
                speed_m_s=length / seconds,
                duration_s=seconds,
                gain_s=gain,
                reasons=tuple(why.values()),
            )
        )
    latitude, longitude, elevation = _places(road)
    total_time, total_length = float(ride.time[-1]), float(road.length.sum())
    effort = ride.power / factor
    tucked_cell = position == BARS
    cells_record = PlanCells(
        start_m=road.start,
        length_m=road.length,
        grade=road.grade,
        heading_deg=np.degrees(road.heading),
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation,
        corner_radius_m=road.radius,
        tightest_radius_m=road.radius,
        air_density_kg_m3=np.full(road.length.size, 1.21),
        headwind_m_s=headwind,
        crosswind_m_s=crosswind,
        gust_crosswind_m_s=gust_cross,
        speed_limit_m_s=np.where(np.isfinite(limit), limit, np.nan),
        tuck_allowed=~refused,
        tuck_speed_limit_m_s=np.where(refused, np.nan, MAX_TUCK_SPEED),
        position=tuple(str(p) for p in position),
        cda_m2=cda,
        crr=np.full(road.length.size, 0.0045),
        power_factor=factor,
        power_w=ride.power,
        brake_n=ride.brake,
        segment=segment,
    )
    unsafe = _unsafe(road, reasons, ride.speed)
    return Plan(
        inputs=_inputs(name),
        model=PlanModel(MASS, INERTIAL, EFFICIENCY, GRAVITY, CRITICAL, W_PRIME, 2000.0, BUDGET, 700.0),
        cells=cells_record,
        nodes=PlanNodes(np.append(road.start, total_length), ride.time, ride.speed, balance),
        segments=tuple(segments),
        unsafe_to_tuck=unsafe,
        cues=make_cues(cells_record, segments, unsafe, road.corners, sample_zones()),
        totals=PlanTotals(
            time_s=total_time,
            distance_m=total_length,
            climb_m=float(np.clip(road.grade * road.length, 0, None).sum()),
            mean_power_w=float((ride.power * duration).sum() / total_time),
            fourth_power_mean_w=float(((effort**4 * duration).sum() / total_time) ** 0.25),
            work_j=float((ride.power * duration).sum()),
            min_w_balance_j=float(balance.min()),
            tucked_time_share=float(duration[tucked_cell].sum() / total_time),
            tucked_distance_share=float(road.length[tucked_cell].sum() / total_length),
            max_speed_m_s=float(ride.speed.max()),
            upright_time_s=float(upright.time[-1]),
        ),
        optimality=Optimality(total_time / 1.0021, 0.0021, "solved", 3, total_time / 1.0019),
        cautions=(
            "The course file says nothing of surface, traffic or marshals: ride the course before the race.",
            "Hands on the brakes wherever this plan says up, and wherever you are in doubt.",
        ),
        changes=("12 points stood on the same place as the one before and were dropped.",),
    )


def _unsafe(road: Road, reasons: list[tuple[Reason, ...]], speed: FloatArray) -> tuple[UnsafeStretch, ...]:
    found: list[UnsafeStretch] = []
    i, n = 0, road.length.size
    while i < n:
        j = i
        while j < n and bool(reasons[j]) == bool(reasons[i]):
            j += 1
        if reasons[i]:
            why: dict[str, Reason] = {}
            for item in reasons[i:j]:
                why.update({reason.rule: reason for reason in item})
            start, end = float(road.start[i]), float(road.start[j - 1] + road.length[j - 1])
            up_by = max(0.0, start - 3.0 * float(speed[i]))
            found.append(UnsafeStretch(start, end, up_by, tuple(why.values()), 0.0018 * (end - start)))
        i = j
    return tuple(found)


def _inputs(name: str) -> dict[str, Any]:
    return {
        "route": name,
        "route_sha256": "5e" * 32,
        "rider": {
            "mass_kg": 74.0,
            "critical_power_w": CRITICAL,
            "w_prime_j": W_PRIME,
            "max_power_w": 700.0,
            "skill": "practised",
        },
        "cockpit": {
            "reach_mm": 440.0,
            "pad_width_mm": 190.0,
            "pad_height_mm": 45.0,
            "tilt_deg": 8.0,
            "clamp_torque_nm": 8.0,
            "clamp_torque_limit_nm": 10.0,
            "bar_torque_limit_nm": 8.0,
            "note": "left pad one spacer higher",
        },
        "bike": {"mass_kg": 9.0, "crr": 0.0045, "drivetrain_efficiency": EFFICIENCY},
        "positions": [
            {"name": HOODS, "cda_m2": CDA[HOODS], "power_factor": 1.0, "hands_on_brakes": True},
            {"name": BARS, "cda_m2": CDA[BARS], "power_factor": 0.97, "hands_on_brakes": False},
        ],
        "race": {"name": name, "laps": 1, "effort": 0.95, "start": "standing", "finish": "rolling"},
        "weather": {
            "wind_from_deg": 240.0,
            "wind_speed_m_s": WIND,
            "gust_m_s": 8.3,
            "temperature_c": 16.0,
            "pressure_hpa": 1015.0,
            "relative_humidity": 0.7,
            "surface": "dry",
            "roughness_length_m": 0.03,
        },
        "zones": [
            {"kind": z.kind.value, "start_km": z.start / 1000, "end_km": z.end / 1000, "note": z.note}
            for z in sample_zones()
        ],
        "safety": {"tuck_descent_grade": -0.05, "tuck_gust_crosswind_m_s": 6.0, "hands_back_s": 3.0},
        "assumed": [
            "The rider file gives no drag area for the drops: not planned for.",
            "Rolling resistance 0.0045: smooth asphalt, common practice.",
        ],
    }


def sample_course(laps: int = 1, name: str = "Gannet Island time trial") -> tuple[Course, Cells]:
    """Build the course and its cells that the plan of `sample_plan` stands on."""
    road = _road(laps)
    latitude, longitude, elevation = _places(road)
    curvature = np.where(np.isnan(road.radius), 0.0, 1.0 / np.where(np.isnan(road.radius), 1.0, road.radius))
    course = Course(
        name=name,
        source="gannet.gpx",
        distance=road.start + road.length / 2 - road.length[0] / 2,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation=elevation,
        heading=road.heading,
        curvature=curvature,
        corners=road.corners,
        changes=(
            Change(
                "12 points stood on the same place as the one before and were dropped.",
                amount=12.0,
                unit="points",
            ),
            Change(
                "Elevation jumped by 31 m within 9 m of road; drawn through.",
                8120.0,
                8190.0,
                31.0,
                "m",
                loud=True,
            ),
        ),
        elevation_noise=0.4,
        climb=float(np.clip(road.grade * road.length, 0, None).sum()),
    )
    cells = Cells(
        start=road.start,
        length=road.length,
        grade=road.grade,
        heading=road.heading,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation=elevation,
        corner_radius=np.where(np.isnan(road.radius), np.inf, road.radius),
        tightest_radius=np.where(np.isnan(road.radius), np.inf, road.radius),
    )
    return course, cells

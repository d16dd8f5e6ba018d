"""Sums over a finished plan that several outputs show; nothing is computed here that isn't in the plan."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

import numpy as np

from pacer.planning.plan import Plan, PlanSegment, UnsafeStretch
from pacer.render._view import stretches
from pacer.render.words import clean, compass, minutes, percent, wind_speed
from pacer.units import KMH, FloatArray

__all__ = [
    "Answer",
    "RuleCost",
    "Terrain",
    "TuckedStretch",
    "decision",
    "enough_for",
    "place_at",
    "rider_words",
    "rule_costs",
    "table",
    "terrain",
    "tucked_stretches",
    "weather_words",
    "wind_sign",
    "wind_words",
]

_SLOPE: Final = 0.02
"""Grade from which a segment counts as a climb or a descent here; a choice of display."""

_FEW: Final = 0.005
"""Share of the road under which it isn't told that it is ridden upright by choice."""

_HARDLY: Final = 0.0025
"""Share of the race's time under which the tuck is said to hardly pay; a choice of display."""


@dataclass(frozen=True, slots=True)
class TuckedStretch:
    """A stretch from where the rider goes tucked to where the hands go back."""

    start_m: float
    end_m: float
    duration_s: float
    gain_s: float
    mean_power_w: float
    mean_grade: float
    mean_speed_m_s: float


@dataclass(frozen=True, slots=True)
class Terrain:
    """What the climbs, the flat and the descents come to."""

    name: str
    length_m: float
    duration_s: float
    mean_power_w: float
    tucked_s: float


@dataclass(frozen=True, slots=True)
class RuleCost:
    """What a safety rule costs: where it alone refuses, and where others refuse as well."""

    rule: str
    stretches: int
    alone_s: float
    shared_s: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What a rider asks first: whether tucking pays here, where, and where not."""

    pays: str
    where: str
    where_not: str
    by_choice: str
    """Empty where the plan is upright nowhere else."""


def decision(plan: Plan) -> Answer:
    """Answer whether tucking pays on this course, where, and where the hands stay on the brakes."""
    return Answer(_pays(plan), _where(plan), _where_not(plan), _by_choice(plan))


def _pays(plan: Plan) -> str:
    totals = plan.totals
    saved, upright = totals.upright_time_s - totals.time_s, totals.upright_time_s
    if not any(s.tucked for s in plan.segments):
        return "No: upright all the way is the fastest that the rules and your numbers allow"
    if not np.isfinite(saved):
        return "Yes"
    if round(saved) < 1:
        return "No gain: no faster than never tucked"
    told = f"{minutes(saved)} faster than never tucked"
    if saved < _HARDLY * upright:
        return f"Hardly: {told}"
    return f"Yes: {told} ({percent(saved / upright, 1)})"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "es")


def _where(plan: Plan) -> str:
    number, totals = len(tucked_stretches(plan)), plan.totals
    if not number:
        return "nowhere"
    road, time = percent(totals.tucked_distance_share), percent(totals.tucked_time_share)
    return f"{_count(number, 'stretch')}: {road} of the road, {time} of the time"


def _where_not(plan: Plan) -> str:
    unsafe = plan.unsafe_to_tuck
    if not unsafe:
        return "the safety rules refuse it nowhere"
    length = sum(s.end_m - s.up_by_m for s in unsafe)
    share = percent(length / plan.totals.distance_m)
    cost = minutes(sum(s.cost_s for s in unsafe))
    places = f"{_count(len(unsafe), 'stretch')}, {length / 1000:.1f} km ({share})"
    return f"{places}, by the safety rules; costs {cost}"


def _by_choice(plan: Plan) -> str:
    length = sum(s.end_m - s.start_m for s in stretches(plan) if s.state == "up")
    share = length / plan.totals.distance_m
    if share < _FEW or not tucked_stretches(plan):
        return ""
    return f"{length / 1000:.1f} km ({percent(share)}) more by choice: too little to gain, or a rest"


def tucked_stretches(plan: Plan) -> tuple[TuckedStretch, ...]:
    """Join neighbouring tucked segments, in the order of the road."""
    found = []
    for tucked, group in groupby(plan.segments, key=lambda segment: segment.tucked):
        if tucked:
            found.append(_joined(list(group)))
    return tuple(found)


def _joined(segments: Sequence[PlanSegment]) -> TuckedStretch:
    seconds = sum(s.duration_s for s in segments) or 1.0
    length = sum(s.end_m - s.start_m for s in segments)
    return TuckedStretch(
        start_m=segments[0].start_m,
        end_m=segments[-1].end_m,
        duration_s=sum(s.duration_s for s in segments),
        gain_s=sum(s.gain_s for s in segments),
        mean_power_w=sum(s.power_w * s.duration_s for s in segments) / seconds,
        mean_grade=sum(s.mean_grade * (s.end_m - s.start_m) for s in segments) / max(length, 1e-9),
        mean_speed_m_s=length / seconds,
    )


def enough_for(stretches: Sequence[TuckedStretch], share: float = 0.8) -> int:
    """Count how many of the stretches, best first, make up a share of what all of them gain."""
    gains = sorted((max(s.gain_s, 0.0) for s in stretches), reverse=True)
    if not gains or sum(gains) <= 0.0:
        return 0
    return int(np.searchsorted(np.cumsum(gains), share * sum(gains) - 1e-9)) + 1


def terrain(plan: Plan) -> tuple[Terrain, ...]:
    """Share the race out to climbs, flat and descents, by the mean grade of the segments."""
    seconds = np.diff(plan.nodes.time_s)
    grade = np.array([s.mean_grade for s in plan.segments])[plan.cells.segment]
    tucked = np.array([s.tucked for s in plan.segments])[plan.cells.segment]
    kind = np.digitize(grade, (-_SLOPE, _SLOPE))
    found = []
    for name, number in (("climbs", 2), ("flat", 1), ("descents", 0)):
        here = kind == number
        time = float(seconds[here].sum())
        found.append(
            Terrain(
                name=name,
                length_m=float(plan.cells.length_m[here].sum()),
                duration_s=time,
                mean_power_w=float((plan.cells.power_w * seconds)[here].sum()) / time if time > 0.0 else 0.0,
                tucked_s=float(seconds[here & tucked].sum()),
            )
        )
    return tuple(found)


def rule_costs(unsafe: Sequence[UnsafeStretch]) -> tuple[RuleCost, ...]:
    """Add up what the rules cost, dearest first."""
    rules = dict.fromkeys(reason.rule for stretch in unsafe for reason in stretch.reasons)
    found = []
    for rule in rules:
        hit = [stretch for stretch in unsafe if any(reason.rule == rule for reason in stretch.reasons)]
        alone = [stretch for stretch in hit if len({reason.rule for reason in stretch.reasons}) == 1]
        cost = sum(stretch.cost_s for stretch in hit)
        only = sum(stretch.cost_s for stretch in alone)
        found.append(RuleCost(rule, len(hit), only, cost - only))
    return tuple(sorted(found, key=lambda item: -(item.alone_s + item.shared_s)))


def place_at(plan: Plan, distances: Sequence[float]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Latitude, longitude [°] and elevation [m] at distances along the course, between the cells' middles."""
    cells = plan.cells
    middle = cells.start_m + cells.length_m / 2
    longitude = np.unwrap(cells.longitude_deg, period=360.0)
    where = np.asarray(distances, dtype=np.float64)
    found = np.interp(where, middle, longitude)
    return (
        np.interp(where, middle, cells.latitude_deg),
        np.mod(found + 180.0, 360.0) - 180.0,
        np.interp(where, middle, cells.elevation_m),
    )


def table(plan: Plan, name: str) -> Mapping[str, Any]:
    """Give a table of the inputs; empty where the plan has none."""
    found = plan.inputs.get(name)
    return found if isinstance(found, Mapping) else {}


def wind_words(plan: Plan) -> str:
    """Say the wind of the race: "wind 4.2 m/s (15 km/h) from WSW (240°), gusts 8.3 m/s (30 km/h)"."""
    weather = table(plan, "weather")
    speed, origin, gust = (weather.get(key) for key in ("wind_speed_m_s", "wind_from_deg", "gust_m_s"))
    if not isinstance(speed, int | float):
        return _forecast_words(plan) if isinstance(speed, list) else "wind not given"
    if speed <= 0.0:
        return "no wind"
    words = f"wind {wind_speed(speed)}"
    if isinstance(origin, int | float):
        words += f" from {compass(origin)} ({origin:.0f}°)"
    return f"{words}, gusts {wind_speed(gust)}" if isinstance(gust, int | float) else words


@dataclass(frozen=True, slots=True, eq=False)
class _Met:
    """What a forecast says from the start to the finish, at even times; shape (k,), SI but for °C."""

    speed: FloatArray
    origin_deg: FloatArray
    gust: FloatArray
    celsius: FloatArray


def _forecast(plan: Plan) -> _Met | None:
    """Read the forecast off the plan's inputs; None where the plan wasn't made from one."""
    weather = table(plan, "weather")
    names = ("seconds_after_start", "wind_speed_m_s", "wind_from_deg", "gust_m_s", "temperature_c")
    columns = [weather.get(name) for name in names]
    if not all(isinstance(column, list) and column and all(map(_is_number, column)) for column in columns):
        return None
    hours, speed, origin, gust, celsius = (np.asarray(column, dtype=np.float64) for column in columns)
    if len({hours.size, speed.size, origin.size, gust.size, celsius.size}) > 1:
        return None
    angle = np.radians(origin)
    when = np.linspace(0.0, plan.totals.time_s, 49)
    east, north = (np.interp(when, hours, speed * part) for part in (np.sin(angle), np.cos(angle)))
    return _Met(
        speed=np.hypot(east, north),
        origin_deg=np.degrees(np.arctan2(east, north)) % 360.0,
        gust=np.interp(when, hours, gust),
        celsius=np.interp(when, hours, celsius),
    )


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)


def _forecast_words(plan: Plan) -> str:
    met = _forecast(plan)
    if met is None:
        return "wind from a forecast"
    low, high = float(met.speed.min()), float(met.speed.max())
    first, last = (compass(float(met.origin_deg[k])) for k in (0, -1))
    origin = f"from {first}" if first == last else f"from {first} at the start and {last} at the finish"
    speeds = f"{low:.1f} to {high:.1f} m/s ({low / KMH:.0f} to {high / KMH:.0f} km/h)"
    return f"forecast wind {speeds} {origin}, gusts up to {wind_speed(float(met.gust.max()))}"


def wind_sign(plan: Plan) -> str:
    """Say by what wind a card is told from that for another: "WSW 5 m/s"; empty where none is known."""
    weather = table(plan, "weather")
    speed, origin = (weather.get(key) for key in ("wind_speed_m_s", "wind_from_deg"))
    if not isinstance(speed, int | float):
        met = _forecast(plan)
        return f"{met.speed.min():.0f}-{met.speed.max():.0f} m/s" if met is not None else ""
    if speed <= 0.0:
        return "no wind"
    return f"{compass(origin) if isinstance(origin, int | float) else 'wind'} {speed:.0f} m/s"


def weather_words(plan: Plan) -> str:
    """Say the weather of the race: the wind, how warm it is, wet or dry."""
    weather = table(plan, "weather")
    said = [wind_words(plan)]
    degrees, met = weather.get("temperature_c"), _forecast(plan)
    if isinstance(degrees, int | float):
        said.append(f"{degrees:.0f} °C")
    elif met is not None:
        said.append(f"{met.celsius.min():.0f} to {met.celsius.max():.0f} °C")
    if "surface" in weather:
        said.append(clean(weather["surface"], 20))
    return ", ".join(said)


def rider_words(plan: Plan) -> str:
    """Say for whom it is: "rider 74 kg, bicycle 9 kg, critical power 250 W, skill: practised"."""
    rider, bike = table(plan, "rider"), table(plan, "bike")
    numbers = (
        ("rider", rider.get("mass_kg"), "kg"),
        ("bicycle", bike.get("mass_kg"), "kg"),
        ("critical power", rider.get("critical_power_w"), "W"),
    )
    said = [f"{name} {value:.4g} {unit}" for name, value, unit in numbers if isinstance(value, int | float)]
    if "skill" in rider:
        said.append(f"skill: {clean(rider['skill'], 20)}")
    return ", ".join(said)

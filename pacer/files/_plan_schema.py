"""The shape of a plan file: every number's place, its digits when written, its range when read.

This is the machine's half of `docs/reference/plan-file.md`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

__all__ = [
    "CELL_COLUMNS",
    "CUE",
    "MODEL",
    "NODE_COLUMNS",
    "OPTIMALITY",
    "REASON",
    "SEGMENT",
    "TOTALS",
    "UNSAFE",
    "Flag",
    "Kind",
    "Number",
    "Text",
    "Whole",
]


@dataclass(frozen=True, slots=True)
class Number:
    """A finite number in [low, high], written with so many digits; perhaps null."""

    digits: int
    low: float = -math.inf
    high: float = math.inf
    nullable: bool = False


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number in [low, high]."""

    low: int = 0
    high: int = 10_000_000


@dataclass(frozen=True, slots=True)
class Text:
    """A text of at most so many characters."""

    longest: int = 10_000


@dataclass(frozen=True, slots=True)
class Flag:
    """True or false."""


Kind = Number | Whole | Text | Flag

_DISTANCE: Final = Number(4, 0.0, 1e8)
_SPEED: Final = Number(5, 0.0, 200.0)
_WIND: Final = Number(5, -200.0, 200.0)
_POWER: Final = Number(3, 0.0, 1e5)
_TIME: Final = Number(4, 0.0, 1e8)
_SHARE: Final = Number(6, 0.0, 1.0)
_GRADE: Final = Number(7, -10.0, 10.0)
_HEADING: Final = Number(4, 0.0, 360.0)

CELL_COLUMNS: Final[dict[str, Kind]] = {
    "start_m": _DISTANCE,
    "length_m": Number(4, 1e-4, 1e6),
    "grade": _GRADE,
    "heading_deg": _HEADING,
    "latitude_deg": Number(7, -90.0, 90.0),
    "longitude_deg": Number(7, -180.0, 180.0),
    "elevation_m": Number(3, -1e4, 1e5),
    "corner_radius_m": Number(3, 0.0, 1e9, nullable=True),
    "tightest_radius_m": Number(3, 0.0, 1e9, nullable=True),
    "air_density_kg_m3": Number(6, 0.0, 10.0),
    "headwind_m_s": _WIND,
    "crosswind_m_s": _WIND,
    "gust_crosswind_m_s": _WIND,
    "speed_limit_m_s": Number(5, 0.0, 1e4, nullable=True),
    "tuck_allowed": Flag(),
    "tuck_speed_limit_m_s": Number(5, 0.0, 1e4, nullable=True),
    "position": Text(200),
    "cda_m2": Number(6, 0.0, 100.0),
    "crr": Number(7, 0.0, 10.0),
    "power_factor": Number(6, 0.0, 10.0),
    "power_w": _POWER,
    "brake_n": Number(3, 0.0, 1e6),
    "segment": Whole(),
}

NODE_COLUMNS: Final[dict[str, Kind]] = {
    "distance_m": _DISTANCE,
    "time_s": _TIME,
    "speed_m_s": _SPEED,
    "w_balance_j": Number(2, -1e7, 1e7),
}

MODEL: Final[dict[str, Kind]] = {
    "total_mass_kg": Number(4, 0.0, 1e4),
    "inertial_mass_kg": Number(6, 0.0, 1e4),
    "drivetrain_efficiency": Number(6, 0.0, 1.0),
    "gravity_m_s2": Number(6, 0.0, 100.0),
    "critical_power_w": _POWER,
    "w_prime_j": Number(2, 0.0, 1e7),
    "w_prime_reserve_j": Number(2, 0.0, 1e7),
    "fourth_power_budget_w": _POWER,
    "max_power_w": _POWER,
}

REASON: Final[dict[str, Kind]] = {
    "rule": Text(1000),
    "value": Number(5, nullable=True),
    "limit": Number(5, nullable=True),
    "unit": Text(100),
}

SEGMENT: Final[dict[str, Kind]] = {
    "index": Whole(),
    "start_m": _DISTANCE,
    "end_m": _DISTANCE,
    "mean_grade": _GRADE,
    "heading_deg": _HEADING,
    "headwind_m_s": _WIND,
    "power_w": _POWER,
    "position": Text(200),
    "tucked": Flag(),
    "speed_m_s": _SPEED,
    "duration_s": _TIME,
    "gain_s": Number(4, -1e8, 1e8),
}

UNSAFE: Final[dict[str, Kind]] = {
    "start_m": _DISTANCE,
    "end_m": _DISTANCE,
    "up_by_m": _DISTANCE,
    "cost_s": Number(4, -1e8, 1e8),
}

CUE: Final[dict[str, Kind]] = {
    "at_m": _DISTANCE,
    "text": Text(),
    "power_w": _POWER,
    "position": Text(200),
    "tucked": Flag(),
    "kind": Text(200),
}

TOTALS: Final[dict[str, Kind]] = {
    "time_s": Number(4, 1e-3, 1e8),
    "distance_m": Number(4, 1e-3, 1e8),
    "climb_m": Number(3, 0.0, 1e7),
    "mean_power_w": _POWER,
    "fourth_power_mean_w": _POWER,
    "work_j": Number(1, 0.0, 1e12),
    "min_w_balance_j": Number(2, -1e7, 1e7),
    "tucked_time_share": _SHARE,
    "tucked_distance_share": _SHARE,
    "max_speed_m_s": _SPEED,
    "upright_time_s": Number(4, 0.0, 1e8, nullable=True),
}

OPTIMALITY: Final[dict[str, Kind]] = {
    "bound_s": Number(4, 0.0, 1e8, nullable=True),
    "gap": Number(8, -1.0, 1e6, nullable=True),
    "status": Text(1000),
    "rounds": Whole(),
    "free_optimum_s": Number(4, 0.0, 1e8, nullable=True),
}

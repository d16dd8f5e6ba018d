"""What may stand in a rider file and in a race file, with the range of every key."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from pacer.files._schema import Table, choice, moment, number, text, whole, yes_no

__all__ = [
    "BikeTable",
    "CockpitTable",
    "FeedingTable",
    "PositionTable",
    "RaceTable",
    "RiderTable",
    "SafetyTable",
    "WeatherTable",
    "ZoneTable",
]


class RiderTable(Table):
    """The `[rider]` table: who rides."""

    mass_kg: float = number(30, 200, "kg")
    critical_power_w: float = number(50, 600, "W")
    w_prime_j: float | None = number(1000, 60000, "J", None, hint="18 kJ is written 18000")
    max_power_w: float | None = number(100, 2500, "W", None)
    skill: Literal["new", "practised", "expert"] | None = choice(("new", "practised", "expert"), None)


class BikeTable(Table):
    """The `[bike]` table: what is ridden."""

    mass_kg: float | None = number(3, 40, "kg", None)
    crr: float | None = number(0.001, 0.03, "", None)
    drivetrain_efficiency: float | None = number(0.8, 1, "", None, hint="97.6 % is written 0.976")
    wheel_inertia_kg_m2: float | None = number(0, 0.5, "kg m²", None)
    wheel_radius_m: float | None = number(0.15, 0.4, "m", None)
    wheel_drag_area_m2: float | None = number(0, 0.03, "m²", None)


class PositionTable(Table):
    """One of the `[[positions]]`: a way of sitting on the bicycle."""

    name: str = text(40, shortest=1)
    cda_m2: float = number(0.1, 1, "m²")
    power_factor: float = number(0.5, 1, "", 1.0)
    hands_on_brakes: bool = yes_no()
    max_continuous_s: float | None = number(10, 86400, "s", None)


class SafetyTable(Table):
    """The `[safety]` table: every key overrides the default that goes with the skill."""

    corner_lateral_g: float | None = number(0.05, 0.6, "g", None)
    braking_m_s2: float | None = number(0.3, 5, "m/s²", None)
    top_speed_kmh: float | None = number(15, 110, "km/h", None)
    tuck_top_speed_kmh: float | None = number(10, 100, "km/h", None)
    tuck_steepest_descent: float | None = number(
        0, 0.2, "of fall over run", None, hint="a descent of 5 % is written 0.05"
    )
    tuck_lateral_g: float | None = number(0, 0.5, "g", None)
    tuck_min_radius_m: float | None = number(0, 1000, "m", None)
    tuck_gust_crosswind_m_s: float | None = number(0, 20, "m/s", None)
    hands_back_s: float | None = number(0.5, 20, "s", None)
    tuck_shortest_stay_s: float | None = number(0, 600, "s", None)
    tuck_slowest_kmh: float | None = number(0, 50, "km/h", None)
    tuck_roughest_crr_factor: float | None = number(1, 5, "", None)
    start_upright_m: float | None = number(0, 5000, "m", None)
    finish_upright_m: float | None = number(0, 5000, "m", None)
    wet_factor: float | None = number(0.2, 1, "", None)


class CockpitTable(Table):
    """The `[cockpit]` table: how the bars are set, and what their makers allow."""

    reach_mm: float | None = number(200, 900, "mm", None)
    pad_width_mm: float | None = number(50, 400, "mm", None)
    pad_height_mm: float | None = number(-100, 300, "mm", None)
    tilt_deg: float | None = number(-20, 60, "°", None)
    clamp_torque_nm: float | None = number(0.5, 30, "N·m", None)
    clamp_torque_limit_nm: float | None = number(0.5, 30, "N·m", None)
    bar_torque_limit_nm: float | None = number(0.5, 30, "N·m", None)
    extension_torque_nm: float | None = number(0.5, 30, "N·m", None)
    extension_torque_limit_nm: float | None = number(0.5, 30, "N·m", None)
    pad_torque_nm: float | None = number(0.5, 30, "N·m", None)
    pad_torque_limit_nm: float | None = number(0.5, 30, "N·m", None)
    stem_torque_nm: float | None = number(0.5, 30, "N·m", None)
    stem_torque_limit_nm: float | None = number(0.5, 30, "N·m", None)
    note: str | None = text(200, None)


class FeedingTable(Table):
    """The `[feeding]` table: how often, how much."""

    every_min: float | None = number(3, 240, "min", None)
    grams_per_h: float | None = number(0, 200, "g/h", None)
    grams_each: float | None = number(1, 200, "g", None)
    drink_ml_per_h: float | None = number(0, 2000, "ml/h", None)
    upright_s: float | None = number(2, 120, "s", None)
    first_after_min: float | None = number(0, 240, "min", None)
    last_before_end_min: float | None = number(0, 240, "min", None)


class RaceTable(Table):
    """The `[race]` table: what race it is."""

    name: str = text(120, "")
    start_time: datetime | None = moment(None)
    laps: int = whole(1, 100, 1)
    reverse: bool = yes_no(False)
    start: Literal["standing", "rolling"] = choice(("standing", "rolling"), "standing")
    finish: Literal["rolling", "stop"] = choice(("rolling", "stop"), "rolling")
    effort: float | None = number(0.3, 1.3, "", None, hint="95 % of critical power is written 0.95")
    target_power_w: float | None = number(40, 700, "W", None)
    w_prime_reserve_j: float | None = number(0, 40000, "J", None)


class WeatherTable(Table):
    """The `[weather]` table: constants, or a forecast instead of them."""

    wind_from_deg: float | None = number(0, 360, "degrees", None)
    wind_speed_m_s: float | None = number(0, 40, "m/s", None)
    gust_m_s: float | None = number(0, 60, "m/s", None)
    temperature_c: float | None = number(-30, 50, "°C", None)
    pressure_hpa: float | None = number(870, 1085, "hPa", None, hint="reduced to mean sea level")
    relative_humidity: float | None = number(0, 1, "", None, hint="70 % is written 0.7")
    surface: Literal["dry", "wet"] | None = choice(("dry", "wet"), None)
    roughness_length_m: float | None = number(0.0001, 1, "m", None)
    elevation_m: float | None = number(-450, 6000, "m", None)
    forecast: str | None = text(300, None, shortest=1)


class ZoneTable(Table):
    """One of the `[[zones]]`: what the user knows of a stretch."""

    kind: Literal["no-tuck", "speed-limit", "sheltered", "surface", "feed", "note"] = choice(
        ("no-tuck", "speed-limit", "sheltered", "surface", "feed", "note")
    )
    start_km: float = number(0, 2000, "km")
    end_km: float | None = number(0, 2000, "km", None)
    note: str = text(200, "")
    limit_kmh: float | None = number(5, 120, "km/h", None)
    wind_factor: float | None = number(0, 1.5, "", None, hint="1 is open country, 0.5 half the wind")
    crr_factor: float | None = number(0.5, 5, "", None, hint="1 is the bike's own crr, 1.3 is 30 % more")

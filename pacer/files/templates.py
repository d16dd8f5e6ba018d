"""Commented rider and race files to fill in, with unit and range on every line."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any, Final

from pydantic.fields import FieldInfo

from pacer.files._schema import Table
from pacer.files._settings_models import (
    BikeTable,
    CockpitTable,
    FeedingTable,
    PositionTable,
    RaceTable,
    RiderTable,
    SafetyTable,
    WeatherTable,
)
from pacer.physics.defaults import typical_setup
from pacer.physics.rider import Setup
from pacer.planning.inputs import setup_tables
from pacer.planning.limits import DEFAULT_LIMITS, safety_table

__all__ = ["race_template", "rider_template", "rider_text"]

_EXAMPLES: Final[Mapping[str, Any]] = {
    "reach_mm": 480.0,
    "pad_width_mm": 200.0,
    "pad_height_mm": 60.0,
    "tilt_deg": 10.0,
    "clamp_torque_nm": 6.0,
    "clamp_torque_limit_nm": 8.0,
    "bar_torque_limit_nm": 6.0,
    "extension_torque_nm": 5.0,
    "extension_torque_limit_nm": 5.0,
    "pad_torque_nm": 5.0,
    "pad_torque_limit_nm": 5.0,
    "stem_torque_nm": 5.0,
    "stem_torque_limit_nm": 5.0,
    "every_min": 20.0,
    "grams_per_h": 60.0,
    "grams_each": 25.0,
    "drink_ml_per_h": 500.0,
    "upright_s": 10.0,
    "first_after_min": 15.0,
    "last_before_end_min": 10.0,
    "start_time": "2026-06-14T07:30:00+01:00",
    "effort": 0.95,
    "target_power_w": 230.0,
    "w_prime_reserve_j": 2000.0,
    "wind_from_deg": 240.0,
    "wind_speed_m_s": 5.0,
    "gust_m_s": 9.0,
    "temperature_c": 16.0,
    "pressure_hpa": 1015.0,
    "relative_humidity": 0.7,
    "surface": "dry",
    "roughness_length_m": 0.03,
    "elevation_m": 120.0,
    "forecast": "forecast.csv",
}
"""What stands behind the comment sign of a key left out; for `[safety]` it is the skill's own limit."""

_MEANING: Final[Mapping[type[Table], Mapping[str, str]]] = {
    RiderTable: {
        "mass_kg": "body and kit",
        "critical_power_w": "the power that you can hold for a long time without fading",
        "w_prime_j": "the work that you can do above it",
        "max_power_w": "the most that the plan may ask for",
        "skill": "on the aero bars; sets the safety limits",
    },
    BikeTable: {
        "mass_kg": "with bottles and tools",
        "crr": "rolling resistance of the tyres on this road",
        "drivetrain_efficiency": "power at the wheel over power at the pedals",
        "wheel_inertia_kg_m2": "both wheels together",
        "wheel_radius_m": "with the tyre",
        "wheel_drag_area_m2": "spokes turning in the air, added to every position",
    },
    PositionTable: {
        "name": "yours to choose",
        "cda_m2": "drag area of rider and bicycle",
        "power_factor": "power that you can hold so, over that in your best position",
        "hands_on_brakes": "false makes the position tucked",
        "max_continuous_s": "comfort: the longest stay",
    },
    SafetyTable: {
        "corner_lateral_g": "lateral acceleration in corners, hands on the brakes",
        "braking_m_s2": "braking that the plan counts on",
        "top_speed_kmh": "top speed, hands on the brakes",
        "tuck_top_speed_kmh": "top speed while tucked",
        "tuck_steepest_descent": "steepest descent while tucked",
        "tuck_lateral_g": "lateral acceleration while tucked",
        "tuck_min_radius_m": "tightest bend while tucked",
        "tuck_gust_crosswind_m_s": "gust from the side at rider height while tucked",
        "hands_back_s": "hands back on the brakes so long before they may be needed",
        "tuck_shortest_stay_s": "shortest stay worth the change",
        "tuck_slowest_kmh": "slowest steady speed while tucked",
        "tuck_roughest_crr_factor": "roughest surface zone while tucked, times the bike's crr",
        "start_upright_m": "upright after the start",
        "finish_upright_m": "upright before the finish",
        "wet_factor": "what a wet road leaves of speeds and accelerations",
    },
    CockpitTable: {
        "reach_mm": "nose of the saddle to the middle of the pads",
        "pad_width_mm": "pad centre to pad centre",
        "pad_height_mm": "top of the pads above the handlebar",
        "tilt_deg": "extensions, upwards positive",
        "clamp_torque_nm": "as you tighten the bolts of the clip-on clamp",
        "clamp_torque_limit_nm": "as the maker of the clip-on bars allows",
        "bar_torque_limit_nm": "as the maker of the handlebar allows",
        "extension_torque_nm": "as you tighten the bolts that hold the extensions",
        "extension_torque_limit_nm": "as their maker allows",
        "pad_torque_nm": "as you tighten the bolts of the pads",
        "pad_torque_limit_nm": "as their maker allows",
        "stem_torque_nm": "as you tighten the bolts of the stem",
        "stem_torque_limit_nm": "as its maker allows",
        "note": "printed as it stands",
    },
    FeedingTable: {
        "every_min": "how often to take something",
        "grams_per_h": "carbohydrate in an hour",
        "grams_each": "carbohydrate in one helping",
        "drink_ml_per_h": "drink in an hour",
        "upright_s": "how long you sit up for it",
        "first_after_min": "not before this",
        "last_before_end_min": "not after this",
    },
    RaceTable: {
        "name": "shown on the card",
        "start_time": "needed only with a forecast",
        "laps": "how often the course in the GPX file is ridden",
        "reverse": "from its end to its start",
        "start": "how you leave the line",
        "finish": "stop for a dismount line",
        "effort": "fourth-power mean power over critical power",
        "target_power_w": "instead of effort; with neither the planned duration decides",
        "w_prime_reserve_j": "what W' never falls under",
    },
    WeatherTable: {
        "wind_from_deg": "where the wind blows from, clockwise from true north",
        "wind_speed_m_s": "10-minute mean at 10 m over open ground; km/h divided by 3.6",
        "gust_m_s": "highest 3 seconds; km/h divided by 3.6",
        "temperature_c": "in the shade",
        "pressure_hpa": "reduced to mean sea level, as forecasts give it",
        "relative_humidity": "70 % is 0.7",
        "surface": "the road; wet tightens the safety limits",
        "roughness_length_m": "of the country around: 0.005 bare, 0.03 grass, 0.1 some hedges, 0.25 many",
        "elevation_m": "for which the temperature is meant; without it that of the start",
        "forecast": "instead of all the constants above: the name of an hourly CSV file",
    },
}

_HEADINGS: Final[Mapping[type[Table], tuple[str, str]]] = {
    RiderTable: ("[rider]", ""),
    BikeTable: ("[bike]", ""),
    SafetyTable: (
        "[safety]",
        "Every key is optional and overrides the limit that goes with your skill, which is shown.",
    ),
    CockpitTable: (
        "[cockpit]",
        "How your bars are set; checked against the makers' limits and printed on the card.",
    ),
    FeedingTable: ("[feeding]", "Places to eat and drink are then part of the plan."),
    RaceTable: ("[race]", ""),
    WeatherTable: ("[weather]", ""),
}

_ZONES: Final = """\
# What you know of a stretch and the GPX file doesn't; kilometres along the course as ridden, on every lap.
# Any number of them, or, above the first table of this file: zones = "zones.geojson"
# [[zones]]
# kind = "no-tuck"                # no-tuck | speed-limit | sheltered | surface | feed | note
# start_km = 12.3                 # a number from 0 to 2000 km
# end_km = 12.6                   # a number from 0 to 2000 km; left out, a feed or note zone is a point
# note = "school gate"            # a text of up to 200 characters
# limit_kmh = 30.0                # only and always for speed-limit: a number from 5 to 120 km/h
# wind_factor = 0.5               # only and always for sheltered: a number from 0 to 1.5, of the wind
# crr_factor = 1.3                # only and always for surface: a number from 0.5 to 5, times the bike's crr
"""


def rider_template() -> str:
    """Give a rider file for the stated typical rider, to be filled in."""
    head = (
        "# Rider file. Times in seconds, lengths in metres unless the name says otherwise.\n"
        "# A line that begins with # is left out of the plan; take the # away to use it.\n"
    )
    return head + "\n" + rider_text(typical_setup())


def rider_text(
    setup: Setup,
    *,
    safety: Mapping[str, float] | None = None,
    cockpit: Mapping[str, Any] | None = None,
    feeding: Mapping[str, float] | None = None,
    remarks: Mapping[str, str] | None = None,
) -> str:
    """Write a rider file that reads back as the same rider.

    Parameters
    ----------
    setup : Setup
    safety, cockpit, feeding : mapping, optional
        Keys of these tables, in the terms of the file.
    remarks : mapping of str to str, optional
        A comment line above a key, by ``table.key`` or ``positions.name.key``: where a number comes from.
    """
    tables, said = setup_tables(setup), remarks or {}
    parts = [
        _table(RiderTable, tables["rider"], said, "rider"),
        _table(BikeTable, tables["bike"], said, "bike"),
    ]
    for position in tables["positions"]:
        lines = _lines(PositionTable, position, said, f"positions.{position['name']}")
        parts.append("\n".join(["[[positions]]", *lines]) + "\n")
    parts += [
        _table(SafetyTable, safety or {}, said, "safety", _skill_limits(setup)),
        _table(CockpitTable, cockpit or {}, said, "cockpit"),
        _table(FeedingTable, feeding or {}, said, "feeding"),
    ]
    return "\n".join(parts)


def race_template() -> str:
    """Give a race file to be filled in; as it stands it changes nothing."""
    head = "# Race file. A line that begins with # is left out of the plan; take the # away to use it.\n"
    race = {"name": "My race", "laps": 1, "reverse": False, "start": "standing", "finish": "rolling"}
    return "\n".join(
        [head, _table(RaceTable, race, {}, "race"), _table(WeatherTable, {}, {}, "weather"), _ZONES]
    )


def _skill_limits(setup: Setup) -> Mapping[str, float]:
    table = safety_table(DEFAULT_LIMITS[setup.rider.skill])
    return {key: round(value, 6) for key, value in table.items()}


def _table(
    model: type[Table],
    values: Mapping[str, Any],
    remarks: Mapping[str, str],
    path: str,
    examples: Mapping[str, Any] = _EXAMPLES,
) -> str:
    heading, comment = _HEADINGS[model]
    head = [f"# {comment}"] if comment else []
    return "\n".join([*head, heading, *_lines(model, values, remarks, path, examples)]) + "\n"


def _lines(
    model: type[Table],
    values: Mapping[str, Any],
    remarks: Mapping[str, str],
    path: str,
    examples: Mapping[str, Any] = _EXAMPLES,
) -> Iterable[str]:
    for key, field in model.model_fields.items():
        given = key in values
        if not given and key not in examples:
            continue
        if f"{path}.{key}" in remarks:
            yield f"# {remarks[f'{path}.{key}']}"
        shown = f"{'' if given else '# '}{key} = {_toml(values[key] if given else examples[key])}"
        yield f"{shown:<33} # {_expected(field)}: {_MEANING[model][key]}"


def _expected(field: FieldInfo) -> str:
    extra = field.json_schema_extra
    told = str(extra["expected"]) if isinstance(extra, dict) else ""
    return told.split(", such as", maxsplit=1)[0]


def _toml(value: Any) -> str:
    """Write a value as TOML; a date and time stands without quotes."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, str) and value == _EXAMPLES["start_time"]:
        return value
    return json.dumps(value, ensure_ascii=False)

"""From `--try "name: key=value, key=+value"` to the settings of another rider, bicycle or day."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from pacer.air.shift import WeatherShift, shifted
from pacer.errors import SettingsError
from pacer.files._settings_models import SafetyTable
from pacer.files.settings import RaceSettings, RiderSettings, override_race, rider_from_tables
from pacer.physics.rider import Skill
from pacer.planning.inputs import setup_tables
from pacer.render.words import labelled

__all__ = ["Changes", "apply_changes", "parse_changes", "skill_up", "tuckless"]

_RIDER: Final = {
    "mass_kg": ("rider", "mass_kg"),
    "critical_power_w": ("rider", "critical_power_w"),
    "w_prime_j": ("rider", "w_prime_j"),
    "max_power_w": ("rider", "max_power_w"),
    "skill": ("rider", "skill"),
    "bike_mass_kg": ("bike", "mass_kg"),
    "crr": ("bike", "crr"),
    "drivetrain_efficiency": ("bike", "drivetrain_efficiency"),
    "wheel_inertia_kg_m2": ("bike", "wheel_inertia_kg_m2"),
    "wheel_radius_m": ("bike", "wheel_radius_m"),
    "wheel_drag_area_m2": ("bike", "wheel_drag_area_m2"),
}
"""Key of the command line: table and key of the rider file."""

_POSITIONS: Final = {
    "cda_m2": ("cda_m2", None),
    "tucked_cda_m2": ("cda_m2", False),
    "upright_cda_m2": ("cda_m2", True),
    "tucked_power_factor": ("power_factor", False),
    "max_continuous_s": ("max_continuous_s", False),
}
"""Key: key of the position, and which positions (hands on the brakes, or not, or all)."""

_RACE: Final = ("effort", "target_power_w", "laps", "start_time")

_SHIFTS: Final[Mapping[str, Callable[[float], WeatherShift]]] = {
    "wind_speed_m_s": lambda x: WeatherShift(speed=x),
    "wind_from_deg": lambda x: WeatherShift(turn=math.radians(x)),
    "gust_m_s": lambda x: WeatherShift(gust=x),
    "temperature_c": lambda x: WeatherShift(temperature=x),
    "pressure_hpa": lambda x: WeatherShift(pressure=100.0 * x),
    "relative_humidity": lambda x: WeatherShift(relative_humidity=x),
}

_WORDS: Final = ("skill", "surface", "start_time")


@dataclass(frozen=True, slots=True)
class Changes:
    """One variant: what to call it, and key and value of each change as written."""

    label: str
    values: tuple[tuple[str, str], ...]


def _known() -> list[str]:
    return [*_RIDER, *_POSITIONS, *SafetyTable.model_fields, *_RACE, *_SHIFTS, "surface"]


def parse_changes(text: str, option: str = "--try") -> Changes:
    """Read one variant.

    Raises
    ------
    SettingsError
        For what isn't `key=value`, an unknown key, or a value that isn't a number where one is needed.
    """
    head, colon, rest = text.partition(":")
    named = bool(colon) and "=" not in head
    name, body = (head.strip(), rest) if named else ("", text)
    values = []
    for part in body.split(","):
        key, equals, value = (piece.strip() for piece in part.partition("="))
        if not equals or not value:
            do = "write it as mass_kg=-2, or as 'new tyres: crr=0.0038, mass_kg=+0.1'"
            raise SettingsError("must be key=value", where=option, found=repr(part.strip()[:40]), do=do)
        if key not in _known():
            raise SettingsError(
                "is not a known key",
                where=option,
                found=repr(key[:40]),
                do="known keys: " + ", ".join(_known()),
            )
        if key not in _WORDS:
            _number(key, value, option)
        values.append((key, value))
    label = name or ", ".join(_words(key, value) for key, value in values)
    return Changes(label[:60], tuple(values))


def _number(key: str, value: str, option: str) -> float:
    try:
        number = float(value.replace("−", "-"))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise SettingsError(f"{key} must be a number", where=option, found=repr(value[:40]))
    return number


def _words(key: str, value: str) -> str:
    if key in _WORDS:
        return f"{key} {value}"
    name, shown = labelled(key, float(value.replace("−", "-")))
    sign = "+" if value.startswith("+") else ""
    return f"{name.replace('drag area (CdA)', 'CdA')} {sign}{shown.replace('-', '−')}"


def _relative(value: str) -> bool:
    return value[0] in "+-−"


def _changed(before: float, value: str) -> float:
    number = float(value.replace("−", "-"))
    return before + number if _relative(value) else number


def apply_changes(
    changes: Changes, riding: RiderSettings, racing: RaceSettings, option: str = "--try"
) -> tuple[RiderSettings, RaceSettings]:
    """Change rider and race; a value with a sign is added to what stands there.

    Raises
    ------
    SettingsError
        Where a changed value lies outside its range, naming key and range.
    """
    tables = _tables(riding)
    race_over: dict[str, Any] = {}
    shifts: list[WeatherShift] = []
    for key, value in changes.values:
        if key in _SHIFTS and _relative(value):
            shifts.append(_SHIFTS[key](float(value.replace("−", "-"))))
        elif key in _SHIFTS or key in _RACE or key == "surface":
            race_over |= _race_value(key, value, racing, option)
        else:
            _change_tables(tables, key, value, riding, option)
    changed = rider_from_tables(tables, f"{option} '{changes.label}'")
    raced = override_race(racing, **race_over)
    for shift in shifts:
        raced = replace(raced, weather=shifted(raced.weather, shift))
    return replace(changed, assumed=riding.assumed, source=riding.source), raced


def _tables(riding: RiderSettings) -> dict[str, Any]:
    return {**setup_tables(riding.setup), "safety": dict(riding.safety)} | {
        name: dict(table)
        for name, table in (("cockpit", riding.cockpit), ("feeding", riding.feeding))
        if table
    }


def _race_value(key: str, value: str, racing: RaceSettings, option: str) -> dict[str, Any]:
    if key == "surface":
        if value not in ("wet", "dry"):
            raise SettingsError("surface must be wet or dry", where=option, found=repr(value[:40]))
        return {"wet": value == "wet"}
    if key == "start_time":
        return {key: value}
    before = {"effort": racing.race.effort, "target_power_w": racing.race.target_power}.get(key)
    if _relative(value) and key != "laps" and before is None:
        do = f"give {key} itself, without a sign"
        raise SettingsError(f"{key} isn't given, so nothing can be added to it", where=option, do=do)
    number = _changed(before or 0.0, value)
    return {key: int(number) if key == "laps" and number.is_integer() else number}


def _change_tables(tables: dict[str, Any], key: str, value: str, riding: RiderSettings, option: str) -> None:
    if key == "skill":
        tables["rider"]["skill"] = _higher(riding.setup.rider.skill) if value == "up" else value
    elif key in _RIDER:
        table, name = _RIDER[key]
        tables[table][name] = _changed(tables[table][name], value)
    elif key in _POSITIONS:
        name, hands = _POSITIONS[key]
        for position in tables["positions"]:
            if hands is None or position["hands_on_brakes"] is hands:
                position[name] = _changed(position.get(name, 0.0), value)
    else:
        before = tables["safety"].get(key)
        if before is None and _relative(value):
            do = f"give {key} itself, without a sign"
            raise SettingsError(
                f"{key} isn't in the rider file, so nothing can be added to it", where=option, do=do
            )
        tables["safety"][key] = _changed(before or 0.0, value)


_SKILLS: Final = (Skill.NEW, Skill.PRACTISED, Skill.EXPERT)


def _higher(skill: Skill) -> str:
    return _SKILLS[min(_SKILLS.index(skill) + 1, len(_SKILLS) - 1)].value


def skill_up(riding: RiderSettings) -> RiderSettings | None:
    """The same rider one step more skilled; None for an expert. `[safety]` keys stay as they are."""
    rider = riding.setup.rider
    if rider.skill is Skill.EXPERT:
        return None
    higher = replace(rider, skill=Skill(_higher(rider.skill)))
    return replace(riding, setup=replace(riding.setup, rider=higher))


def tuckless(riding: RiderSettings) -> RiderSettings | None:
    """The same rider without the positions whose hands are off the brakes; None where there are none."""
    upright = tuple(p for p in riding.setup.positions if p.hands_on_brakes)
    if len(upright) == len(riding.setup.positions):
        return None
    return replace(riding, setup=replace(riding.setup, positions=upright))

"""The rider file: from TOML to the core's rider, bicycle and positions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, TypeVar

from pacer.errors import SettingsError
from pacer.files._schema import Fault, Table, refuse, show, validate
from pacer.files._settings_models import (
    BikeTable,
    CockpitTable,
    FeedingTable,
    PositionTable,
    RiderTable,
    SafetyTable,
)
from pacer.files._toml import load_toml
from pacer.physics.defaults import (
    TYPICAL_ASSUMED,
    TYPICAL_BIKE,
    TYPICAL_POSITIONS,
    TYPICAL_RIDER,
    typical_setup,
)
from pacer.physics.rider import Bike, Position, Rider, Setup, Skill

__all__ = ["RiderSettings", "default_rider", "read_rider_file", "rider_from_tables"]

_MOST_POSITIONS: Final = 12

_KNOWN: Final[Mapping[str, type[Table]]] = {
    "[rider]": RiderTable,
    "[bike]": BikeTable,
    "[[positions]]": PositionTable,
    "[safety]": SafetyTable,
    "[cockpit]": CockpitTable,
    "[feeding]": FeedingTable,
}

_TYPICAL_POWER_RATIO: Final = TYPICAL_RIDER.max_power / TYPICAL_RIDER.critical_power
"""Maximum power over critical power where the file gives none; common practice, no source."""


@dataclass(frozen=True, slots=True)
class RiderSettings:
    """What a rider file says.

    Attributes
    ----------
    setup : Setup
        Rider, bicycle and positions, SI.
    safety, cockpit, feeding : mapping
        The keys given in these tables, in the terms of the file; empty where the file has none.
    assumed : tuple of str
        A sentence for each thing that the file doesn't give.
    source : str
        Name of the file, empty without one.
    """

    setup: Setup
    safety: Mapping[str, float] = field(default_factory=dict)
    cockpit: Mapping[str, Any] = field(default_factory=dict)
    feeding: Mapping[str, float] = field(default_factory=dict)
    assumed: tuple[str, ...] = ()
    source: str = ""


def default_rider() -> RiderSettings:
    """Give the stated typical rider, for a plan without a rider file."""
    return RiderSettings(setup=typical_setup(), assumed=TYPICAL_ASSUMED)


def read_rider_file(path: Path) -> RiderSettings:
    """Read and check a rider file.

    Parameters
    ----------
    path : Path
        TOML.

    Raises
    ------
    SettingsError
        If it can't be read; or all that is wrong in it, in one line.
    """
    data = load_toml(path)
    if {"race", "weather"} & set(data) and "rider" not in data:
        do = "give it with --race, and with --rider a file with [rider]"
        raise SettingsError("is a race file, not a rider file", where=str(path), do=do)
    return rider_from_tables(data, str(path))


def rider_from_tables(data: Mapping[str, Any], source: str = "") -> RiderSettings:
    """Check the tables of a rider file, wherever they were read.

    Parameters
    ----------
    data : mapping
        `rider`, and optionally `bike`, `positions`, `safety`, `cockpit`, `feeding`.
    source : str
        What to call the file in an error.

    Raises
    ------
    SettingsError
        All that is wrong, in one line.
    """
    faults: list[Fault] = _unknown_tables(data)
    rider = _table(RiderTable, data, "rider", faults, needed=True)
    bike = _table(BikeTable, data, "bike", faults)
    positions = _positions(data.get("positions"), faults)
    given = {
        name: _table(model, data, name, faults)
        for name, model in (("safety", SafetyTable), ("cockpit", CockpitTable), ("feeding", FeedingTable))
    }
    if rider is not None:
        faults += _impossible_power(rider)
    if rider is None or bike is None or faults:
        raise refuse(source, faults)
    assumed: list[str] = []
    setup = Setup(
        rider=_rider(rider, assumed),
        bike=_bike(bike, assumed),
        positions=_known_positions(positions, assumed),
    )
    tables = {name: _given(table) for name, table in given.items()}
    return RiderSettings(setup=setup, **tables, assumed=tuple(assumed), source=source)


TableT = TypeVar("TableT", bound=Table)


def _table(
    model: type[TableT], data: Mapping[str, Any], key: str, faults: list[Fault], *, needed: bool = False
) -> TableT | None:
    if needed and key not in data:
        faults.append(Fault(f"[{key}]", "is missing", do="pacer init writes a file to start from"))
        return None
    table, found = validate(model, data.get(key, {}), name=f"[{key}]", known=_KNOWN)
    faults += found
    return table


def _given(table: Table | None) -> dict[str, Any]:
    return table.model_dump(exclude_none=True) if table is not None else {}


def _unknown_tables(data: Mapping[str, Any]) -> list[Fault]:
    tables = [name.strip("[]") for name in _KNOWN]
    faults = []
    for key, value in data.items():
        if key in tables:
            continue
        home = next((name for name, model in _KNOWN.items() if key in model.model_fields), "")
        if home and not isinstance(value, Mapping):
            faults.append(Fault(key, "stands outside every table", show(value), f"it belongs in {home}"))
        else:
            faults.append(Fault(key, "is not a known table", do="known tables: " + ", ".join(_KNOWN)))
    return faults


def _positions(data: Any, faults: list[Fault]) -> list[PositionTable]:
    """Check the positions one by one, then together; an empty list where the file has none."""
    if data is None:
        return []
    if not isinstance(data, list) or not 1 <= len(data) <= _MOST_POSITIONS:
        what = f"must be 1 to {_MOST_POSITIONS} tables, each under [[positions]]"
        faults.append(Fault("[[positions]]", what, show(data)))
        return []
    checked = []
    for place, item in enumerate(data, 1):
        table, found = validate(PositionTable, item, name=f"[[positions]] no. {place}", known=_KNOWN)
        faults += found
        if table is not None:
            checked.append(table)
    if len(checked) == len(data):
        faults += _impossible_positions(checked)
    return checked


def _impossible_positions(positions: list[PositionTable]) -> list[Fault]:
    faults = []
    if not any(position.hands_on_brakes for position in positions):
        what = "must be true for at least one position: every rider needs the brakes somewhere"
        faults.append(Fault("[[positions]] hands_on_brakes", what, "false in all"))
    names = [position.name.strip().casefold() for position in positions]
    for place, name in enumerate(names, 1):
        if not name or not name.isprintable():
            faults.append(Fault(f"[[positions]] no. {place} name", "must be printable text", show(name)))
        elif name in names[: place - 1]:
            faults.append(Fault(f"[[positions]] no. {place} name", "must differ from the others", show(name)))
    return faults


def _impossible_power(rider: RiderTable) -> list[Fault]:
    if rider.max_power_w is None or rider.max_power_w > rider.critical_power_w:
        return []
    what = f"must be above critical_power_w, which is {rider.critical_power_w:g} W"
    return [Fault("[rider] max_power_w", what, show(rider.max_power_w))]


def _rider(table: RiderTable, assumed: list[str]) -> Rider:
    w_prime, max_power, skill = table.w_prime_j, table.max_power_w, table.skill
    if w_prime is None:
        w_prime = TYPICAL_RIDER.w_prime
        assumed.append(f"No w_prime_j was given: {w_prime:g} J is assumed.")
    if max_power is None:
        max_power = round(table.critical_power_w * _TYPICAL_POWER_RATIO)
        assumed.append(f"No max_power_w was given: {max_power:g} W is assumed.")
    if skill is None:
        skill = "new"
        assumed.append("No skill was given: the safety limits are those of a rider new to the aero bars.")
    return Rider(
        mass=table.mass_kg,
        critical_power=table.critical_power_w,
        w_prime=w_prime,
        max_power=max_power,
        skill=Skill(skill),
    )


_BIKE_KEYS: Final = {
    "mass_kg": ("mass", "kg"),
    "crr": ("crr", ""),
    "drivetrain_efficiency": ("drivetrain_efficiency", ""),
    "wheel_inertia_kg_m2": ("wheel_inertia", "kg m²"),
    "wheel_radius_m": ("wheel_radius", "m"),
    "wheel_drag_area_m2": ("wheel_drag_area", "m²"),
}


def _bike(table: BikeTable, assumed: list[str]) -> Bike:
    values: dict[str, float] = {}
    missing = []
    for key, (name, unit) in _BIKE_KEYS.items():
        value = getattr(table, key)
        values[name] = getattr(TYPICAL_BIKE, name) if value is None else value
        if value is None:
            missing.append(f"{key} {values[name]:g} {unit}".strip())
    if missing:
        assumed.append("Not given for the bicycle and assumed: " + ", ".join(missing) + ".")
    return Bike(**values)


def _known_positions(tables: list[PositionTable], assumed: list[str]) -> tuple[Position, ...]:
    if not tables:
        told = " and ".join(f"{p.name} {p.cda:g} m² (power × {p.power_factor:g})" for p in TYPICAL_POSITIONS)
        assumed.append(f"No positions were given: {told} are assumed.")
        return TYPICAL_POSITIONS
    return tuple(
        Position(
            name=" ".join(table.name.split()),
            cda=table.cda_m2,
            power_factor=table.power_factor,
            hands_on_brakes=table.hands_on_brakes,
            max_continuous=table.max_continuous_s,
        )
        for table in tables
    )

"""A start list: many riders for one race, a CSV file with one of them a line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from pacer.errors import SettingsError
from pacer.files._csv import Limits, Record, read_table
from pacer.files.settings import (
    RaceSettings,
    RiderSettings,
    override_race,
    read_rider_file,
    rider_from_tables,
)
from pacer.physics.defaults import TYPICAL_POSITIONS
from pacer.planning.inputs import setup_tables

__all__ = ["START_COLUMNS", "read_start_list", "row_settings"]

_NUMBER: Final = Limits(0.0, 1e6)

_KEYS: Final = {
    "mass_kg": ("rider", "mass_kg"),
    "critical_power_w": ("rider", "critical_power_w"),
    "w_prime_j": ("rider", "w_prime_j"),
    "max_power_w": ("rider", "max_power_w"),
    "bike_mass_kg": ("bike", "mass_kg"),
    "crr": ("bike", "crr"),
}
"""Column: table and key of the rider file."""

_POSITIONS: Final = {
    "upright_cda_m2": ("cda_m2", True),
    "tucked_cda_m2": ("cda_m2", False),
    "tucked_power_factor": ("power_factor", False),
}
"""Column: key of a position, and whether of those with the hands on the brakes."""

_RACE: Final = ("effort", "target_power_w")

START_COLUMNS: Final = ("name", "bib", "rider", "start_time", *_RACE, "skill", *_KEYS, *_POSITIONS)
"""Columns that may stand in the file; only the name is needed."""


def read_start_list(path: Path) -> tuple[list[Record], list[SettingsError]]:
    """Read the list: its lines, and a fault for each that can't be used.

    Raises
    ------
    SettingsError
        Where the whole file can't be used.
    """
    faults: list[SettingsError] = []
    records = []
    for record in read_table(path, START_COLUMNS, needed=("name",), bad=faults):
        if "name" in record.fields:
            records.append(record)
        else:
            faults.append(SettingsError("has no name", where=record.where))
    return records, faults


def row_settings(
    record: Record, riding: RiderSettings | None, racing: RaceSettings, folder: Path
) -> tuple[RiderSettings, RaceSettings]:
    """Give a line's rider and race.

    Parameters
    ----------
    riding : RiderSettings or None
        For lines that name no rider file; None for what the line says alone, the rest assumed.
    racing : RaceSettings
        Of all.
    folder : Path
        Where the names of rider files start from.

    Raises
    ------
    SettingsError
        Naming the line.
    """
    if "rider" in record.fields:
        riding = read_rider_file(folder / record.fields["rider"])
    found = rider_from_tables(_tables(record, riding), record.where)
    if riding is not None:  # what its file left open stays said
        found = replace(found, assumed=riding.assumed, source=riding.source)
    return found, _race(record, racing)


def _tables(record: Record, riding: RiderSettings | None) -> dict[str, Any]:
    tables: dict[str, Any] = {"rider": {}, "bike": {}}
    if riding is not None:
        tables = {**setup_tables(riding.setup), "safety": dict(riding.safety)}
        for name, along in (("cockpit", riding.cockpit), ("feeding", riding.feeding)):
            tables |= {name: dict(along)} if along else {}
    for column, (home, key) in _KEYS.items():
        value = record.number(column, _NUMBER)
        if value is not None:
            tables[home][key] = value
    if "skill" in record.fields:
        tables["rider"]["skill"] = record.fields["skill"]
    over = {column: record.number(column, _NUMBER) for column in _POSITIONS}
    if any(value is not None for value in over.values()):
        positions = tables.setdefault("positions", _typical_positions())
        for column, value in over.items():
            key, hands = _POSITIONS[column]
            for position in positions if value is not None else ():
                if position["hands_on_brakes"] is hands:
                    position[key] = value
    return tables


def _typical_positions() -> list[dict[str, Any]]:
    return [
        {
            "name": position.name,
            "cda_m2": position.cda,
            "power_factor": position.power_factor,
            "hands_on_brakes": position.hands_on_brakes,
        }
        for position in TYPICAL_POSITIONS
    ]


def _race(record: Record, racing: RaceSettings) -> RaceSettings:
    over: dict[str, Any] = {column: record.number(column, _NUMBER) for column in _RACE}
    over["start_time"] = record.fields.get("start_time")
    given = {key: value for key, value in over.items() if value is not None}
    try:
        return override_race(racing, **given)
    except SettingsError as error:
        column = {"--start-time": "start_time", "--effort": "effort", "--target-power": "target_power_w"}
        what = error.what
        for option, name in column.items():
            what = what.replace(option, name)
        where = f"{record.where}{_column(error.where, column)}"
        raise SettingsError(what, where=where, found=error.found, do=error.do) from None


def _column(where: str, columns: dict[str, str]) -> str:
    return f", {columns[where]}" if where in columns else ""

"""The `[[zones]]` tables of a race file."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from pacer.course.track import Zone, ZoneKind
from pacer.errors import one_line
from pacer.files._schema import Fault, show, validate
from pacer.files._settings_models import ZoneTable
from pacer.units import KMH

__all__ = ["zone_faults", "zone_value", "zones_from_tables"]

_MOST_ZONES: Final = 2000

_VALUE_KEYS: Final = {
    ZoneKind.SPEED_LIMIT: "limit_kmh",
    ZoneKind.SHELTERED: "wind_factor",
    ZoneKind.SURFACE: "crr_factor",
}
"""The one key that a kind needs and no other kind may have."""

_POINTS: Final = (ZoneKind.FEED, ZoneKind.NOTE)
"""Kinds that may be a point of the road instead of a stretch."""


def zones_from_tables(data: Any, folder: Path) -> tuple[tuple[Zone, ...], Path | None, list[Fault]]:
    """Check the zones of a race file.

    Parameters
    ----------
    data : object
        None, the name of a GeoJSON file, or a list of tables.
    folder : Path
        Where that name starts from.

    Returns
    -------
    tuple of Zone, Path or None, list of Fault
    """
    if data is None:
        return (), None, []
    if isinstance(data, str) and data:
        return (), folder / data, []
    if not isinstance(data, list) or len(data) > _MOST_ZONES:
        what = f"must be tables, each under [[zones]], at most {_MOST_ZONES}, or the name of a GeoJSON file"
        return (), None, [Fault("zones", what, show(data))]
    zones: list[Zone] = []
    faults: list[Fault] = []
    for place, item in enumerate(data, 1):
        name = f"[[zones]] no. {place}"
        table, found = validate(ZoneTable, item, name=name, known={"[[zones]]": ZoneTable})
        if table is not None:
            found = [*zone_faults(table, name), *_extent_faults(table, name)]
        faults += found
        if table is not None and not found:
            zones.append(_zone(table))
    return tuple(zones), None, faults


def zone_faults(table: ZoneTable, name: str) -> list[Fault]:
    """Tell which value key a zone of this kind lacks, or has without need."""
    needed = _VALUE_KEYS.get(ZoneKind(table.kind))
    faults = []
    for key in _VALUE_KEYS.values():
        given = getattr(table, key)
        if key == needed and given is None:
            faults.append(Fault(f"{name} {key}", f"is missing: a zone of kind {table.kind} needs it"))
        elif key != needed and given is not None:
            faults.append(
                Fault(f"{name} {key}", f"has no meaning in a zone of kind {table.kind}", show(given))
            )
    return faults


def _extent_faults(table: ZoneTable, name: str) -> list[Fault]:
    if table.end_km is None:
        if ZoneKind(table.kind) in _POINTS:
            return []
        return [Fault(f"{name} end_km", f"is missing: a zone of kind {table.kind} is a stretch")]
    if table.end_km < table.start_km or (
        table.end_km == table.start_km and ZoneKind(table.kind) not in _POINTS
    ):
        return [
            Fault(f"{name} end_km", f"must be beyond start_km, {table.start_km:g} km", show(table.end_km))
        ]
    return []


def zone_value(table: ZoneTable) -> float | None:
    """Give the zone's value in the core's terms: [m/s], wind factor or rolling-resistance factor."""
    if table.limit_kmh is not None:
        return table.limit_kmh * KMH
    return table.wind_factor if table.wind_factor is not None else table.crr_factor


def _zone(table: ZoneTable) -> Zone:
    end_km = table.start_km if table.end_km is None else table.end_km
    return Zone(
        kind=ZoneKind(table.kind),
        start=1000.0 * table.start_km,
        end=1000.0 * end_km,
        note=one_line(table.note),
        value=zone_value(table),
    )

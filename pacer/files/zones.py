"""Read zones drawn on a map: GeoJSON features whose properties are the keys of a `[[zones]]` table."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np

from pacer.course.track import ZoneKind
from pacer.course.zones import GeoShape, GeoZone
from pacer.errors import CourseError, one_line
from pacer.files._content import read_text
from pacer.files._schema import validate
from pacer.files._settings_models import ZoneTable
from pacer.files._zones import zone_faults, zone_value

__all__ = ["read_zones_geojson"]

_LARGEST_BYTES: Final = 20_000_000
_MOST_ZONES: Final = 2000
_OWN_KEYS: Final = ("heading_deg", "both_ways")
"""Properties that only a drawn zone has."""

_KEYS: Final = ("kind", "note", "limit_kmh", "wind_factor", "crr_factor")


def read_zones_geojson(path: str | Path) -> tuple[GeoZone, ...]:
    """Read the zones of a GeoJSON file (RFC 7946).

    Each feature is a (multi)point, (multi)line or (multi)polygon. Its properties are `kind`, `note`, and
    `limit_kmh`, `wind_factor` or `crr_factor`, as in a race file; `heading_deg` ties a point or an area to
    one way of the road; `both_ways` frees a line of its own. Other properties are left alone.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    tuple of GeoZone

    Raises
    ------
    CourseError
        If the file can't be read, isn't GeoJSON, or a feature isn't a zone.
    """
    path = Path(path)
    text = read_text(path, most=_LARGEST_BYTES, kind="a file of zones", error=CourseError)
    try:
        data = json.loads(text)
    except (RecursionError, ValueError) as error:
        raise CourseError("not valid JSON", where=path.name, found=str(error)) from None
    features = _features(data, path.name)
    zones: list[GeoZone] = []
    for number, feature in enumerate(features, 1):
        zones += _zones(feature, f"feature no. {number}", path.name)
    if len(zones) > _MOST_ZONES:
        raise CourseError(f"more than {_MOST_ZONES} zones", where=path.name, found=str(len(zones)))
    return tuple(zones)


def _features(data: Any, where: str) -> list[Any]:
    kind = data.get("type") if isinstance(data, Mapping) else None
    if kind == "Feature":
        return [data]
    if kind == "FeatureCollection" and isinstance(data.get("features"), list):
        return list(data["features"])
    raise CourseError(
        "not a GeoJSON FeatureCollection", where=where, found=repr(kind), do="export the zones as GeoJSON"
    )


def _zones(feature: Any, label: str, where: str) -> list[GeoZone]:
    place = f"{where}, {label}"
    if not isinstance(feature, Mapping) or not isinstance(feature.get("geometry"), Mapping):
        raise CourseError("a feature has no geometry", where=place)
    properties = feature.get("properties")
    properties = properties if isinstance(properties, Mapping) else {}
    known = {key: properties[key] for key in _KEYS if properties.get(key) is not None}
    table, faults = validate(ZoneTable, known | {"start_km": 0.0}, name=label, known={label: ZoneTable})
    faults = faults or (zone_faults(table, label) if table is not None else [])
    if table is None or faults:
        fault = faults[0]
        raise CourseError(f"{fault.place} {fault.what}", where=where, found=fault.found, do=fault.do)
    heading = _heading(properties.get("heading_deg"), place)
    return [
        GeoZone(
            kind=ZoneKind(table.kind),
            shape=shape,
            rings=rings,
            note=one_line(table.note),
            value=zone_value(table),
            heading=heading,
            both_ways=properties.get("both_ways") is True,
            label=label,
        )
        for shape, rings in _shapes(feature["geometry"], place)
    ]


def _heading(value: Any, place: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 <= value <= 360.0:
        raise CourseError(
            "heading_deg must be a number from 0 to 360", where=place, found=repr(value), do="correct it"
        )
    return math.radians(value)


def _shapes(geometry: Mapping[str, Any], place: str) -> list[tuple[GeoShape, tuple[Any, ...]]]:
    kind, coordinates = geometry.get("type"), geometry.get("coordinates")
    many = isinstance(kind, str) and kind.startswith("Multi")
    single = kind.removeprefix("Multi") if isinstance(kind, str) else ""
    items = coordinates if many and isinstance(coordinates, list) else [coordinates]
    if single == "Point":
        return [(GeoShape.POINT, (_ring([item], 1, place),)) for item in items]
    if single == "LineString":
        return [(GeoShape.LINE, (_ring(item, 2, place),)) for item in items]
    if single == "Polygon":
        return [(GeoShape.AREA, _rings(item, place)) for item in items]
    raise CourseError(
        "a zone must be a point, a line or a polygon", where=place, found=repr(kind), do="draw it as one"
    )


def _rings(item: Any, place: str) -> tuple[Any, ...]:
    if not isinstance(item, list) or not item:
        raise CourseError("a polygon must be a list of rings", where=place, found=repr(item)[:60])
    return tuple(_ring(ring, 4, place) for ring in item)


def _ring(item: Any, least: int, place: str) -> Any:
    try:
        ring = np.array([[float(p[0]), float(p[1])] for p in item], dtype=np.float64).reshape(-1, 2)
    except (TypeError, ValueError, IndexError, KeyError, OverflowError):
        raise CourseError("coordinates must be pairs of longitude and latitude", where=place) from None
    inside = np.all(np.isfinite(ring)) and np.all(np.abs(ring[:, 0]) <= 180.0)
    if ring.shape[0] < least or not inside or np.any(np.abs(ring[:, 1]) > 90.0):
        raise CourseError(
            f"needs at least {least} positions, longitude first, on the Earth",
            where=place,
            found=f"{ring.shape[0]} positions",
        )
    return ring

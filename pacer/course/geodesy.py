"""Distances, headings and a local plane on the WGS84 ellipsoid."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np

from pacer.units import FloatArray, wrap_heading

__all__ = ["Plane", "geodesic_steps"]


@lru_cache(maxsize=1)
def _geod() -> Any:
    from pyproj import Geod

    return Geod(ellps="WGS84")


def geodesic_steps(latitude_deg: FloatArray, longitude_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Length and heading of the geodesic from each point to the next.

    Parameters
    ----------
    latitude_deg, longitude_deg : FloatArray, shape (k,)
        WGS84 degrees.

    Returns
    -------
    length : FloatArray, shape (k - 1,)
        On the ellipsoid [m].
    heading : FloatArray, shape (k - 1,)
        At the start of each step, 0 north, clockwise, in [0, 2π) [rad].

    References
    ----------
    .. [1] C. F. F. Karney, "Algorithms for geodesics", J. Geodesy 87, 2013, doi:10.1007/s00190-012-0578-z.
    """
    latitude = np.asarray(latitude_deg, dtype=np.float64)
    longitude = np.asarray(longitude_deg, dtype=np.float64)
    azimuth, _, length = _geod().inv(longitude[:-1], latitude[:-1], longitude[1:], latitude[1:])
    return np.asarray(length, dtype=np.float64), wrap_heading(np.radians(azimuth))


@dataclass(frozen=True, slots=True)
class Plane:
    """A plane that touches the ellipsoid at one point: azimuthal equidistant about it.

    Lengths across the line of sight from the centre are wrong by (distance / 6371 km)² / 6: 4e-5 at 100 km.

    Attributes
    ----------
    latitude_deg, longitude_deg : float
        Where it touches, WGS84 degrees.
    """

    latitude_deg: float
    longitude_deg: float
    _projection: Any = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        from pyproj import Proj

        projection = Proj(
            proj="aeqd", ellps="WGS84", lat_0=self.latitude_deg, lon_0=self.longitude_deg, units="m"
        )
        object.__setattr__(self, "_projection", projection)

    @classmethod
    def about(cls, latitude_deg: FloatArray, longitude_deg: FloatArray) -> Plane:
        """Choose the plane that touches in the middle of some points, across the antimeridian too."""
        latitude, longitude = np.radians(latitude_deg), np.radians(longitude_deg)
        x = float(np.mean(np.cos(latitude) * np.cos(longitude)))
        y = float(np.mean(np.cos(latitude) * np.sin(longitude)))
        z = float(np.mean(np.sin(latitude)))
        return cls(float(np.degrees(np.arctan2(z, np.hypot(x, y)))), float(np.degrees(np.arctan2(y, x))))

    def to_plane(self, latitude_deg: FloatArray, longitude_deg: FloatArray) -> FloatArray:
        """Metres east and north of the centre, shape (k, 2)."""
        east, north = self._projection(np.asarray(longitude_deg), np.asarray(latitude_deg), errcheck=True)
        return np.column_stack((east, north))

    def to_earth(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Latitude and longitude [°] of points of the plane, shape (k, 2) [m]."""
        longitude, latitude = self._projection(points[:, 0], points[:, 1], inverse=True, errcheck=True)
        return np.asarray(latitude, dtype=np.float64), np.asarray(longitude, dtype=np.float64)

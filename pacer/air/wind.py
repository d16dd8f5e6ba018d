"""Wind at rider height, and its components along and across the road.

References
----------
[1] Wieringa J (1992). Updating the Davenport roughness classification. J. Wind Eng. Ind. Aerodyn.
    41-44:357-368. doi:10.1016/0167-6105(92)90434-C (the classes of roughness length; from memory)
[2] Stull R. Meteorology for Scientists and Engineers: logarithmic wind profile of neutral air.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.units import FloatArray

__all__ = ["RIDER_HEIGHT", "profile_factor", "wind_components"]

RIDER_HEIGHT: Final = 1.2
"""Height of the middle of rider and bicycle in the air [m]; common practice, no source."""

_FORECAST_HEIGHT: Final = 10.0
"""Height for which winds are reported and forecast [m], WMO Guide No. 8 (from memory)."""


def profile_factor(
    height: float = RIDER_HEIGHT, roughness_length: float = 0.03, reference: float = _FORECAST_HEIGHT
) -> float:
    """Wind speed at a height over that at the reference height, by the log law [2].

    Parameters
    ----------
    height, reference : float
        Above the ground [m].
    roughness_length : float
        Of the country around [m], [1].

    Raises
    ------
    ValueError
        If a height isn't above the roughness length, or that isn't positive.

    Notes
    -----
    ln(z / z₀) / ln(z_ref / z₀): neutral air, flat country of one roughness, no displacement height. With
    z₀ above 0.25 m the result at rider height is nominal.
    """
    if not 0.0 < roughness_length < min(height, reference):
        raise ValueError(
            f"profile_factor: heights {height}, {reference} m over {roughness_length} m of roughness"
        )
    return float(np.log(height / roughness_length) / np.log(reference / roughness_length))


def wind_components(
    speed: npt.ArrayLike, wind_from: npt.ArrayLike, heading: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Headwind and crosswind of a road.

    Parameters
    ----------
    speed : float or array, shape (n,)
        [m/s].
    wind_from : float or array, shape (n,)
        Where the wind comes from, 0 north, clockwise [rad].
    heading : float or array, shape (n,)
        Direction of travel, 0 north, clockwise [rad].

    Returns
    -------
    headwind : FloatArray, shape (n,)
        Positive against the rider [m/s].
    crosswind : FloatArray, shape (n,)
        Positive from the right [m/s].
    """
    strength = np.asarray(speed, dtype=np.float64)
    angle = np.asarray(wind_from, dtype=np.float64) - np.asarray(heading, dtype=np.float64)
    return np.asarray(strength * np.cos(angle)), np.asarray(strength * np.sin(angle))

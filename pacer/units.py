"""Physical constants and conversions of units: the ground that every room stands on."""

from __future__ import annotations

import math
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = [
    "GRAVITY",
    "KMH",
    "ZERO_CELSIUS",
    "FloatArray",
    "Numeric",
    "read_only",
    "signed_angle",
    "unbounded",
    "wrap_heading",
]

FloatArray: TypeAlias = npt.NDArray[np.float64]
"""One-dimensional unless the docstring says otherwise."""

Numeric: TypeAlias = float | FloatArray
"""What a formula takes: a number or an array, broadcast together."""

GRAVITY: Final = 9.80665
"""Standard acceleration of free fall, m/s² (3rd CGPM, 1901)."""

KMH: Final = 1.0 / 3.6
"""One kilometre an hour in metres a second (exact)."""

ZERO_CELSIUS: Final = 273.15
"""0 °C in kelvins (exact)."""


def wrap_heading(angle: npt.ArrayLike) -> FloatArray:
    """Bring an angle into [0, 2π) [rad]."""
    return np.mod(np.asarray(angle, dtype=np.float64), 2.0 * math.pi)


def signed_angle(angle: npt.ArrayLike) -> FloatArray:
    """Bring an angle into [-π, π) [rad]."""
    return np.mod(np.asarray(angle, dtype=np.float64) + math.pi, 2.0 * math.pi) - math.pi


def unbounded(column: FloatArray) -> FloatArray:
    """A column with infinity where it has NaN, for null: no corner, no limit."""
    return np.where(np.isnan(column), np.inf, column)


def read_only(values: npt.ArrayLike) -> FloatArray:
    """Copy `values` into a float64 array that can't be written to."""
    array = np.array(values, dtype=np.float64)
    array.flags.writeable = False
    return array

"""What goes into the programme besides the problem, and what comes out: frozen data, no maths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.units import FloatArray

__all__ = ["Branches", "Held", "Optimum", "SpeedRange"]


LOOSE_CELL: Final = 0.02
"""By how much slowness times speed may differ from 1 in a cell that counts as tight."""


@dataclass(frozen=True, slots=True, eq=False)
class Branches:
    """Which positions are open in which cells, one entry a pair, shape (m,), sorted by cell."""

    cell: npt.NDArray[np.int64]
    position: npt.NDArray[np.int64]

    @classmethod
    def fixed(cls, position: npt.NDArray[np.int64]) -> Branches:
        """One given position a cell, shape (n,)."""
        return cls(np.arange(position.size), position)

    @classmethod
    def open(cls, allowed: npt.NDArray[np.bool_]) -> Branches:
        """Every allowed position, from a mask of shape (n, p)."""
        cell, position = np.nonzero(allowed)
        return cls(cell, position)


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """One power a segment, to first order about a ride.

    F f = P τ, the force of a held power, becomes F f = P₀ τ + τ₀ (P - P₀) where the segment's number
    acts, and at most that where a limit bids less.

    Attributes
    ----------
    segment : int array, shape (n,)
        Of each cell.
    power : FloatArray, shape (s,)
        P₀ of each segment at the pedals [W].
    slowness : FloatArray, shape (n,)
        τ₀ of the ride [s/m].
    acts : bool array, shape (n,)
        Where the ride held the segment's power.
    change : float
        Most that a power may move from P₀, over the budget.
    """

    segment: npt.NDArray[np.int64]
    power: FloatArray
    slowness: FloatArray
    acts: npt.NDArray[np.bool_]
    change: float = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class SpeedRange:
    """Speeds at the cell ends between which a ride is looked for, shape (n + 1,) each [m/s].

    `high` is infinite where no range is asked for. With a range, E ≤ (low + high) y - low high holds for
    every speed in it, and keeps the relaxation near E = y².
    """

    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """Solution of the programme.

    Attributes
    ----------
    status : str
        "solved", or the solver's word for why not; then the arrays mean nothing.
    time, bound : float
        Value of the plan found and of the dual [s].
    speed : FloatArray, shape (n + 1,)
        At the cell ends [m/s].
    slowness, force : FloatArray, shape (n,)
        [s/m]; body force Q τ, summed over positions [N].
    share : FloatArray, shape (n, p)
        Of each position in each cell.
    brake : FloatArray, shape (n,)
        [N].
    motion_price : FloatArray, shape (n,)
        Seconds that one more newton of resistance in the cell costs [s/N].
    endurance_price : float
        Seconds that one more unit of relative endurance load costs.
    w_prime_price : FloatArray, shape (n,)
        Seconds that one more joule drawn from W' in the cell costs [s/J].
    looseness : float
        How far the relaxation is from tight: largest 1 - y²/E and τȳ - 1, weighted by time.
    iterations : int
    segment_power : FloatArray, shape (s,)
        Of held segments [W]; empty without them.
    """

    status: str
    time: float
    bound: float
    speed: FloatArray
    slowness: FloatArray
    force: FloatArray
    share: FloatArray
    brake: FloatArray
    motion_price: FloatArray
    endurance_price: float
    w_prime_price: FloatArray
    looseness: float
    iterations: int
    segment_power: FloatArray

    @property
    def solved(self) -> bool:
        """Whether the solver proved its answer."""
        return self.status == "solved"

    @property
    def loose(self) -> npt.NDArray[np.bool_]:
        """Cells ridden slower than their ends' speeds say, where those mean little, shape (n,)."""
        return np.asarray(self.slowness * self.mean_speed > 1.0 + LOOSE_CELL)

    @property
    def mean_speed(self) -> FloatArray:
        """Of each cell, shape (n,) [m/s]."""
        return np.asarray(0.5 * (self.speed[:-1] + self.speed[1:]))

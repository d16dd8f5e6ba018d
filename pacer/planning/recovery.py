"""The W' balance as rows of the programme.

Above critical power the balance falls by what is drawn, which is linear. Below it the deficit D = 1 -
W/W' shrinks by
the share 1 - exp(-x) with x = (CP τ - F) d / W', a product of two unknowns. For a plan it is taken to
first order about the last round; for a bound on every plan, by the two lines that are nowhere below it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pacer.planning.affine import Affine
from pacer.planning.problem import Fatigue
from pacer.units import FloatArray

__all__ = ["Recovery", "recovery_about", "recovery_at_most"]


@dataclass(frozen=True, slots=True, eq=False)
class Recovery:
    """How W' comes back, shape (n,) each.

    Row i reads W₁ ≤ W₀ + rate · x + slope · (balance - W₀) + offset, W as a share of W', for each line.

    Attributes
    ----------
    rate, slope, balance, offset : FloatArray
        Of the first line.
    fastest : FloatArray or None
        Largest x of each cell; gives the second line, W₁ ≤ W₀ + fastest (1 - W₀), where it is needed.
    """

    rate: FloatArray
    slope: FloatArray
    balance: FloatArray
    offset: FloatArray
    fastest: FloatArray | None = None

    def rows(self, before: Affine, after: Affine, x: Affine) -> list[Affine]:
        """Rows that must not be negative; `x` is what critical power exceeds the force by, over W'."""
        drop = before - after
        found = [drop + x, drop + x * self.rate - (before - self.balance) * self.slope + self.offset]
        if self.fastest is not None:
            found.append(drop + (1.0 - before) * self.fastest)
        return found

    def price(self, rows: FloatArray) -> FloatArray:
        """Price of a joule drawn in each cell from the prices of the rows, the first two blocks of n."""
        n = self.rate.size
        return np.asarray(rows[:n] + self.rate * rows[n : 2 * n])


def recovery_about(
    balance: FloatArray, body_power: FloatArray, seconds: FloatArray, fatigue: Fatigue
) -> Recovery:
    """To first order about a ride.

    Parameters
    ----------
    balance : FloatArray, shape (n + 1,)
        [J].
    body_power, seconds : FloatArray, shape (n,)
        [W], [s].
    """
    x = np.maximum((fatigue.critical_power - body_power) * seconds / fatigue.w_prime, 0.0)
    regained, kept = -np.expm1(-x), np.exp(-x)
    # A ride that knew no W' may be far below nothing: no plan can be near it.
    before = np.clip(balance[:-1] / fatigue.w_prime, 0.0, 1.0)
    deficit = 1.0 - before
    return Recovery(
        rate=deficit * kept, slope=regained, balance=before, offset=deficit * (regained - x * kept)
    )


def recovery_at_most(longest: FloatArray, fatigue: Fatigue) -> Recovery:
    """Nowhere slower than any ride recovers, for a bound.

    Parameters
    ----------
    longest : FloatArray, shape (n,)
        Most seconds that a ride spends in each cell.
    """
    n = longest.size
    most = 1.0 - fatigue.w_prime_reserve / fatigue.w_prime
    return Recovery(
        rate=np.full(n, most),
        slope=np.zeros(n),
        balance=np.zeros(n),
        offset=np.zeros(n),
        fastest=-np.expm1(-fatigue.critical_power * longest / fatigue.w_prime),
    )

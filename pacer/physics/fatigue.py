"""What an effort costs the body: W' balance, fourth-power mean power, power that lasts a given time.

Three limits hold at once (Q is body power, power at the pedals over the position's power factor)::

    endurance        ( (1/T) ∫ Q⁴ dt )^(1/4) ≤ budget
    critical power   dW/dt = CP - Q            where Q > CP
                     dW/dt = (CP - Q)(1 - W/W')  where Q ≤ CP
    maximum          Q ≤ maximum power

References
----------
[1] Monod H, Scherrer J (1965). The work capacity of a synergic muscular group. Ergonomics 8(3):329-338.
    doi:10.1080/00140136508930810 (doi from memory)
[2] Skiba PF, Clarke DC (2021). The W' balance model: mathematical and methodological considerations. Int. J.
    Sports Physiol. Perform. 16(11):1561-1572. doi:10.1123/ijspp.2021-0205. The differential form is used
    here.
[3] Péronnet F, Thibault G (1989). Mathematical analysis of running performance and world running records.
    J. Appl. Physiol. 67(1):453-465 (from memory); the index itself: Péronnet F, Thibault G, Rhodes EC,
    McKenzie DC (1987). Med. Sci. Sports Exerc. 19(6):610-615, whose 18 runners lay between -4.07 and -9.96 %
    of the maximum per unit of ln t, mean -6.40.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.units import FloatArray

__all__ = [
    "ENDURANCE_DECLINE",
    "ENDURANCE_KNEE",
    "fourth_power_mean",
    "sustainable_power",
    "time_to_exhaustion",
    "w_balance",
]

ENDURANCE_DECLINE: Final = 0.07
"""Share of critical power lost for each e-fold of duration beyond the knee; [3] saw 0.04 to 0.10."""

ENDURANCE_KNEE: Final = 2400.0
"""Duration up to which critical power is taken to last [s]; common practice, no source."""


def w_balance(
    power: npt.ArrayLike,
    duration: npt.ArrayLike,
    critical_power: float,
    w_prime: float,
    start: float | None = None,
) -> FloatArray:
    """W' left at the ends of steps of constant body power.

    Parameters
    ----------
    power : float or array, shape (n,)
        Body power in each step [W].
    duration : float or array, shape (n,)
        [s], not negative.
    critical_power : float
        [W].
    w_prime : float
        Size of the full reserve, positive [J].
    start : float, optional
        What is left at the beginning [J]; full when not given.

    Returns
    -------
    FloatArray, shape (n + 1,)
        [J]. Negative where the steps ask for more than there is: the model says that they can't be ridden,
        and the value says by how much.

    Raises
    ------
    ValueError
        Where `w_prime` isn't positive, a duration is negative or the start is above `w_prime`.

    Notes
    -----
    Exact for each step (differential form, [2]): the deficit D = W' - W grows by (Q - CP) Δt above critical
    power and shrinks by the factor exp(-(CP - Q) Δt / W') below it. Within a step the balance is monotonic,
    so the ends hold the lowest value.
    """
    q, dt = np.broadcast_arrays(np.atleast_1d(np.asarray(power, float)), np.asarray(duration, float))
    first = w_prime if start is None else start
    if not w_prime > 0.0:
        raise ValueError(f"w_prime must be positive, got {w_prime}")
    if np.any(dt < 0.0):
        raise ValueError(f"durations must not be negative, got {float(dt.min())}")
    if first > w_prime:
        raise ValueError(f"start must not be above w_prime, got {first}")
    excess = q - critical_power
    spent = np.maximum(excess, 0.0) * dt
    kept = np.exp(np.minimum(excess, 0.0) * dt / w_prime)
    deficit = w_prime - first
    deficits = [deficit]
    for add, keep in zip(spent.tolist(), kept.tolist(), strict=True):
        deficit = deficit * keep + add
        deficits.append(deficit)
    return np.asarray(w_prime - np.array(deficits))


def fourth_power_mean(power: npt.ArrayLike, duration: npt.ArrayLike) -> float:
    """Fourth root of the time mean of the fourth power of power [W].

    Parameters
    ----------
    power : float or array, shape (n,)
        [W].
    duration : float or array, shape (n,)
        [s], adding up to more than zero.

    Notes
    -----
    Nothing is smoothed beforehand. A constant power is its own fourth-power mean; every change makes the mean
    larger than the plain one. The exponent is common practice, no source.
    """
    q, dt = np.broadcast_arrays(np.atleast_1d(np.asarray(power, float)), np.asarray(duration, float))
    total = float(dt.sum())
    if not total > 0.0:
        raise ValueError(f"durations must add up to more than zero, got {total}")
    return float((np.sum(q**4 * dt) / total) ** 0.25)


def sustainable_power(
    duration: npt.ArrayLike,
    critical_power: float,
    decline: float = ENDURANCE_DECLINE,
    knee: float = ENDURANCE_KNEE,
) -> FloatArray:
    """Power that lasts a given time: critical power up to the knee, then falling linearly in ln T [W].

    Parameters
    ----------
    duration : float or array, shape (n,)
        T, positive [s].
    critical_power : float
        [W].
    decline : float
        Share of critical power lost for each e-fold of T beyond the knee.
    knee : float
        [s].

    Notes
    -----
    CP (1 - decline ln(T / knee)) beyond the knee: the form of [3], anchored at critical power instead of
    maximal aerobic power. Below the knee the hyperbola would allow more; a plan doesn't count on it, because
    W' is accounted for by itself. Never negative.
    """
    times = np.asarray(duration, dtype=np.float64)
    if np.any(~(times > 0.0)):
        raise ValueError("durations must be positive")
    folds = np.log(np.maximum(times / knee, 1.0))
    return np.asarray(critical_power * np.maximum(1.0 - decline * folds, 0.0))


def time_to_exhaustion(power: float, critical_power: float, w_prime: float) -> float:
    """Time for which a constant power above critical power lasts, W' / (P - CP) [s], [1]; else infinite."""
    excess = power - critical_power
    return w_prime / excess if excess > 0.0 else math.inf

"""Powers as a rider reads and remembers them: multiples of five watts that the body can still pay for."""

from __future__ import annotations

from typing import Final

import numpy as np

from pacer.units import FloatArray

__all__ = ["POWER_STEP", "nearest_steps", "step_below", "steps_within"]

POWER_STEP: Final = 5.0
"""Powers that are told are multiples of this [W]."""


def nearest_steps(power: FloatArray, seconds: FloatArray, highest: float) -> FloatArray:
    """Powers rounded to the step, what each owes the budget carried on to the next.

    A change of δ watts for t seconds at power P costs 4 P³ t δ of the fourth-power budget, to first order.
    Half a step may be owed at the end.

    Parameters
    ----------
    power, seconds : FloatArray, shape (s,)
        Of each stretch [W], [s].
    highest : float
        That no power may pass [W].
    """
    top = POWER_STEP * np.floor(highest / POWER_STEP)
    weight = seconds * np.maximum(power, 0.3 * float(power.mean())) ** 3
    found, carry = np.zeros(power.size), 0.0
    for k, (p, w) in enumerate(zip(power.tolist(), weight.tolist(), strict=True)):
        floor = POWER_STEP * np.floor(p / POWER_STEP)
        number = POWER_STEP * np.floor((p + carry / w) / POWER_STEP + 0.5)
        found[k] = min(max(number, floor), floor + POWER_STEP, top)
        carry += (p - found[k]) * w
    return found


def step_below(power: FloatArray) -> FloatArray:
    """The multiple of the step that is at most each power [W]; any shape."""
    return np.asarray(POWER_STEP * np.floor(power / POWER_STEP + 1e-9))


def steps_within(power: FloatArray, weight: FloatArray) -> FloatArray:
    """Powers rounded to the step below, or above it where the budget has enough left.

    What one stretch leaves the next may take, and what is left at the end goes where rounding took most.
    A power that is a multiple of the step stays. Σ weight · power⁴ is at most what it was.

    Parameters
    ----------
    power : FloatArray, shape (s,)
        Of each stretch [W].
    weight : FloatArray, shape (s,)
        What it costs the body: its seconds over its power factor to the fourth.
    """
    found = step_below(power)
    step = weight * ((found + POWER_STEP) ** 4 - found**4)
    spare = weight * (power**4 - found**4)
    left = 0.0
    for k in range(power.size):
        left += spare[k]
        if found[k] < power[k] - 1e-6 and 0.0 < step[k] <= left:
            found[k] += POWER_STEP
            left -= step[k]
    for k in np.argsort(found - power, kind="stable"):
        if found[k] < power[k] - 1e-6 and 0.0 < step[k] <= left:
            found[k] += POWER_STEP
            left -= step[k]
    return found

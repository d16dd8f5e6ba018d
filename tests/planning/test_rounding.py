"""Powers rounded for a rider: readable, near what was meant, paid for."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pacer.planning.rounding import POWER_STEP, nearest_steps, steps_within

STRETCHES = st.lists(st.tuples(st.floats(20.0, 500.0), st.floats(1.0, 900.0)), min_size=1, max_size=60)


@given(stretches=STRETCHES)
def test_steps_within_are_paid_for(stretches: list[tuple[float, float]]) -> None:
    """Multiples of 5 W, each less than one step from its power, and Σ w P⁴ never above what it was."""
    power, weight = np.array(stretches).T
    told = steps_within(power, weight)
    assert np.all(told % POWER_STEP == 0.0)
    assert np.all(np.abs(told - power) < POWER_STEP + 1e-6)
    assert weight @ told**4 <= weight @ power**4 * (1.0 + 1e-9)


@given(stretches=STRETCHES)
def test_little_is_left_of_what_could_be_spent(stretches: list[tuple[float, float]]) -> None:
    """What is left buys no further step for any stretch that was rounded down."""
    power, weight = np.array(stretches).T
    told = steps_within(power, weight)
    left = weight @ power**4 - weight @ told**4
    step = weight * ((told + POWER_STEP) ** 4 - told**4)
    assert np.all(step[told < power - 1e-3] > left * (1.0 - 1e-6))


@given(stretches=STRETCHES, highest=st.floats(20.0, 500.0))
def test_nearest_steps_owe_half_a_step_at_most(stretches: list[tuple[float, float]], highest: float) -> None:
    """Multiples of 5 W within a step, none over the highest; at most half a step is owed at the end."""
    power, seconds = np.array(stretches).T
    told = nearest_steps(power, seconds, highest)
    assert np.all(told % POWER_STEP == 0.0)
    assert np.all(told <= highest)
    assert np.all(np.abs(told - power)[told < highest - POWER_STEP] <= POWER_STEP)
    weight = seconds * np.maximum(power, 0.3 * power.mean()) ** 3
    if power.max() <= highest - POWER_STEP:
        assert weight @ (told - power) <= 0.5 * POWER_STEP * weight.max() * (1.0 + 1e-9)


@given(stretches=STRETCHES)
def test_a_power_that_is_a_step_stays(stretches: list[tuple[float, float]]) -> None:
    """A multiple of 5 W among others is told as it is, whatever rounding leaves of the budget."""
    power, weight = np.array(stretches).T
    exact = np.arange(power.size) % 3 != 0
    power[exact] = POWER_STEP * np.round(power[exact] / POWER_STEP)
    told = steps_within(power, weight)
    assert np.array_equal(told[exact], power[exact])

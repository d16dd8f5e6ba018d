"""W' balance, fourth-power mean and sustainable power against published and independently computed values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pacer.physics.fatigue import fourth_power_mean, sustainable_power, time_to_exhaustion, w_balance


@pytest.mark.parametrize(
    ("critical_power", "w_prime", "power", "seconds"),
    [
        (250.0, 20e3, 300.0, 400.0),
        (250.0, 20e3, 350.0, 200.0),
        (250.0, 20e3, 450.0, 100.0),
        (300.0, 25e3, 350.0, 500.0),
        (300.0, 25e3, 400.0, 250.0),
        (300.0, 25e3, 500.0, 125.0),
    ],
)
def test_time_to_exhaustion_follows_the_hyperbola(critical_power, w_prime, power, seconds):
    """W' / (P - CP), Monod and Scherrer 1965; exact by the formula."""
    assert time_to_exhaustion(power, critical_power, w_prime) == pytest.approx(seconds, rel=1e-12)


def test_time_to_exhaustion_is_endless_at_critical_power():
    """At or below critical power nothing runs out."""
    assert math.isinf(time_to_exhaustion(250.0, 250.0, 20e3))
    assert math.isinf(time_to_exhaustion(100.0, 250.0, 20e3))


def test_w_balance_gives_the_worked_sequence():
    """400 W for 60 s and 100 W for 120 s in turn; CP 250 W, W' 20 kJ.

    Source: the closed form of the differential model (Skiba and Clarke 2021,
    doi:10.1123/ijspp.2021-0205), computed by an independent script; tolerance 0.1 J.
    """
    left = w_balance([400, 100, 400, 100, 400], [60, 120, 60, 120, 60], 250.0, 20e3)
    assert left == pytest.approx([20000.0, 11000.0, 16340.87, 7340.87, 14853.18, 5853.18], abs=0.1)


def test_w_balance_agrees_with_small_euler_steps():
    """Integrating dW/dt in one-second Euler steps gives 5875.63 J at the end of the same sequence."""
    left = 20e3
    for power, seconds in ((400, 60), (100, 120), (400, 60), (100, 120), (400, 60)):
        for _ in range(seconds):
            left += (250.0 - power) if power > 250.0 else (250.0 - power) * (1.0 - left / 20e3)
    assert left == pytest.approx(5875.63, abs=0.01)
    exact = w_balance([400, 100, 400, 100, 400], [60, 120, 60, 120, 60], 250.0, 20e3)[-1]
    assert left == pytest.approx(exact, abs=25.0)


def test_half_recovery_time():
    """At 100 W under critical power, half of a deficit of W' = 20 kJ is back after 138.6 s (W' ln 2 / D)."""
    left = w_balance(150.0, 138.629, 250.0, 20e3, start=4000.0)
    assert left[-1] == pytest.approx(12000.0, abs=1.0)


def test_w_balance_goes_below_zero_where_the_effort_is_impossible():
    """An effort beyond W' isn't clipped: the shortfall is seen."""
    assert w_balance(450.0, 120.0, 250.0, 20e3)[-1] == pytest.approx(-4000.0)


@pytest.mark.parametrize(
    "arguments",
    [([300.0], [-1.0], 250.0, 2e4), ([300.0], [1.0], 250.0, 0.0), ([300.0], [1.0], 250.0, 2e4, 3e4)],
)
def test_w_balance_refuses_nonsense(arguments):
    """Negative time, no W' and a start above W' are a programmer's errors."""
    with pytest.raises(ValueError, match="must"):
        w_balance(*arguments)


@given(
    st.lists(st.tuples(st.floats(0, 900), st.floats(0, 600)), min_size=1, max_size=30),
    st.floats(0.1, 0.9),
)
def test_splitting_a_step_changes_nothing(steps, share):
    """The closed form doesn't depend on how finely a constant power is cut."""
    power = np.array([p for p, _ in steps])
    time = np.array([t for _, t in steps])
    whole = w_balance(power, time, 250.0, 20e3)
    cut = w_balance(
        np.repeat(power, 2), np.column_stack((share * time, (1 - share) * time)).ravel(), 250.0, 20e3
    )
    assert cut[::2] == pytest.approx(whole, rel=1e-9, abs=1e-6)
    assert np.all(whole <= 20e3 + 1e-6)


def test_fourth_power_mean_of_two_halves():
    """600 s at 200 W and 600 s at 300 W: 263.898 W, computed independently."""
    assert fourth_power_mean([200.0, 300.0], [600.0, 600.0]) == pytest.approx(263.898, abs=1e-3)


@given(st.lists(st.tuples(st.integers(0, 1000), st.floats(0.1, 500)), min_size=1, max_size=20))
def test_fourth_power_mean_is_never_below_the_plain_mean(steps):
    """Jensen's inequality; equal where power is constant."""
    power, time = np.array([p for p, _ in steps]), np.array([t for _, t in steps])
    plain = float(np.sum(power * time) / np.sum(time))
    mean = fourth_power_mean(power, time)
    assert plain * (1 - 1e-12) <= mean <= power.max() * (1 + 1e-12)


def test_fourth_power_mean_needs_time():
    """No duration, no mean."""
    with pytest.raises(ValueError, match="more than zero"):
        fourth_power_mean([200.0], [0.0])


@pytest.mark.parametrize(
    ("index", "minutes", "per_cent"),
    [
        (-4, 20, 95.80),
        (-4, 60, 91.41),
        (-4, 120, 88.63),
        (-4, 240, 85.86),
        (-6, 20, 93.70),
        (-6, 60, 87.11),
        (-6, 120, 82.95),
        (-6, 240, 78.79),
        (-8, 20, 91.60),
        (-8, 60, 82.81),
        (-8, 120, 77.27),
        (-8, 240, 71.72),
        (-10, 20, 89.50),
        (-10, 60, 78.52),
        (-10, 120, 71.58),
        (-10, 240, 64.65),
    ],
)
def test_sustainable_power_has_the_form_of_the_endurance_index(index, minutes, per_cent):
    """With the knee at 7 minutes, Péronnet and Thibault's form comes out.

    Values in % of the maximum computed independently from EI = (100 - %MAP)/(ln 7 - ln t); tolerance 0.01.
    """
    power = sustainable_power(minutes * 60.0, 100.0, decline=-index / 100.0, knee=420.0)
    assert float(power) == pytest.approx(per_cent, abs=0.01)


def test_sustainable_power_is_critical_power_up_to_the_knee():
    """Critical power for 40 minutes, less after, falling without end but never below zero."""
    times = np.array([60.0, 2400.0, 2401.0, 3600.0, 18000.0, 1e12])
    power = sustainable_power(times, 250.0)
    assert list(power[:2]) == [250.0, 250.0]
    assert np.all(np.diff(power[1:]) < 0.0)
    assert power[3] == pytest.approx(250.0 * (1 - 0.07 * math.log(1.5)))
    assert power[-1] == 0.0


def test_sustainable_power_needs_time():
    """A duration of zero is a programmer's error."""
    with pytest.raises(ValueError, match="positive"):
        sustainable_power(0.0, 250.0)

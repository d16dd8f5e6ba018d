"""The rows by which the programme keeps account of W', against the balance itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pacer.physics.fatigue import w_balance
from pacer.planning.affine import Layout
from pacer.planning.problem import Fatigue
from pacer.planning.recovery import Recovery, recovery_about, recovery_at_most
from pacer.units import FloatArray

FATIGUE = Fatigue(critical_power=250.0, w_prime=20_000.0, w_prime_reserve=0.0, max_power=900.0, budget=250.0)
WORKED_POWER = np.array([400.0, 100.0, 400.0, 100.0, 400.0])
WORKED_SECONDS = np.array([60.0, 120.0, 60.0, 120.0, 60.0])


def slack(recovery: Recovery, balance: FloatArray, power: FloatArray, seconds: FloatArray) -> FloatArray:
    """What the rows leave free for a ride, shape (lines, n), as a share of W'."""
    n = power.size
    layout = Layout()
    layout.reserve("W", n + 1)
    layout.reserve("x", n)
    whole, x = layout.variable("W"), layout.variable("x")
    drawn = (FATIGUE.critical_power - power) * seconds / FATIGUE.w_prime
    values = np.concatenate((balance / FATIGUE.w_prime, drawn))
    found = recovery.rows(whole.at(np.arange(n)), whole.at(np.arange(1, n + 1)), x)
    return np.array([row.value(values) for row in found])


def test_the_worked_sequence_lies_on_the_rows() -> None:
    """400 W for a minute, 100 W for two, in turn: the balance of the closed form is the most the rows allow.

    Source: the differential model's closed form (Skiba and Clarke 2021, doi:10.1123/ijspp.2021-0205), by an
    independent script: 11000, 16340.87, 7340.87, 14853.18 and 5853.18 J; 0.1 J.
    """
    left = np.array([20_000.0, 11_000.0, 16_340.87, 7_340.87, 14_853.18, 5_853.18])
    about = recovery_about(left, WORKED_POWER, WORKED_SECONDS, FATIGUE)
    free = slack(about, left, WORKED_POWER, WORKED_SECONDS)
    assert np.all(free.min(axis=0) >= -0.1 / 20_000.0)
    np.testing.assert_allclose(free.min(axis=0), 0.0, atol=0.1 / 20_000.0)


RIDES = st.integers(0, 10_000)


def random_ride(seed: int, cells: int = 30) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Power, seconds and the balance of a random ride that doesn't run dry."""
    rng = np.random.default_rng(seed)
    power, seconds = rng.uniform(0.0, 420.0, cells), rng.uniform(2.0, 15.0, cells)
    return power, seconds, w_balance(power, seconds, 250.0, 20_000.0)


@given(seed=RIDES)
def test_rows_about_a_ride_are_exact_for_it(seed: int) -> None:
    """The rows hold for the ride about which they were made and leave nothing free."""
    power, seconds, balance = random_ride(seed)
    free = slack(recovery_about(balance, power, seconds, FATIGUE), balance, power, seconds)
    np.testing.assert_allclose(free.min(axis=0), 0.0, atol=1e-9)


@given(seed=RIDES, size=st.floats(0.01, 0.1))
def test_rows_about_a_ride_are_wrong_by_second_order(seed: int, size: float) -> None:
    """A tenth of the change leaves the rows wrong by a hundredth, but for cells that cross critical power."""
    power, seconds, balance = random_ride(seed)
    about = recovery_about(balance, power, seconds, FATIGUE)
    change = np.random.default_rng(seed + 1).uniform(-1.0, 1.0, power.size)
    wrong = []
    for share in (size, 0.1 * size):
        changed = np.maximum(power * (1.0 + share * change), 0.0)
        crossed = (changed > 250.0) != (power > 250.0)
        near = np.abs(power - 250.0) < 60.0
        after = w_balance(changed, seconds, 250.0, 20_000.0)
        free = np.abs(slack(about, after, changed, seconds).min(axis=0))
        wrong.append(float(free[~crossed & ~near].max(initial=0.0)))
    assert wrong[1] <= 0.02 * wrong[0] + 1e-9


@given(seed=RIDES)
def test_rows_for_the_bound_forbid_no_ride(seed: int) -> None:
    """Whatever is ridden above the reserve, the bound's rows allow its balance."""
    power, seconds, balance = random_ride(seed)
    if balance.min() < FATIGUE.w_prime_reserve:
        return
    free = slack(recovery_at_most(seconds * 1.3, FATIGUE), balance, power, seconds)
    assert free.min() >= -1e-9


def test_the_price_of_a_joule_counts_every_line() -> None:
    """A joule drawn is worth the first row's price and the second's by its rate."""
    about = Recovery(rate=np.array([0.25, 0.5]), slope=np.zeros(2), balance=np.ones(2), offset=np.zeros(2))
    assert about.price(np.array([1.0, 2.0, 4.0, 6.0, 9.0])) == pytest.approx([2.0, 5.0])


def test_rows_about_a_ride_that_knew_no_limit_allow_a_sensible_one() -> None:
    """A first guess that draws hundreds of times W' doesn't forbid the rides that draw none."""
    power, seconds = np.tile([700.0, 0.0], 50), np.full(100, 2.0)
    about = recovery_about(np.linspace(20_000.0, -4e6, 101), power, seconds, FATIGUE)
    easy = np.full(100, 240.0)
    balance = w_balance(easy, seconds, 250.0, 20_000.0, 5_000.0)
    assert slack(about, balance, easy, seconds).min() > -0.02

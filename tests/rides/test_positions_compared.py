"""Two positions against each other: field test, a split found in the data, power at the same heart rate."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from pacer.errors import RideError
from pacer.physics.defaults import typical_setup
from pacer.rides.calibrate import CalibrationRide, calibrate
from pacer.rides.field_test import Run, analyse_field_test, plan_field_test
from pacer.rides.position_power import power_factor
from pacer.rides.ride import Ride
from pacer.rides.split import split_ride, with_split
from tests.rides.simulated import Scenario, simulate
from tests.rides.study import setup_for

TEST = Scenario(
    shape="laps",
    hills=0.05,
    block=8000.0,
    length=64_000.0,
    wind_speed=1.0,
    cda=(("hoods", 0.36), ("aero bars", 0.33)),
)


def runs_of(ride: Ride, scenario: Scenario) -> list[Run]:
    """One run a lap, positions in turn."""
    edges = np.interp(np.arange(0.0, scenario.length + 1.0, scenario.block), ride.distance, ride.elapsed)
    names = [name for name, _ in scenario.cda]
    return [Run(a + 10.0, b - 10.0, names[i % 2]) for i, (a, b) in enumerate(pairwise(edges.tolist()))]


def test_fewer_runs_tell_a_larger_difference():
    """Runs fall with the difference and with the calm of the air, and the order shares out a drift."""
    setup = typical_setup()
    plans = [plan_field_test(setup, d) for d in (0.02, 0.03, 0.05, 0.1)]
    assert [p.runs for p in plans] == sorted((p.runs for p in plans), reverse=True)
    assert all(p.detectable <= d for p, d in zip(plans, (0.02, 0.03, 0.05, 0.1), strict=True))
    assert (
        plan_field_test(setup, 0.03, wind_change=0.1).runs
        < plan_field_test(setup, 0.03, wind_change=0.6).runs
    )
    assert plans[1].order.split()[:4] == ["A", "B", "B", "A"]
    assert plan_field_test(setup, 0.002, wind_change=1.0).runs == 0


def test_the_number_of_runs_keeps_its_promise():
    """With the expected scatter the planned runs tell the difference in about four of five tests."""
    from scipy.stats import t

    plan = plan_field_test(typical_setup(), 0.03)
    rng = np.random.default_rng(8)
    n, told = plan.runs, 0
    for _ in range(2000):
        a = 0.36 + plan.scatter * rng.standard_normal(n)
        b = 0.33 + plan.scatter * rng.standard_normal(n)
        pooled = np.sqrt((a.var(ddof=1) + b.var(ddof=1)) / 2.0)
        told += (a.mean() - b.mean()) / (pooled * np.sqrt(2.0 / n)) > t.ppf(0.975, 2 * n - 2)
    assert 0.77 < told / 2000 < 0.95


def test_nonsense_is_a_programmers_error():
    """A difference of nothing can't be planned."""
    with pytest.raises(ValueError, match="must be positive"):
        plan_field_test(typical_setup(), 0.0)


def test_the_analysis_finds_the_true_difference():
    """Twelve tests of eight laps: the 95 % interval holds 0.03 m², and mostly it is sure which is faster."""
    setup = setup_for(TEST, TEST.crr)
    held = sure = 0
    for ride in simulate(TEST, 12):
        found = analyse_field_test(CalibrationRide(ride), runs_of(ride, TEST), setup)
        held += found.low < 0.03 < found.high
        sure += found.sure and found.difference > 0.0 and found.confidence > 0.975
        assert found.seconds_per_40_km == pytest.approx(found.difference / 0.03 * 114.0, rel=0.1)
    assert held >= 9  # at 95 %, fewer once in 500 times
    assert sure >= 8


def test_equal_positions_are_not_told_apart():
    """Two names for one position: it isn't sure, and the interval holds zero."""
    scenario = replace(TEST, cda=(("hoods", 0.34), ("aero bars", 0.34)))
    (ride,) = simulate(scenario, 1)
    found = analyse_field_test(CalibrationRide(ride), runs_of(ride, scenario), setup_for(scenario, 0.0045))
    assert found.low < 0.0 < found.high
    assert not found.sure


def test_a_field_test_needs_two_runs_in_each_of_two_positions():
    """Less is refused with what was found."""
    (ride,) = simulate(replace(TEST, length=16_000.0), 1)
    with pytest.raises(RideError, match="found 1 × hoods, 1 × aero bars"):
        analyse_field_test(
            CalibrationRide(ride), runs_of(ride, replace(TEST, length=16_000.0)), typical_setup()
        )


def test_two_positions_far_apart_are_found_without_being_told():
    """0.10 m² on a calm day: the split is supported, and nine of ten steps are in the right position."""
    scenario = Scenario(wind_speed=1.0, cda=(("hoods", 0.37), ("aero bars", 0.27)), block=4000.0)
    (ride,) = simulate(scenario, 1)
    split, stretches = split_ride(CalibrationRide(ride), setup_for(scenario, scenario.crr))
    assert split.supported
    assert split.high - split.low == pytest.approx(0.10, abs=0.025)
    truth = (ride.distance[1:] / scenario.block).astype(int) % 2
    known = split.step_state >= 0
    assert np.mean(truth[known] == split.step_state[known]) > 0.85
    assert {s.position for s in stretches} == {"hoods", "aero bars"}


def test_errors_grow_by_how_uncertain_the_split_is():
    """Positions that the ride told itself: larger errors than if told, and they hold the true difference."""
    scenario = Scenario(wind_speed=1.0, cda=(("hoods", 0.37), ("aero bars", 0.27)), block=4000.0)
    setup = setup_for(scenario, scenario.crr)
    held = 0
    rides = simulate(scenario, 8)
    for ride in rides:
        split, item = with_split(CalibrationRide(ride), setup)
        assert split.supported
        assert np.all(np.linalg.eigvalsh(split.doubt) > 0.0)
        gap = calibrate([item], setup).difference("hoods", "aero bars")
        as_told = calibrate([replace(item, doubt=())], setup).difference("hoods", "aero bars")
        assert gap.value == as_told.value
        assert gap.error > 1.1 * as_told.error
        held += gap.low < 0.10 < gap.high
    assert held >= 6  # at 95 %, fewer once in 170 times


def test_one_position_is_not_split():
    """Gusts and changes of the wind alone don't make two positions."""
    scenario = Scenario(cda=(("hoods", 0.33),))
    for ride in simulate(scenario, 4):
        split, stretches = split_ride(CalibrationRide(ride), setup_for(scenario, scenario.crr))
        assert not split.supported
        assert stretches == ()


def heart_ride(factor: float, noise: float = 1.0, seconds: int = 7200) -> tuple[Ride, np.ndarray]:
    """Two hours of steps of power; heart rate answers to body power, drifting up; the position alternates."""
    rng = np.random.default_rng(4)
    time = np.arange(float(seconds))
    step = (time // 300).astype(int)
    tucked = step % 2 == 1
    body = 170.0 + 60.0 * rng.random(step.max() + 1)[step]
    power = body * np.where(tucked, factor, 1.0)
    heart = np.empty(seconds)
    heart[0] = 100.0
    for i in range(1, seconds):
        heart[i] = heart[i - 1] + (60.0 + 0.4 * body[i] + 0.001 * i - heart[i - 1]) / 30.0
    none = np.full(seconds, np.nan)
    power *= 1 + 0.03 * noise * rng.standard_normal(seconds)
    heart = np.round(heart + noise * rng.standard_normal(seconds))
    speed, level = np.full(seconds, 9.0), np.zeros(seconds)
    ride = Ride("h", "h", time, 9.0 * time, speed, none, none, level, power, heart, none, none)
    return ride, tucked[1:].astype(np.int64)


def test_power_in_position_is_found_where_heart_rate_tells():
    """A factor of 0.95 comes back within its interval, and is usable."""
    found = power_factor([heart_ride(0.95)], ("hoods", "aero bars"), 1, 0)
    assert found.usable
    assert found.factor == pytest.approx(0.95, abs=2.5 * found.error)
    assert found.error < 0.02
    assert min(found.pieces) >= 8


def test_power_in_position_stays_where_the_data_do_not_allow():
    """No heart rate, or too few pieces: the default stays, with the reason."""
    ride, label = heart_ride(0.95)
    blind = replace(ride, heart_rate=np.full(len(ride), np.nan))
    assert "needs 8 steady pieces" in power_factor([(blind, label)], ("hoods", "aero bars"), 1, 0).reason
    short = heart_ride(0.95, seconds=1500)
    assert not power_factor([short], ("hoods", "aero bars"), 1, 0).usable

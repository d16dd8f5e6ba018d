"""Calibration against simulated rides whose truth is known, and what it says where it can't tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.air.weather import constant_weather
from pacer.errors import RideError
from pacer.rides.calibrate import CalibrationRide, Told, calibrate
from pacer.rides.fit import CRR_SPREAD, fit_rides
from pacer.rides.model import RideModel, gust_intensity
from pacer.rides.prepare import Stretch
from tests.rides.simulated import Scenario, flat, simulate
from tests.rides.study import model_of, run, setup_for

BASE = Scenario()
QUIET = replace(
    BASE, gustiness=-1 / 15, speed_noise=0, altitude_noise=0, altitude_drift=0, meter_noise=0, meter_drift=0
)
NONE_HELD = np.zeros(3, dtype=bool)


def told(ride, scenario, **more) -> CalibrationRide:
    """The ride with its positions told."""
    return CalibrationRide(ride, tuple(Stretch(a, b, name) for a, b, name in scenario.positions()), **more)


def test_the_truth_lies_in_the_stated_intervals():
    """Over 40 seeds bias is small and the 95 % intervals hold the truth as often as they should.

    The full study is `python -m tests.rides.study`, its figures in docs/explanation/calibration.md. A share
    of 95 % gives 33 or fewer of 40 once in 300 times.
    """
    outcome = run(BASE, 40)
    assert np.all(outcome.covered >= 34 / 40)
    uncertain = outcome.scatter / np.sqrt(40)
    assert np.all(np.abs(outcome.bias[1:3]) < 0.02 + 2.0 * uncertain[1:3])
    assert np.all(outcome.stated < 2.0 * outcome.scatter)


def test_without_noise_the_truth_comes_back():
    """Steady wind, perfect instruments: drag areas within 1 %, wind within 0.1 m/s, the barometer's lag."""
    (ride,) = simulate(QUIET, 1)
    setup = setup_for(QUIET, QUIET.crr)
    fit = fit_rides([model_of(ride, QUIET, setup)], NONE_HELD)
    assert fit.areas == pytest.approx([0.36, 0.29], rel=0.01)
    east, north, _, lag = fit.locals[0]
    assert east == pytest.approx(-3.0 * np.sin(0.7), abs=0.1)
    assert north == pytest.approx(-3.0 * np.cos(0.7), abs=0.1)
    assert lag == pytest.approx(2.0, abs=0.15)


def test_a_plain_regression_would_be_wrong():
    """With the recorded speed as its own instrument gusts turn drag into rolling resistance."""
    rides = simulate(replace(BASE, wind_speed=4.0), 12)
    setup = setup_for(BASE, BASE.crr)
    models = [model_of(ride, BASE, setup) for ride in rides]
    honest = np.mean([fit_rides([m], NONE_HELD).areas for m in models], axis=0)
    original = RideModel.replay
    try:
        RideModel.replay = lambda self, *_: self.windows.steps.speed
        plain = np.mean([fit_rides([m], NONE_HELD).areas for m in models], axis=0)
    finally:
        RideModel.replay = original
    assert np.all(plain < honest - 0.008)


def test_rolling_resistance_is_held_where_it_can_not_be_told_and_the_note_says_so():
    """On a flat ride it keeps the rider file's value, and the drag areas carry its error."""
    scenario = flat(BASE)
    (ride,) = simulate(scenario, 1)
    found = calibrate([told(ride, scenario)], setup_for(scenario, 0.0050))
    assert found.crr.value == 0.0050
    assert found.crr.told is Told.FILE
    assert found.crr.error == pytest.approx(CRR_SPREAD, rel=0.3)
    assert any("held at 0.0050" in note for note in found.notes)
    free = calibrate([told(ride, scenario)], setup_for(scenario, 0.0050), hold=["hoods"])
    assert free.positions[0].cda.value == 0.36
    assert free.positions[0].cda.told is Told.FILE


def test_many_rides_tell_rolling_resistance():
    """Calm hilly rides together tell it better than the rider file."""
    scenario = replace(BASE, wind_speed=0.5, hills=2.0)
    rides = simulate(scenario, 3)
    found = calibrate([told(ride, scenario) for ride in rides], setup_for(scenario, 0.0055))
    assert found.crr.told is not Told.FILE
    assert found.crr.low < 0.0045 < found.crr.high
    assert found.crr.error < 0.6 * CRR_SPREAD
    gap = found.difference("hoods", "aero bars")
    assert gap.low < 0.07 < gap.high
    apart = np.hypot(found.positions[0].cda.error, found.positions[1].cda.error)
    assert gap.error < apart


def test_told_weather_is_used():
    """Wind from a weather file narrows the wind that is found; its air density is the one used."""
    (ride,) = simulate(replace(BASE, shape="one way"), 1)
    setup = setup_for(BASE, BASE.crr)
    weather = constant_weather(wind_speed=3.0 / 0.635, wind_from=0.7, temperature=293.15)
    unknown = calibrate([told(ride, BASE)], setup)
    known = calibrate([told(ride, BASE, weather=weather)], setup)
    assert known.rides[0].wind_error < unknown.rides[0].wind_error
    assert known.positions[0].cda.error < unknown.positions[0].cda.error
    assert any("No weather given" in note for note in unknown.notes)
    assert not any("No weather given" in note for note in known.notes)


def test_a_ride_one_way_says_that_wind_and_drag_look_alike():
    """Without a change of heading the wind along the road can't be told."""
    (ride,) = simulate(replace(BASE, shape="one way", length=20_000.0), 1)
    found = calibrate([told(ride, replace(BASE, length=20_000.0))], setup_for(BASE, BASE.crr))
    assert any("headings are too alike" in note for note in found.notes)


def test_a_ride_without_positions_has_no_wind():
    """It is taken as calm, and says so."""
    (ride,) = simulate(replace(BASE, length=20_000.0), 1)
    nowhere = replace(ride, latitude_deg=np.full(len(ride), np.nan), longitude_deg=np.full(len(ride), np.nan))
    found = calibrate([told(nowhere, replace(BASE, length=20_000.0))], setup_for(BASE, BASE.crr))
    assert np.isnan(found.rides[0].wind_speed)
    assert any("no positions" in note for note in found.notes)


def test_sensitivities_say_what_a_wrong_meter_does():
    """1 % more power in the file moves the drag area about as stated."""
    (ride,) = simulate(BASE, 1)
    setup = setup_for(BASE, BASE.crr)
    found = calibrate([told(ride, BASE)], setup, hold=["crr"])
    high = calibrate([told(replace(ride, power=ride.power * 1.02), BASE)], setup, hold=["crr"])
    for before, after in zip(found.positions, high.positions, strict=True):
        assert after.cda.value - before.cda.value == pytest.approx(2.0 * before.per_power, rel=0.25)


def test_the_model_rides_the_ride_in_its_time():
    """With the fitted values the recorded power takes the recorded time within 1 %."""
    (ride,) = simulate(BASE, 1)
    found = calibrate([told(ride, BASE)], setup_for(BASE, BASE.crr))
    assert abs(found.rides[0].time_error) < 0.01


def test_an_altitude_step_and_a_drafted_stretch_hardly_matter():
    """A jump of 13 m once, and three minutes behind a lorry, are weighed down."""
    (ride,) = simulate(BASE, 1)
    setup = setup_for(BASE, BASE.crr)
    clean = calibrate([told(ride, BASE)], setup)
    height, power = ride.elevation.copy(), ride.power.copy()
    height[2000:] += 13.0
    power[3000:3180] *= 0.55
    dirty = calibrate([told(replace(ride, elevation=height, power=power), BASE)], setup)
    for a, b in zip(clean.positions, dirty.positions, strict=True):
        assert b.cda.value == pytest.approx(a.cda.value, abs=1.5 * a.cda.error)


def test_too_little_riding_is_refused():
    """A few minutes tell nothing."""
    (ride,) = simulate(replace(BASE, length=2500.0), 1)
    with pytest.raises(RideError, match="too little steady riding"):
        calibrate([CalibrationRide(ride, default="hoods")], setup_for(BASE, BASE.crr))


def test_what_is_held_must_exist():
    """A name that isn't estimated is told."""
    (ride,) = simulate(replace(BASE, length=10_000.0), 1)
    with pytest.raises(RideError, match="use crr, hoods, aero bars"):
        calibrate([CalibrationRide(ride, default="hoods")], setup_for(BASE, BASE.crr), hold=["cda"])


def test_gusts_are_a_quarter_of_the_wind_over_open_country():
    """1.6 x 0.4 / ln(1.2 / 0.03) over grass, more over rough country."""
    assert gust_intensity(0.03) == pytest.approx(0.1735, abs=1e-4)
    assert gust_intensity(0.1) > gust_intensity(0.03)

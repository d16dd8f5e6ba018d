"""The drafting rule against simulated rides whose drafts are known; what is told; what isn't cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.cli.stretches import read_drafted
from pacer.errors import RideError, SettingsError
from pacer.rides.calibrate import CalibrationRide, calibrate
from pacer.rides.prepare import Fate, Stretch
from tests.rides.simulated import Scenario, simulate
from tests.rides.study import setup_for
from tests.rides.study_drafting import BASE, CALM, WHERE, drafted, run


def told(ride, scenario: Scenario, **more) -> CalibrationRide:
    """The ride with its positions told."""
    return CalibrationRide(ride, tuple(Stretch(a, b, name) for a, b, name in scenario.positions()), **more)


def test_drafts_behind_a_motorcycle_are_found_and_hardly_anything_else():
    """Of 12 windy rides with 7 km at half the drag nine tenths are found; a bias of 8 % shrinks below 3 %."""
    found = run(drafted(BASE, 0.52), 12)
    assert found.hit > 0.9 * found.drafted
    assert found.wrong < 0.1 * found.clean
    assert found.before.mean(axis=0)[1] < -0.05
    assert np.all(np.abs(found.after.mean(axis=0)) < 0.03)


def test_a_wheel_is_found_on_a_calm_day():
    """Behind one upright rider, 27 % less: found where gusts don't hide it."""
    found = run(drafted(CALM, 0.73), 8)
    assert found.hit > 0.85 * found.drafted
    assert found.wrong < 0.1 * found.clean


def test_rides_without_drafts_lose_next_to_nothing():
    """Of 25 windy rides alone four or fewer are suspected; no tail is cut that would raise the drag.

    One of twenty is expected; five or more of 25 then come once in 150 times.
    """
    found = run(BASE, 25)
    assert found.suspected.sum() <= 4
    assert found.wrong < 0.02 * found.clean
    assert np.all(np.abs((found.after - found.before).mean(axis=0)) < 0.006)


def test_what_is_left_out_is_reported_with_place_and_size():
    """The note gives kilometres, duration and change of drag; the seconds stand among those left out."""
    scenario = drafted(CALM, 0.6)
    (ride,) = simulate(scenario, 1)
    found = calibrate([told(ride, scenario)], setup_for(scenario, scenario.crr))
    sheltered = [m for m in found.rides[0].misfits if m.sheltered]
    assert len(sheltered) == 2
    for misfit, (start, end) in zip(sheltered, WHERE, strict=True):
        metres = np.interp([misfit.start, misfit.end], ride.elapsed, ride.distance)
        assert metres == pytest.approx([start, end], abs=500.0)
        assert misfit.change == pytest.approx(-0.4, abs=0.1)
    assert found.rides[0].left_out[Fate.SHELTERED] > 600.0
    assert sum("below the rest" in note for note in found.notes) == 2


def test_told_drafts_are_left_out():
    """What the user names is left out for that reason, and the bias of the drafts is gone."""
    scenario = drafted(CALM, 0.73)
    spans = tuple(Stretch(a, b, "") for a, b in WHERE)
    errors = []
    for ride in simulate(scenario, 6):
        found = calibrate([told(ride, scenario, drafted=spans)], setup_for(scenario, scenario.crr))
        assert found.rides[0].left_out[Fate.DRAFTED] > 600.0
        assert Fate.SHELTERED not in found.rides[0].left_out
        errors.append(
            [p.cda.value / truth - 1.0 for p, (_, truth) in zip(found.positions, scenario.cda, strict=True)]
        )
    assert np.all(np.abs(np.mean(errors, axis=0)) < 0.03)


def test_a_told_draft_outside_the_ride_is_refused():
    """With the end of the ride."""
    (ride,) = simulate(replace(BASE, length=10_000.0), 1)
    item = CalibrationRide(ride, default="hoods", drafted=(Stretch(90e3, 91e3, ""),))
    with pytest.raises(RideError, match=r"found 90\.00 to 91\.00 km"):
        calibrate([item], setup_for(BASE, BASE.crr))


def test_drafted_stretches_are_read_in_kilometres_and_in_time():
    """With the number of the ride before them; nonsense ends in one line."""
    first, second = read_drafted(["12.3-18.5", "2/0:10:00-0:25:00"], 2)
    assert first == (Stretch(12_300.0, 18_500.0, ""),)
    assert second == (Stretch(600.0, 1500.0, "", by_distance=False),)
    with pytest.raises(SettingsError, match="--drafted"):
        read_drafted(["hoods: 3-4"], 1)
    with pytest.raises(SettingsError, match="must end after"):
        read_drafted(["4-3"], 1)
    with pytest.raises(SettingsError, match="no such ride"):
        read_drafted(["2/3-4"], 1)

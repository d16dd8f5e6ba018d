"""From records to a ride: order, merging, impossible values, distance and speed where they are missing."""

from __future__ import annotations

import numpy as np
import pytest

from pacer.errors import RideError
from pacer.rides.recording import make_ride
from pacer.rides.ride import Recording


def recording(time, **channels) -> Recording:
    """Records without a file."""
    return Recording(
        "t", "t.fit", np.asarray(time, float), {k: np.asarray(v, float) for k, v in channels.items()}
    )


def test_five_records_a_second_become_one():
    """Power is averaged, distance is the last; said once."""
    time = np.arange(0, 60, 0.2)
    ride = make_ride(recording(time, power=np.tile([100, 200, 300, 400, 500], 60), distance=time * 8))
    assert len(ride) == 60
    assert ride.power == pytest.approx(np.full(60, 300.0))
    assert np.diff(ride.distance) == pytest.approx(np.full(59, 8.0))
    assert any("several records a second" in note for note in ride.notes)


def test_records_of_one_moment_are_merged():
    """Two records with one time stamp make one."""
    ride = make_ride(recording([0, 1, 1, 2, 20], power=[100, 100, 300, 100, 100], speed=[5, 5, 5, 5, 5]))
    assert list(ride.elapsed) == [0, 1, 2, 20]
    assert ride.power[1] == 200.0


def test_records_out_of_order_are_sorted():
    """Time runs forwards, and the user hears of it."""
    ride = make_ride(recording([0, 2, 1, 30], speed=[1, 3, 2, 4]))
    assert list(ride.speed) == [1, 2, 3, 4]
    assert any("out of order" in note for note in ride.notes)


def test_impossible_values_are_left_out():
    """A sensor's nonsense isn't ridden, and is counted."""
    power = [200.0, 60_000.0, -5.0] + [210.0] * 20
    ride = make_ride(recording(np.arange(23), power=power, heart_rate=[0.0] * 23, speed=[8.0] * 23))
    assert np.isnan(ride.power[[1, 2]]).all()
    assert not ride.has("heart_rate")
    assert any("2 values of power" in note for note in ride.notes)


def test_distance_that_falls_back_goes_on():
    """A device that restarts its counter doesn't ride backwards."""
    distance = np.concatenate((np.arange(30) * 8.0, np.arange(30) * 8.0))
    ride = make_ride(recording(np.arange(60), distance=distance, speed=np.full(60, 8.0)))
    assert np.all(np.diff(ride.distance) >= 0.0)
    assert ride.distance[-1] == pytest.approx(58 * 8.0)
    assert any("jumped or fell 1 time" in note for note in ride.notes)


def test_speed_alone_gives_distance():
    """Where only speed is recorded the distance is added up, pauses left out."""
    time = np.append(np.arange(30), np.arange(30) + 600.0)
    ride = make_ride(recording(time, speed=np.full(60, 8.0)))
    assert ride.distance[-1] == pytest.approx(58 * 8.0)
    assert any("1 pause or gap" in note for note in ride.notes)


def test_too_little_is_refused():
    """Two records within ten seconds aren't a ride."""
    with pytest.raises(RideError, match="fewer than two records with a time"):
        make_ride(recording([0, 3], power=[1, 1]))
    with pytest.raises(RideError, match="0 dated records"):
        make_ride(recording([np.nan, np.nan], power=[1, 1]))


def test_a_ride_can_not_be_written_to():
    """Arrays of a ride are read-only."""
    ride = make_ride(recording(np.arange(20), speed=np.full(20, 8.0)))
    with pytest.raises(ValueError, match="read-only"):
        ride.speed[0] = 1.0

"""The exclusion rules: condition, verdict, both sides of each limit; positions told by the user."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.errors import RideError
from pacer.rides.prepare import Fate, Rules, Stretch, label_positions, prepare, require_road_ride
from pacer.rides.ride import Place, Ride

RULES = Rules()
NAMES = ("hoods", "aero bars")


def steady(n: int = 600, **changes) -> Ride:
    """Ten minutes at 9 m/s and 200 W, straight north on the level."""
    time = np.arange(float(n))
    channels = {
        "distance": 9.0 * time,
        "speed": np.full(n, 9.0),
        "latitude_deg": 47.0 + 9.0 * time / 111_200.0,
        "longitude_deg": np.full(n, -28.0),
        "elevation": np.full(n, 30.0),
        "power": np.full(n, 200.0),
        "heart_rate": np.full(n, 140.0),
        "cadence": np.full(n, 88.0),
        "temperature": np.full(n, 290.0),
    }
    for name, (at, values) in changes.items():
        channels[name] = channels[name].copy()
        channels[name][at] = values
    return Ride("steady", "steady.fit", time, **channels)


def fates(ride: Ride) -> np.ndarray:
    """Fate of each step with one position throughout."""
    return prepare(ride, np.zeros(len(ride) - 1, dtype=np.int64), critical_power=250.0).fate


def test_steady_riding_is_kept():
    """Nothing is left out where nothing is wrong."""
    assert np.all(fates(steady()) == Fate.KEPT)


@pytest.mark.parametrize(
    ("change", "fate", "kept_change"),
    [
        ({"speed": (slice(300, 310), 2.9)}, Fate.SLOW, {"speed": (slice(300, 310), 3.1)}),
        ({"power": (slice(300, 310), 15.0)}, Fate.COASTING, {"power": (slice(300, 310), 25.0)}),
        ({"power": (slice(300, 304), 0.0)}, Fate.COASTING, {"power": (slice(300, 302), 0.0)}),
        ({"power": (slice(300, 310), 380.0)}, Fate.SURGE, {"power": (slice(300, 310), 370.0)}),
        ({"power": (slice(300, 306), 500.0)}, Fate.SURGE, {"power": (slice(300, 304), 500.0)}),
        ({"power": (slice(300, 310), np.nan)}, Fate.NO_POWER, {"power": (slice(300, 302), np.nan)}),
        ({"elevation": (slice(300, 600), 43.0)}, Fate.NO_ELEVATION, {"elevation": (slice(300, 600), 32.0)}),
    ],
)
def test_each_rule_bites_beyond_its_limit_only(change, fate, kept_change):
    """Just beyond the limit the steps are left out for that reason, just inside they are kept."""
    assert fate in fates(steady(**change))[298:312]
    assert fate not in fates(steady(**kept_change))


def test_margins_are_left_out_as_well():
    """Two seconds beside coasting go with it, and no more."""
    found = fates(steady(power=(slice(300, 310), 0.0)))
    out = np.flatnonzero(found == Fate.COASTING)
    assert (out[0], out[-1]) == (297, 310)


def test_a_pause_is_a_gap():
    """A long step between records isn't ridden; two steps on either side are averaged across it."""
    ride = steady()
    time = ride.time.copy()
    time[400:] += 30.0
    found = fates(replace(ride, time=time))
    assert np.flatnonzero(found == Fate.GAP).tolist() == [397, 398, 399, 400, 401]


def test_braking_is_losing_speed_without_power():
    """Falling by 0.6 m/s each second with little power is braking; with full power it may be a hill."""
    slowing = np.concatenate((np.full(300, 12.0), np.linspace(12.0, 6.0, 11), np.full(289, 6.0)))
    weak = steady(speed=(slice(None), slowing), power=(slice(299, 312), 60.0))
    strong = steady(speed=(slice(None), slowing))
    assert Fate.BRAKING in fates(weak)[298:312]
    assert Fate.BRAKING not in fates(strong)


def test_a_tight_corner_is_left_out():
    """At 9 m/s a bend of 30 m radius leans too far to count, one of 60 m doesn't."""

    def bend(radius: float) -> Ride:
        time = np.arange(600.0)
        angle = np.clip((9.0 * time - 2700.0) / radius, 0.0, np.pi / 2)
        north = np.cumsum(9.0 * np.cos(angle)) / 111_200.0
        east = np.cumsum(9.0 * np.sin(angle)) / 111_200.0 / np.cos(np.radians(47.0))
        return replace(steady(), latitude_deg=47.0 + north, longitude_deg=-28.0 + east)

    assert Fate.TURNING in fates(bend(30.0))
    assert Fate.TURNING not in fates(bend(60.0))


def test_descents_that_are_mostly_coasted_are_left_out_whole():
    """What is pedalled on a descent where the rider mostly coasts would favour headwind."""
    n = 1200
    time = np.arange(float(n))
    down = (time % 200.0) > 100.0
    height = 400.0 - np.cumsum(np.where(down, 9.0 * 0.04, -9.0 * 0.04))
    power = np.where(down & ((time % 200.0) > 130.0), 0.0, 200.0)
    found = fates(steady(n, elevation=(slice(None), height), power=(slice(None), power)))
    pedalled_down = down[1:] & (power[1:] > 0.0) & ((time[1:] % 200.0) > 112.0) & ((time[1:] % 200.0) < 125.0)
    assert np.all(found[pedalled_down] == Fate.DESCENT)
    up = ~down[1:] & ((time[1:] % 200.0) > 20.0) & ((time[1:] % 200.0) < 80.0)
    assert np.all(found[up] == Fate.KEPT)


def test_positions_are_told_by_distance_and_by_time():
    """Later stretches win; what isn't told stays untold."""
    ride = steady()
    stretches = [Stretch(900.0, 2700.0, "aero bars"), Stretch(250.0, 310.0, "hoods", by_distance=False)]
    label = label_positions(ride, stretches, NAMES)
    assert label[50] == -1
    assert label[150] == 1
    assert label[280] == 0
    assert label[500] == -1
    assert label_positions(ride, stretches, NAMES, "hoods")[500] == 0


@pytest.mark.parametrize(
    ("stretch", "message"),
    [
        (Stretch(0, 100, "superman"), r"found 'superman'\); use one of: hoods, aero bars"),
        (
            Stretch(90_000, 91_000, "hoods"),
            r"outside the ride \(found 90.00 to 91.00 km\); the ride ends at 5.39",
        ),
        (Stretch(9000, 9100, "hoods", by_distance=False), r"found 150.00 to 151.67 min"),
    ],
)
def test_wrong_stretches_are_told(stretch, message):
    """An unknown position and a stretch outside the ride end in one line."""
    with pytest.raises(RideError, match=message):
        label_positions(steady(), [stretch], NAMES)


@pytest.mark.parametrize(
    ("ride", "message"),
    [
        (replace(steady(), place=Place.VIRTUAL), "ridden in a virtual world"),
        (replace(steady(), place=Place.INDOORS), "ridden indoors"),
        (steady(power=(slice(None), np.nan)), "no power recorded"),
        (steady(power=(slice(None), 0.0)), "always zero"),
        (steady(distance=(slice(None), np.nan)), "no speed or distance"),
        (steady(elevation=(slice(None), np.nan)), "no elevation"),
    ],
)
def test_rides_that_tell_nothing_of_the_road_are_refused(ride, message):
    """Indoors, virtual, powerless, and without distance or elevation."""
    with pytest.raises(RideError, match=message):
        require_road_ride(ride)

"""The speed that the safety rules reckon with: fast, and held only by the limits themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pacer.physics.simulate import steady_speed
from pacer.planning.reach import REACH_POWER, approach_speed
from tests.roads import make_machine, make_road

CELLS = 120
POWER, AREA = 230.0, 0.27


def test_it_is_that_of_more_power_than_any_plan_holds() -> None:
    """On a level road it settles at the steady speed of 1.3 times the budget in the lowest position."""
    road, machine = make_road(np.full(CELLS, 25.0)), make_machine()
    found = approach_speed(
        road,
        machine,
        power=POWER,
        drag_area=AREA,
        speed_limit=np.full(CELLS + 1, np.inf),
        start_speed=0.0,
    )
    steady = steady_speed(road, machine, np.full(CELLS, 1.3 * POWER), np.full(CELLS, AREA))
    assert REACH_POWER == 1.3
    assert found[0] == 0.0
    assert found[-1] == pytest.approx(steady[-1], rel=2e-3)
    assert np.all(np.diff(found) > -1e-9)


def test_a_limit_is_met_at_full_speed_and_left_from_there() -> None:
    """One cell before a limit nothing is braked, so that the rules see how fast it may be come upon."""
    road, machine = make_road(np.where(np.arange(CELLS) == 59, 2.0, 25.0)), make_machine()
    limit = np.full(CELLS + 1, np.inf)
    limit[60:66] = 5.0

    def ridden(speed_limit: np.ndarray) -> np.ndarray:
        return approach_speed(
            road, machine, power=POWER, drag_area=AREA, speed_limit=speed_limit, start_speed=9.0
        )

    free, held = ridden(np.full(CELLS + 1, np.inf)), ridden(limit)
    assert held[0] == 9.0
    assert held[:60] == pytest.approx(free[:60])
    assert held[60:66] == pytest.approx(5.0, abs=1e-6)
    assert np.all(held[66:] > 5.0)
    assert np.all(held[66:] < free[66:])


def test_a_rider_of_weak_brakes_is_no_slower_before_a_limit() -> None:
    """The machine's own brakes have no say in it."""
    road = make_road(np.full(CELLS, 25.0), -0.04)
    limit = np.full(CELLS + 1, np.inf)
    limit[100:] = 6.0
    strong, weak = (
        approach_speed(
            road,
            replace(make_machine(), brake_force=force),
            power=POWER,
            drag_area=AREA,
            speed_limit=limit,
            start_speed=9.0,
        )
        for force in (500.0, 20.0)
    )
    assert list(strong) == list(weak)

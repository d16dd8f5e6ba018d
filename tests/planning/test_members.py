"""Days drawn from spreads."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pacer.air.shift import WeatherShift
from pacer.air.weather import constant_weather
from pacer.physics.defaults import typical_setup
from pacer.planning.members import Member, Spreads, draw_members, setup_on, weather_on


def test_same_seed_same_days_another_seed_other_days() -> None:
    """A draw depends on its seed alone."""
    once, again = draw_members(Spreads(), 50, 7), draw_members(Spreads(), 50, 7)
    other = draw_members(Spreads(), 50, 8)
    assert [m.shift for m in once] == [m.shift for m in again]
    assert [m.drag_factor for m in once] == [m.drag_factor for m in again]
    assert [m.drag_factor for m in once] != [m.drag_factor for m in other]


def test_days_have_the_stated_spread_about_the_plan() -> None:
    """Medians are the plan's values; standard deviations are those asked for, to 3 %."""
    spreads = Spreads(
        wind_speed=0.25, wind_from=0.3, temperature=4.0, drag=0.05, crr=0.1, critical_power=0.03
    )
    days = draw_members(spreads, 4000, 1)
    columns = {
        "wind_speed": np.log([m.shift.speed_factor for m in days]),
        "wind_from": np.array([m.shift.turn for m in days]),
        "temperature": np.array([m.shift.temperature for m in days]),
        "drag": np.log([m.drag_factor for m in days]),
        "crr": np.log([m.crr_factor for m in days]),
        "critical_power": np.log([m.critical_power_factor for m in days]),
    }
    for name, values in columns.items():
        asked = getattr(spreads, name)
        wanted = asked if name in ("wind_from", "temperature") else math.log1p(asked)
        assert abs(float(np.median(values))) < 0.01 * wanted
        assert float(values.std()) == pytest.approx(wanted, rel=0.03)


def test_quantities_are_drawn_independently() -> None:
    """A strong wind says nothing about drag or form."""
    days = draw_members(Spreads(), 4000, 3)
    wind = [m.shift.speed_factor for m in days]
    for other in ([m.drag_factor for m in days], [m.critical_power_factor for m in days]):
        assert abs(float(np.corrcoef(wind, other)[0, 1])) < 0.05


def test_tails_are_drawn_even_of_few_days() -> None:
    """Of 20 days one lies in each twentieth of the distribution, for every quantity."""
    days = draw_members(Spreads(temperature=1.0), 20, 5)
    edges = [-1.645, 0.0, 1.645]
    counts, _ = np.histogram([m.shift.temperature for m in days], [-9.0, *edges, 9.0])
    assert counts.tolist() == [1, 9, 9, 1]


def test_no_spread_is_the_planned_day() -> None:
    """Without spreads every day is the planned one."""
    still = Spreads(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    weather, setup = constant_weather(wind_speed=4.0, wind_from=1.0), typical_setup()
    for day in draw_members(still, 3, 1):
        assert setup_on(day, setup) == setup
        assert weather_on(day, weather).wind_east == pytest.approx(weather.wind_east)


def test_a_day_changes_what_it_names() -> None:
    """Drag counts for all positions and the wheels, form for critical power, its own weather for the air."""
    setup = typical_setup()
    setup = replace(setup, bike=replace(setup.bike, wheel_drag_area=0.004))
    own = constant_weather(wind_speed=8.0, wind_from=0.0)
    day = Member("hot", own, WeatherShift(temperature=3.0), 1.1, 0.9, 0.95)
    changed = setup_on(day, setup)
    assert [p.cda for p in changed.positions] == pytest.approx([1.1 * p.cda for p in setup.positions])
    assert changed.bike.wheel_drag_area == pytest.approx(0.0044)
    assert changed.bike.crr == pytest.approx(0.9 * setup.bike.crr)
    assert changed.rider.critical_power == pytest.approx(0.95 * setup.rider.critical_power)
    weather = weather_on(day, constant_weather())
    assert weather.wind_north[0] == pytest.approx(-8.0)
    assert weather.temperature[0] == pytest.approx(own.temperature[0] + 3.0)


def test_impossible_spreads_are_refused() -> None:
    """A negative or endless spread is a programmer's mistake."""
    for wrong in (-0.1, math.nan, math.inf):
        with pytest.raises(ValueError, match="spread of drag"):
            Spreads(drag=wrong)
    with pytest.raises(ValueError, match="can be drawn"):
        draw_members(Spreads(), 0, 1)

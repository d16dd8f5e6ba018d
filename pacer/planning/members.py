"""Days that may come: each differs from the planned one in weather, drag and form.

A day is given by the user, one a line of a file, or drawn from stated spreads. Draws are stratified in every
quantity [1], so that 200 days show the tails of each, and depend on nothing but the seed.

References
----------
[1] McKay MD, Beckman RJ, Conover WJ (1979). A comparison of three methods for selecting values of input
    variables in the analysis of output from a computer code. Technometrics 21(2):239-245.
    doi:10.1080/00401706.1979.10489755
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields, replace
from typing import Final

import numpy as np

from pacer.air.shift import WeatherShift, shifted
from pacer.air.weather import Weather
from pacer.physics.rider import Setup
from pacer.planning.splits import DRAG_SPREAD, WIND_SPREAD
from pacer.units import FloatArray

__all__ = ["Member", "Spreads", "draw_members", "setup_on", "weather_on"]

MOST_MEMBERS: Final = 100_000


@dataclass(frozen=True, slots=True, eq=False)
class Member:
    """One day.

    Attributes
    ----------
    name : str
    weather : Weather or None
        Of that day; None for the planned weather with `shift`.
    shift : WeatherShift
    drag_factor, crr_factor, critical_power_factor : float
        On every position's drag area, on the tyres' coefficient, on critical power.
    """

    name: str
    weather: Weather | None = None
    shift: WeatherShift = field(default_factory=WeatherShift)
    drag_factor: float = 1.0
    crr_factor: float = 1.0
    critical_power_factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Spreads:
    """Standard deviations about the plan; those without a unit are shares.

    Attributes
    ----------
    wind_speed : float
        Of the mean wind, gusts with it (the same all day).
    wind_from : float
        [rad].
    temperature : float
        [K].
    drag, crr, critical_power : float
    """

    wind_speed: float = WIND_SPREAD
    wind_from: float = math.radians(15.0)
    temperature: float = 2.0
    drag: float = DRAG_SPREAD
    crr: float = 0.05
    critical_power: float = 0.02

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"spread of {item.name} must not be negative, got {value}")


def draw_members(spreads: Spreads, count: int, seed: int) -> tuple[Member, ...]:
    """Draw days.

    Shares are log-normal about the planned value, which is their median; angles and temperatures are normal.

    Parameters
    ----------
    count : int
        At least 1.
    seed : int
        The same seed gives the same days.
    """
    if not 1 <= count <= MOST_MEMBERS:
        raise ValueError(f"between 1 and {MOST_MEMBERS} days can be drawn, not {count}")
    rng = np.random.default_rng(seed)
    columns = {item.name: _stratified_normal(rng, count) for item in fields(spreads)}

    def factor(name: str) -> FloatArray:
        return np.asarray(np.exp(math.log1p(getattr(spreads, name)) * columns[name]))

    speed, drag, crr, power = (factor(k) for k in ("wind_speed", "drag", "crr", "critical_power"))
    turn, warmth = spreads.wind_from * columns["wind_from"], spreads.temperature * columns["temperature"]
    return tuple(
        Member(
            name=f"day {i + 1}",
            shift=WeatherShift(
                speed_factor=float(speed[i]), turn=float(turn[i]), temperature=float(warmth[i])
            ),
            drag_factor=float(drag[i]),
            crr_factor=float(crr[i]),
            critical_power_factor=float(power[i]),
        )
        for i in range(count)
    )


def _stratified_normal(rng: np.random.Generator, count: int) -> FloatArray:
    """Standard normal numbers, one from each of `count` equally likely strata, in random order."""
    from scipy.special import ndtri

    share = (rng.permutation(count) + rng.random(count)) / count
    return np.asarray(ndtri(np.clip(share, 1e-12, 1.0 - 1e-12)))


def weather_on(member: Member, planned: Weather) -> Weather:
    """The weather of that day."""
    return shifted(planned if member.weather is None else member.weather, member.shift)


def setup_on(member: Member, planned: Setup) -> Setup:
    """Rider, bicycle and positions of that day."""
    rider = replace(planned.rider, critical_power=planned.rider.critical_power * member.critical_power_factor)
    positions = tuple(replace(p, cda=p.cda * member.drag_factor) for p in planned.positions)
    bike = replace(
        planned.bike,
        crr=planned.bike.crr * member.crr_factor,
        wheel_drag_area=planned.bike.wheel_drag_area * member.drag_factor,
    )
    return replace(planned, rider=rider, positions=positions, bike=bike)

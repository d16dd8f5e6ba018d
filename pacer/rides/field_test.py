"""A field test of two positions: how many runs it takes to tell them apart, and what the runs said.

The test: a quiet, steady road ridden out and back at a steady power, one position a run, runs in turn (A B B
A ...) so that a drift of wind or temperature falls on both alike. Each run gives one drag area; the scatter
between runs of the same position is the error, whatever made it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pacer.errors import RideError
from pacer.physics.forces import aerodynamic_force, aerodynamic_slope, rolling_force
from pacer.physics.rider import Setup
from pacer.rides.calibrate import CalibrationRide, build_model
from pacer.rides.model import RideModel
from pacer.rides.prepare import Fate, Stretch
from pacer.units import GRAVITY

__all__ = ["FieldTest", "FieldTestPlan", "Run", "RunResult", "analyse_field_test", "plan_field_test"]

CONFIDENCE: Final = 0.95
CHANCE: Final = 0.8
"""Chance that a true difference of the wanted size is told; common practice."""

_METER: Final = 0.005
"""How far a power meter's mean wanders between runs (relative), after its zero was set; common practice."""

_CLOSURE: Final = 0.2
"""How well the height of the same place comes back after a run [m]; a barometer's noise and drift."""

_MOST_RUNS: Final = 20


@dataclass(frozen=True, slots=True)
class FieldTestPlan:
    """What to ride.

    Attributes
    ----------
    runs : int
        Out-and-back runs in each position; 0 where even `_MOST_RUNS` wouldn't tell.
    order : str
        "A B B A ..." with A the first position.
    run_length : float
        Out and back [m].
    speed : float
        [m/s].
    scatter : float
        Expected standard deviation of one run's drag area [m²].
    by_wind, by_power, by_height : float
        Its parts [m²].
    detectable : float
        Smallest difference that these runs tell with 95 % confidence in four of five tests [m²].
    course : tuple of str
        What the road must be like.
    """

    runs: int
    order: str
    run_length: float
    speed: float
    scatter: float
    by_wind: float
    by_power: float
    by_height: float
    detectable: float
    course: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Run:
    """A run of a field test: seconds into the ride, and the position."""

    start: float
    end: float
    position: str


@dataclass(frozen=True, slots=True)
class RunResult:
    """One run: its drag area with the wheels [m²], mean speed [m/s], power [W] and length used [m]."""

    run: Run
    area: float
    speed: float
    power: float
    length: float


@dataclass(frozen=True, slots=True)
class FieldTest:
    """What the runs said.

    Attributes
    ----------
    runs : tuple of RunResult
    first, second : str
        Positions compared.
    difference, error : float
        Drag area of the first minus that of the second [m²], and its standard error.
    low, high : float
        95 % interval.
    confidence : float
        That the second really has the smaller drag area (one-sided).
    scatter : float
        Standard deviation between runs of the same position [m²].
    sure : bool
        Whether the 95 % interval leaves out zero.
    seconds_per_40_km : float
        What the difference is worth on a flat windless 40 km at the runs' mean power, positive where the
        second position is faster [s].
    notes : tuple of str
    """

    runs: tuple[RunResult, ...]
    first: str
    second: str
    difference: float
    error: float
    low: float
    high: float
    confidence: float
    scatter: float
    sure: bool
    seconds_per_40_km: float
    notes: tuple[str, ...]


def _runs_needed(difference: float, scatter: float) -> int:
    """Runs a position for a two-sided t test of two means; 0 where too many."""
    for n in range(2, _MOST_RUNS + 1):
        if _detectable(n, scatter) <= difference:
            return n
    return 0


def _detectable(runs: int, scatter: float) -> float:
    from scipy.stats import t

    degrees = 2 * runs - 2
    quantiles = float(t.ppf(0.5 + CONFIDENCE / 2.0, degrees)) + float(t.ppf(CHANCE, degrees))
    return quantiles * scatter * math.sqrt(2.0 / runs)


def plan_field_test(
    setup: Setup,
    difference: float,
    *,
    speed: float = 10.0,
    run_length: float = 3000.0,
    wind_change: float = 0.3,
    density: float = 1.2,
) -> FieldTestPlan:
    """Say what course and how many runs tell two positions apart.

    Parameters
    ----------
    setup : Setup
        Its first two positions are compared.
    difference : float
        Of drag area, to be told with 95 % confidence [m²].
    speed : float
        [m/s].
    run_length : float
        Out and back [m].
    wind_change : float
        Standard deviation of the mean wind between the two halves of a run [m/s]: 0.3 at dawn, 1 and more by
        day; common practice, no source.
    density : float
        [kg/m³].

    Notes
    -----
    A steady wind cancels between out and back but for its square; a wind that changes by w between the halves
    looks like a drag force of half the slope of the drag times w. The power meter's wander and the height's
    error enter as forces over the length. The parts add in squares.
    """
    if not difference > 0.0 or not speed > 2.0 or not run_length >= 400.0:
        raise ValueError("difference, speed and run length must be positive and sensible")
    position = setup.positions[0]
    area = setup.drag_area(position)
    unit = float(aerodynamic_force(speed, 0.0, 0.0, density, 1.0))
    slope = float(aerodynamic_slope(speed, 0.0, 0.0, density, area))
    force = unit * area + float(rolling_force(setup.total_mass, setup.bike.crr, 0.0))
    by_wind = 0.5 * slope * wind_change / unit
    by_power = _METER * force / unit
    by_height = setup.total_mass * GRAVITY * _CLOSURE / run_length / unit
    scatter = math.sqrt(by_wind**2 + by_power**2 + by_height**2)
    runs = _runs_needed(difference, scatter)
    order = " ".join(("AB" if i % 2 == 0 else "BA")[k] for i in range(runs) for k in (0, 1))
    return FieldTestPlan(
        runs=runs,
        order=order,
        run_length=run_length,
        speed=speed,
        scatter=scatter,
        by_wind=by_wind,
        by_power=by_power,
        by_height=by_height,
        detectable=_detectable(runs or _MOST_RUNS, scatter),
        course=(
            f"{run_length / 2.0:.0f} m out and the same road back, with a turn that needs no hard braking",
            "nearly level, one surface, no traffic or junctions, open or evenly sheltered on both sides",
            "calm air: at dawn, with leaves hardly moving",
            f"a steady power that gives about {speed * 3.6:.0f} km/h, the head as still in every run",
            "the power meter's zero set after it has taken on the day's temperature; press the lap button at "
            "each start and turn",
        ),
    )


def analyse_field_test(item: CalibrationRide, runs: Sequence[Run], setup: Setup) -> FieldTest:
    """Compare two positions over the runs of one ride.

    Parameters
    ----------
    item : CalibrationRide
        The recording, with its weather if known; its stretches are ignored.
    runs : sequence of Run
        Each out and back, in two positions, at least two runs in each.

    Raises
    ------
    RideError
        Fewer than two runs in a position, not exactly two positions, or a run without usable riding.

    Notes
    -----
    Rolling resistance is taken from the setup: it shifts both positions alike and hardly touches the
    difference.
    """
    names = list(dict.fromkeys(run.position for run in runs))
    counts = {name: sum(run.position == name for run in runs) for name in names}
    if len(names) != 2 or min(counts.values()) < 2:
        raise RideError(
            "a field test compares two positions with two or more runs in each",
            where=item.ride.source,
            found=", ".join(f"{n} × {name}" for name, n in counts.items()) or "no runs",
            do="name the position of each lap",
        )
    stretches = tuple(Stretch(run.start, run.end, run.position, by_distance=False) for run in runs)
    model, notes = build_model(CalibrationRide(item.ride, stretches, None, item.weather, item.drafted), setup)
    results = tuple(_result(model, run, setup) for run in runs)
    return _compare(results, names, setup, model, list(notes))


def _result(model: RideModel, run: Run, setup: Setup) -> RunResult:
    """One drag area for a run, from the balance of its energy as a whole."""
    windows, steps = model.windows, model.windows.steps
    inside = (windows.middle >= run.start) & (windows.middle < run.end)
    if not inside.any():
        raise RideError(
            "a run has no usable riding", where=windows.source, found=f"{run.start:.0f} to {run.end:.0f} s"
        )
    length = windows.length[inside]
    air = model.air(*model.wind_prior)[inside]
    left = windows.force[inside] - setup.bike.crr * windows.rolling[inside]
    kept = (steps.end > run.start) & (steps.end <= run.end) & (steps.fate == Fate.KEPT)
    seconds = float(steps.duration[kept].sum())
    return RunResult(
        run=run,
        area=float(np.sum(left * length) / np.sum(air * length)),
        speed=float(steps.length[kept].sum()) / seconds,
        power=float(np.sum(steps.power[kept] * steps.duration[kept])) / seconds,
        length=float(length.sum()),
    )


def _compare(
    results: tuple[RunResult, ...], names: list[str], setup: Setup, model: RideModel, notes: list[str]
) -> FieldTest:
    from scipy.stats import t

    groups = [np.array([r.area for r in results if r.run.position == name]) for name in names]
    sizes = [group.size for group in groups]
    degrees = sum(sizes) - 2
    pooled = math.sqrt(sum(float(np.sum((g - g.mean()) ** 2)) for g in groups) / degrees)
    error = pooled * math.sqrt(1.0 / sizes[0] + 1.0 / sizes[1])
    difference = float(groups[0].mean() - groups[1].mean())
    reach = float(t.ppf(0.5 + CONFIDENCE / 2.0, degrees)) * error
    statistic = difference / error if error > 0.0 else math.inf
    speeds = np.array([r.speed for r in results])
    if float(np.ptp(speeds)) > 0.15 * float(speeds.mean()):
        notes.append(
            "The runs' speeds differ by more than 15 %: ride them alike, or the comparison leans on Crr."
        )
    power = float(np.mean([r.power for r in results]))
    density = float(model.windows.density.mean())
    times = [_level_time(40_000.0, power, float(g.mean()), density, setup) for g in groups]
    return FieldTest(
        runs=results,
        first=names[0],
        second=names[1],
        difference=difference,
        error=error,
        low=difference - reach,
        high=difference + reach,
        confidence=float(t.cdf(statistic, degrees)),
        scatter=pooled,
        sure=abs(difference) > reach,
        seconds_per_40_km=times[0] - times[1],
        notes=tuple(notes),
    )


def _level_time(length: float, power: float, area: float, density: float, setup: Setup) -> float:
    from pacer.physics.simulate import Machine, Road, steady_speed

    one = np.ones(1)
    road = Road(length * one, 0.0 * one, density * one, 0.0 * one, 0.0 * one, setup.bike.crr * one)
    machine = Machine(setup.total_mass, setup.inertial_mass, setup.bike.drivetrain_efficiency, 500.0, 400.0)
    return length / float(steady_speed(road, machine, power * one, area * one)[0])

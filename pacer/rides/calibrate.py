"""What recorded rides say of drag and rolling resistance: estimates, errors, and what they can't tell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from pacer.air.weather import Weather
from pacer.errors import RideError
from pacer.physics.rider import Setup
from pacer.rides.drafting import Misfit, fit_without_drafting, misfit_note
from pacer.rides.fit import CONFIDENCE, CRR_SPREAD, Fit, fit_rides
from pacer.rides.model import RideModel, gust_intensity
from pacer.rides.prepare import Fate, Rules, Steps, Stretch, label_positions, prepare, require_road_ride
from pacer.rides.ride import Ride
from pacer.rides.ride_air import ride_air
from pacer.rides.windows import cut_windows
from pacer.units import FloatArray

__all__ = [
    "Calibration",
    "CalibrationRide",
    "Estimate",
    "PositionArea",
    "RideFit",
    "Told",
    "build_model",
    "calibrate",
]

_HELD_SHARE: Final = 0.5
"""Rolling resistance of which the rides tell less than this share (of the variance) is held."""

_MOSTLY_ONE_WAY: Final = 0.6
"""Mean of the headings as vectors beyond which wind and drag look alike; a design choice."""


class Told(StrEnum):
    """Where a value comes from."""

    RIDES = "the rides"
    BOTH = "the rides and the rider file"
    FILE = "the rider file"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard error."""

    value: float
    error: float
    told: Told

    @property
    def reach(self) -> float:
        """Half the 95 % interval."""
        return CONFIDENCE * self.error

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval."""
        return self.value - self.reach

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        return self.value + self.reach


@dataclass(frozen=True, slots=True)
class PositionArea:
    """Drag area of a position without the turning wheels [m²], and the seconds of riding that tell it.

    `per_power` and `per_mass`: change of the drag area if the true power were 1 % more, the mass 1 kg more
    [m²].
    """

    name: str
    cda: Estimate
    seconds: float
    per_power: float
    per_mass: float


@dataclass(frozen=True, slots=True, eq=False)
class RideFit:
    """What became of one ride.

    Attributes
    ----------
    used, recorded : float
        Seconds that were used, and that were recorded.
    left_out : dict of Fate to float
        Seconds by rule.
    wind_speed, wind_from, wind_error : float
        At the rider's height [m/s], [rad], standard error in the direction known least [m/s]; NaN without
        positions.
    drift : float
        Of the recorded elevation [m/s].
    lag : float
        Of the recorded elevation [s].
    modelled : float
        Time in which the model rides the used parts with the recorded power [s].
    typical_miss : float
        Root mean square difference of the two speeds there [m/s].
    misfits : tuple of Misfit
        Runs that were left out as drafting, and runs above the rest that weren't.
    """

    name: str
    used: float
    recorded: float
    left_out: dict[Fate, float]
    wind_speed: float
    wind_from: float
    wind_error: float
    drift: float
    lag: float
    modelled: float
    typical_miss: float
    misfits: tuple[Misfit, ...] = ()

    @property
    def time_error(self) -> float:
        """Modelled over recorded time of the used parts, less one."""
        return self.modelled / self.used - 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """The outcome.

    Attributes
    ----------
    crr : Estimate
    positions : tuple of PositionArea
        In the order of the setup.
    covariance : FloatArray, shape (1 + p, 1 + p)
        Of crr and the drag areas.
    rides : tuple of RideFit
    notes : tuple of str
        What couldn't be told apart, what was held, what was assumed.
    """

    crr: Estimate
    positions: tuple[PositionArea, ...]
    covariance: FloatArray
    rides: tuple[RideFit, ...]
    notes: tuple[str, ...]

    def difference(self, first: str, second: str) -> Estimate:
        """Drag area of one position minus that of another [m²]; what both share cancels in the error."""
        names = [position.name for position in self.positions]
        i, j = names.index(first), names.index(second)
        c = self.covariance
        variance = c[1 + i, 1 + i] + c[1 + j, 1 + j] - 2.0 * c[1 + i, 1 + j]
        value = self.positions[i].cda.value - self.positions[j].cda.value
        told = {self.positions[k].cda.told for k in (i, j)}
        return Estimate(
            value, math.sqrt(max(variance, 0.0)), Told.RIDES if told == {Told.RIDES} else Told.FILE
        )


@dataclass(frozen=True, slots=True, eq=False)
class CalibrationRide:
    """A ride with what the user says of it.

    Attributes
    ----------
    stretches : tuple of Stretch
        Which parts were ridden in which position.
    default : str or None
        Position outside the stretches; None leaves those parts out.
    weather : Weather or None
    drafted : tuple of Stretch
        Parts ridden in another's lee, to be left out; their positions don't matter.
    doubt : tuple of (name, name, covariance)
        Of the drag areas of two positions, because the ride itself told where each was ridden [m⁴].
    """

    ride: Ride
    stretches: tuple[Stretch, ...] = ()
    default: str | None = None
    weather: Weather | None = None
    drafted: tuple[Stretch, ...] = ()
    doubt: tuple[tuple[str, str, float], ...] = ()


def build_model(
    item: CalibrationRide, setup: Setup, rules: Rules | None = None
) -> tuple[RideModel, tuple[str, ...]]:
    """Prepare a ride for fitting, with notes of what was assumed of its air."""
    require_road_ride(item.ride)
    names = [position.name for position in setup.positions]
    label = label_positions(item.ride, item.stretches, names, item.default)
    steps = prepare(item.ride, label, setup.rider.critical_power, rules, item.drafted)
    air = ride_air(item.ride, item.weather)
    windows = cut_windows(steps, air.density, setup, source=item.ride.source)
    model = RideModel(
        windows=windows,
        setup=setup,
        wind_prior=(air.wind_east, air.wind_north),
        wind_error=air.wind_error,
        intensity=gust_intensity(air.roughness_length),
    )
    return model, air.notes


def calibrate(
    rides: Sequence[CalibrationRide], setup: Setup, *, hold: Sequence[str] = (), rules: Rules | None = None
) -> Calibration:
    """Estimate rolling resistance and the drag area of each position from recorded rides.

    Parameters
    ----------
    rides : sequence of CalibrationRide
    setup : Setup
        Masses, efficiency and expectations; positions that no ride tells keep their values.
    hold : sequence of str
        "crr" or names of positions that keep the setup's value.
    rules : Rules, optional
        Limits of the exclusion rules.

    Raises
    ------
    RideError
        In one line, where a ride can't be used or all of them tell too little.

    Notes
    -----
    Rolling resistance enters with the setup's value ± `CRR_SPREAD`. Where the rides tell less than half of
    its variance it is held there, the drag areas inherit its error, and a note says so.
    """
    built = [build_model(item, setup, rules) for item in rides]
    held = _held(setup, hold)
    models, fit, misfits = fit_without_drafting([model for model, _ in built], held)
    share = 1.0 - float(fit.covariance[0, 0]) / CRR_SPREAD**2
    if not held[0] and share < _HELD_SHARE:
        held[0] = True
        fit = fit_rides(models, held)
    fit = replace(fit, covariance=fit.covariance + _doubts(rides, models, setup))
    fits = tuple(
        _ride_fit(item.ride, model, fit, i, misfits[i])
        for i, (item, model) in enumerate(zip(rides, models, strict=True))
    )
    positions = _positions(setup, fit, models, held)
    notes = [note for _, air_notes in built for note in air_notes]
    notes += _crr_notes(setup, fit, bool(held[0]), "crr" in hold, share)
    notes += _ride_notes(rides, models, fit)
    notes += [
        misfit_note(item.ride, misfit) for item, found in zip(rides, misfits, strict=True) for misfit in found
    ]
    notes += _constant_errors(positions)
    told = Told.FILE if held[0] else Told.RIDES if share > 0.9 else Told.BOTH
    return Calibration(
        crr=Estimate(fit.crr, math.sqrt(fit.covariance[0, 0]), told),
        positions=positions,
        covariance=fit.covariance,
        rides=fits,
        notes=tuple(dict.fromkeys(notes)),
    )


def _doubts(rides: Sequence[CalibrationRide], models: Sequence[RideModel], setup: Setup) -> FloatArray:
    """Covariance of crr and the areas from positions that weren't told, rides by their seconds."""
    names = [position.name for position in setup.positions]
    seconds = np.array([float(model.windows.duration.sum()) for model in models])
    total = np.zeros((1 + len(names), 1 + len(names)))
    for item, share in zip(rides, seconds / seconds.sum(), strict=True):
        for first, second, covariance in item.doubt:
            total[1 + names.index(first), 1 + names.index(second)] += share**2 * covariance
    return total


def _held(setup: Setup, hold: Sequence[str]) -> np.ndarray:
    names = ["crr", *(position.name for position in setup.positions)]
    unknown = [name for name in hold if name not in names]
    if unknown:
        raise RideError(
            "can't hold what isn't estimated", found=repr(unknown[0]), do=f"use {', '.join(names)}"
        )
    return np.array([name in hold for name in names])


def _positions(
    setup: Setup, fit: Fit, models: Sequence[RideModel], held: np.ndarray
) -> tuple[PositionArea, ...]:
    positions = []
    for i, position in enumerate(setup.positions):
        seconds = sum(float(m.windows.duration[m.windows.position == i].sum()) for m in models)
        if math.isnan(fit.areas[i]) or held[1 + i]:
            cda = Estimate(position.cda, math.nan, Told.FILE)
        else:
            value = float(fit.areas[i]) - setup.bike.wheel_drag_area
            cda = Estimate(value, math.sqrt(fit.covariance[1 + i, 1 + i]), Told.RIDES)
        per = float(fit.power_sensitivity[1 + i]), float(fit.mass_sensitivity[1 + i])
        positions.append(PositionArea(position.name, cda, seconds, *per))
    return tuple(positions)


def _left_out(steps: Steps) -> dict[Fate, float]:
    return {fate: steps.seconds(fate) for fate in Fate if fate is not Fate.KEPT and steps.seconds(fate) > 0.0}


def _ride_fit(ride: Ride, model: RideModel, fit: Fit, index: int, misfits: tuple[Misfit, ...]) -> RideFit:
    steps = model.windows.steps
    kept = steps.fate == Fate.KEPT
    areas = np.nan_to_num(fit.areas, nan=0.3)
    speed = model.replay(fit.crr, areas, fit.locals[index])
    east, north, drift, lag = fit.locals[index].tolist()
    wind = (math.hypot(east, north), math.atan2(-east, -north) % (2.0 * math.pi))
    error = fit.wind_error(index)
    if not model.has_heading:
        wind, error = (math.nan, math.nan), math.nan
    return RideFit(
        name=ride.name,
        used=float(steps.duration[kept].sum()),
        recorded=float(ride.elapsed[-1]),
        left_out=_left_out(steps),
        wind_speed=wind[0],
        wind_from=wind[1],
        wind_error=error,
        drift=drift,
        lag=lag,
        modelled=float((steps.length[kept] / speed[kept]).sum()),
        typical_miss=float(np.sqrt(np.mean((speed[kept] - steps.speed[kept]) ** 2))),
        misfits=misfits,
    )


def _crr_notes(setup: Setup, fit: Fit, held: bool, asked: bool, share: float) -> list[str]:
    if not held:
        return []
    told = [i for i in range(len(setup.positions)) if not math.isnan(fit.areas[i])]
    i = max(told, key=lambda k: -fit.covariance[1 + k, 1 + k]) if told else 0
    slope = fit.covariance[0, 1 + i] / fit.covariance[0, 0]
    why = (
        "as asked"
        if asked
        else f"because the rides tell only {max(100.0 * share, 0.0):.0f} % of it apart from drag (all alike)"
    )
    effect = f"{abs(slope) * CRR_SPREAD:.3f} m² {'lower' if slope < 0 else 'higher'}"
    return [
        f"Rolling resistance is held at {setup.bike.crr:.4f} from the rider file, {why}; if it were "
        f"{CRR_SPREAD:.4f} higher, the drag area of {setup.positions[i].name} would be {effect}. This is "
        "part of the stated errors."
    ]


def _one_way(model: RideModel) -> float:
    """Length of the mean of all headings as unit vectors: 0 on a loop or out and back, 1 straight on."""
    steps = model.windows.steps
    heading, length = np.nan_to_num(steps.heading), steps.length
    return float(np.abs(np.sum(np.exp(1j * heading) * length)) / length.sum())


def _ride_notes(rides: Sequence[CalibrationRide], models: Sequence[RideModel], fit: Fit) -> list[str]:
    notes = []
    for i, (item, model) in enumerate(zip(rides, models, strict=True)):
        name = item.ride.name
        if not model.has_heading:
            notes.append(f"{name} has no positions: its wind can't be told and is taken as calm.")
        elif _one_way(model) > _MOSTLY_ONE_WAY:
            notes.append(
                f"{name}: the wind along the road can hardly be told from drag, because the headings are too "
                "alike; an out-and-back or lapped ride, or its weather, would tell."
            )
        weights = fit.weights[i]
        if weights.size and float(np.mean(weights < 0.5)) > 0.05:
            share = float(np.mean(weights < 0.5))
            notes.append(
                f"{name}: {100.0 * share:.0f} % of the windows fit badly (drafting, traffic, shelter?) and "
                "count less."
            )
    if fit.inflation > 1.5:
        factor = math.sqrt(fit.inflation)
        notes.append(
            f"The rides disagree more than their own scatter explains; errors are {factor:.1f} times larger "
            "for it (another bike, tyres, clothes or an uncalibrated power meter?)."
        )
    if not fit.converged:
        notes.append("The fit hasn't settled fully; trust the errors less.")
    return notes


def _constant_errors(positions: Sequence[PositionArea]) -> list[str]:
    told = [position for position in positions if position.cda.told is Told.RIDES]
    if not told:
        return []
    best = max(told, key=lambda position: position.seconds)
    return [
        f"Not in the errors is what is wrong throughout: 1 % more true power would move the drag area of "
        f"{best.name} by {best.per_power:+.4f} m², 1 kg more mass by {best.per_mass:+.4f} m². Planning with "
        "the same power meter and mass cancels most of it."
    ]

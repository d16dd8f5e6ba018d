"""Whether a ride without told positions was ridden in two of them, by what the forces say.

A hidden two-state model over the windows: each state has its drag area, changes are rare. The split counts
only where the data support it plainly; it is always said that it was found and not told. Shelter and drafting
can look the same. Which window belongs where is itself uncertain: the spread of the drag areas over draws
from the model is given for the errors [1].

References
----------
[1] Rubin DB (1987). Multiple Imputation for Nonresponse in Surveys. Wiley. doi:10.1002/9780470316696 (from
    memory)
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.errors import RideError
from pacer.physics.rider import Setup
from pacer.rides.calibrate import CalibrationRide, build_model
from pacer.rides.fit import CRR_SPREAD, Fit, fit_rides
from pacer.rides.model import RideModel
from pacer.rides.noise import Parts
from pacer.rides.prepare import Stretch
from pacer.rides.signals import runs
from pacer.units import FloatArray

__all__ = ["Split", "find_split", "split_ride", "with_split"]

_STAY: Final = 240.0
"""Mean stay in a position [s]; a design choice."""

_WAYS: Final = 20
"""Draws of which window belongs where; common practice is 5 to 20 imputations."""

_LEAST_SHARE: Final = 0.12
_LEAST_APART: Final = 0.025
"""Two positions closer than this [m²] aren't told apart without being told."""

_EVIDENCE: Final = 50.0
"""Gain in twice the log likelihood beyond which a split is believed. Slow changes of the wind alone gave up
to 49 in 60 simulated rides in one position; a difference of 0.10 m² on a calm day gives 50 to 110."""


@dataclass(frozen=True, slots=True, eq=False)
class Split:
    """Two states of a ride's windows.

    Attributes
    ----------
    supported : bool
    low, high : float
        Drag areas of the two states, wheels included [m²].
    share_low : float
        Share of the windows in the lower one.
    evidence : float
        Gain in twice the log likelihood over one state.
    step_state : int array, shape (n - 1,)
        0 in the upper (upright), 1 in the lower state (tucked), for each step of the ride.
    doubt : FloatArray, shape (2, 2)
        Covariance of the drag areas, upper and lower, over equally likely ways to tell the windows apart
        [m⁴]: what the errors of a fit with positions that were told leave out.
    """

    supported: bool
    low: float
    high: float
    share_low: float
    evidence: float
    step_state: npt.NDArray[np.int64]
    doubt: FloatArray


def split_ride(item: CalibrationRide, setup: Setup) -> tuple[Split, tuple[Stretch, ...]]:
    """Look for an upright and a tucked position in a ride of which nothing was told.

    Parameters
    ----------
    item : CalibrationRide
        Its stretches and default are ignored.
    setup : Setup
        Its first position with the hands on the brakes and its first tucked one give the names.

    Returns
    -------
    Split
    tuple of Stretch
        Empty where the data don't support a split.

    Raises
    ------
    RideError
        The rider file has no two such positions, or the ride tells too little.
    """
    upright = next((p for p in setup.positions if not p.tucked), None)
    tucked = next((p for p in setup.positions if p.tucked), None)
    if upright is None or tucked is None:
        raise RideError(
            "a split needs a position with the hands on the brakes and a tucked one in the rider file",
            where=item.ride.source,
            do="name the position of the ride",
        )
    alone = replace(setup, positions=(upright,))
    model, _ = build_model(CalibrationRide(item.ride, (), upright.name, item.weather, item.drafted), alone)
    split = find_split(model, fit_rides([model], np.zeros(2, dtype=np.bool_)))
    if not split.supported:
        return split, ()
    steps = model.windows.steps
    begin = steps.end - steps.duration
    stretches = [
        Stretch(float(begin[a]), float(steps.end[b - 1]), name, by_distance=False)
        for state, name in ((0, upright.name), (1, tucked.name))
        for a, b in runs(split.step_state == state)
    ]
    return split, tuple(sorted(stretches, key=lambda stretch: stretch.start))


def with_split(item: CalibrationRide, setup: Setup) -> tuple[Split, CalibrationRide]:
    """Look for two positions, and give the ride with what was found, its doubt included; see `split_ride`."""
    split, stretches = split_ride(item, setup)
    if not stretches:
        return split, item
    names = [next(p.name for p in setup.positions if p.tucked == tucked) for tucked in (False, True)]
    doubt = tuple((names[i], names[j], float(split.doubt[i, j])) for i in (0, 1) for j in (0, 1))
    return split, replace(item, stretches=stretches, default=None, doubt=doubt)


def find_split(model: RideModel, fit: Fit, ride: int = 0) -> Split:
    """Look for two positions in a ride fitted with one.

    Parameters
    ----------
    model : RideModel
        Of the ride.
    fit : Fit
        With all of the ride in one position.
    ride : int
        Which of the fit's rides it is.
    """
    windows = model.windows
    areas = np.nan_to_num(fit.areas, nan=float(np.nanmean(fit.areas)))
    local = fit.locals[ride]
    force, _, own = model.evaluate(fit.crr, areas, local)
    air = model.air(float(local[0]), float(local[1]))
    apparent = areas[windows.position] + (windows.force - force) / air
    quick = fit.scatter[ride].within_windows(Parts.of(windows, own[:, :2])) / air
    stay = np.exp(-float(np.median(windows.duration)) / _STAY)
    means, noise, one = _start(apparent)
    states, likelihood = np.zeros(apparent.size, dtype=np.int64), one
    for _ in range(40):
        states, posterior, likelihood = _forward_backward(apparent, means, noise, stay)
        before = means.copy()
        weights = np.column_stack((1.0 - posterior, posterior))
        totals = np.maximum(weights.sum(axis=0), 1e-9)
        means = np.array([float(np.sum(weights[:, k] * apparent) / totals[k]) for k in (0, 1)])
        spread = sum(float(np.sum(weights[:, k] * (apparent - means[k]) ** 2)) for k in (0, 1))
        noise = max(np.sqrt(spread / apparent.size), 0.3 * float(np.median(quick)), 1e-4)
        if np.max(np.abs(means - before)) < 1e-5:
            break
    upper, lower = (0, 1) if means[0] >= means[1] else (1, 0)
    low_windows = states == lower
    share = float(np.mean(low_windows))
    evidence = 2.0 * (likelihood - one)
    high, low = float(means[upper]), float(means[lower])
    supported = (
        evidence > _EVIDENCE
        and high - low > max(_LEAST_APART, 1.2 * float(noise))
        and _LEAST_SHARE < share < 1.0 - _LEAST_SHARE
    )
    doubt = np.zeros((2, 2))
    if supported:
        ways = _ways(apparent, np.array([high, low]), noise, stay)
        doubt = np.cov([_areas_of(model, fit, ride, is_low) for is_low in ways], rowvar=False)
    return Split(
        supported,
        low,
        high,
        share,
        evidence,
        _to_steps(windows.first, windows.last, low_windows, model),
        doubt,
    )


def _ways(apparent: FloatArray, means: FloatArray, noise: float, stay: float) -> list[npt.NDArray[np.bool_]]:
    """Draw which windows are in the second state, as likely as the hidden model holds it.

    The seed is fixed: the same ride gives the same errors.
    """
    rng = np.random.default_rng(1)
    forward, change = _forward(apparent, means, noise, stay)
    ways = []
    for _ in range(_WAYS):
        state = np.zeros(apparent.size, dtype=np.int64)
        for i in range(apparent.size - 1, -1, -1):
            logs = forward[i] + (change[:, state[i + 1]] if i + 1 < apparent.size else 0.0)
            state[i] = int(rng.random() < 1.0 / (1.0 + np.exp(np.clip(logs[0] - logs[1], -700.0, 700.0))))
        ways.append(state == 1)
    return ways


def _areas_of(model: RideModel, fit: Fit, ride: int, is_low: npt.NDArray[np.bool_]) -> FloatArray:
    """Give the drag areas of the upper and the lower state for one way to tell the windows apart."""
    from scipy.linalg import cho_factor, cho_solve

    local = fit.locals[ride]
    force, *recorded = model.evaluate(fit.crr, fit.areas, local)
    _, *ridden = model.evaluate(fit.crr, fit.areas, local, fit.speeds[ride])

    def design(common: FloatArray, own: FloatArray) -> FloatArray:
        air = common[:, 1:].sum(axis=1)
        return np.column_stack((common[:, 0], air * ~is_low, air * is_low, own))

    parts = Parts.of(model.windows, ridden[1][:, :2])
    covariance = fit.scatter[ride].covariance(parts, fit.weights[ride])
    solved = cho_solve(cho_factor(covariance, lower=True), design(*ridden))
    precision = np.concatenate(([CRR_SPREAD**-2, 0.0, 0.0], model.own_precision))
    normal = solved.T @ design(*recorded) + np.diag(precision)
    step = np.linalg.solve(normal, solved.T @ (model.windows.force - force))
    return np.asarray(float(np.nanmean(fit.areas)) + step[1:3])


def _start(apparent: FloatArray) -> tuple[FloatArray, float, float]:
    """First guess: the lower and upper third; noise; log likelihood of a single state."""
    lower, upper = np.quantile(apparent, [0.2, 0.8])
    spread = float(apparent.std()) + 1e-6
    one = float(np.sum(-0.5 * ((apparent - apparent.mean()) / spread) ** 2 - np.log(spread)))
    return np.array([upper, lower]), 0.6 * spread, one


def _forward_backward(
    apparent: FloatArray, means: FloatArray, noise: float, stay: float
) -> tuple[npt.NDArray[np.int64], FloatArray, float]:
    """Most probable state of each window, probability of the second, log likelihood."""
    forward, change = _forward(apparent, means, noise, stay)
    emission = _emission(apparent, means, noise)
    n = apparent.size
    backward = np.zeros((n, 2))
    for i in range(n - 2, -1, -1):
        backward[i] = np.logaddexp.reduce(change + (emission[i + 1] + backward[i + 1])[None, :], axis=1)
    total = float(np.logaddexp.reduce(forward[-1]))
    posterior = np.exp(forward + backward - total)
    second = posterior[:, 1] / posterior.sum(axis=1)
    return (second > 0.5).astype(np.int64), np.asarray(second), total


def _emission(apparent: FloatArray, means: FloatArray, noise: float) -> FloatArray:
    z = (apparent[:, None] - means[None, :]) / noise
    return np.asarray(-0.5 * z**2 - np.log(noise))


def _forward(
    apparent: FloatArray, means: FloatArray, noise: float, stay: float
) -> tuple[FloatArray, FloatArray]:
    """Log likelihood of the windows so far and each state, (N, 2), and of the changes, (2, 2)."""
    emission = _emission(apparent, means, noise)
    change = np.log(np.array([[stay, 1.0 - stay], [1.0 - stay, stay]]))
    forward = np.zeros_like(emission)
    forward[0] = emission[0] + np.log(0.5)
    for i in range(1, apparent.size):
        forward[i] = emission[i] + np.logaddexp.reduce(forward[i - 1][:, None] + change, axis=0)
    return forward, change


def _to_steps(
    first: npt.NDArray[np.int64],
    last: npt.NDArray[np.int64],
    low: npt.NDArray[np.bool_],
    model: RideModel,
) -> npt.NDArray[np.int64]:
    """Carry each window's state to its steps, and to the steps until the next window."""
    state = np.full(model.windows.steps.end.size, -1, dtype=np.int64)
    for a, b, is_low in zip(first.tolist(), last.tolist(), low.tolist(), strict=True):
        state[a:b] = int(is_low)
    return state

"""Least squares for rolling resistance and drag areas over several rides, with honest errors.

The balance of forces over short windows (`windows.py`) is fitted by generalised least squares: covariance
from the ride itself (`noise.py`), windows that fit badly weighed down, derivatives at the speed that the
model rides (`model.py`). Wind, drift and lag of the elevation are unknowns of each ride, with stated
expectations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.errors import RideError
from pacer.rides.model import LOCALS, RideModel
from pacer.rides.noise import (
    Parts,
    Scatter,
    estimate_scatter,
    hampel_weights,
    plausible_scatters,
    typical_scatter,
)
from pacer.units import FloatArray

__all__ = ["CONFIDENCE", "CRR_SPREAD", "FEWEST_WINDOWS", "Fit", "fit_rides"]

CRR_SPREAD: Final = 0.0010
"""Standard error of the rolling resistance in the rider file; tyres and roads differ by about as much. A
design choice, no source."""

FEWEST_WINDOWS: Final = 12
"""Fewer windows than this in all aren't fitted: six minutes of steady riding."""

_FEWEST_DEGREES: Final = 4.0
"""Of freedom; fewer aren't believed of a ride with so many windows. A design choice."""

CONFIDENCE: Final = 1.96
"""An error is half a 95 % interval over this."""

_ROUNDS: Final = 5
_CRR_RANGE: Final = (0.0005, 0.04)
_AREA_RANGE: Final = (0.08, 1.2)
_MOST_WIND: Final = 15.0


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fit of several rides at once.

    Attributes
    ----------
    crr : float
    areas : FloatArray, shape (p,)
        Of each position with the turning wheels, NaN where no window tells [m²].
    locals : FloatArray, shape (r, 4)
        One row a ride, in the order of `LOCALS`.
    covariance : FloatArray, shape (1 + p, 1 + p)
        Of crr and the areas, so that `CONFIDENCE` times a root of its diagonal is half a 95 % interval: where
        few degrees of freedom tell the scatter, Student's t has made it larger than the variance.
    degrees : FloatArray, shape (1 + p,)
        Of freedom, by Satterthwaite.
    local_covariance : FloatArray, shape (r, 4, 4)
        Of each ride's own.
    scatter, weights, speeds
        Of each ride: sizes of the noise, weight of each window, speed of each step as the model rides it.
    inflation : float
        By how much the covariance was multiplied because the rides disagree, at least 1.
    power_sensitivity, mass_sensitivity : FloatArray, shape (1 + p,)
        Change of crr and the areas for 1 % more power, and for 1 kg more mass.
    likelihood : float
        Minus twice the logarithm of the likelihood of the residuals, weights applied.
    converged : bool
    """

    crr: float
    areas: FloatArray
    locals: FloatArray
    covariance: FloatArray
    degrees: FloatArray
    local_covariance: FloatArray
    scatter: tuple[Scatter, ...]
    weights: tuple[FloatArray, ...]
    speeds: tuple[FloatArray, ...]
    inflation: float
    power_sensitivity: FloatArray
    mass_sensitivity: FloatArray
    likelihood: float
    converged: bool

    def wind_error(self, ride: int) -> float:
        """Standard error of a ride's wind in the direction in which it is known least [m/s]."""
        return float(np.sqrt(np.linalg.eigvalsh(self.local_covariance[ride, :2, :2])[-1]))


def fit_rides(models: Sequence[RideModel], held: npt.NDArray[np.bool_]) -> Fit:
    """Fit crr and the areas to all rides, and each ride's own unknowns.

    Parameters
    ----------
    models : sequence of RideModel
        With the same setup.
    held : bool array, shape (1 + p,)
        Which of crr and the areas keep the value of the setup.

    Raises
    ------
    RideError
        Too few windows.
    """
    count = sum(len(model.windows) for model in models)
    if count < FEWEST_WINDOWS:
        raise RideError(
            "too little steady riding to learn from",
            where=", ".join(sorted({model.windows.source for model in models})),
            found=f"{sum(float(m.windows.duration.sum()) for m in models) / 60.0:.1f} min in {count} windows",
            do="give longer rides, or name the position of more of the ride",
        )
    problem = _Problem(models, held)
    converged = False
    for round_ in range(_ROUNDS):
        if round_ > 0:
            problem.ride_again()
        converged = problem.settle()
        if converged and round_ >= 2:
            break
    return problem.finish(converged)


def _student(degrees: FloatArray) -> FloatArray:
    """95 % point of Student's t over that of the normal distribution, shape as `degrees`."""
    from scipy.stats import t

    return np.asarray(t.ppf(0.975, degrees) / CONFIDENCE)


@dataclass(slots=True)
class _Pull:
    """What one ride says at the present state: residual, derivatives, instruments, both weighed."""

    residual: FloatArray
    jacobian: FloatArray
    instrument: FloatArray
    solved: FloatArray

    @property
    def normal(self) -> FloatArray:
        return np.asarray(self.solved.T @ self.jacobian)

    @property
    def gradient(self) -> FloatArray:
        return np.asarray(self.solved.T @ self.residual)


class _Problem:
    """The unknowns in one vector: crr, areas, then four for each ride; and how the windows are weighed."""

    def __init__(self, models: Sequence[RideModel], held: npt.NDArray[np.bool_]) -> None:
        setup = models[0].setup
        self.models = models
        areas = [setup.drag_area(position) for position in setup.positions]
        self.common = 1 + len(areas)
        self.size = self.common + len(LOCALS) * len(models)
        self.expected = np.concatenate(([setup.bike.crr], areas, np.zeros(self.size - self.common)))
        self.precision = np.zeros(self.size)
        self.precision[0] = CRR_SPREAD**-2
        self.told = np.zeros(len(areas), dtype=np.bool_)
        for i, model in enumerate(models):
            self.expected[self.own(i)][:2] = model.wind_prior
            self.precision[self.own(i)] = model.own_precision
            self.told[np.unique(model.windows.position)] = True
        self.free = np.ones(self.size, dtype=np.bool_)
        self.free[: self.common] = ~held & np.append(True, self.told)
        self.state = self.expected.copy()
        self.weights = [np.ones(len(model.windows)) for model in models]
        self.speeds: list[FloatArray | None] = [None] * len(models)
        self.scatter = [typical_scatter() for _ in models]
        self.parts = [self._parts(i) for i in range(len(models))]
        self.fitted: list[tuple[FloatArray, FloatArray] | None] = [None] * len(models)

    def _parts(self, ride: int) -> Parts:
        model = self.models[ride]
        # at the model's speed: weights must not know which windows the wind slowed
        _, _, own = model.evaluate(*self._arguments(ride), self.speeds[ride])
        return Parts.of(model.windows, own[:, :2])

    def own(self, ride: int) -> slice:
        """Where the unknowns of a ride stand."""
        start = self.common + len(LOCALS) * ride
        return slice(start, start + len(LOCALS))

    def _arguments(self, ride: int) -> tuple[float, FloatArray, FloatArray]:
        return float(self.state[0]), self.state[1 : self.common], self.state[self.own(ride)]

    def ride_again(self) -> None:
        """Take the model's own speeds, new weights and a new scatter from the present state."""
        for i, model in enumerate(self.models):
            self.speeds[i] = model.replay(*self._arguments(i))
            self.parts[i] = self._parts(i)
            force, common, own = model.evaluate(*self._arguments(i))
            residual = model.windows.force - force
            plain = self.scatter[i].covariance(self.parts[i], np.ones(residual.size))
            self.weights[i] = hampel_weights(residual / np.sqrt(np.diag(plain)))
            if residual.size >= FEWEST_WINDOWS:
                design = self._design(common, own)
                self.fitted[i] = (residual, design)
                self.scatter[i] = estimate_scatter(
                    self.parts[i], residual, design, self.weights[i], self.scatter[i]
                )

    def _design(self, common: FloatArray, own: FloatArray) -> FloatArray:
        design = np.column_stack((common[:, self.free[: self.common]], own))
        size = np.abs(design).max(axis=0)
        return np.asarray(design[:, size > 0.0] / size[size > 0.0])

    def settle(self) -> bool:
        """Solve with the present weights; whether crr and areas moved by less than 0.2 %."""
        before = self.state.copy()
        free = self.free
        for _ in range(4):
            normal, _, gradient = self.equations()
            step = np.zeros(self.size)
            step[free] = np.linalg.solve(normal[np.ix_(free, free)], gradient[free])
            self._move(step)
            if np.max(np.abs(step[: self.common]) / self.state[: self.common]) < 1e-5:
                break
        change = np.abs(self.state - before)[: self.common] / self.state[: self.common]
        return bool(change.max() < 2e-3)

    def _move(self, step: FloatArray) -> None:
        state = self.state + step
        state[0] = np.clip(state[0], *_CRR_RANGE)
        state[1 : self.common] = np.clip(state[1 : self.common], *_AREA_RANGE)
        for i in range(len(self.models)):
            wind = state[self.own(i)][:2]
            wind[:] = np.clip(wind, -_MOST_WIND, _MOST_WIND)
        self.state = state

    def pull(self, ride: int) -> _Pull:
        """Give what a ride says at the present state."""
        model = self.models[ride]
        force, *derivatives = model.evaluate(*self._arguments(ride))
        jacobian = self._spread(ride, *derivatives)
        instrument = jacobian
        speed = self.speeds[ride]
        if speed is not None:
            instrument = self._spread(ride, *model.evaluate(*self._arguments(ride), speed)[1:])
        solved = self._weighed(ride, instrument, self.scatter[ride])
        return _Pull(model.windows.force - force, jacobian, instrument, solved)

    def _weighed(self, ride: int, instrument: FloatArray, scatter: Scatter) -> FloatArray:
        from scipy.linalg import cho_factor, cho_solve

        covariance = scatter.covariance(self.parts[ride], self.weights[ride])
        return np.asarray(cho_solve(cho_factor(covariance, lower=True), instrument))

    def _spread(self, ride: int, common: FloatArray, own: FloatArray) -> FloatArray:
        full = np.zeros((common.shape[0], self.size))
        full[:, : self.common] = common
        full[:, self.own(ride)] = own
        return full

    def equations(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give Zᵀ S⁻¹ J, Zᵀ S⁻¹ Z and Zᵀ S⁻¹ r with instruments Z, expectations included."""
        normal = np.diag(self.precision)
        square = np.diag(self.precision)
        gradient = self.precision * (self.expected - self.state)
        for i in range(len(self.models)):
            pull = self.pull(i)
            normal += pull.normal
            square += pull.solved.T @ pull.instrument
            gradient += pull.gradient
        return normal, square, gradient

    def finish(self, converged: bool) -> Fit:
        """Put the errors together."""
        normal, square, gradient = self.equations()
        free = self.free
        inverse, plain, _ = self._solved(normal, square, gradient)
        inflation = self._disagreement()
        plain, degrees = self._with_unknown_scatter(normal, square, gradient, plain)
        wider = _student(degrees)
        covariance = inflation * plain * np.outer(wider, wider)
        if not free[0]:
            # a held rolling resistance is wrong by an unknown amount, which the areas inherit
            slope = -inverse @ normal[:, 0]
            slope[0] = 1.0
            covariance += np.outer(slope, slope) * CRR_SPREAD**2
        by_power, by_mass = self._sensitivities(inverse)
        common = self.common
        blocks = [covariance[self.own(i), self.own(i)] for i in range(len(self.models))]
        recorded = [model.windows.steps.speed for model in self.models]
        return Fit(
            crr=float(self.state[0]),
            areas=np.where(self.told, self.state[1:common], np.nan),
            locals=self.state[common:].reshape(-1, len(LOCALS)),
            covariance=covariance[:common, :common],
            degrees=degrees[:common],
            local_covariance=np.array(blocks),
            scatter=tuple(self.scatter),
            weights=tuple(self.weights),
            speeds=tuple(r if s is None else s for r, s in zip(recorded, self.speeds, strict=True)),
            inflation=inflation,
            power_sensitivity=by_power[:common],
            mass_sensitivity=by_mass[:common],
            likelihood=self._likelihood(),
            converged=converged,
        )

    def _solved(
        self, normal: FloatArray, square: FloatArray, gradient: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give the inverse of the equations, the covariance and the step that solves them."""
        free = np.ix_(self.free, self.free)
        inverse = np.zeros((self.size, self.size))
        inverse[free] = np.linalg.inv(normal[free])
        return inverse, inverse @ square @ inverse.T, inverse @ gradient

    def _with_unknown_scatter(
        self, normal: FloatArray, square: FloatArray, gradient: FloatArray, plain: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Give the covariance with the sizes of the scatter as well known as each ride tells them.

        Variance in all is the mean of the variance over the plausible sizes plus the variance of the mean;
        how far the variance itself may be out gives each unknown its degrees of freedom (Satterthwaite).

        Returns
        -------
        covariance : FloatArray, shape (size, size)
        degrees : FloatArray, shape (size,)
        """
        total, doubt = plain.copy(), np.zeros(self.size)
        _, _, settled = self._solved(normal, square, gradient)
        for i, fitted in enumerate(self.fitted):
            if fitted is None:
                continue
            pull = self.pull(i)
            variances, moves = [], []
            for scatter in plausible_scatters(self.parts[i], *fitted, self.weights[i], self.scatter[i]):
                solved = self._weighed(i, pull.instrument, scatter)
                change = solved - pull.solved
                _, variance, step = self._solved(
                    normal + change.T @ pull.jacobian,
                    square + change.T @ pull.instrument,
                    gradient + change.T @ pull.residual,
                )
                variances.append(variance)
                moves.append(step - settled)
            total += np.mean(variances, axis=0) - plain
            total += np.mean([np.outer(move, move) for move in moves], axis=0)
            doubt += np.var([np.diag(variance) for variance in variances], axis=0)
        degrees = 2.0 * np.diag(total) ** 2 / np.maximum(doubt, 1e-30)
        return total, np.maximum(degrees, _FEWEST_DEGREES)

    def _disagreement(self) -> float:
        """Chi-square a degree of freedom of the rides' own pulls on crr and the areas, at least 1."""
        pull, degrees = 0.0, -int(self.free[: self.common].sum())
        for i in range(len(self.models)):
            own = self.own(i)
            said = self.pull(i)
            normal, gradient = said.normal, said.gradient
            normal[own, own] += np.diag(self.precision[own])
            gradient[own] += self.precision[own] * (self.expected - self.state)[own]
            shared = np.flatnonzero(self.free[: self.common] & (np.diag(normal)[: self.common] > 0.0))
            reduce = normal[shared, own] @ np.linalg.inv(normal[own, own])
            block = normal[np.ix_(shared, shared)] - reduce @ normal[own][:, shared]
            score = gradient[shared] - reduce @ gradient[own]
            pull += float(score @ np.linalg.pinv(0.5 * (block + block.T)) @ score)
            degrees += shared.size
        return max(pull / degrees, 1.0) if degrees > 0 else 1.0

    def _sensitivities(self, inverse: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Change of each unknown for 1 % more power and for 1 kg more mass."""
        by_power, by_mass = np.zeros(self.size), np.zeros(self.size)
        for i, model in enumerate(self.models):
            solved, windows = self.pull(i).solved, model.windows
            by_power += solved.T @ (0.01 * windows.drive)
            heavier = windows.per_mass - self.state[0] * windows.rolling / model.setup.total_mass
            by_mass += solved.T @ heavier
        return inverse @ by_power, inverse @ by_mass

    def _likelihood(self) -> float:
        total = 0.0
        for i, model in enumerate(self.models):
            residual = model.windows.force - model.evaluate(*self._arguments(i))[0]
            covariance = self.scatter[i].covariance(self.parts[i], self.weights[i])
            _, log_det = np.linalg.slogdet(covariance)
            total += float(log_det) + float(residual @ np.linalg.solve(covariance, residual))
        return total

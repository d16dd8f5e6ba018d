"""How the forces of a ride's windows scatter, estimated from the ride itself, so that errors are honest.

The covariance of two windows i and j is the sum of five parts, each with a size found by restricted maximum
likelihood [1] with wide expectations about the logarithms of the sizes::

    wind    u² exp(-|t_i - t_j| / τ) g_i·g_j   slow changes of the wind; g derivative of the force by the wind
    slow    s² exp(-|t_i - t_j| / τ)           surface, posture, drift of the power meter
    gusts   q² k_ij g_i·g_j                    k mean of exp(-|t - t'| / 10 s) over the two windows
    quick   w² (30 s / T_i)  for i = j         the rider's line, the meter's noise, a wandering barometer
    ends    e² (1/d_i, 1/d_j at the same end)  elevation and speed at the ends: + within a window, - between
                                               neighbours

Windows that fit badly are given a larger variance (Hampel's three-part weights) instead of being thrown away,
so that their neighbours still count for what they are.

References
----------
[1] Patterson HD, Thompson R (1971). Recovery of inter-block information when block sizes are unequal.
    Biometrika 58(3):545-554. doi:10.1093/biomet/58.3.545 (from memory)
[2] Rue H, Martino S, Chopin N (2009). Approximate Bayesian inference for latent Gaussian models by using
    integrated nested Laplace approximations. Journal of the Royal Statistical Society B 71(2):319-392.
    doi:10.1111/j.1467-9868.2008.00700.x: exploring the sizes along the axes of the curvature, each side with
    a deviation of its own (from memory)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pacer.rides.windows import Windows
from pacer.units import FloatArray

__all__ = ["Parts", "Scatter", "estimate_scatter", "hampel_weights", "plausible_scatters", "typical_scatter"]

_TUNING: Final = (2.5, 4.5, 8.0)
"""Where the weights leave one, begin to fall faster, reach their floor; common practice, no source."""

_GUST: Final = 10.0
"""Memory of a gust at a rider [s]; a design choice: eddies near the ground are tens to a hundred metres long
(from memory)."""

_EXPECTED: Final = np.log([0.4, 0.4, 300.0, 0.6, 1.0, 30.0])
"""Of wind [m/s], slow [N], memory [s], gusts [m/s], quick [N] and ends [N m]; design choices, as their
spreads."""

_SPREAD: Final = np.array([0.8, 0.8, 0.7, 1.0, 1.0, 1.2])


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """What the covariance of a ride's windows is put together from; see the module."""

    apart: FloatArray
    wind: FloatArray
    gusts: FloatArray
    shorter: FloatArray
    ends: FloatArray

    @classmethod
    def of(cls, windows: Windows, by_wind: FloatArray) -> Parts:
        """Take them from the windows and `by_wind`, the force's derivatives by the wind, (N, 2) [N s/m]."""
        inverse = 1.0 / windows.length
        ends = np.diag(2.0 * inverse**2)
        i = np.flatnonzero(windows.follows)
        ends[i, i - 1] = ends[i - 1, i] = -inverse[i] * inverse[i - 1]
        apart = np.abs(windows.middle[:, None] - windows.middle[None, :])
        wind = by_wind @ by_wind.T
        return cls(
            apart=apart,
            wind=wind,
            gusts=wind * _averaged_memory(apart, windows.duration / _GUST),
            shorter=30.0 / windows.duration,
            ends=ends,
        )


def _averaged_memory(apart: FloatArray, duration: FloatArray) -> FloatArray:
    """Mean of exp(-|t - t'|) over each two windows that don't overlap, and over each with itself.

    Parameters
    ----------
    apart : FloatArray, shape (N, N)
        Of the windows' middles [s].
    duration : FloatArray, shape (N,)
        In units of the memory.
    """
    reach = np.sinh(0.5 * duration) / (0.5 * duration)
    matrix = np.asarray(reach[:, None] * reach[None, :] * np.exp(-apart / _GUST))
    matrix[np.diag_indices_from(matrix)] = 2.0 * (duration - 1.0 + np.exp(-duration)) / duration**2
    return matrix


@dataclass(frozen=True, slots=True)
class Scatter:
    """Sizes of the parts: wind [m/s], slow [N], their memory [s], gusts [m/s], quick [N], ends [N m]."""

    wind: float
    slow: float
    memory: float
    gusts: float
    quick: float
    ends: float

    @property
    def logs(self) -> FloatArray:
        """Logarithms of the sizes, shape (6,)."""
        return np.log([self.wind, self.slow, self.memory, self.gusts, self.quick, self.ends])

    def within_windows(self, parts: Parts) -> FloatArray:
        """Standard deviation of what is over within each window, shape (N,) [N]."""
        variance = self.gusts**2 * np.diag(parts.gusts) + self.quick**2 * parts.shorter
        return np.asarray(np.sqrt(variance))

    def covariance(self, parts: Parts, weights: FloatArray) -> FloatArray:
        """Covariance matrix of the windows' forces, shape (N, N) [N²]."""
        matrix = (self.wind**2 * parts.wind + self.slow**2) * np.exp(-parts.apart / self.memory)
        matrix += self.ends**2 * parts.ends
        matrix += self.gusts**2 * parts.gusts
        matrix[np.diag_indices_from(matrix)] += self.quick**2 * parts.shorter
        scale = 1.0 / np.sqrt(weights)
        return np.asarray(matrix * scale[:, None] * scale[None, :])


def typical_scatter() -> Scatter:
    """Give the sizes that are expected before a ride is seen."""
    return Scatter(*np.exp(_EXPECTED).tolist())


def hampel_weights(standardised: FloatArray) -> FloatArray:
    """Weight of each window by its residual in standard deviations: 1, then a/|z|, then falling to 0.01."""
    a, b, c = _TUNING
    z = np.maximum(np.abs(standardised), 1e-9)
    weight = np.where(z <= a, 1.0, a / z)
    falling = a / z * (c - z) / (c - b)
    weight = np.where(z > b, falling, weight)
    return np.asarray(np.clip(weight, 0.01, 1.0))


def estimate_scatter(
    parts: Parts, residual: FloatArray, design: FloatArray, weights: FloatArray, start: Scatter
) -> Scatter:
    """Find the sizes of the parts by restricted maximum likelihood.

    Parameters
    ----------
    residual : FloatArray, shape (N,)
        Measured minus modelled force [N].
    design : FloatArray, shape (N, p)
        Derivatives of the modelled force by the unknowns that were fitted, columns of size about one.
    weights : FloatArray, shape (N,)
        From `hampel_weights`.
    start : Scatter
        Where to begin.
    """
    from scipy.optimize import minimize

    reml = _Reml(parts, residual, design, weights)
    first = start.logs
    simplex = np.vstack((first, first + 0.4 * np.eye(first.size)))
    found = minimize(
        reml.cost,
        first,
        method="Nelder-Mead",
        options={"xatol": 0.05, "fatol": 0.03, "maxfev": 350, "initial_simplex": simplex},
    )
    return Scatter(*np.exp(found.x).tolist())


def plausible_scatters(
    parts: Parts, residual: FloatArray, design: FloatArray, weights: FloatArray, best: Scatter
) -> tuple[Scatter, ...]:
    """Give sizes of the parts that stand for how well the ride tells them: equally likely, two an axis.

    The axes are those of the likelihood's curvature at `best`, the points lie √6 standard deviations out, so
    that their mean square is the variance of each axis; towards either side the deviation is what the
    likelihood's own fall says [2]. Parameters as for `estimate_scatter`.
    """
    reml = _Reml(parts, residual, design, weights)
    centre = best.logs
    lowest = reml.cost(centre)
    spread, axes = np.linalg.eigh(_curvature(reml, centre, lowest))
    # the expectations alone curve the cost by 2 / spread²: no axis is known less well than by them
    deviation = np.sqrt(2.0 / np.maximum(spread, 2.0 / _SPREAD.max() ** 2))
    reach = np.sqrt(float(centre.size))
    points = []
    for axis, sd in zip(axes.T, deviation.tolist(), strict=True):
        for side in (-1.0, 1.0):
            rise = reml.cost(centre + side * reach * sd * axis) - lowest
            own = sd * np.clip(reach / np.sqrt(max(rise, 1e-3)), 0.3, 2.0)
            points.append(Scatter(*np.exp(centre + side * reach * own * axis).tolist()))
    return tuple(points)


def _curvature(reml: _Reml, centre: FloatArray, lowest: float, h: float = 0.25) -> FloatArray:
    """Second derivatives of the cost by differences, shape (6, 6)."""
    n = centre.size
    step = h * np.eye(n)
    up = np.array([reml.cost(centre + step[i]) for i in range(n)])
    down = np.array([reml.cost(centre - step[i]) for i in range(n)])
    second = np.diag((up - 2.0 * lowest + down) / h**2)
    for i in range(n):
        for j in range(i):
            both = reml.cost(centre + step[i] + step[j])
            second[i, j] = second[j, i] = (both - up[i] - up[j] + lowest) / h**2
    return second


@dataclass(frozen=True, slots=True, eq=False)
class _Reml:
    """Minus twice the logarithm of the restricted likelihood, expectations of the sizes included."""

    parts: Parts
    residual: FloatArray
    design: FloatArray
    weights: FloatArray

    def cost(self, logs: FloatArray) -> float:
        """Give it for the logarithms of the sizes."""
        from scipy.linalg import LinAlgError, cho_factor, cho_solve

        design = self.design
        try:
            matrix = Scatter(*np.exp(logs).tolist()).covariance(self.parts, self.weights)
            factor = cho_factor(matrix, lower=True, check_finite=False, overwrite_a=True)
        except (LinAlgError, OverflowError):
            return 1e12
        solved = cho_solve(factor, np.column_stack((self.residual, design)), check_finite=False)
        normal = design.T @ solved[:, 1:]
        gradient = design.T @ solved[:, 0]
        log_det = 2.0 * float(np.log(np.diag(factor[0])).sum())
        sign, log_normal = np.linalg.slogdet(normal)
        if sign <= 0:
            return 1e12
        fit = float(self.residual @ solved[:, 0] - gradient @ np.linalg.solve(normal, gradient))
        return log_det + float(log_normal) + fit + float(np.sum(((logs - _EXPECTED) / _SPREAD) ** 2))

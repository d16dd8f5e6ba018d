"""Smoothing of scattered samples on a regular grid: banded linear algebra, no physics."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pacer.units import FloatArray

__all__ = ["Jitter", "Samples", "box_mean"]


@dataclass(frozen=True, slots=True)
class Jitter:
    """Correlated noise: a first-order process along the line.

    Attributes
    ----------
    size : float
        Its standard deviation, in the unit of the samples.
    reach : float
        Distance over which its correlation falls to 1/e [m].
    """

    size: float
    reach: float


class Samples:
    """Noisy samples of a curve along a line, tied to a regular grid by linear interpolation.

    Parameters
    ----------
    at : FloatArray, shape (k,)
        Where the samples stand, from 0, not decreasing [m].
    step : float
        Of the grid [m].
    """

    def __init__(self, at: FloatArray, step: float) -> None:
        self.step = step
        self.count = max(int(np.ceil(at[-1] / step - 1e-9)) + 1, 4)
        cell = np.minimum((at / step).astype(np.int64), self.count - 2)
        self._cell = cell
        self._share = at / step - cell

    def smooth(
        self, values: FloatArray, weights: FloatArray, stiffness: FloatArray, jitter: Jitter | None = None
    ) -> FloatArray:
        """Curve that minimises Σ weight (curve + jitter − value)² + Σ stiffness step (second derivative)².

        Parameters
        ----------
        values : FloatArray, shape (k,) or (k, m)
        weights : FloatArray, shape (k,)
            One over the variance of each sample.
        stiffness : FloatArray, shape (count - 2,)
            One over the power density of the second derivative, at the inner grid nodes.
        jitter : Jitter, optional
            Correlated noise that the samples hold as well.

        Returns
        -------
        FloatArray, shape (count,) or (count, m)
            The curve on the grid.
        """
        from scipy.linalg import solveh_banded

        band = self._normal(weights, stiffness, jitter)
        right = self._right_side(values, weights, jitter)
        solution = np.asarray(solveh_banded(band, right, lower=True, check_finite=False), dtype=np.float64)
        return solution if jitter is None else solution[::2]

    def at_samples(self, curve: FloatArray) -> FloatArray:
        """Interpolate a curve on the grid at the samples, shape (k,) or (k, m)."""
        share = self._share if curve.ndim == 1 else self._share[:, None]
        return np.asarray(curve[self._cell] * (1.0 - share) + curve[self._cell + 1] * share)

    def on_grid(self, values: FloatArray) -> FloatArray:
        """Sum what the samples hold at the grid node before each, shape (count,)."""
        return np.bincount(self._cell, values, self.count).astype(np.float64)

    def log_evidence(
        self, values: FloatArray, weights: FloatArray, stiffness: FloatArray, jitter: Jitter | None = None
    ) -> float:
        """Restricted log likelihood of one column of samples, up to a constant.

        The curve is a doubly integrated white noise of density 1 / stiffness, the samples have variance
        1 / weight and the jitter.

        References
        ----------
        .. [1] G. Wahba, "A comparison of GCV and GML for choosing the smoothing parameter in the generalized
           spline smoothing problem", Annals of Statistics 13(4), 1985, doi:10.1214/aos/1176349743.
        """
        from scipy.linalg import cho_solve_banded, cholesky_banded

        right = self._right_side(values, weights, jitter)
        factor = cholesky_banded(self._normal(weights, stiffness, jitter), lower=True, check_finite=False)
        solution = cho_solve_banded((factor, True), right, check_finite=False)
        # At the optimum the whole sum of squares is what the right side doesn't explain.
        misfit = float(np.sum(weights * values**2) - right @ solution)
        determinants = float(
            np.sum(np.log(weights)) + np.sum(np.log(stiffness)) - 2.0 * np.sum(np.log(factor[0]))
        )
        if jitter is not None:
            keep = self._keep(jitter)
            inner = jitter.size**2 * (1.0 - keep**2)
            determinants -= 2.0 * np.log(jitter.size) + (self.count - 1) * np.log(inner)
        return 0.5 * (determinants - misfit)

    def _keep(self, jitter: Jitter) -> float:
        return float(np.exp(-self.step / jitter.reach))

    def _right_side(self, values: FloatArray, weights: FloatArray, jitter: Jitter | None) -> FloatArray:
        columns = values.reshape(values.shape[0], -1)
        low, high = weights * (1.0 - self._share), weights * self._share
        right = np.column_stack(
            [
                np.bincount(self._cell, low * column, self.count)
                + np.bincount(self._cell + 1, high * column, self.count)
                for column in columns.T
            ]
        )
        if jitter is not None:
            right = np.repeat(right, 2, axis=0)
        return right[:, 0] if values.ndim == 1 else right

    def _normal(self, weights: FloatArray, stiffness: FloatArray, jitter: Jitter | None) -> FloatArray:
        """Lower band of the normal equations, shape (3, count); with jitter (5, 2 count), the two in turn."""
        share, rest = self._share, 1.0 - self._share
        own = np.bincount(self._cell, weights * rest**2, self.count)
        own += np.bincount(self._cell + 1, weights * share**2, self.count)
        next_ = np.bincount(self._cell, weights * rest * share, self.count)
        bend = np.zeros((3, self.count))
        scaled = stiffness / self.step**3
        bend[0, :-2] += scaled
        bend[0, 1:-1] += 4.0 * scaled
        bend[0, 2:] += scaled
        bend[1, :-2] -= 2.0 * scaled
        bend[1, 1:-1] -= 2.0 * scaled
        bend[2, :-2] += scaled
        if jitter is None:
            bend[0] += own
            bend[1] += next_
            return bend
        keep = self._keep(jitter)
        inner = jitter.size**2 * (1.0 - keep**2)
        band = np.zeros((5, 2 * self.count))
        band[0, ::2] = own + bend[0]
        band[0, 1::2] = own + (1.0 + keep**2) / inner
        band[0, [1, -1]] -= keep**2 / inner
        band[1, ::2] = own
        band[1, 1:-1:2] = next_[:-1]
        band[2, ::2] = next_ + bend[1]
        band[2, 1:-2:2] = next_[:-1] - keep / inner
        band[3, ::2] = next_
        band[4, ::2] = bend[2]
        return band


def box_mean(values: FloatArray, half: int) -> FloatArray:
    """Mean over 2 half + 1 neighbours, over fewer at the ends."""
    if half <= 0:
        return np.array(values, dtype=np.float64)
    total = np.concatenate(([0.0], np.cumsum(values)))
    index = np.arange(values.size)
    low, high = np.maximum(index - half, 0), np.minimum(index + half + 1, values.size)
    return np.asarray((total[high] - total[low]) / (high - low), dtype=np.float64)

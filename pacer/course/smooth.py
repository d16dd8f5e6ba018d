"""Smoothing of scattered samples on a regular grid: banded linear algebra, no physics."""

from __future__ import annotations

import numpy as np

from pacer.units import FloatArray

__all__ = ["Samples", "box_mean"]


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

    def smooth(self, values: FloatArray, weights: FloatArray, stiffness: FloatArray) -> FloatArray:
        """Curve that minimises Σ weight (curve − value)² + Σ stiffness step (second derivative)².

        Parameters
        ----------
        values : FloatArray, shape (k,) or (k, m)
        weights : FloatArray, shape (k,)
            One over the variance of each sample.
        stiffness : FloatArray, shape (count - 2,)
            One over the power density of the second derivative, at the inner grid nodes.

        Returns
        -------
        FloatArray, shape (count,) or (count, m)
            The curve on the grid.
        """
        from scipy.linalg import solveh_banded

        band = self._normal(weights, stiffness)
        return np.asarray(
            solveh_banded(band, self._right_side(values, weights), lower=True, check_finite=False),
            dtype=np.float64,
        )

    def at_samples(self, curve: FloatArray) -> FloatArray:
        """Interpolate a curve on the grid at the samples, shape (k,) or (k, m)."""
        share = self._share if curve.ndim == 1 else self._share[:, None]
        return np.asarray(curve[self._cell] * (1.0 - share) + curve[self._cell + 1] * share)

    def on_grid(self, values: FloatArray) -> FloatArray:
        """Sum what the samples hold at the grid node before each, shape (count,)."""
        return np.bincount(self._cell, values, self.count).astype(np.float64)

    def log_evidence(self, values: FloatArray, weights: FloatArray, stiffness: FloatArray) -> float:
        """Restricted log likelihood of one column of samples, up to a constant.

        The curve is a doubly integrated white noise of density 1 / stiffness, the samples have variance
        1 / weight.

        References
        ----------
        .. [1] G. Wahba, "A comparison of GCV and GML for choosing the smoothing parameter in the generalized
           spline smoothing problem", Annals of Statistics 13(4), 1985, doi:10.1214/aos/1176349743.
        """
        from scipy.linalg import cho_solve_banded, cholesky_banded

        factor = cholesky_banded(self._normal(weights, stiffness), lower=True, check_finite=False)
        curve = cho_solve_banded((factor, True), self._right_side(values, weights), check_finite=False)
        residual = values - self.at_samples(curve)
        bend = np.diff(curve, 2) / self.step**2
        misfit = np.sum(weights * residual**2) + np.sum(stiffness * self.step * bend**2)
        determinants = np.sum(np.log(weights)) + np.sum(np.log(stiffness)) - 2.0 * np.sum(np.log(factor[0]))
        return float(0.5 * (determinants - misfit))

    def _right_side(self, values: FloatArray, weights: FloatArray) -> FloatArray:
        columns = values.reshape(values.shape[0], -1)
        low, high = weights * (1.0 - self._share), weights * self._share
        right = np.column_stack(
            [
                np.bincount(self._cell, low * column, self.count)
                + np.bincount(self._cell + 1, high * column, self.count)
                for column in columns.T
            ]
        )
        return right[:, 0] if values.ndim == 1 else right

    def _normal(self, weights: FloatArray, stiffness: FloatArray) -> FloatArray:
        """Lower band of the normal equations, shape (3, count)."""
        share, rest = self._share, 1.0 - self._share
        band = np.zeros((3, self.count))
        band[0] = np.bincount(self._cell, weights * rest**2, self.count)
        band[0] += np.bincount(self._cell + 1, weights * share**2, self.count)
        band[1] = np.bincount(self._cell, weights * rest * share, self.count)
        scaled = stiffness / self.step**3
        band[0, :-2] += scaled
        band[0, 1:-1] += 4.0 * scaled
        band[0, 2:] += scaled
        band[1, :-2] -= 2.0 * scaled
        band[1, 1:-1] -= 2.0 * scaled
        band[2, :-2] += scaled
        return band


def box_mean(values: FloatArray, half: int) -> FloatArray:
    """Mean over 2 half + 1 neighbours, over fewer at the ends."""
    if half <= 0:
        return np.array(values, dtype=np.float64)
    total = np.concatenate(([0.0], np.cumsum(values)))
    index = np.arange(values.size)
    low, high = np.maximum(index - half, 0), np.minimum(index + half + 1, values.size)
    return np.asarray((total[high] - total[low]) / (high - low), dtype=np.float64)

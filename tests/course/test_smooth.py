"""Banded smoothing against the same problem written densely."""

import numpy as np
import pytest

from pacer.course.smooth import Jitter, Samples, box_mean


def dense(at, weights, stiffness, step, count, jitter):
    """Interpolation, inverse covariance of the samples and penalty, as full matrices."""
    rows = np.zeros((at.size, count))
    for i, x in enumerate(at):
        cell = min(int(x / step), count - 2)
        rows[i, cell : cell + 2] = 1.0 - (x / step - cell), x / step - cell
    covariance = np.diag(1.0 / weights)
    if jitter is not None:
        apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count))) * step
        covariance += rows @ (jitter.size**2 * np.exp(-apart / jitter.reach)) @ rows.T
    bend = np.diff(np.eye(count), 2, axis=0) / step**2
    return rows, np.linalg.inv(covariance), bend.T @ np.diag(stiffness * step) @ bend


@pytest.fixture
def case():
    """Scattered samples with uneven weights and stiffness."""
    rng = np.random.default_rng(0)
    at = np.sort(rng.uniform(0.0, 200.0, 60))
    at -= at[0]
    samples = Samples(at, 10.0)
    return (
        at,
        samples,
        rng.normal(size=60),
        rng.uniform(0.5, 2.0, 60),
        rng.uniform(1e3, 1e5, samples.count - 2),
    )


@pytest.mark.parametrize("jitter", [None, Jitter(0.7, 50.0)])
def test_smoothing_is_generalised_least_squares(case, jitter):
    """The banded solution is that of the dense normal equations with the full covariance."""
    at, samples, values, weights, stiffness = case
    rows, inverse, penalty = dense(at, weights, stiffness, 10.0, samples.count, jitter)
    expected = np.linalg.solve(rows.T @ inverse @ rows + penalty, rows.T @ inverse @ values)
    assert np.allclose(samples.smooth(values, weights, stiffness, jitter), expected, atol=1e-10)


def test_evidence_is_the_restricted_likelihood(case):
    """Differences of evidence are those of the dense restricted likelihood, with and without jitter."""
    at, samples, values, weights, stiffness = case

    def expected(scale, jitter):
        rows, inverse, penalty = dense(at, weights, stiffness * scale, 10.0, samples.count, jitter)
        normal = rows.T @ inverse @ rows + penalty
        curve = np.linalg.solve(normal, rows.T @ inverse @ values)
        off = values - rows @ curve
        logs = (
            np.linalg.slogdet(inverse)[1] + np.sum(np.log(stiffness * scale)) - np.linalg.slogdet(normal)[1]
        )
        return 0.5 * (logs - off @ inverse @ off - curve @ penalty @ curve)

    cases = [(1.0, None), (3.0, None), (1.0, Jitter(0.7, 50.0)), (0.2, Jitter(0.3, 20.0))]
    found = [samples.log_evidence(values, weights, stiffness * scale, jitter) for scale, jitter in cases]
    assert np.allclose(np.diff(found), np.diff([expected(*c) for c in cases]), atol=1e-8)


def test_a_straight_line_is_kept():
    """A curve without bend costs nothing: it is returned as it is."""
    at = np.linspace(0.0, 500.0, 77)
    samples = Samples(at, 5.0)
    curve = samples.smooth(3.0 + 0.02 * at, np.ones(77), np.full(samples.count - 2, 1e6))
    assert np.allclose(curve, 3.0 + 0.02 * 5.0 * np.arange(samples.count), atol=1e-6)


def test_box_mean_is_the_mean_of_what_is_there():
    """At the ends fewer neighbours count."""
    assert box_mean(np.array([1.0, 2.0, 3.0, 10.0]), 1).tolist() == [1.5, 2.0, 5.0, 6.5]

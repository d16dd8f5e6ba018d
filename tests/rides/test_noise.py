"""The covariance of a ride's windows against plain integration and against noise drawn from it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pacer.rides.noise import Parts, Scatter, estimate_scatter, typical_scatter


def windows(duration: np.ndarray) -> Any:
    """Windows that follow each other at 10 m/s."""
    end = np.cumsum(duration)
    return SimpleNamespace(
        length=10.0 * duration,
        duration=duration,
        middle=end - 0.5 * duration,
        follows=np.arange(end.size) > 0,
    )


def parts_of(duration: np.ndarray, by_wind: np.ndarray) -> Parts:
    """Give the parts of such windows."""
    return Parts.of(windows(duration), by_wind)


def test_gusts_are_averaged_over_windows_with_their_memory():
    """The gust part is the mean of exp(-|t - t'| / 10 s) over both windows, integrated in 5 ms."""
    duration = np.array([30.0, 18.0, 41.0])
    by_wind = np.array([[1.0, 0.0], [0.6, 0.8], [0.0, 2.0]])
    parts = parts_of(duration, by_wind)
    edges = np.append(0.0, np.cumsum(duration))
    memory = np.exp(-0.005 / 10.0)
    for i in range(3):
        for j in range(i, 3):
            first, second = (np.arange(edges[k], edges[k + 1], 0.005) + 0.0025 for k in (i, j))
            if i == j:
                lags = np.arange(first.size)
                count = np.where(lags == 0, first.size, 2 * (first.size - lags))
                mean = float(np.sum(count * memory**lags)) / first.size**2
            else:
                mean = float(np.mean(np.exp(first / 10.0 - edges[j] / 10.0)))
                mean *= float(np.mean(np.exp(edges[j] / 10.0 - second / 10.0)))
            expected = mean * float(by_wind[i] @ by_wind[j])
            assert parts.gusts[i, j] == pytest.approx(expected, rel=1e-4, abs=1e-9)
            assert parts.gusts[j, i] == parts.gusts[i, j]


def test_what_neighbours_share_at_an_end_has_opposite_signs():
    """An elevation too high at the end of one window is too high at the start of the next."""
    parts = parts_of(np.full(3, 30.0), np.zeros((3, 2)))
    assert np.allclose(parts.ends * 300.0**2, [[2.0, -1.0, 0.0], [-1.0, 2.0, -1.0], [0.0, -1.0, 2.0]])


def test_sizes_are_found_again_from_noise_of_known_sizes():
    """Over twelve draws of two hours, gusts and ends are within a quarter on average (logarithms)."""
    rng = np.random.default_rng(3)
    heading = 2.0 * np.pi * np.arange(240) / 40.0
    push = 2.0 + np.sin(2.0 * np.pi * np.arange(240) / 13.0)
    by_wind = push[:, None] * np.column_stack((np.sin(heading), np.cos(heading)))
    parts = parts_of(np.full(240, 30.0), by_wind)
    truth = Scatter(wind=0.3, slow=0.3, memory=300.0, gusts=0.8, quick=0.5, ends=300.0)
    factor = np.linalg.cholesky(truth.covariance(parts, np.ones(240)))
    logs = []
    for _ in range(12):
        noise = factor @ rng.standard_normal(240)
        found = typical_scatter()
        for _ in range(2):  # a fit goes on from what it found as well
            found = estimate_scatter(parts, noise, np.ones((240, 1)), np.ones(240), found)
        logs.append([np.log(found.gusts / truth.gusts), np.log(found.ends / truth.ends)])
    assert np.all(np.abs(np.mean(logs, axis=0)) < 0.25)

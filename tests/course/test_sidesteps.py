"""Places where the road steps aside and back."""

import numpy as np
import pytest

from pacer.course import sidesteps as module
from pacer.course.plan_view import smooth_line
from pacer.course.sidesteps import sidesteps
from pacer.course.smooth import Samples
from tests.course import truth as t

STRAIGHT = 1.2e-5


def points_of(pieces, *, noise, seed, spacing=7.0):
    """Points of a road under white noise, and the road."""
    road = t.build(pieces)
    at = np.arange(0.0, road.s[-1], spacing)
    xy = np.column_stack([np.interp(at, road.s, road.xy[:, i]) for i in range(2)])
    return road, xy + np.random.default_rng(seed).normal(0.0, noise, xy.shape)


@pytest.mark.parametrize("noise", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("spacing", [5.0, 9.0])
def test_what_smoothing_leaves_of_a_sidestep_is_known(noise, spacing):
    """The share by the response to waves is that of a road really smoothed, shape and all."""
    at = np.arange(0.0, 2000.0, spacing)
    samples = Samples(at, 2.5)
    middle = 1000.0
    shape = np.where(
        np.abs(at - middle) < module.REACH_M, 0.5 + 0.5 * np.cos(np.pi * (at - middle) / module.REACH_M), 0.0
    )
    curve = samples.smooth(shape, np.full(at.size, noise**-2), np.full(samples.count - 2, 1.0 / STRAIGHT))
    share = 1.0 - float(shape @ samples.at_samples(curve)) / float(shape @ shape)
    half = round(module.REACH_M / 2.5)
    kernel = 0.5 + 0.5 * np.cos(np.pi * np.arange(-half, half + 1) * 2.5 / module.REACH_M)
    stiffness = np.array([noise**2 * spacing / STRAIGHT])
    assert module._left_over(kernel, 2.5, stiffness)[0] == pytest.approx(share, abs=0.02)


@pytest.mark.parametrize("noise", [0.5, 1.0, 2.0])
def test_a_straight_has_none(noise):
    """On 60 km under white noise no place passes."""
    _, xy = points_of([t.straight(60_000.0)], noise=noise, seed=5)
    assert not smooth_line(xy).sidestep.any()


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("off", [4.0, 7.0])
def test_one_bad_fix_is_none(seed, off):
    """However far a single point lies off, it isn't the road."""
    _, xy = points_of([t.straight(1500.0)], noise=1.0, seed=seed)
    xy[100] += off * np.array([np.cos(np.radians(40.0)), -np.sin(np.radians(40.0))])
    assert not smooth_line(xy).sidestep.any()


def test_a_roundabout_ridden_straight_over_is_one():
    """It is found in its place, and nowhere else."""
    road, xy = points_of([t.straight(500.0), *t.roundabout(15.0), t.straight(500.0)], noise=1.0, seed=1)
    line = smooth_line(xy)
    apex = next(c.apex for c in road.corners if c.kind.value == "roundabout")
    found = line.s[line.sidestep] * road.s[-1] / line.s[-1]
    assert found.size > 0
    assert np.all(np.abs(found - apex) < 25.0)


def test_a_short_road_has_none():
    """Where all of it is an end, nothing is known."""
    samples = Samples(np.arange(0.0, 100.0, 5.0), 2.5)
    assert not sidesteps(np.full(20, 9.0), 1.0, samples, STRAIGHT).any()

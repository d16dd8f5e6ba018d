"""Turns and counter-turns: those of the road stay, those of noise go."""

import numpy as np
import pytest

from pacer.course.build import build_course
from tests.course import truth as t


def built(pieces, *, noise, seed, spacing=8.0):
    """A flat course of some pieces, under white noise."""
    road = t.build(pieces)
    at = np.arange(0.0, road.s[-1], spacing)
    return build_course(t.track(road, at, np.random.default_rng(seed), position_noise=noise))


@pytest.mark.parametrize("noise", [1.0, 2.0, 3.0])
def test_noise_on_wide_bends_makes_no_tight_corner(noise):
    """80 km of a main road with bends of 150 to 400 m: at most one place looks tighter than 60 m."""
    rng = np.random.default_rng(9)
    pieces = []
    for _ in range(140):
        radius, turn = rng.uniform(150.0, 400.0), rng.uniform(15.0, 50.0) * rng.choice([-1.0, 1.0])
        pieces += [t.straight(rng.uniform(200.0, 700.0)), t.arc(radius, turn)]
    course = built(pieces, noise=noise, seed=2)
    tight = [corner.apex for corner in course.corners if corner.radius < 60.0]
    assert course.length > 60_000.0
    assert sum(np.diff(tight, prepend=-1e9) > 200.0) <= 1


@pytest.mark.parametrize("seed", range(4))
def test_a_chicane_stays(seed):
    """35° one way and back on 15 m, 3 m to the side: found under 0.5 m of noise."""
    pieces = [t.straight(400), t.arc(15, 35), t.arc(15, -35), t.straight(400)]
    course = built(pieces, noise=0.5, seed=seed)
    for hand in (1.0, -1.0):
        sharpest = max(course.corners, key=lambda corner: hand * corner.turn)
        assert hand * sharpest.turn > np.radians(15.0)
        assert abs(sharpest.apex - 409.0) < 25.0


@pytest.mark.parametrize("seed", range(4))
def test_bends_of_one_hand_are_no_wiggle(seed):
    """A bend that is no more than noise could make, but turns the road, stays."""
    pieces = [t.straight(400), t.arc(60, 30), t.straight(40), t.arc(60, 30), t.straight(400)]
    course = built(pieces, noise=1.5, seed=seed)
    assert sum(corner.turn for corner in course.corners) == pytest.approx(np.radians(60.0), abs=0.3)

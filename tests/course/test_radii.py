"""What is made of a corner's radius: tightest, expected, assumed."""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from pacer.course import radii as r


def profile(deviations_of, best):
    """Standard deviations worse at the radii tried about the best."""
    return tuple(
        np.array([[deviations_of(best * math.exp(s)) for s in steps]]) for steps in (r.TIGHTER, r.WIDER)
    )


@pytest.mark.parametrize(
    ("turn_deg", "radius"), [(20, 97.2), (30, 42.5), (45, 18.2), (60, 9.7), (90, 6.0), (140, 6.0), (170, 3.0)]
)
def test_the_assumed_radius_follows_from_a_metre_and_a_half_of_lane(turn_deg, radius):
    """R (sec(turn/2) − 1) = 1.5 m; never below 6 m, on a turn about 3 m."""
    assert r.assumed_radius(np.radians(turn_deg)) == pytest.approx(radius, rel=0.01)
    assert r.assumed_radius(-np.radians(turn_deg)) == r.assumed_radius(np.radians(turn_deg))


def test_the_tightest_radius_is_where_the_fit_is_1_28_deviations_worse():
    """One-sided, nine times in ten, for deviations that grow in proportion to ln radius."""
    best, spread = 40.0, 0.2
    tighter, _ = profile(lambda radius: abs(math.log(radius / best)) / spread, best)
    expected = best * math.exp(norm.ppf(0.1) * spread)
    assert r.tightest_radius(np.array([best]), tighter)[0] == pytest.approx(expected, rel=0.01)


def test_points_that_refute_nothing_leave_no_tightest_radius():
    """0 m: whoever asks must take what riders can do."""
    flat = np.full((1, r.TIGHTER.size), 0.5)
    assert r.tightest_radius(np.array([40.0]), flat)[0] == 0.0


def test_hopeless_radii_are_refuted_at_once():
    """Radii that weren't even tried count as infinitely worse."""
    worse = np.full((1, r.TIGHTER.size), np.inf)
    found = r.tightest_radius(np.array([40.0]), worse)[0]
    assert 40.0 * math.exp(r.TIGHTER[0]) <= found <= 40.0


@pytest.mark.parametrize("turn_deg", [50.0, 90.0, 160.0])
@pytest.mark.parametrize("best", [10.0, 40.0])
@pytest.mark.parametrize("spread", [0.15, 0.4, 1.0])
def test_the_expected_radius_is_the_mean_of_what_is_left_open(turn_deg, best, spread):
    """Against adaptive quadrature of likelihood times prior, where the grid that is tried reaches."""
    turn = math.radians(turn_deg)
    usual = np.interp(turn_deg, [40.0, 80.0], [3.8, 3.4]) - math.log(turn)
    lane = math.log(float(r.assumed_radius(turn)))

    def density(x):
        likely = norm.pdf(x, math.log(best), spread) * norm.pdf(x, usual, 0.95)
        return likely * math.exp(-0.5 * (max(lane - x, 0.0) / 0.4) ** 2)

    low, high = math.log(best) + r.TIGHTER[-1], math.log(best) + r.WIDER[-1]
    ends = {"limit": 200, "points": [lane] if low < lane < high else None}
    mean = quad(lambda x: x * density(x), low, high, **ends)[0] / quad(density, low, high, **ends)[0]
    tighter, wider = profile(lambda radius: abs(math.log(radius / best)) / spread, best)
    found = r.expected_radius(np.array([best]), np.array([turn]), tighter, wider)[0]
    assert math.log(found) == pytest.approx(mean, abs=0.06)


def test_well_measured_corners_keep_their_radius():
    """Points that tell a radius to 3 % aren't overruled by what roads are like."""
    best = np.array([8.0, 150.0])
    turn = np.radians([170.0, 25.0])
    steps = [np.tile(np.abs(s) / 0.03, (2, 1)) for s in (r.TIGHTER, r.WIDER)]
    assert r.expected_radius(best, turn, *steps) == pytest.approx(best, rel=0.02)

"""Wind components and profile against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pacer.air.wind import profile_factor, wind_components

_COMPONENTS = [
    # heading, from, speed, head, cross
    (340, 310, 2.94, 2.5461, -1.4700),  # Martin et al. 1998, doi:10.1123/jab.14.3.276, worked example
    (0, 0, 5, 5, 0),
    (0, 180, 5, -5, 0),
    (90, 0, 5, 0, -5),
    (45, 270, 6, -4.2426, -4.2426),
]


@pytest.mark.parametrize(("heading", "wind_from", "speed", "head", "cross"), _COMPONENTS)
def test_components(heading: float, wind_from: float, speed: float, head: float, cross: float) -> None:
    """Headwind is positive against the rider, crosswind positive from the right."""
    found = wind_components(speed, math.radians(wind_from), math.radians(heading))
    assert float(found[0]) == pytest.approx(head, abs=1e-4)
    assert float(found[1]) == pytest.approx(cross, abs=1e-4)


@given(st.floats(0, 30), st.floats(0, 7), st.floats(0, 7), st.floats(-7, 7))
def test_components_turn_with_the_world(speed: float, wind_from: float, heading: float, turn: float) -> None:
    """Turning wind and road together changes nothing, and the components carry the whole speed."""
    one = wind_components(speed, wind_from, heading)
    two = wind_components(speed, wind_from + turn, heading + turn)
    np.testing.assert_allclose(one, two, atol=1e-12)
    assert math.hypot(*one) == pytest.approx(speed, abs=1e-9)


_PROFILE = [
    # roughness length, then the ratio at 1.0, 1.2, 1.5, 2.0 m
    (0.0002, 0.7872, 0.8040, 0.8247, 0.8513),
    (0.005, 0.6971, 0.7211, 0.7504, 0.7883),
    (0.03, 0.6036, 0.6350, 0.6734, 0.7229),
    (0.10, 0.5000, 0.5396, 0.5880, 0.6505),
    (0.25, 0.3758, 0.4252, 0.4857, 0.5637),
    (0.5, 0.2314, 0.2922, 0.3667, 0.4628),
]


@pytest.mark.parametrize("row", _PROFILE, ids=lambda row: f"z0={row[0]}")
def test_log_law(row: tuple[float, ...]) -> None:
    """The log law over each Davenport-Wieringa class, computed in a separate script."""
    for height, ratio in zip((1.0, 1.2, 1.5, 2.0), row[1:], strict=True):
        assert profile_factor(height, row[0]) == pytest.approx(ratio, abs=1e-4)


def test_log_law_exact_anchor() -> None:
    """With a roughness length of 0.1 m the wind at 1 m is half that at 10 m: ln 10 over ln 100."""
    assert profile_factor(1.0, 0.1) == pytest.approx(0.5, rel=1e-12)


def test_log_law_worked_example_upwards() -> None:
    """10 m/s at 10 m over z0 = 0.03 m is 13.58 m/s at 80 m (worked example of a wind-energy text)."""
    assert 10.0 * profile_factor(80.0, 0.03) == pytest.approx(13.58, abs=0.01)


@pytest.mark.parametrize("roughness", [0.0, -1.0, 1.2, 5.0, math.nan])
def test_log_law_refuses_what_has_no_logarithm(roughness: float) -> None:
    """A roughness length at or above the height, or none, is a programmer's error."""
    with pytest.raises(ValueError, match="profile_factor"):
        profile_factor(1.2, roughness)

"""The convex stand-ins for air drag: tangent where they should be, below where they must be."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from pacer.physics.forces import aerodynamic_force, aerodynamic_slope
from pacer.physics.simulate import Road
from pacer.planning.problem import DragShape, drag_shape, drag_shape_below
from pacer.units import FloatArray
from tests.roads import make_fatigue, make_machine, make_problem, make_road

WIND = st.floats(-14.0, 14.0)
SPEED = st.floats(1.0, 22.0)


def value(shape: DragShape, speed: FloatArray) -> FloatArray:
    """Drag over ½ρA of a shape."""
    return np.asarray(shape.square * speed**2 + shape.linear * speed + shape.constant)


def true_drag(road: Road, speed: FloatArray) -> FloatArray:
    """Drag over ½ρA of the equation of motion."""
    return aerodynamic_force(speed, road.headwind, road.crosswind, 2.0, 1.0)


@given(speed=SPEED, head=WIND, cross=WIND)
def test_the_shape_touches_the_drag(speed: float, head: float, cross: float) -> None:
    """Value and slope are the true ones at the speed given, and the shape is convex."""
    road = make_road(10.0, headwind=head, crosswind=cross)
    at = np.array([speed])
    shape = drag_shape(road, at)
    np.testing.assert_allclose(value(shape, at), true_drag(road, at), atol=1e-9)
    slope = 2.0 * shape.square * at + shape.linear
    np.testing.assert_allclose(slope, aerodynamic_slope(at, head, cross, 2.0, 1.0), atol=1e-6)
    assert shape.square[0] >= 0.0


@given(speed=SPEED, other=SPEED, head=WIND)
def test_the_shape_is_exact_without_crosswind(speed: float, other: float, head: float) -> None:
    """Where the air comes from ahead at both speeds, the shape is the drag itself."""
    if min(speed, other) + head <= 0.01:
        return
    road = make_road(10.0, headwind=head)
    at, there = np.array([speed]), np.array([other])
    np.testing.assert_allclose(
        value(drag_shape(road, at), there), true_drag(road, there), rtol=1e-9, atol=1e-9
    )


@given(speed=SPEED, low=st.floats(0.5, 0.99), high=st.floats(1.01, 1.6), head=WIND, cross=WIND)
def test_the_lower_shape_is_nowhere_above(
    speed: float, low: float, high: float, head: float, cross: float
) -> None:
    """Between the speeds given, on a fine grid, the lower shape never passes the true drag; and it is convex.

    It may by the sag between its own 41 test points, which is under 0.2 % of the drag at the upper speed
    or 0.02 m²/s².
    """
    road = make_road(10.0, headwind=head, crosswind=cross)
    bottom, top = np.array([low * speed]), np.array([high * speed + 1.0])
    shape = drag_shape_below(road, np.array([speed]), bottom, top)
    assert shape.square[0] >= 0.0
    grid = np.linspace(bottom[0], top[0], 1501)
    over = value(shape, grid) - true_drag(road, grid)
    assert over.max() <= 2e-3 * abs(float(true_drag(road, top)[0])) + 0.02


@given(speed=SPEED, head=st.floats(-2.0, 8.0), cross=st.floats(-5.0, 5.0))
def test_the_lower_shape_is_near_in_common_winds(speed: float, head: float, cross: float) -> None:
    """With the margins of the bound, the lower shape gives away little where the plan rides."""
    road = make_road(10.0, headwind=head, crosswind=cross)
    at = np.array([max(speed, 6.0)])
    shape = drag_shape_below(road, at, 0.75 * at, 1.35 * at + 1.0)
    given_away = true_drag(road, at) - value(shape, at)
    assert -1e-6 <= given_away[0] <= 0.02 * cross**2 + 1e-6


def test_limits_come_with_the_position() -> None:
    """A cell's cap binds at both its ends, with the road's own limits."""
    road = make_road(np.full(4, 20.0))
    cap = np.full((4, 2), np.inf)
    cap[:, 1] = [9.0, 8.0, 7.0, 6.0]
    limit = np.array([20.0, 5.0, 20.0, 20.0, 20.0])
    problem = make_problem(
        road,
        make_machine(),
        make_fatigue(250.0),
        drag_area=(0.36, 0.29),
        cap=cap,
        speed_limit=limit,
    )
    found = problem.limit_in(np.array([0, 1, 1, 0]))
    assert found.tolist() == [20.0, 5.0, 7.0, 7.0, 20.0]

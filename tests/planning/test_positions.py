"""The dynamic programme over positions against trying everything."""

from __future__ import annotations

from itertools import product

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pacer.planning.positions import BREAK_SECONDS, CHANGE_COST, Stays, choose_positions, position_costs
from pacer.planning.programme import Branches, solve
from pacer.units import FloatArray
from tests.planning.test_programme import rolling, settled_shape

Sequence = npt.NDArray[np.int64]
ENDLESS = float("inf")


def runs(position: Sequence) -> list[tuple[int, int]]:
    """First and one-past-last cell of each stay."""
    edges = np.concatenate(([0], np.flatnonzero(np.diff(position)) + 1, [position.size]))
    return list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))


def price(position: Sequence, cost: FloatArray, seconds: FloatArray, shortest: tuple[float, ...]) -> float:
    """Seconds of a sequence, infinite where a stay is too short or a cell refused."""
    stays = runs(position)
    for first, last in stays:
        if seconds[first:last].sum() < shortest[position[first]] - 1e-9:
            return ENDLESS
    return float(cost[np.arange(position.size), position].sum()) + CHANGE_COST * (len(stays) - 1)


def cheapest(cost: FloatArray, seconds: FloatArray, shortest: tuple[float, ...]) -> float:
    """Try every sequence."""
    n, p = cost.shape
    return min(price(np.array(s), cost, seconds, shortest) for s in product(range(p), repeat=n))


@st.composite
def cases(draw: st.DrawFn, most: int = 9) -> tuple[FloatArray, FloatArray, tuple[float, ...]]:
    """Small random costs with refusals, times, shortest stays; position 0 is allowed anywhere."""
    n, p = draw(st.integers(1, most)), draw(st.integers(1, 3))
    if p == 3:
        n = min(n, 7)
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    cost = rng.normal(0.0, 1.0, (n, p))
    refused = rng.random((n, p)) < 0.25
    refused[:, 0] = False
    stays = tuple([0.0] + [float(rng.choice([0.0, 8.0, 20.0])) for _ in range(p - 1)])
    return np.where(refused, ENDLESS, cost), rng.uniform(1.0, 10.0, n), stays


@settings(max_examples=150)
@given(case=cases())
def test_the_sequence_is_the_cheapest_of_all(case: tuple[FloatArray, FloatArray, tuple[float, ...]]) -> None:
    """No sequence that keeps the shortest stays and the refusals costs less than the one chosen."""
    cost, seconds, shortest = case
    chosen = choose_positions(cost, seconds, Stays(shortest, (ENDLESS,) * cost.shape[1]))
    found = price(chosen, cost, seconds, shortest)
    assert np.isfinite(found)
    assert found == pytest.approx(cheapest(cost, seconds, shortest), abs=1e-9)


@settings(max_examples=100)
@given(seed=st.integers(0, 10_000), longest=st.floats(60.0, 600.0), cells=st.integers(1, 150))
def test_no_stay_is_longer_than_comfortable(seed: int, longest: float, cells: int) -> None:
    """Stays are cut by breaks of at least 12 s so that none is longer than is comfortable."""
    rng = np.random.default_rng(seed)
    seconds = rng.uniform(1.0, 8.0, cells)
    cost = np.column_stack((np.zeros(cells), -rng.uniform(0.01, 0.5, cells)))
    chosen = choose_positions(cost, seconds, Stays((0.0, 20.0), (ENDLESS, longest)))
    stays = runs(chosen)
    for first, last in stays:
        length = seconds[first:last].sum()
        if chosen[first] == 1:
            assert length <= longest + 1e-6
        elif first > 0 and last < cells:
            assert length >= BREAK_SECONDS - 1e-6


@settings(max_examples=60)
@given(seed=st.integers(0, 10_000))
def test_breaks_are_taken_where_they_cost_least(seed: int) -> None:
    """The one break of a stay that needs one is the cheapest of all that leave no piece too long."""
    rng = np.random.default_rng(seed)
    cells, longest = 40, 130.0
    seconds = np.full(cells, 5.0)
    gain = rng.uniform(0.5, 3.0, cells)
    chosen = choose_positions(
        np.column_stack((gain, np.zeros(cells))), seconds, Stays((0.0, 0.0), (ENDLESS, longest))
    )
    lost = float(gain[chosen == 0].sum())
    width = int(np.ceil(BREAK_SECONDS / 5.0))
    most = int(longest / 5.0)
    single = [
        float(gain[k : k + width].sum())
        for k in range(1, cells - width + 1)
        if k <= most and cells - k - width <= most
    ]
    assert lost <= min(single) + 1e-9


def test_costs_bar_what_cannot_be_ridden() -> None:
    """A position is infinitely dear where refused, over its cap, or where the brakes are needed."""
    problem = rolling(1)
    optimum = solve(problem, Branches.fixed(np.zeros(80, dtype=np.int64)), settled_shape(problem))
    cost = position_costs(problem, optimum)
    fast = np.maximum(optimum.speed[:-1], optimum.speed[1:])
    barred = ~problem.allowed[:, 1] | (fast > problem.cap[:, 1] + 1e-3) | (optimum.brake > 1.0)
    assert barred.any()
    assert not barred.all()
    np.testing.assert_array_equal(np.isinf(cost[:, 1]), barred)
    assert np.all(np.isfinite(cost[:, 0]))


@pytest.mark.parametrize("seed", range(4))
def test_prices_foretell_what_a_tuck_saves(seed: int) -> None:
    """The difference of two positions' prices over cells is what changing there saves, to first order."""
    problem = rolling(seed)
    shape = settled_shape(problem)
    upright = np.zeros(80, dtype=np.int64)
    # Nearly the same drag, so that first order is good, and the factor the same.
    nearly = type(problem)(
        **{name: getattr(problem, name) for name in problem.__slots__}
        | {"drag_area": np.array([0.36, 0.355]), "power_factor": np.array([1.0, 0.999])}
    )
    optimum = solve(nearly, Branches.fixed(upright), shape, accuracy=1e-10)
    cost = position_costs(nearly, optimum)
    open_cells = np.flatnonzero(np.isfinite(cost[:, 1]))
    for block in np.array_split(open_cells[open_cells > 5], 4):
        assert block.size >= 5
        tucked = upright.copy()
        tucked[block] = 1
        saved = optimum.time - solve(nearly, Branches.fixed(tucked), shape, accuracy=1e-10).time
        assert saved == pytest.approx(float((cost[block, 0] - cost[block, 1]).sum()), rel=0.05, abs=1e-4)

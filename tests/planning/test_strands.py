"""Rides kept apart by position: their arcs, and the bound that they tighten and never break."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pacer.planning.optimum import Branches
from pacer.planning.positions import Stays, choose_positions
from pacer.planning.problem import Problem
from pacer.planning.programme import solve
from pacer.planning.strands import Strands
from pacer.units import FloatArray
from tests.planning.test_programme import SEEDS, rolling, settled_shape

STAY = 15.0
SLOW = 2.0
"""Speed by which stays are reckoned, here and in the rows that keep them [m/s]."""


def open_branches(*positions: str) -> Branches:
    """Branches from strings such as "01": the positions open in each cell."""
    allowed = np.array([[str(p) in cell for p in range(2)] for cell in positions])
    return Branches.open(allowed)


def test_a_node_joins_every_strand_before_with_every_strand_after() -> None:
    """Two split cells have four arcs between them; a whole cell has one for each strand beside it."""
    strands = Strands.of(open_branches("0", "01", "01", "01"), np.array([False, True, True, False]))
    np.testing.assert_array_equal(strands.cell, [0, 1, 1, 2, 2, 3])
    np.testing.assert_array_equal(strands.whole, [True, False, False, False, False, True])
    np.testing.assert_array_equal(strands.alone, [True, True, True, True, True, False, False])
    np.testing.assert_array_equal(strands.node, [0, 1, 1, 2, 2, 2, 2, 3, 3, 4])
    np.testing.assert_array_equal(strands.before, [-1, 0, 0, 1, 1, 2, 2, 3, 4, 5])
    np.testing.assert_array_equal(strands.after, [0, 1, 2, 3, 4, 3, 4, 5, 5, -1])
    np.testing.assert_array_equal(strands.fork, [False, *[True] * 8, False])


def test_what_is_not_split_is_one_strand_a_cell() -> None:
    """Without splitting there is one arc a node, whatever is open."""
    strands = Strands.of(open_branches("01", "0", "01"), np.zeros(3, dtype=bool))
    np.testing.assert_array_equal(strands.node, np.arange(4))
    assert strands.whole.all()
    assert not strands.fork.any()


def test_a_position_entered_too_late_has_no_arc() -> None:
    """With 12 s to be held and 5 s a cell, the tuck is entered three cells before its end or not at all."""
    branches = open_branches("0", "01", "01", "01", "01", "0")
    strands = Strands.of(branches, np.ones(6, dtype=bool)).keeping(branches, (0.0, 12.0), np.full(6, 5.0))
    tuck = np.flatnonzero(np.isin(strands.after, strands.of_branch[branches.position == 1]))
    upright = np.isin(strands.before, strands.of_branch[branches.position == 0])
    entries = [arc for arc in tuck if upright[arc]]
    np.testing.assert_array_equal(strands.node[entries], [1, 2])
    held = {
        int(branches.cell[b]): set(strands.node[strands.stay[[k]].indices])
        for k, b in enumerate(strands.held)
    }
    assert held == {1: {1}, 2: {1, 2}, 3: {1, 2}, 4: {2}}


def kept(problem: Problem, split: npt.NDArray[np.bool_], stay: float) -> tuple[Branches, Strands, FloatArray]:
    """All allowed positions, apart in the split cells, the tuck held for a stay."""
    longest = problem.road.length / SLOW
    branches = Branches.open(problem.allowed)
    return branches, Strands.of(branches, split).keeping(branches, (0.0, stay), longest), longest


@settings(max_examples=25)
@given(seed=SEEDS, choice=st.integers(0, 2**32 - 1), share=st.floats(0.0, 1.0))
def test_the_bound_with_strands_is_below_every_choice_that_holds_its_stays(
    seed: int, choice: int, share: float
) -> None:
    """Whatever cells are split, no sequence of positions with its stays is faster than the bound."""
    problem = rolling(seed)
    shape = settled_shape(problem)
    rng = np.random.default_rng(choice)
    branches, strands, longest = kept(problem, rng.random(80) < share, STAY)
    hull = solve(problem, branches, shape, strands=strands)
    assert hull.status == "solved"
    np.testing.assert_allclose(hull.share.sum(axis=1), 1.0, atol=1e-6)
    price = np.where(problem.allowed, rng.normal(size=(80, 2)), np.inf)
    position = choose_positions(price, longest, Stays((0.0, STAY), (np.inf, np.inf)))
    fixed = solve(problem, Branches.fixed(position), shape)
    if fixed.solved:  # seldom not: where only the brakes could meet a limit
        assert hull.bound <= fixed.time * (1.0 + 1e-6)


@settings(max_examples=25)
@given(seed=SEEDS)
def test_splitting_and_stays_only_raise_the_bound(seed: int) -> None:
    """Each makes the relaxation tighter: one strand a cell ≤ all split ≤ all split with stays."""
    problem = rolling(seed)
    shape = settled_shape(problem)
    every = np.ones(80, dtype=bool)
    bounds = []
    for split, stay in ((~every, 0.0), (every, 0.0), (every, STAY)):
        branches, strands, _ = kept(problem, split, stay)
        found = solve(problem, branches, shape, strands=strands)
        assert found.status == "solved"
        bounds.append(found.bound)
    assert bounds[0] <= bounds[1] * (1.0 + 1e-6)
    assert bounds[1] <= bounds[2] * (1.0 + 1e-6)
    assert bounds[2] == pytest.approx(bounds[0], rel=0.02)


@pytest.mark.parametrize("seed", range(4))
def test_splitting_with_one_position_open_changes_nothing(seed: int) -> None:
    """A cell with one branch has one strand either way, to the last digit."""
    problem = rolling(seed)
    shape = settled_shape(problem)
    branches = Branches.fixed(np.zeros(80, dtype=np.int64))
    split = Strands.of(branches, np.ones(80, dtype=bool))
    assert solve(problem, branches, shape, strands=split).time == solve(problem, branches, shape).time

"""Cutting by change: exact against brute force, and its limits."""

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pacer.course.segment import cut_by_change


def cost_of(sizes, features, cuts, penalty):
    """Cost of a cut as the docstring defines it, term by term."""
    total = 0.0
    for low, high in pairwise(cuts):
        weight, values = sizes[low:high], features[low:high]
        mean = np.average(values, axis=0, weights=weight)
        total += penalty + float(np.sum(weight[:, None] * (values - mean) ** 2))
    return total


def brute_force(sizes, features, penalty, shortest, longest, forced):
    """Least cost over every cut that keeps the bounds, or None where there is none."""
    n = len(sizes)
    inner = [i for i in range(1, n)]
    best = None
    for count in range(n):
        for chosen in combinations(inner, count):
            if any(forced[i] and i not in chosen for i in inner):
                continue
            cuts = [0, *chosen, n]
            totals = [float(np.sum(sizes[a:b])) for a, b in pairwise(cuts)]
            singles = [b - a == 1 for a, b in pairwise(cuts)]
            if any(t < shortest for t in totals):
                continue
            if any(t > longest and not one for t, one in zip(totals, singles, strict=True)):
                continue
            cost = cost_of(sizes, features, cuts, penalty)
            best = cost if best is None else min(best, cost)
    return best


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_no_cut_is_cheaper(data):
    """On small cases no cut within the bounds costs less than the one returned."""
    n = data.draw(st.integers(2, 8))
    sizes = np.array(data.draw(st.lists(st.integers(1, 5), min_size=n, max_size=n)), dtype=float)
    features = np.array(data.draw(st.lists(st.integers(-3, 3), min_size=2 * n, max_size=2 * n)), dtype=float)
    features = features.reshape(n, 2)
    forced = np.array(data.draw(st.lists(st.booleans(), min_size=n + 1, max_size=n + 1))) & (
        np.arange(n + 1) % 3 == 0
    )
    penalty = data.draw(st.sampled_from([0.0, 0.5, 3.0, 20.0]))
    shortest = data.draw(st.sampled_from([0.0, 2.0, 4.0]))
    longest = data.draw(st.sampled_from([5.0, 9.0, 100.0]))
    cuts = cut_by_change(sizes, features, penalty=penalty, shortest=shortest, longest=longest, forced=forced)
    assert cuts[0] == 0
    assert cuts[-1] == n
    assert np.all(np.diff(cuts) > 0)
    assert set(np.flatnonzero(forced)) <= set(cuts) | {0, n}
    expected = brute_force(sizes, features, penalty, shortest, longest, forced)
    if expected is not None:
        assert cost_of(sizes, features, cuts, penalty) == pytest.approx(expected, abs=1e-9)


def test_steps_are_cut_where_they_are():
    """Three levels are cut into three pieces at their edges."""
    features = np.repeat([0.0, 4.0, -2.0], [30, 20, 50])[:, None]
    cuts = cut_by_change(
        np.full(100, 2.0), features, penalty=5.0, shortest=10.0, longest=500.0, forced=np.zeros(101, bool)
    )
    assert cuts.tolist() == [0, 30, 50, 100]


def test_a_forced_short_piece_stays_short():
    """A forced piece shorter than the shortest is kept, and the others keep the bound."""
    forced = np.zeros(41, bool)
    forced[[17, 18]] = True
    cuts = cut_by_change(
        np.ones(40), np.zeros((40, 1)), penalty=1.0, shortest=5.0, longest=100.0, forced=forced
    )
    assert cuts.tolist() == [0, 17, 18, 40]


def test_a_cell_longer_than_the_longest_is_a_piece():
    """A single cell that exceeds the longest piece stands alone."""
    cuts = cut_by_change(
        np.array([1.0, 9.0, 1.0]),
        np.zeros((3, 1)),
        penalty=1.0,
        shortest=0.0,
        longest=5.0,
        forced=np.zeros(4, bool),
    )
    assert cuts.tolist() == [0, 1, 2, 3]


def test_large_offsets_lose_no_precision():
    """A constant added to a feature doesn't move the cuts."""
    rng = np.random.default_rng(3)
    features = np.repeat(rng.normal(size=20), 10)[:, None] + 0.1 * rng.normal(size=(200, 1))
    options = {"penalty": 0.5, "shortest": 3.0, "longest": 60.0, "forced": np.zeros(201, bool)}
    assert np.array_equal(
        cut_by_change(np.ones(200), features, **options),
        cut_by_change(np.ones(200), features + 1e6, **options),
    )


@pytest.mark.parametrize(
    "change",
    [
        {"sizes": np.array([1.0, 0.0, 1.0])},
        {"features": np.zeros((2, 1))},
        {"features": np.full((3, 1), np.nan)},
        {"forced": np.zeros(3, bool)},
        {"shortest": 9.0},
        {"penalty": -1.0},
    ],
)
def test_misuse_is_a_value_error(change):
    """Arguments that contradict each other are refused."""
    arguments = {
        "sizes": np.ones(3),
        "features": np.zeros((3, 1)),
        "penalty": 1.0,
        "shortest": 1.0,
        "longest": 5.0,
        "forced": np.zeros(4, bool),
    } | change
    with pytest.raises(ValueError, match=r".+"):
        cut_by_change(**arguments)

"""The algebra in which the programme's constraints are written."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import sparse

from pacer.planning.affine import Affine, Layout, rows

SEEDS = st.integers(0, 10_000)


def expressions(seed: int, count: int = 4) -> tuple[np.random.Generator, list[Affine], np.ndarray]:
    """Random expressions of one layout, with the variables' values."""
    rng = np.random.default_rng(seed)
    layout = Layout()
    for name in ("a", "b"):
        layout.reserve(name, count)
    x = rng.normal(size=layout.size)
    return rng, [layout.variable("a"), layout.variable("b")], x


def test_variables_are_handed_out_in_order() -> None:
    """Each block is its own part of the vector; the size is the sum."""
    layout = Layout()
    for name, count in (("a", 2), ("none", 0), ("b", 3)):
        layout.reserve(name, count)
    x = np.arange(5.0)
    assert layout.size == 5
    assert layout.variable("a").value(x).tolist() == [0.0, 1.0]
    assert layout.variable("b").value(x).tolist() == [2.0, 3.0, 4.0]
    assert len(layout.variable("none")) == 0


@given(seed=SEEDS)
def test_expressions_are_worth_what_they_say(seed: int) -> None:
    """Sums, differences, products and negatives evaluate as the same arithmetic on the values."""
    rng, (a, b), x = expressions(seed)
    va, vb = a.value(x), b.value(x)
    vector, scalar = rng.normal(size=4), float(rng.normal())
    for found, expected in (
        (a + b, va + vb),
        (a - b, va - vb),
        (a + vector, va + vector),
        (a - scalar, va - scalar),
        (scalar - a, scalar - va),
        (vector - a, vector - va),
        (-a, -va),
        (a * scalar, va * scalar),
        (scalar * a, va * scalar),
        (a * vector, va * vector),
        (vector * a, va * vector),
        ((a * vector + b * 2.0 - 1.0) * -3.0, (va * vector + vb * 2.0 - 1.0) * -3.0),
    ):
        np.testing.assert_allclose(found.value(x), expected, atol=1e-12)


@given(seed=SEEDS)
def test_rows_can_be_picked_mapped_and_interleaved(seed: int) -> None:
    """Index arrays, masks, matrices and `rows` act on the values as numpy does."""
    rng, (a, b), x = expressions(seed)
    a = a * 2.0 + 1.0
    va, vb = a.value(x), b.value(x)
    mask = rng.random(4) < 0.5
    np.testing.assert_allclose(a.at(mask).value(x), va[mask])
    np.testing.assert_allclose(a.at([3, 0, 0]).value(x), va[[3, 0, 0]])
    matrix = rng.normal(size=(3, 4))
    np.testing.assert_allclose(a.mapped(sparse.csr_array(matrix)).value(x), matrix @ va, atol=1e-12)
    np.testing.assert_allclose(rows(a, b).value(x), np.column_stack((va, vb)).ravel())
    assert len(rows(a, b, a)) == 12


def test_an_unknown_block_is_a_mistake() -> None:
    """A name that was never reserved raises at once."""
    with pytest.raises(KeyError):
        Layout().variable("a")

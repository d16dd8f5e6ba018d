"""Affine expressions of the programme's variables, so that each constraint is written once, as it reads.

An expression is a sparse matrix and a constant column: `A x + c`. A `Layout` hands out the variables.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, TypeAlias

import numpy as np
import numpy.typing as npt
from scipy import sparse

from pacer.units import FloatArray

__all__ = ["Affine", "Layout", "rows"]

Scalars: TypeAlias = float | FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Affine:
    """`matrix @ x + constant`, with shape (m, number of variables) and (m,)."""

    __array_ufunc__: ClassVar[None] = None  # so that numpy leaves `array - expression` to `__rsub__`

    matrix: sparse.csr_array
    constant: FloatArray

    def __len__(self) -> int:
        return int(self.constant.size)

    def __add__(self, other: Affine | Scalars) -> Affine:
        if isinstance(other, Affine):
            return Affine(self.matrix + other.matrix, self.constant + other.constant)
        return Affine(self.matrix, self.constant + other)

    def __sub__(self, other: Affine | Scalars) -> Affine:
        return self + other * -1.0

    def __mul__(self, factor: Scalars) -> Affine:
        if np.ndim(factor) == 0:
            return Affine(self.matrix * float(factor), self.constant * factor)
        return Affine(
            sparse.csr_array(sparse.diags_array(np.asarray(factor)) @ self.matrix), self.constant * factor
        )

    __rmul__ = __mul__

    def __rsub__(self, other: Scalars) -> Affine:
        return self * -1.0 + other

    def __neg__(self) -> Affine:
        return self * -1.0

    def at(self, index: npt.ArrayLike) -> Affine:
        """Rows picked by an index array or a boolean mask."""
        pick = np.asarray(index)
        return Affine(self.matrix[pick], self.constant[pick])

    def mapped(self, matrix: sparse.csr_array) -> Affine:
        """`matrix` applied from the left."""
        return Affine(sparse.csr_array(matrix @ self.matrix), matrix @ self.constant)

    def value(self, x: FloatArray) -> FloatArray:
        """The expression at a point."""
        return np.asarray(self.matrix @ x + self.constant)


@dataclass(slots=True)
class Layout:
    """Counts the variables; made before any expression, since every expression knows their number."""

    size: int = 0
    _blocks: dict[str, tuple[int, int]] = field(default_factory=dict)

    def reserve(self, name: str, count: int) -> None:
        """Reserve `count` variables under a name."""
        self._blocks[name] = (self.size, count)
        self.size += count

    def variable(self, name: str) -> Affine:
        """All variables of a block, shape (count,)."""
        start, count = self._blocks[name]
        ones, row = np.ones(count), np.arange(count)
        matrix = sparse.csr_array((ones, (row, row + start)), shape=(count, self.size))
        return Affine(matrix, np.zeros(count))


def rows(*expressions: Affine) -> Affine:
    """Interleave expressions of equal length row by row: e1[0], e2[0], …, e1[1], e2[1] and so on."""
    count, length = len(expressions), len(expressions[0])
    stacked = sparse.csr_array(sparse.vstack([e.matrix for e in expressions], format="csr"))
    order = np.arange(count * length).reshape(count, length).T.ravel()
    constant = np.concatenate([e.constant for e in expressions])
    return Affine(stacked[order], constant[order])

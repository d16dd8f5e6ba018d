"""How rides run through the cells of the programme: in one strand, or in one for each position.

A strand is what shares one equation of motion in a cell: all the cell's branches together, or one of them
alone where the cell is split. At a node, an arc joins each strand before it with each strand after it and
carries its own share of E and y. Rides in different positions then can't lend each other speed or force,
which brings the relaxation nearer to what somebody can ride [1]; and a change of position is an arc, so that
shortest stays can be said.

References
----------
[1] Balas E (1985). Disjunctive programming and a hierarchy of relaxations for discrete optimization
    problems. SIAM J. Algebraic Discrete Methods 6:466-486. doi:10.1137/0606047
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import sparse

from pacer.planning.optimum import Branches
from pacer.units import FloatArray

__all__ = ["Strands"]

TIME_SLACK: Final = 1e-6
"""Seconds by which a stay may be short of the shortest and still count as held."""

Indices = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Strands:
    """n cells, m branches, s strands, a arcs.

    Attributes
    ----------
    of_branch : int array, shape (m,)
        Strand of each branch.
    cell : int array, shape (s,)
        In which each strand lies, ascending.
    alone : bool array, shape (m,)
        Whether a branch has its strand to itself.
    whole : bool array, shape (s,)
        Whether a strand is its cell's only one.
    node, before, after : int array, shape (a,)
        Of each arc, sorted by node: where it is, and the strands that it joins, -1 at start and finish.
    fork : bool array, shape (a,)
        Whether its node has other arcs.
    stay : sparse array, shape (k, a)
        Sums of arcs on which rides enter a position that they can't have left again before the cell of the
        branch `held`, shape (k,).
    """

    of_branch: Indices
    cell: Indices
    alone: Mask
    whole: Mask
    node: Indices
    before: Indices
    after: Indices
    fork: Mask
    stay: sparse.csr_array
    held: Indices

    @classmethod
    def of(cls, branches: Branches, split: Mask) -> Strands:
        """Strands of given branches, one a branch in the cells to be split, shape (n,); nothing of stays."""
        n, cell = split.size, branches.cell
        first = np.concatenate(([True], cell[1:] != cell[:-1]))
        of_branch = np.cumsum(first | split[cell]) - 1
        strand_cell = cell[np.concatenate(([True], of_branch[1:] != of_branch[:-1]))]
        members = np.bincount(of_branch)
        per_cell = np.bincount(strand_cell, minlength=n)
        start = np.concatenate(([0], np.cumsum(per_cell)))
        # Nodes 0 and n have one "strand" outside the course, numbered -1.
        left, right = np.concatenate(([1], per_cell)), np.concatenate((per_cell, [1]))
        arcs = left * right
        node = np.repeat(np.arange(n + 1), arcs)
        within = np.arange(node.size) - np.repeat(np.cumsum(arcs) - arcs, arcs)
        return cls(
            of_branch=of_branch,
            cell=strand_cell,
            alone=members[of_branch] == 1,
            whole=per_cell[strand_cell] == 1,
            node=node,
            before=np.where(node > 0, start[node - 1] + within // right[node], -1),
            after=np.where(node < n, start[np.minimum(node, n - 1)] + within % right[node], -1),
            fork=arcs[node] > 1,
            stay=sparse.csr_array((0, node.size)),
            held=np.zeros(0, dtype=np.int64),
        )

    def keeping(self, branches: Branches, shortest: tuple[float, ...], longest: FloatArray) -> Strands:
        """The same with positions held for their shortest stays.

        An arc on which a position is entered too late for it to be held long enough is taken out; the
        others ask for the position in every cell that the rider surely reaches before the stay is over.

        Parameters
        ----------
        shortest : tuple of float, length p
            Shortest stay in each position [s].
        longest : FloatArray, shape (n,)
            Longest time that any ride looked for spends in each cell [s].
        """
        time = np.concatenate(([0.0], np.cumsum(longest)))
        late: list[int] = []
        pairs: list[tuple[int, int]] = []
        for position, stay in enumerate(shortest):
            branch = np.full(time.size, -1)
            branch[branches.cell[branches.position == position]] = np.flatnonzero(
                branches.position == position
            )
            for arc in self._entries(branches, position) if stay > 0.0 else ():
                first = int(self.node[arc])
                held = branch[first : np.searchsorted(time, time[first] + stay - TIME_SLACK)]
                if np.all(held >= 0):
                    pairs.extend((int(b), int(arc)) for b in held)
                else:
                    late.append(int(arc))
        return self._with(np.setdiff1d(np.arange(self.node.size), late), np.array(pairs, int).reshape(-1, 2))

    def _entries(self, branches: Branches, position: int) -> Indices:
        """Arcs from a strand without a position to one in it alone."""
        has, only = np.zeros((2, self.cell.size + 1), dtype=bool)  # the last one is outside the course
        inside = branches.position == position
        has[self.of_branch[inside]] = True
        only[self.of_branch[inside & self.alone]] = True
        return np.flatnonzero((self.before >= 0) & ~has[self.before] & only[self.after])

    def _with(self, kept: Indices, pairs: Indices) -> Strands:
        """Only some arcs, and rows that sum arcs for a branch from pairs of the two."""
        node = self.node[kept]
        held, row = np.unique(pairs[:, 0], return_inverse=True)
        shape = (held.size, kept.size)
        column = np.searchsorted(kept, pairs[:, 1])
        return replace(
            self,
            node=node,
            before=self.before[kept],
            after=self.after[kept],
            fork=np.bincount(node)[node] > 1,
            stay=sparse.csr_array((np.ones(row.size), (row, column)), shape=shape),
            held=held,
        )

    def sum_branches(self) -> sparse.csr_array:
        """From branches to strands, shape (s, m)."""
        return _sums(self.of_branch, self.cell.size)

    def sum_strands(self, n: int) -> sparse.csr_array:
        """From strands to cells, shape (n, s)."""
        return _sums(self.cell, n)

    def sum_arcs(self, n: int) -> sparse.csr_array:
        """From arcs to nodes, shape (n + 1, a)."""
        return _sums(self.node, n + 1)

    def entering(self) -> sparse.csr_array:
        """From arcs to the strands that they lead into, shape (s, a)."""
        return _sums(self.after, self.cell.size)

    def leaving(self) -> sparse.csr_array:
        """From arcs to the strands that they come out of, shape (s, a)."""
        return _sums(self.before, self.cell.size)


def _sums(group: Indices, count: int) -> sparse.csr_array:
    """Matrix that sums entries by group; -1 belongs to none."""
    member = np.flatnonzero(group >= 0)
    return sparse.csr_array((np.ones(member.size), (group[member], member)), shape=(count, group.size))

"""The rows of the convex programme: the fastest ride over the cells within budget and limits.

Variables are chosen so that everything is linear or a second-order cone. At the nodes (cell ends) E = v² and
y ≤ √E. In each cell, for each position open to it ("branch"): a share θ of the cell, its share of mean E and
of mean y, the slowness τ (seconds a metre), the body force F = Q τ, and a = F²/τ, q = F⁴/τ³::

    minimise    Σ d τ
    motion      M (E₁ - E₀) / (2 d) + Σ k (square Ē + linear ȳ + constant θ)
                  + rolling + climb + bearing + B = Σ η f F
    slowness    θ² ≤ τ ȳ
    speed       ȳ² ≤ Ē θ,  y² ≤ E
    endurance   Σ d (q / budgetⁿ - τ) ≤ 0   with F² ≤ a τ, a² ≤ q τ       (n = 4)
    W'          W₁ ≤ W₀ + d (CP τ - F), and recovery as in `recovery.py`

With one branch a cell θ is 1 and this is the programme for given positions. With several it is a convex
relaxation over positions, each cell's choices in perspective form [1], whose dual value bounds every choice
of power and position at once. The relaxation is tight where y = √E and τ ȳ = θ².

References
----------
[1] Günlük O, Linderoth J (2010). Perspective reformulations of mixed integer nonlinear programs with
    indicator variables. Math. Program. 124:183-205. doi:10.1007/s10107-010-0360-z
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import sparse

from pacer.physics.forces import BEARING_CONSTANT, BEARING_SLOPE, gravity_force, rolling_force
from pacer.planning.affine import Affine, Layout, rows
from pacer.planning.optimum import Branches, Held, SpeedRange
from pacer.planning.problem import DragShape, Problem
from pacer.planning.recovery import Recovery
from pacer.planning.strands import Strands
from pacer.units import FloatArray

__all__ = ["CELL_SCALE", "SPEED_SCALE", "Formulation"]

SPEED_SCALE = 10.0
"""Metres a second; with the budget it scales every variable to about 1."""

CREEP = 0.3
"""Slowest mean speed of any cell, the first ones too [m/s]: nobody waits for the fatigue to pass."""

CELL_SCALE = 30.0
"""Metres; motion rows are balances of work over the cell, so that short cells don't stiffen them."""


class Formulation:
    """The programme's expressions and its rows: zero cone, non-negative cone, second-order cones."""

    def __init__(
        self,
        problem: Problem,
        branches: Branches,
        shape: DragShape,
        held: Held | None,
        strands: Strands,
        *,
        with_w_prime: bool,
    ) -> None:
        self.problem, self.branches, self.shape, self.held = problem, branches, shape, held
        self.strands, self.with_w_prime = strands, with_w_prime
        n, m = len(problem.road), branches.cell.size
        self.n, self.m = n, m
        per_cell = np.bincount(branches.cell, minlength=n)
        self.several = per_cell[branches.cell] > 1
        self.shared = self.several & ~strands.alone
        self.force_scale = problem.fatigue.budget / SPEED_SCALE
        self.sum_cells = sparse.csr_array((np.ones(m), (branches.cell, np.arange(m))), shape=(n, m))
        self.sum_branches, self.sum_strands = strands.sum_branches(), strands.sum_strands(n)
        self.entering, self.leaving = strands.entering(), strands.leaving()
        self._variables()
        self._means()

    def _variables(self) -> None:
        n, m, strands = self.n, self.m, self.strands
        exponent = self.problem.fatigue.exponent
        layout = Layout()
        for name, size in (("E", strands.node.size), ("y", strands.node.size), ("tau", m), ("F", m)):
            layout.reserve(name, size)
        layout.reserve("B", strands.cell.size)
        layout.reserve("lambda", int(strands.fork.sum()))
        layout.reserve("theta", int(self.several.sum()))
        for name in ("e", "u"):
            layout.reserve(name, int(self.shared.sum()))
        layout.reserve("a", m if exponent >= 2 else 0)
        layout.reserve("q", m if exponent == 4 else 0)
        layout.reserve("W", n + 1 if self.with_w_prime else 0)
        layout.reserve("P", self.held.power.size if self.held else 0)
        self.layout = layout
        self.E, self.y = layout.variable("E"), layout.variable("y")
        self.tau, self.F, self.B = (layout.variable(k) for k in ("tau", "F", "B"))
        self.a, self.q = layout.variable("a"), layout.variable("q")
        self.arc_share = _spread(layout.variable("lambda"), strands.fork) + (~strands.fork).astype(float)
        self.theta = _spread(layout.variable("theta"), self.several) + (~self.several).astype(float)

    def _means(self) -> None:
        """What follows from the variables: shares of strands, their change of E, means of E and y."""
        strands = self.strands
        parts = (~strands.whole).astype(float)
        self.strand_share = self.theta.mapped(self.sum_branches) * parts + strands.whole.astype(float)
        before, after = self.E.mapped(self.entering), self.E.mapped(self.leaving)
        self.E_change, self.E_mean = after - before, (before + after) * 0.5
        self.y_mean = (self.y.mapped(self.entering) + self.y.mapped(self.leaving)) * 0.5
        own, of = (~self.shared).astype(float), strands.of_branch
        self.e = _spread(self.layout.variable("e"), self.shared) + self.E_mean.at(of) * own
        self.u = _spread(self.layout.variable("u"), self.shared) + self.y_mean.at(of) * own

    def _motion(self) -> Affine:
        problem, road, branches = self.problem, self.problem.road, self.branches
        machine, newton = problem.machine, self.force_scale
        cell, position, strand_cell = branches.cell, branches.position, self.strands.cell
        drag = 0.5 * road.density[cell] * problem.drag_area[position] / newton
        square, linear = self.shape.square[cell], self.shape.linear[cell]
        air = (
            self.e * (drag * square * SPEED_SCALE**2)
            + self.u * (drag * linear * SPEED_SCALE)
            + self.theta * (drag * self.shape.constant[cell])
        )
        drive = self.F * (machine.drivetrain_efficiency * problem.power_factor[position])
        steady = rolling_force(machine.mass, road.crr, road.grade) + gravity_force(machine.mass, road.grade)
        inertia = machine.inertial_mass * SPEED_SCALE**2 / (2.0 * road.length * newton)
        balance = (
            self.E_change * inertia[strand_cell]
            + (air - drive).mapped(self.sum_branches)
            + self.y_mean * (BEARING_SLOPE * SPEED_SCALE / newton)
            + self.B
            + self.strand_share * ((steady + BEARING_CONSTANT)[strand_cell] / newton)
        )
        return balance * (road.length / CELL_SCALE)[strand_cell]

    def equalities(self) -> list[Affine]:
        """Rows that must be zero."""
        start, strands = self.problem.start_speed / SPEED_SCALE, self.strands
        first = strands.node == 0
        found = [
            self._motion(),
            (self.E - self.arc_share * start**2).at(first),
            (self.y - self.arc_share * start).at(first),
        ]
        if self.several.any():
            cells = np.unique(self.branches.cell[self.several])
            found.append((self.theta * self.several.astype(float)).mapped(self.sum_cells).at(cells) - 1.0)
            mixed = np.unique(strands.of_branch[self.shared])
            for part, whole in ((self.e, self.E_mean), (self.u, self.y_mean)):
                total = (part * self.shared.astype(float)).mapped(self.sum_branches)
                found.append((total - whole).at(mixed))
            sides = (self.entering, self.leaving)
            found.extend((self.arc_share.mapped(s) - self.strand_share).at(~strands.whole) for s in sides)
        if self.held is not None:
            found.append(self._held_force(self.held).at(self.held.acts))
        return found

    def _held_force(self, held: Held) -> Affine:
        """Force of the held power less the force used, to first order, one row a cell."""
        n = self.n
        reference = (held.power / self.problem.fatigue.budget)[held.segment]
        slowness = held.slowness * SPEED_SCALE
        each = sparse.csr_array((np.ones(n), (np.arange(n), held.segment)), shape=(n, held.power.size))
        power = self.layout.variable("P").mapped(each)
        used = self.F * self.problem.power_factor[self.branches.position]
        return self.tau * reference + (power - reference) * slowness - used

    def held_bounds(self) -> list[Affine]:
        """The held power where it needn't act, and how far it may move."""
        if self.held is None:
            return []
        power, budget = self.layout.variable("P"), self.problem.fatigue.budget
        reference = self.held.power / budget
        highest = np.minimum(reference + self.held.change, self.problem.fatigue.max_power / budget)
        lowest = np.maximum(reference - self.held.change, 0.0)
        return [self._held_force(self.held).at(~self.held.acts), highest - power, power - lowest]

    def secant(self, within: SpeedRange | None) -> list[Affine]:
        """E no higher than the chord of y² between the lowest and the highest speed."""
        if within is None:
            return []
        arcs = np.flatnonzero(np.isfinite(within.high[self.strands.node]))
        node = self.strands.node[arcs]
        low, high = within.low[node] / SPEED_SCALE, within.high[node] / SPEED_SCALE
        chord = self.y.at(arcs) * (low + high) - self.arc_share.at(arcs) * (low * high)
        return [chord - self.E.at(arcs)]

    def fatigue(self, recovery: Recovery | None) -> list[Affine]:
        """Rows of what the body can pay: endurance, then W'."""
        return [self.endurance(), *self.w_prime(recovery)]

    def endurance(self) -> Affine:
        """Load allowed less load, one row."""
        road = self.problem.road
        load = {1: self.F, 2: self.a, 4: self.q}[self.problem.fatigue.exponent]
        weight = road.length[self.branches.cell] / road.length.sum()
        total = sparse.csr_array(weight[None, :])
        return (self.tau - load).mapped(total)

    def w_prime(self, recovery: Recovery | None) -> list[Affine]:
        """Rows of the W' balance, those of `Recovery` first."""
        if recovery is None:
            return []
        fatigue, road = self.problem.fatigue, self.problem.road
        W = self.layout.variable("W")
        cp = fatigue.critical_power / fatigue.budget
        gain = (self.tau * cp - self.F).mapped(self.sum_cells)
        x = gain * (road.length * self.force_scale / fatigue.w_prime)
        found = recovery.rows(W.at(np.arange(self.n)), W.at(np.arange(1, self.n + 1)), x)
        most = np.ones(self.n + 1)
        if fatigue.w_prime_start is not None:
            most[0] = fatigue.w_prime_start / fatigue.w_prime
        return [*found, W - fatigue.w_prime_reserve / fatigue.w_prime, most - W]

    def _arc_limit(self) -> FloatArray:
        """Speed limit of each arc, with the caps of the positions that it joins, shape (a,) [m/s]."""
        problem, branches, strands = self.problem, self.branches, self.strands
        cap = np.full(strands.cell.size + 1, np.inf)  # the last one stands for what is outside the course
        cap[strands.of_branch] = np.where(
            strands.alone, problem.cap[branches.cell, branches.position], np.inf
        )
        joined = np.minimum(cap[strands.before], cap[strands.after])
        return np.asarray(np.minimum(problem.speed_limit[strands.node], joined))

    def inequalities(self) -> list[Affine]:
        """Rows that must not be negative: limits on speed, power, traction and braking."""
        problem, branches, strands = self.problem, self.branches, self.strands
        machine, newton = problem.machine, self.force_scale
        cell, position = branches.cell, branches.position
        cap = problem.cap[cell, position]
        capped = self.shared & np.isfinite(cap)
        limit = self._arc_limit()
        bounded = np.isfinite(limit) & (strands.node > 0)
        lowest = np.maximum(np.minimum(problem.lowest_speed[:-1], problem.lowest_speed[1:]), CREEP)
        f = problem.power_factor[position]
        early = np.flatnonzero(np.cumsum(problem.road.length)[cell] - problem.road.length[cell] < 60.0)
        hands = (self.theta * problem.can_brake[position].astype(float)).mapped(self.sum_branches)
        return [
            self.arc_share.at(bounded) * (limit[bounded] / SPEED_SCALE) ** 2 - self.E.at(bounded),
            # A cap on slowness, not a floor under y: the relaxation could be slower than its y.
            self.strand_share * (SPEED_SCALE / lowest[strands.cell]) - self.tau.mapped(self.sum_branches),
            self.theta.at(capped) * (cap[capped] / SPEED_SCALE) ** 2 - self.e.at(capped),
            self.F,
            self.tau * (problem.fatigue.max_power / problem.fatigue.budget / f) - self.F,
            machine.traction_force / newton - (self.F * f).at(early) * machine.drivetrain_efficiency,
            self.B,
            hands * (machine.brake_force / newton) - self.B,
        ]

    def stays(self) -> Affine:
        """Rows that hold a position for its shortest stay."""
        return self.theta.at(self.strands.held) - self.arc_share.mapped(self.strands.stay)

    def cones(self) -> list[Affine]:
        """Rows of second-order cones of three, each for x² ≤ y z."""
        found = [_rotated(self.theta, self.tau, self.u)]
        arcs = self.strands.node > 0
        found.append(_rotated(self.y.at(arcs), self.E.at(arcs), self.arc_share.at(arcs)))
        if self.shared.any():
            pick = self.shared
            found.append(_rotated(self.u.at(pick), self.e.at(pick), self.theta.at(pick)))
        exponent = self.problem.fatigue.exponent
        if exponent >= 2:
            found.append(_rotated(self.F, self.a, self.tau))
        if exponent == 4:
            found.append(_rotated(self.a, self.q, self.tau))
        return found


def _spread(variables: Affine, where: npt.NDArray[np.bool_]) -> Affine:
    """Variables put where the mask says, zero elsewhere."""
    index = np.flatnonzero(where)
    shape = (where.size, index.size)
    return variables.mapped(
        sparse.csr_array((np.ones(index.size), (index, np.arange(index.size))), shape=shape)
    )


def _rotated(x: Affine, y: Affine, z: Affine) -> Affine:
    return rows(y + z, 2.0 * x, y - z)

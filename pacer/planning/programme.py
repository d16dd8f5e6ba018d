"""The convex programme: the fastest ride over the cells within budget and limits, with its certificate.

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
[2] Goulart PJ, Chen Y (2024). Clarabel: an interior-point solver for conic programs with quadratic
    objectives. arXiv:2405.12762
"""

from __future__ import annotations

import clarabel
import numpy as np
from scipy import sparse

from pacer.physics.forces import BEARING_CONSTANT, BEARING_SLOPE, gravity_force, rolling_force
from pacer.planning.affine import Affine, Layout, rows
from pacer.planning.optimum import Branches, Held, Optimum, SpeedRange
from pacer.planning.problem import DragShape, Problem
from pacer.planning.recovery import Recovery

__all__ = ["SPEED_SCALE", "Branches", "Held", "Optimum", "SpeedRange", "solve"]

SPEED_SCALE = 10.0
"""Metres a second; with the budget it scales every variable to about 1."""

LOWER_ACCURACY = 2e-6
"""Relative accuracy that is tried where the solver stalls short of the one asked for; still 0.01 s in
5,000 s."""

CREEP = 0.3
"""Slowest mean speed of any cell, the first ones too [m/s]: nobody waits for the fatigue to pass."""

CELL_SCALE = 30.0
"""Metres; motion rows are balances of work over the cell, so that short cells don't stiffen them."""


class _Builder:
    """The programme's expressions and its rows: zero cone, non-negative cone, second-order cones."""

    def __init__(
        self, problem: Problem, branches: Branches, shape: DragShape, held: Held | None, *, with_w_prime: bool
    ) -> None:
        self.problem, self.branches, self.shape, self.held = problem, branches, shape, held
        self.with_w_prime = with_w_prime
        n, m = len(problem.road), branches.cell.size
        self.n, self.m = n, m
        per_cell = np.bincount(branches.cell, minlength=n)
        self.several = per_cell[branches.cell] > 1
        self.force_scale = problem.fatigue.budget / SPEED_SCALE
        self.sum_cells = sparse.csr_array((np.ones(m), (branches.cell, np.arange(m))), shape=(n, m))
        self._variables()

    def _variables(self) -> None:
        n, m, several = self.n, self.m, self.several
        exponent = self.problem.fatigue.exponent
        count = int(several.sum())
        layout = Layout()
        for name, size in (("E", n + 1), ("y", n + 1), ("tau", m), ("F", m), ("B", n)):
            layout.reserve(name, size)
        for name in ("theta", "e", "u"):
            layout.reserve(name, count)
        layout.reserve("a", m if exponent >= 2 else 0)
        layout.reserve("q", m if exponent == 4 else 0)
        layout.reserve("W", n + 1 if self.with_w_prime else 0)
        layout.reserve("P", self.held.power.size if self.held else 0)
        self.layout = layout
        self.E, self.y = layout.variable("E"), layout.variable("y")
        self.tau, self.F, self.B = (layout.variable(k) for k in ("tau", "F", "B"))
        self.a, self.q = layout.variable("a"), layout.variable("q")
        first, second = np.arange(n), np.arange(1, n + 1)
        self.E_mean = 0.5 * (self.E.at(first) + self.E.at(second))
        self.y_mean = 0.5 * (self.y.at(first) + self.y.at(second))
        index = np.flatnonzero(several)
        spread = sparse.csr_array((np.ones(count), (index, np.arange(count))), shape=(m, count))
        single = np.flatnonzero(~several)
        pick = sparse.csr_array((np.ones(single.size), (single, self.branches.cell[single])), shape=(m, n))
        self.theta = layout.variable("theta").mapped(spread) + (~several).astype(float)
        self.e = layout.variable("e").mapped(spread) + self.E_mean.mapped(pick)
        self.u = layout.variable("u").mapped(spread) + self.y_mean.mapped(pick)

    def _motion(self) -> Affine:
        problem, road, branches = self.problem, self.problem.road, self.branches
        machine, newton = problem.machine, self.force_scale
        cell, position = branches.cell, branches.position
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
        change = self.E.at(np.arange(1, self.n + 1)) - self.E.at(np.arange(self.n))
        balance = (
            change * inertia
            + (air - drive).mapped(self.sum_cells)
            + self.y_mean * (BEARING_SLOPE * SPEED_SCALE / newton)
            + self.B
            + (steady + BEARING_CONSTANT) / newton
        )
        return balance * (road.length / CELL_SCALE)

    def equalities(self) -> list[Affine]:
        start = self.problem.start_speed / SPEED_SCALE
        found = [self._motion(), self.E.at([0]) - start**2, self.y.at([0]) - start]
        if self.several.any():
            cells = np.unique(self.branches.cell[self.several])
            split = self.several.astype(float)
            for part, whole in ((self.theta, 1.0), (self.e, self.E_mean), (self.u, self.y_mean)):
                total = (part * split).mapped(self.sum_cells).at(cells)
                found.append(total - (whole.at(cells) if isinstance(whole, Affine) else whole))
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
        nodes = np.flatnonzero(np.isfinite(within.high))
        low, high = within.low[nodes] / SPEED_SCALE, within.high[nodes] / SPEED_SCALE
        return [self.y.at(nodes) * (low + high) - low * high - self.E.at(nodes)]

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

    def inequalities(self) -> list[Affine]:
        problem, branches = self.problem, self.branches
        machine, newton = problem.machine, self.force_scale
        cell, position = branches.cell, branches.position
        limit = problem.speed_limit
        cap = problem.cap[cell, position]
        capped = self.several & np.isfinite(cap)
        if not self.several.any():
            limit = problem.limit_in(position)
        bounded = np.flatnonzero(np.isfinite(limit[1:])) + 1
        lowest = np.maximum(np.minimum(problem.lowest_speed[:-1], problem.lowest_speed[1:]), CREEP)
        f = problem.power_factor[position]
        early = np.flatnonzero(np.cumsum(problem.road.length)[cell] - problem.road.length[cell] < 60.0)
        hands = (self.theta * problem.can_brake[position].astype(float)).mapped(self.sum_cells)
        return [
            (limit[bounded] / SPEED_SCALE) ** 2 - self.E.at(bounded),
            # A cap on slowness, not a floor under y: the relaxation could be slower than its y.
            SPEED_SCALE / lowest - self.tau.mapped(self.sum_cells),
            (self.u - self.theta * (problem.slowest[position] / SPEED_SCALE)).at(
                self.several & (problem.slowest[position] > 0.0)
            ),
            self.theta.at(capped) * (cap[capped] / SPEED_SCALE) ** 2 - self.e.at(capped),
            self.F,
            self.tau * (problem.fatigue.max_power / problem.fatigue.budget / f) - self.F,
            machine.traction_force / newton - (self.F * f).at(early) * machine.drivetrain_efficiency,
            self.B,
            hands * (machine.brake_force / newton) - self.B,
        ]

    def cones(self) -> list[Affine]:
        """Rows of second-order cones of three, each for x² ≤ y z."""
        found = [_rotated(self.theta, self.tau, self.u)]
        nodes = np.arange(1, self.n + 1)
        found.append(_rotated(self.y.at(nodes), self.E.at(nodes), self.y.at(nodes) * 0.0 + 1.0))
        if self.several.any():
            pick = self.several
            found.append(_rotated(self.u.at(pick), self.e.at(pick), self.theta.at(pick)))
        exponent = self.problem.fatigue.exponent
        if exponent >= 2:
            found.append(_rotated(self.F, self.a, self.tau))
        if exponent == 4:
            found.append(_rotated(self.a, self.q, self.tau))
        return found


def _rotated(x: Affine, y: Affine, z: Affine) -> Affine:
    return rows(y + z, 2.0 * x, y - z)


def _settings(accuracy: float, *, refine: bool) -> clarabel.DefaultSettings:
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.max_threads = 1
    settings.iterative_refinement_enable = refine
    settings.tol_gap_rel = settings.tol_gap_abs = settings.tol_feas = accuracy
    settings.max_iter = 100
    return settings


def solve(
    problem: Problem,
    branches: Branches,
    shape: DragShape,
    recovery: Recovery | None = None,
    *,
    accuracy: float = 1e-7,
    held: Held | None = None,
    within: SpeedRange | None = None,
) -> Optimum:
    """Solve the programme.

    Parameters
    ----------
    problem : Problem
    branches : Branches
        The positions open in each cell.
    shape : DragShape
        Air drag as a convex quadratic of speed.
    recovery : Recovery, optional
        How W' comes back; without it the W' balance is left out.
    accuracy : float
        Relative gap and infeasibility at which the solver stops.
    held : Held, optional
        One power a segment; needs one branch a cell.
    within : SpeedRange, optional
        Speeds at the cell ends; what ties E to y where drag alone doesn't.

    Returns
    -------
    Optimum
        A bad status is returned, not raised.
    """
    build = _Builder(problem, branches, shape, held, with_w_prime=recovery is not None)
    zero = build.equalities()
    positive = build.inequalities() + build.held_bounds() + build.secant(within)
    endurance_row = sum(len(e) for e in positive)
    positive.append(build.endurance())
    positive.extend(build.w_prime(recovery))
    cones = build.cones()
    everything = [*zero, *positive, *cones]
    A = sparse.csc_matrix(-sparse.vstack([e.matrix for e in everything], format="csc"))
    b = np.concatenate([e.constant for e in everything])
    n_zero, n_positive = sum(map(len, zero)), sum(map(len, positive))
    kinds = [clarabel.ZeroConeT(n_zero), clarabel.NonnegativeConeT(n_positive)]
    kinds += [clarabel.SecondOrderConeT(3)] * (sum(map(len, cones)) // 3)
    weight = problem.road.length / problem.road.length.sum()
    cost = build.tau.mapped(sparse.csr_array(weight[branches.cell][None, :])).matrix.toarray()[0]
    P = sparse.csc_matrix((build.layout.size, build.layout.size))
    # Iterative refinement doubles the time and is seldom needed.
    for tolerance, refine in ((accuracy, False), (accuracy, True), (max(accuracy, LOWER_ACCURACY), True)):
        answer = clarabel.DefaultSolver(P, cost, A, b, kinds, _settings(tolerance, refine=refine)).solve()
        if answer.status in (clarabel.SolverStatus.Solved, clarabel.SolverStatus.PrimalInfeasible):
            break
    return _optimum(build, answer, n_zero, endurance_row, recovery)


def _optimum(
    build: _Builder,
    answer: clarabel.DefaultSolution,
    n_zero: int,
    endurance_row: int,
    recovery: Recovery | None,
) -> Optimum:
    problem, branches, n = build.problem, build.branches, build.n
    seconds = float(problem.road.length.sum()) / SPEED_SCALE
    x, z = np.array(answer.x), np.array(answer.z)
    status = {"Solved": "solved", "AlmostSolved": "almost solved"}.get(str(answer.status), str(answer.status))
    energy, y = build.E.value(x), build.y.value(x)
    share = np.zeros(problem.allowed.shape)
    share[branches.cell, branches.position] = build.theta.value(x)
    tau = build.tau.mapped(build.sum_cells).value(x)
    newton = build.force_scale
    if recovery is None:
        w_price = np.zeros(n)
    else:
        first = n_zero + endurance_row + 1
        w_price = recovery.price(z[first:]) * seconds / problem.fatigue.w_prime
    slack = np.maximum(1.0 - y[1:] ** 2 / np.maximum(energy[1:], 1e-9), tau * build.y_mean.value(x) - 1.0)
    several = bool(build.several.any())
    weight = problem.road.length * tau
    looseness = 0.0 if several else float(weight @ np.maximum(slack, 0.0) / weight.sum())
    return Optimum(
        status=status,
        time=float(answer.obj_val) * seconds,
        bound=float(answer.obj_val_dual) * seconds,
        speed=np.sqrt(np.maximum(energy, 0.0)) * SPEED_SCALE,
        slowness=tau / SPEED_SCALE,
        force=build.F.mapped(build.sum_cells).value(x) * newton,
        share=share,
        brake=build.B.value(x) * newton,
        motion_price=-z[:n] * (problem.road.length / CELL_SCALE) * seconds / newton,
        endurance_price=float(z[n_zero + endurance_row]) * seconds,
        w_prime_price=w_price,
        looseness=looseness,
        iterations=int(answer.iterations),
        segment_power=build.layout.variable("P").value(x) * problem.fatigue.budget,
    )

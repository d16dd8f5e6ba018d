"""Solve the convex programme of `formulation.py` with an interior-point solver [1]; read its certificate.

References
----------
[1] Goulart PJ, Chen Y (2024). Clarabel: an interior-point solver for conic programs with quadratic
    objectives. arXiv:2405.12762
"""

from __future__ import annotations

import clarabel
import numpy as np
from scipy import sparse

from pacer.planning.formulation import CELL_SCALE, SPEED_SCALE, Formulation
from pacer.planning.optimum import Branches, Held, Optimum, SpeedRange
from pacer.planning.problem import DragShape, Problem
from pacer.planning.recovery import Recovery
from pacer.planning.strands import Strands

__all__ = ["SPEED_SCALE", "Branches", "Held", "Optimum", "SpeedRange", "solve"]

LOWER_ACCURACY = 2e-6
"""Relative accuracy that is tried where the solver stalls short of the one asked for; still 0.01 s in
5,000 s."""


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
    strands: Strands | None = None,
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
    if strands is None:
        strands = Strands.of(branches, np.zeros(len(problem.road), dtype=bool))
    build = Formulation(problem, branches, shape, held, strands, with_w_prime=recovery is not None)
    zero = build.equalities()
    positive = [*build.inequalities(), *build.held_bounds(), *build.secant(within), build.stays()]
    endurance_row = sum(len(e) for e in positive)
    positive.extend(build.fatigue(recovery))
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
    build: Formulation,
    answer: clarabel.DefaultSolution,
    n_zero: int,
    endurance_row: int,
    recovery: Recovery | None,
) -> Optimum:
    problem, branches, strands, n = build.problem, build.branches, build.strands, build.n
    seconds = float(problem.road.length.sum()) / SPEED_SCALE
    x, z = np.array(answer.x), np.array(answer.z)
    status = {"Solved": "solved", "AlmostSolved": "almost solved"}.get(str(answer.status), str(answer.status))
    sum_arcs = strands.sum_arcs(n)
    energy, y = sum_arcs @ build.E.value(x), sum_arcs @ build.y.value(x)
    share = np.zeros(problem.allowed.shape)
    share[branches.cell, branches.position] = build.theta.value(x)
    tau = build.tau.mapped(build.sum_cells).value(x)
    newton = build.force_scale
    if recovery is None:
        w_price = np.zeros(n)
    else:
        first = n_zero + endurance_row + 1
        w_price = recovery.price(z[first:]) * seconds / problem.fatigue.w_prime
    y_mean = 0.5 * (y[:-1] + y[1:])
    slack = np.maximum(1.0 - y[1:] ** 2 / np.maximum(energy[1:], 1e-9), tau * y_mean - 1.0)
    motion = build.sum_strands @ (build.strand_share.value(x) * z[: strands.cell.size])
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
        brake=build.sum_strands @ build.B.value(x) * newton,
        motion_price=-motion * (problem.road.length / CELL_SCALE) * seconds / newton,
        endurance_price=float(z[n_zero + endurance_row]) * seconds,
        w_prime_price=w_price,
        looseness=looseness,
        iterations=int(answer.iterations),
        segment_power=build.layout.variable("P").value(x) * problem.fatigue.budget,
    )

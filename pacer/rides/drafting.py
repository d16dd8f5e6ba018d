"""Stretches ridden in another rider's or a vehicle's lee, found from the ride's own forces.

Behind one rider a cyclist meets 14 % (time-trial position) to 27 % (upright) less drag [1], behind a
motorcycle 48 % less at 2.6 m, 23 % at 10 m, 12 % at 30 m [2]. A gust does as much for half a minute, so that
single windows say nothing. The rule looks at runs of windows of one to fifteen minutes of riding::

    residual = design · unknowns + Σ_k change_k · drag · [window in run k] + noise

with the noise of `noise.py` (slow changes of the wind among it), all the unknowns of the fit and a wind that
shifts through the ride: a run that is fast only because it lies along one heading isn't taken for a draft.
Runs enter one at a time, the most telling first, and after each the noise is sized anew, so that drafts don't
hide behind the scatter that they make themselves; then the least telling leaves, the noise is sized anew, and
so on until all that are left stand more than `_CERTAIN` standard errors from zero [3]. Runs above the rest
enter and are tested just as those below: that keeps the noise honest. Only those below are left out; those
above are told.

References
----------
[1] Blocken B, Defraeye T, Koninckx E, Carmeliet J, Hespel P (2013). CFD simulations of the aerodynamic drag
    of two drafting cyclists. Computers & Fluids 71:435-445. doi:10.1016/j.compfluid.2012.11.012
[2] Blocken B, Malizia F, van Druenen T, Gillmeier S (2020). Aerodynamic benefits for a cyclist by drafting
    behind a motorcycle. Sports Engineering 23:19. doi:10.1007/s12283-020-00332-z
[3] Chen C, Liu LM (1993). Joint estimation of model parameters and outlier effects in time series. Journal of
    the American Statistical Association 88(421):284-297. doi:10.1080/01621459.1993.10594321 (from memory)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from pacer.rides.fit import CRR_SPREAD, Fit, fit_rides
from pacer.rides.model import RideModel
from pacer.rides.noise import Parts, estimate_scatter
from pacer.rides.prepare import Fate
from pacer.rides.ride import Ride
from pacer.rides.signals import widened
from pacer.rides.windows import cut_windows
from pacer.units import FloatArray

__all__ = ["Misfit", "find_misfits", "fit_without_drafting", "misfit_note", "without"]

_SHORTEST: Final = 60.0
_LONGEST: Final = 900.0
"""Duration of a run [s]; shorter ones look like gusts, longer ones like another day. Design choices."""

_SHIFT: Final = 1.0
"""By how much the wind at the rider may shift through the ride [m/s]; a design choice."""

_HOLE: Final = 120.0
"""A run doesn't reach over a longer part without usable riding [s]; a design choice."""

_LEAST: Final = 0.10
"""A change of drag smaller than this (relative) isn't a draft: the least of [1] is 0.14."""

_SUSPECT: Final = 3.3
"""Standard errors from which on a run is looked at; a design choice."""

_CERTAIN: Final = 4.5
"""Standard errors beyond which it is believed. The largest of all runs of a ride without drafts reaches this
in about one simulated ride of twenty (`python -m tests.rides.study_drafting`)."""

_MOST: Final = 6
"""Runs looked at in one pass, and `_PASSES` passes; a design choice."""

_PASSES: Final = 3
_FEWEST: Final = 24
"""Rides of fewer windows aren't looked at: their noise can't be sized."""

_CLIP: Final = 4.0
"""Single windows count as no more than so many standard deviations: an altitude jump is no draft."""

_BESIDE: Final = 15.0
"""Left out on either side as well [s]: half a window, since a draft needn't begin with one."""


@dataclass(frozen=True, slots=True)
class Misfit:
    """A run of windows in which the drag was plainly another than in the rest of the ride.

    Attributes
    ----------
    start, end : float
        Seconds since the first record.
    change : float
        Of drag, relative; negative in a lee.
    error : float
        Standard error of the change.
    """

    start: float
    end: float
    change: float
    error: float

    @property
    def sheltered(self) -> bool:
        """Whether less drag was met than in the rest: these runs are left out."""
        return self.change < 0.0


_Run = tuple[int, int]
"""First and last window."""


class _Screen:
    """The residuals of one ride, and what the fit and any runs explain of them."""

    def __init__(self, model: RideModel, fit: Fit, ride: int) -> None:
        windows = model.windows
        areas, local = np.nan_to_num(fit.areas, nan=0.3), fit.locals[ride]
        # at the model's speed, which gusts haven't touched, as in the fit
        _, common, own = model.evaluate(fit.crr, areas, local, fit.speeds[ride])
        force, _, _ = model.evaluate(fit.crr, areas, local)
        self.scatter = fit.scatter[ride]
        self.parts = Parts.of(windows, own[:, :2])
        plain = self.scatter.covariance(self.parts, np.ones(len(windows)))
        limit = _CLIP * np.sqrt(np.diag(plain))
        self.residual = np.clip(windows.force - force, -limit, limit)
        self.drag = areas[windows.position] * model.air(float(local[0]), float(local[1]), fit.speeds[ride])
        self.recorded = areas[windows.position] * model.air(float(local[0]), float(local[1]))
        told = np.zeros(areas.size, dtype=np.bool_)
        told[np.unique(windows.position)] = True
        shifting, shifts = _shifting_wind(windows.middle, own[:, :2])
        design = np.column_stack((common[:, np.append(True, told)], own, shifting))
        precision = np.concatenate(([CRR_SPREAD**-2], np.zeros(int(told.sum())), model.own_precision, shifts))
        size = np.abs(design).max(axis=0)
        self.design = design[:, size > 0.0] / size[size > 0.0]
        self.precision = precision[size > 0.0] / size[size > 0.0] ** 2
        self.first, self.last = _possible_runs(windows.middle, windows.duration)

    def only(self, run: _Run, drag: FloatArray) -> FloatArray:
        """Give the drag within a run and nothing elsewhere, shape (N,) [N]."""
        inside = np.zeros_like(drag)
        inside[run[0] : run[1] + 1] = drag[run[0] : run[1] + 1]
        return inside

    def _projection(self, runs: Sequence[_Run]) -> FloatArray:
        """Inverse covariance of what the unknowns and the runs leave of the residuals, shape (N, N)."""
        from scipy.linalg import cho_factor, cho_solve

        count = self.residual.size
        factor = cho_factor(self.scatter.covariance(self.parts, np.ones(count)), lower=True)
        design = np.column_stack([self.design, *(self.only(run, self.drag) for run in runs)])
        precision = np.append(self.precision, np.zeros(len(runs)))
        solved = cho_solve(factor, design)
        inner = np.linalg.inv(design.T @ solved + np.diag(precision))
        return np.asarray(cho_solve(factor, np.eye(count)) - solved @ inner @ solved.T)

    def most_telling(self, runs: Sequence[_Run]) -> tuple[_Run, float]:
        """Give the run that explains most beside `runs`, and its standard errors from zero."""
        kernel = self._projection(runs)
        scores = np.append(0.0, np.cumsum(self.drag * (kernel @ self.residual)))
        square = np.zeros((scores.size, scores.size))
        square[1:, 1:] = (kernel * np.outer(self.drag, self.drag)).cumsum(axis=0).cumsum(axis=1)
        i, j = self.first, self.last + 1
        score = scores[j] - scores[i]
        information = np.maximum(square[j, j] - square[i, j] - square[j, i] + square[i, i], 1e-9)
        apart = np.where(np.abs(score) >= _LEAST * information, np.abs(score) / np.sqrt(information), 0.0)
        if not apart.size:
            return (0, 0), 0.0
        k = int(np.argmax(apart))
        return (int(self.first[k]), int(self.last[k])), float(apart[k])

    def change(self, run: _Run, others: Sequence[_Run]) -> tuple[float, float, float]:
        """Give the change of drag in a run beside others, its error, and standard errors from zero."""
        kernel = self._projection(others)
        inside = self.only(run, self.drag)
        pull = inside @ kernel
        score, information = float(pull @ self.residual), float(pull @ inside)
        apart = score / np.sqrt(information)
        change = score / float(pull @ self.only(run, self.recorded))
        return change, abs(change / apart), apart

    def size_noise(self, runs: Sequence[_Run]) -> None:
        """Size the noise anew with the runs explained."""
        inside = [self.only(run, self.drag) / self.drag.max() for run in runs]
        self.scatter = estimate_scatter(
            self.parts,
            self.residual,
            np.column_stack([self.design, *inside]),
            np.ones(self.residual.size),
            self.scatter,
        )

    def certain_runs(self) -> list[_Run]:
        """Let runs enter one at a time, then let the least telling leave until the rest are certain."""
        found: list[_Run] = []
        while len(found) < _MOST:
            run, apart = self.most_telling(found)
            if apart < _SUSPECT:
                break
            found.append(run)
            self.size_noise(found)
        while found:
            apart_each = [abs(self.change(run, _except(found, run))[2]) for run in found]
            least = int(np.argmin(apart_each))
            if apart_each[least] >= _CERTAIN:
                break
            found.pop(least)
            if found:
                self.size_noise(found)
        return found


def _shifting_wind(middle: FloatArray, by_wind: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give what a wind that shifts through the ride explains: columns (N, 4) and their precision.

    A straight line and a parabola in time for each component, of `_SHIFT` m/s.
    """
    time = 2.0 * (middle - middle[0]) / max(float(middle[-1] - middle[0]), 1.0) - 1.0
    line, parabola = time[:, None], (1.5 * time**2 - 0.5)[:, None]
    return np.hstack((by_wind * line, by_wind * parabola)), np.full(4, _SHIFT**-2)


def _except(runs: Sequence[_Run], run: _Run) -> list[_Run]:
    return [other for other in runs if other != run]


def _possible_runs(
    middle: FloatArray, duration: FloatArray
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First and last windows of all runs that are neither too short nor too long nor broken."""
    until = np.append(0.0, np.cumsum(duration))
    hole = np.diff(middle) - 0.5 * (duration[1:] + duration[:-1]) > _HOLE
    block = np.append(0, np.cumsum(hole))
    first, last = np.triu_indices(middle.size)
    seconds = until[last + 1] - until[first]
    # two windows of about 30 s are a minute, though each may be a second short
    usable = (seconds > _SHORTEST - 5.0) & (seconds <= _LONGEST) & (block[first] == block[last])
    return first[usable], last[usable]


def find_misfits(model: RideModel, fit: Fit, ride: int = 0) -> tuple[Misfit, ...]:
    """Find runs of windows with plainly less or more drag than the rest of the ride.

    Parameters
    ----------
    model : RideModel
        Of the ride.
    fit : Fit
    ride : int
        Which of the fit's rides it is.
    """
    windows = model.windows
    if len(windows) < _FEWEST:
        return ()
    screen = _Screen(model, fit, ride)
    runs = sorted(screen.certain_runs())
    found = []
    for run in runs:
        change, error, _ = screen.change(run, _except(runs, run))
        first, last = run
        found.append(
            Misfit(
                start=float(windows.middle[first] - 0.5 * windows.duration[first]),
                end=float(windows.middle[last] + 0.5 * windows.duration[last]),
                change=max(change, -1.0),
                error=error,
            )
        )
    return tuple(found)


def without(model: RideModel, misfits: Sequence[Misfit]) -> RideModel:
    """Give the ride without its sheltered runs and a quarter of a minute on either side."""
    steps = model.windows.steps
    inside = np.zeros(steps.end.size, dtype=np.bool_)
    for misfit in misfits:
        if misfit.sheltered:
            inside |= (steps.end > misfit.start) & (steps.end <= misfit.end)
    out = widened(inside, steps.duration, _BESIDE) & (steps.fate == Fate.KEPT)
    marked = replace(steps, fate=np.where(out, int(Fate.SHELTERED), steps.fate))
    windows = cut_windows(marked, model.windows.density, model.setup, source=model.windows.source)
    return replace(model, windows=windows)


def fit_without_drafting(
    models: Sequence[RideModel], held: npt.NDArray[np.bool_]
) -> tuple[list[RideModel], Fit, list[tuple[Misfit, ...]]]:
    """Fit, leave out what was ridden in a lee, and again until nothing more is found.

    Parameters
    ----------
    models, held
        As for `fit_rides`.

    Returns
    -------
    list of RideModel
        Without the runs that are left out.
    Fit
    list of tuple of Misfit
        What was found in each ride, in the order of time.

    Raises
    ------
    RideError
        Too few windows.
    """
    left = list(models)
    fit = fit_rides(left, held)
    found: list[tuple[Misfit, ...]] = [() for _ in left]
    for _ in range(_PASSES):
        new = [find_misfits(model, fit, i) for i, model in enumerate(left)]
        for i, misfits in enumerate(new):
            # runs above the rest stay in and are judged anew by each pass
            kept = tuple(m for m in found[i] if m.sheltered) + misfits
            found[i] = tuple(sorted(kept, key=lambda m: m.start))
        if not any(m.sheltered for misfits in new for m in misfits):
            break
        left = [without(model, misfits) for model, misfits in zip(left, new, strict=True)]
        fit = fit_rides(left, held)
    return left, fit, found


def misfit_note(ride: Ride, misfit: Misfit) -> str:
    """Say where a run lies, how far it is from the rest, and what was made of it."""
    metres = np.interp([misfit.start, misfit.end], ride.elapsed, ride.distance) / 1000.0
    minutes, seconds = divmod(round(misfit.end - misfit.start), 60)
    place = f"{ride.name}: km {metres[0]:.1f} to {metres[1]:.1f} ({minutes}:{seconds:02d})"
    size = f"{100.0 * abs(misfit.change):.0f} ± {196.0 * misfit.error:.0f} %"
    if misfit.sheltered:
        return (
            f"{place}: drag {size} below the rest, too much for too long to be gusts. It is taken as ridden "
            "in a lee, behind somebody or under trees, and left out (a lower position than told looks the "
            "same: name it)."
        )
    return (
        f"{place}: drag {size} above the rest, too much for too long to be gusts; it is kept (another "
        "position, a rough surface, a brake that rubs?)."
    )

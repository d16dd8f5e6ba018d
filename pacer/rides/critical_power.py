"""Critical power and W' from efforts held to the end.

Two linear forms of the same hyperbola [1]::

    work   = CP t + W'           work against time
    power  = W' (1 / t) + CP     power against the inverse of time

They weigh the efforts differently and never agree exactly on real efforts; how far they differ says how well
the hyperbola fits.

References
----------
[1] Monod H, Scherrer J (1965). The work capacity of a synergic muscular group. Ergonomics 8(3):329-338; the
    linear form in 1/t: Hill DW (1993). The critical power concept. Sports Med. 16(4):237-254 (from memory).
[2] Drake JP, Finke A, Ferguson RA (2022): the hyperbola is unrealistic under 2 min and over 15 min (as quoted
    in a summary).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from pacer.errors import RideError
from pacer.rides.efforts import Trial
from pacer.units import FloatArray

__all__ = ["CriticalPowerFit", "LinearForm", "Misfit", "fit_critical_power"]

SHORTEST: Final = 120.0
"""Efforts shorter than this aren't used [s], [2]."""

LONGEST: Final = 1260.0
"""Efforts longer than this aren't used [s]; [2] says 15 min, common practice 20 min."""

SPAN: Final = 2.5
"""The longest effort must last at least this many times the shortest; common practice, no source."""

_MISFIT: Final = 0.03
"""An effort this far (relative) below the curve that the others make wasn't all-out; common practice."""

_POWER_RANGE: Final = (50.0, 600.0)
_W_PRIME_RANGE: Final = (2000.0, 60000.0)


@dataclass(frozen=True, slots=True)
class LinearForm:
    """One form's outcome: CP [W], W' [J], their standard errors, and the share of the variance explained."""

    critical_power: float
    critical_power_error: float
    w_prime: float
    w_prime_error: float
    explained: float


@dataclass(frozen=True, slots=True)
class Misfit:
    """An effort that wasn't used, why, and its power over what the others would make one expect."""

    trial: Trial
    reason: str
    ratio: float


@dataclass(frozen=True, slots=True)
class CriticalPowerFit:
    """Critical power and W'.

    Attributes
    ----------
    critical_power, critical_power_error : float
        With its standard error [W]; of the form with the smaller relative errors.
    w_prime, w_prime_error : float
        With its standard error [J].
    by_work, by_inverse_time : LinearForm
        Work against time, power against 1/t.
    used : tuple of Trial
    misfits : tuple of Misfit
        Named, and not used.
    notes : tuple of str
    """

    critical_power: float
    critical_power_error: float
    w_prime: float
    w_prime_error: float
    by_work: LinearForm
    by_inverse_time: LinearForm
    used: tuple[Trial, ...]
    misfits: tuple[Misfit, ...]
    notes: tuple[str, ...]

    @property
    def confidence(self) -> float:
        """Half a 95 % interval over the standard error, in both forms: Student's t, n - 2 degrees."""
        from scipy.stats import t

        return float(t.ppf(0.975, len(self.used) - 2))


def fit_critical_power(trials: Sequence[Trial], where: str = "the trials") -> CriticalPowerFit:
    """Fit critical power and W' to efforts held to the end.

    Parameters
    ----------
    trials : sequence of Trial
        Entered, or from `best_efforts`.
    where : str
        Where they come from, for messages.

    Raises
    ------
    RideError
        Fewer than three usable efforts, durations too alike, or a fit that makes no sense; in one line.

    Notes
    -----
    An effort more than 3 % below the curve through the others is taken not to have been all-out, named and
    left out, the worst first, while at least three remain. Best efforts out of one ride share seconds; the
    errors take them as independent and are then too small.
    """
    misfits = [m for m in map(_outside, trials) if m is not None]
    used = sorted((t for t in trials if _outside(t) is None), key=lambda t: t.duration)
    _require_span(used, where)
    while len(used) > 3:
        worst = _worst(used)
        rest = [t for t in used if worst is None or t is not worst.trial]
        if worst is None or rest[-1].duration < SPAN * rest[0].duration:
            break
        misfits.append(worst)
        used = rest
    by_work, by_inverse = _by_work(used), _by_inverse_time(used)
    best = min((by_work, by_inverse), key=_relative_error)
    if not _within(best.critical_power, _POWER_RANGE) or not _within(best.w_prime, _W_PRIME_RANGE):
        raise RideError(
            "the efforts don't make a curve of critical power",
            where=where,
            found=f"CP {best.critical_power:.0f} W, W' {best.w_prime / 1000.0:.1f} kJ",
            do="give all-out efforts of about 3, 6 and 12 minutes",
        )
    return CriticalPowerFit(
        critical_power=best.critical_power,
        critical_power_error=best.critical_power_error,
        w_prime=best.w_prime,
        w_prime_error=best.w_prime_error,
        by_work=by_work,
        by_inverse_time=by_inverse,
        used=tuple(used),
        misfits=tuple(misfits),
        notes=_notes(used, by_work, by_inverse),
    )


def _within(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] <= value <= limits[1]


def _outside(trial: Trial) -> Misfit | None:
    if SHORTEST <= trial.duration <= LONGEST:
        return None
    side = "shorter than 2 min" if trial.duration < SHORTEST else "longer than 21 min"
    return Misfit(trial, f"{side}: the hyperbola doesn't hold there", float("nan"))


def _require_span(used: Sequence[Trial], where: str) -> None:
    told = ", ".join(f"{t.duration / 60.0:.1f} min" for t in used) or "none"
    if len(used) < 3:
        raise RideError(
            "too few efforts between 2 and 21 minutes",
            where=where,
            found=told,
            do="three or more are needed, for instance of 3, 6 and 12 minutes",
        )
    if used[-1].duration < SPAN * used[0].duration:
        raise RideError(
            "the efforts are too alike in duration",
            where=where,
            found=told,
            do=f"the longest must last {SPAN:g} times the shortest",
        )


def _columns(trials: Sequence[Trial]) -> tuple[FloatArray, FloatArray]:
    return np.array([t.duration for t in trials]), np.array([t.power for t in trials])


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float, float, float, float]:
    """Slope, its error, intercept, its error, share explained; ordinary least squares."""
    n = x.size
    middle = float(x.mean())
    spread = float(np.sum((x - middle) ** 2))
    slope = float(np.sum((x - middle) * y) / spread)
    intercept = float(y.mean()) - slope * middle
    residual = y - intercept - slope * x
    variance = float(np.sum(residual**2)) / max(n - 2, 1)
    total = float(np.sum((y - y.mean()) ** 2))
    slope_error = (variance / spread) ** 0.5
    intercept_error = (variance * (1.0 / n + middle**2 / spread)) ** 0.5
    return (
        slope,
        slope_error,
        intercept,
        intercept_error,
        1.0 - float(np.sum(residual**2)) / max(total, 1e-12),
    )


def _by_work(trials: Sequence[Trial]) -> LinearForm:
    duration, power = _columns(trials)
    slope, slope_error, intercept, intercept_error, explained = _line(duration, power * duration)
    return LinearForm(slope, slope_error, intercept, intercept_error, explained)


def _by_inverse_time(trials: Sequence[Trial]) -> LinearForm:
    duration, power = _columns(trials)
    slope, slope_error, intercept, intercept_error, explained = _line(1.0 / duration, power)
    return LinearForm(intercept, intercept_error, slope, slope_error, explained)


def _relative_error(form: LinearForm) -> float:
    if form.critical_power <= 0.0 or form.w_prime <= 0.0:
        return float("inf")
    return form.critical_power_error / form.critical_power + form.w_prime_error / form.w_prime


def _worst(used: Sequence[Trial]) -> Misfit | None:
    """The effort furthest below the curve that the others make, if it is plainly below."""
    found: Misfit | None = None
    for trial in used:
        others = [t for t in used if t is not trial]
        form = _by_inverse_time(others)
        expected = form.critical_power + form.w_prime / trial.duration
        ratio = trial.power / expected
        if ratio < 1.0 - _MISFIT and (found is None or ratio < found.ratio):
            reason = f"{100.0 * (1.0 - ratio):.0f} % below the curve of the other efforts: not all-out?"
            found = Misfit(trial, reason, ratio)
    return found


def _notes(used: Sequence[Trial], by_work: LinearForm, by_inverse: LinearForm) -> tuple[str, ...]:
    notes = []
    apart = abs(by_work.critical_power - by_inverse.critical_power) / by_work.critical_power
    if apart > 0.02:
        notes.append(
            f"The two linear forms differ by {100.0 * apart:.0f} % in critical power: the efforts don't "
            "fit well."
        )
    if len(used) == 3:
        notes.append("Only three efforts: two more would narrow the 95 % ranges most.")
    names = {t.name for t in used if t.start is not None}
    if names and len(names) < len(used):
        notes.append("Several of the best efforts are from the same ride: the 95 % ranges are too narrow.")
    if any(t.start is not None for t in used):
        notes.append(
            "Best efforts of ordinary rides are seldom all-out: take critical power as a lower bound."
        )
    return tuple(notes)

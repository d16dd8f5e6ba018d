"""What the terminal shows of a calibration, critical power and a field test; plain text, 80 columns."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

from pacer.render.words import clean, clock, compass, percent, wrap
from pacer.rides.calibrate import Calibration, Estimate, RideFit, Told
from pacer.rides.critical_power import CriticalPowerFit
from pacer.rides.field_test import FieldTest, FieldTestPlan
from pacer.rides.position_power import PowerFactor

__all__ = [
    "calibration_summary",
    "critical_power_summary",
    "field_test_plan_summary",
    "field_test_summary",
    "power_factor_summary",
]

_WIDTH = 80


def _list(title: str, sentences: Iterable[str], width: int) -> Iterator[str]:
    found = [clean(sentence, 600) for sentence in sentences]
    if found:
        yield ""
        yield title
        for sentence in found:
            yield from wrap(sentence, width, first="  - ", rest="    ")


def _estimate(estimate: Estimate, digits: int, unit: str) -> str:
    value = f"{estimate.value:.{digits}f}{unit}"
    if math.isnan(estimate.error):
        return f"{value}  as in the rider file"
    told = "held" if estimate.told is Told.FILE else f"from {estimate.told.value}"
    return f"{value} ± {estimate.reach:.{digits}f}  {told}"


def calibration_summary(calibration: Calibration, width: int = _WIDTH) -> str:
    """Say what the rides told: each value with its 95 % range, each ride, and what couldn't be told apart."""
    longest = max(len(p.name) for p in calibration.positions)
    label = max(longest + 10, 20)
    lines = ["Estimates (± 95 %)"]
    for position in calibration.positions:
        name = f"drag area {clean(position.name, 40)}"
        tail = f", {position.seconds / 60.0:.0f} min" if position.seconds else ""
        lines.append(f"  {name:<{label}} {_estimate(position.cda, 3, ' m²')}{tail}")
    lines.append(f"  {'rolling resistance':<{label}} {_estimate(calibration.crr, 4, '')}")
    lines += _differences(calibration, label)
    lines += ["", "Rides"]
    for ride in calibration.rides:
        lines += _ride_lines(ride, width)
    lines += _list("What the rides can't tell, and what was assumed", calibration.notes, width)
    return "\n".join(lines)


def _differences(calibration: Calibration, label: int) -> Iterator[str]:
    told = [p for p in calibration.positions if p.cda.told is Told.RIDES]
    for position in told[1:]:
        gap = calibration.difference(told[0].name, position.name)
        sure = "sure" if abs(gap.value) > gap.reach else "not sure"
        name = f"{clean(told[0].name, 20)} - {clean(position.name, 20)}"
        yield f"  {name:<{label}} {gap.value:.3f} m² ± {gap.reach:.3f}  ({sure})"


def _ride_lines(ride: RideFit, width: int) -> Iterator[str]:
    yield (
        f"  {clean(ride.name, 40)}: {clock(ride.used)} of {clock(ride.recorded)} used; with these values the "
        f"model rides it"
    )
    miss = 3.6 * ride.typical_miss
    yield f"    in {clock(ride.modelled)} ({100.0 * ride.time_error:+.1f} %), typical miss {miss:.1f} km/h"
    if not math.isnan(ride.wind_speed):
        heading = math.degrees(ride.wind_from)
        yield (
            f"    wind at the rider {ride.wind_speed:.1f} m/s from {compass(heading)} ({heading:.0f}°) ± "
            f"{1.96 * ride.wind_error:.1f}; elevation {ride.lag:+.1f} s late"
        )
    left = ", ".join(f"{fate.words} {clock(s)}" for fate, s in sorted(ride.left_out.items()))
    if left:
        yield from wrap(f"left out: {left}", width, first="    ", rest="      ")


def critical_power_summary(fit: CriticalPowerFit, width: int = _WIDTH) -> str:
    """Say critical power and W' by both linear forms, with 95 % ranges, and which efforts don't fit."""
    wide = fit.confidence
    lines = [
        "Critical power (± 95 %)",
        f"  critical power        {fit.critical_power:.0f} W ± {wide * fit.critical_power_error:.0f}, W' "
        f"{fit.w_prime / 1000.0:.1f} kJ ± {wide * fit.w_prime_error / 1000.0:.1f}",
    ]
    for name, form in (("work against time", fit.by_work), ("power against 1/time", fit.by_inverse_time)):
        lines.append(
            f"  {name:<21} {form.critical_power:.1f} W ± {wide * form.critical_power_error:.1f}, "
            f"{form.w_prime / 1000.0:.2f} kJ ± {wide * form.w_prime_error / 1000.0:.2f}"
        )
    lines += ["", "Efforts"]
    for trial in fit.used:
        start = "" if trial.start is None else f" at {clock(trial.start)} of {clean(trial.name, 30)}"
        lines.append(f"  {clock(trial.duration):>6}  {trial.power:4.0f} W{start}")
    for misfit in fit.misfits:
        trial = misfit.trial
        text = f"{clock(trial.duration):>6}  {trial.power:4.0f} W  not used, {clean(misfit.reason)}"
        lines += wrap(text, width, first="  ", rest="      ")
    lines += _list("Mind", fit.notes, width)
    return "\n".join(lines)


def field_test_plan_summary(
    plan: FieldTestPlan, difference: float, positions: Sequence[str], width: int = _WIDTH
) -> str:
    """Say what to ride to tell two positions apart.

    Parameters
    ----------
    positions : sequence of str
        What the rider's are called.
    """
    if plan.runs:
        between = " and ".join(positions) if len(positions) == 2 else f"two of {', '.join(positions)}"
        lines = [
            f"To tell {difference:.3f} m² with 95 % confidence: {plan.runs} runs in each position, in order",
            f"  {plan.order}",
            f"A and B are the positions to compare: {clean(between)}.",
        ]
    else:
        lines = [
            f"{difference:.3f} m² can't be told like this: even 20 runs in each position tell no less than "
            f"{plan.detectable:.3f} m².",
            "Find calmer air, a longer run, or a higher speed.",
        ]
    lines.append(
        f"One run is expected to scatter by {plan.scatter:.4f} m²: wind {plan.by_wind:.4f}, power meter "
        f"{plan.by_power:.4f}, height {plan.by_height:.4f}."
    )
    lines = [line for text in lines for line in wrap(text, width, rest="  ")]
    lines += _list("The course and the day", plan.course, width)
    return "\n".join(lines)


def field_test_summary(test: FieldTest, width: int = _WIDTH) -> str:
    """Say whether the second position is faster, by how much, and how sure that is."""
    first, second = clean(test.first, 40), clean(test.second, 40)
    faster, other = (second, first) if test.difference > 0.0 else (first, second)
    confidence = max(test.confidence, 1.0 - test.confidence)
    if test.sure:
        verdict = (
            f"{faster} is faster than {other}: {abs(test.difference):.3f} m² less drag area, worth "
            f"{abs(test.seconds_per_40_km):.0f} s on a flat, calm 40 km at the same power."
        )
    else:
        verdict = (
            f"These runs can't tell {first} and {second} apart: the difference is {test.difference:+.3f} m², "
            f"but anything from {test.low:+.3f} to {test.high:+.3f} would fit."
        )
    lines = wrap(verdict, width)
    lines.append(f"  95 % range {test.low:+.3f} to {test.high:+.3f} m²; confidence {percent(confidence, 1)}")
    lines.append(f"  scatter between runs {test.scatter:.4f} m²")
    lines += ["", "  run  position             drag area   speed   power"]
    for number, run in enumerate(test.runs, 1):
        name = clean(run.run.position, 18)
        lines.append(f"  {number:>3}  {name:<18} {run.area:8.4f} m² {3.6 * run.speed:6.1f} {run.power:7.0f}")
    lines += _list("Mind", test.notes, width)
    return "\n".join(lines)


def power_factor_summary(factors: Iterable[PowerFactor], width: int = _WIDTH) -> str:
    """Say what the same heart rate gave in each position."""
    lines = []
    for found in factors:
        name = f"{clean(found.position, 30)} against {clean(found.reference, 30)}"
        if found.usable:
            text = f"{name}: {found.factor:.3f} ± {found.reach:.3f} of the power at the same heart rate"
        else:
            text = f"{name}: the rider file's value stays; {found.reason}"
        lines += wrap(text, width, first="  ", rest="    ")
    return "\n".join(["Power in position (± 95 %)", *lines]) if lines else ""

"""How well the model rides real rides: fitted on all of a ride, and on its first half alone.

::

    python -m tests.rides.real RIDE[:KG]...

KG is the rider's mass with kit; without it the mass set in the device plus 1.5 kg, else 75 kg. One position
is taken throughout, and nothing is known of the wind.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from pacer.errors import PacerError
from pacer.files.rides import read_recording
from pacer.physics.defaults import typical_setup
from pacer.physics.rider import Setup
from pacer.rides.calibrate import CalibrationRide, Told, build_model, calibrate
from pacer.rides.prepare import Fate, Stretch
from pacer.rides.recording import make_ride
from pacer.rides.ride import Ride


def setup_for(ride: Ride, mass: float | None) -> Setup:
    """One position, the typical bicycle, and the rider's mass."""
    base = typical_setup()
    if mass is None:
        mass = 75.0 if ride.rider_mass is None else ride.rider_mass + 1.5
    return replace(base, rider=replace(base.rider, mass=mass), positions=base.positions[:1])


def time_error(ride: Ride, setup: Setup, told: tuple[Stretch, ...], *, coasting: bool = False) -> float:
    """Fit on the told parts and ride the others; modelled over recorded time less one.

    With nothing told all is fitted and all is ridden. With `coasting` the model also rides what was coasted,
    surged and left out as a descent, as if nobody braked.
    """
    name = setup.positions[0].name
    found = calibrate([CalibrationRide(ride, told, None if told else name)], setup)
    fitted = found.rides[0]
    model, _ = build_model(CalibrationRide(ride, (), name), setup)
    steps = model.windows.steps
    free = {Fate.KEPT} | ({Fate.COASTING, Fate.SURGE, Fate.DESCENT} if coasting else set())
    ridden = np.isin(steps.fate, [int(f) for f in free])
    for part in told:
        ridden &= (steps.end <= part.start) | (steps.end > part.end)
    wind = (0.0, 0.0)
    if np.isfinite(fitted.wind_speed):
        angle = fitted.wind_from
        wind = (-fitted.wind_speed * np.sin(angle), -fitted.wind_speed * np.cos(angle))
    areas = np.array([found.positions[0].cda.value + setup.bike.wheel_drag_area])
    speed = model.replay(found.crr.value, areas, np.array([*wind, fitted.drift, fitted.lag]), ridden)
    seconds = steps.duration[ridden].sum()
    return float((steps.length[ridden] / speed[ridden]).sum() / seconds - 1.0)


def parts(ride: Ride, setup: Setup, length: float) -> tuple[Stretch, ...]:
    """Give every other part of so many seconds."""
    name, end = setup.positions[0].name, float(ride.elapsed[-1])
    starts = np.arange(0.0, end, 2.0 * length)
    return tuple(Stretch(a, min(a + length, end), name, by_distance=False) for a in starts.tolist())


def row(argument: str) -> str:
    """One line of the table."""
    path, _, kilograms = argument.partition(":")
    try:
        ride = make_ride(read_recording(path))
        setup = setup_for(ride, float(kilograms) if kilograms else None)
        found = calibrate([CalibrationRide(ride, default=setup.positions[0].name)], setup)
    except PacerError as error:
        return f"| {path.rpartition('/')[2]} | refused: {str(error).partition(': ')[2]} |"
    whole, position = found.rides[0], found.positions[0].cda
    wind = "unknown" if np.isnan(whole.wind_speed) else f"{whole.wind_speed:.1f} ± {whole.wind_error:.1f}"
    held = " (held)" if found.crr.told is Told.FILE else ""
    cells = (
        ride.name,
        f"{ride.distance[-1] / 1000.0:.0f}",
        f"{whole.used / 60.0:.0f} of {whole.recorded / 60.0:.0f}",
        f"{position.value:.3f} ± {1.96 * position.error:.3f}",
        f"{found.crr.value:.4f}{held}",
        wind,
        f"{whole.time_error:+.1%}",
        f"{time_error(ride, setup, (), coasting=True):+.1%}",
        f"{time_error(ride, setup, parts(ride, setup, 300.0)):+.1%}",
        f"{time_error(ride, setup, parts(ride, setup, float(ride.elapsed[-1]) / 2.0)):+.1%}",
    )
    return "| " + " | ".join(cells) + " |"


HEADER = (
    "ride",
    "km",
    "min used",
    "drag area, m² (95 %)",
    "Crr",
    "wind, m/s",
    "time error",
    "with coasting",
    "other five minutes",
    "second half",
)


def main() -> None:
    """Print the table in Markdown."""
    print("| " + " | ".join(HEADER) + " |")
    print("| " + " | ".join("---" for _ in HEADER) + " |")
    for argument in sys.argv[1:]:
        print(row(argument), flush=True)


if __name__ == "__main__":
    main()

"""The truth study of the calibration: many simulated rides, coverage and bias.

::

    python -m tests.rides.study            100 seeds of each scenario, a few minutes
    python -m tests.rides.study --seeds 20 --plain

`--plain` fits without instruments, as a plain regression would, to show what they are for.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from pacer.physics.defaults import typical_setup
from pacer.physics.rider import Setup
from pacer.rides import model as model_module
from pacer.rides.fit import CRR_SPREAD, Fit, fit_rides
from pacer.rides.model import RideModel, gust_intensity
from pacer.rides.prepare import Stretch, label_positions, prepare
from pacer.rides.ride import Ride
from pacer.rides.windows import cut_windows
from tests.rides.simulated import Scenario, flat, simulate

WIND_SPREAD = 2.0
"""Of each component of a wind that nobody told, as the estimator reckons with [m/s]."""

BASE = Scenario()
SCENARIOS = {
    "rolling, out and back": (BASE, 1),
    "the same, three rides": (BASE, 3),
    "laps of 8 km": (replace(BASE, shape="laps"), 1),
    "hilly, out and back": (replace(BASE, hills=2.5), 1),
    "flat, out and back": (flat(BASE), 1),
    "nearly calm": (replace(BASE, wind_speed=0.5), 1),
    "windy": (replace(BASE, wind_speed=4.5), 1),
    "one way, any wind": (replace(BASE, shape="one way", wind_speed=0.0, wind_spread=WIND_SPREAD), 1),
    "one way, wind ahead": (replace(BASE, shape="one way"), 1),
    "one way, wind behind": (replace(BASE, shape="one way", wind_from=BASE.wind_from + np.pi), 1),
}


def setup_for(scenario: Scenario, crr: float) -> Setup:
    """Give the typical rider with the scenario's masses and a rider file's rolling resistance."""
    base = typical_setup()
    bike = replace(base.bike, crr=crr, wheel_inertia=scenario.inertia * base.bike.wheel_radius**2)
    return replace(base, bike=bike)


def model_of(ride: Ride, scenario: Scenario, setup: Setup) -> RideModel:
    """Prepare a simulated ride whose positions are told, in air of known density and unknown wind."""
    names = [position.name for position in setup.positions]
    stretches = [Stretch(a, b, name) for a, b, name in scenario.positions()]
    steps = prepare(ride, label_positions(ride, stretches, names), setup.rider.critical_power)
    windows = cut_windows(steps, np.full(len(ride) - 1, scenario.density), setup, source=ride.source)
    return RideModel(windows, setup, (0.0, 0.0), WIND_SPREAD, gust_intensity(0.03))


@dataclass(frozen=True)
class Outcome:
    """One scenario over many seeds; columns: crr, drag area of each position, their difference."""

    truth: np.ndarray
    found: np.ndarray
    error: np.ndarray

    @property
    def bias(self) -> np.ndarray:
        """Mean error over the truth."""
        return np.asarray((self.found.mean(axis=0) - self.truth) / self.truth)

    @property
    def scatter(self) -> np.ndarray:
        """Standard deviation over the truth."""
        return np.asarray(self.found.std(axis=0, ddof=1) / self.truth)

    @property
    def stated(self) -> np.ndarray:
        """Mean stated standard error over the truth."""
        return np.asarray(self.error.mean(axis=0) / self.truth)

    @property
    def covered(self) -> np.ndarray:
        """Share of the seeds whose 95 % interval holds the truth."""
        return np.asarray(np.mean(np.abs(self.found - self.truth) < 1.96 * self.error, axis=0))


def _row(fit: Fit) -> tuple[list[float], list[float]]:
    c = fit.covariance
    gap = float(np.sqrt(c[1, 1] + c[2, 2] - 2.0 * c[1, 2]))
    errors = np.sqrt(np.diag(c)).tolist()
    return [fit.crr, *fit.areas.tolist(), float(fit.areas[0] - fit.areas[1])], [*errors, gap]


def run(scenario: Scenario, seeds: int, rides: int = 1, first_seed: int = 1) -> Outcome:
    """Fit `seeds` sets of rides.

    The rider file's rolling resistance is wrong by a draw from its stated spread, in pairs of opposite sign.
    """
    rng = np.random.default_rng(5)
    draws = np.abs(rng.standard_normal((seeds + 1) // 2))
    wrong = CRR_SPREAD * np.column_stack((draws, -draws)).ravel()[:seeds]
    ridden = simulate(scenario, seeds * rides, first_seed)
    found, errors = [], []
    for i in range(seeds):
        setup = setup_for(scenario, max(scenario.crr + wrong[i], 0.001))
        models = [model_of(ride, scenario, setup) for ride in ridden[i * rides : (i + 1) * rides]]
        row, error = _row(fit_rides(models, np.zeros(1 + len(setup.positions), dtype=bool)))
        found.append(row)
        errors.append(error)
    areas = [area for _, area in scenario.cda]
    truth = np.array([scenario.crr, *areas, areas[0] - areas[1]])
    return Outcome(truth, np.array(found), np.array(errors))


def table(seeds: int, only: str = "") -> Iterator[str]:
    """Give the lines of the study's table in Markdown."""
    yield "| rides | value | bias | scatter | stated error | 95 % interval holds the truth |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for name, (scenario, rides) in SCENARIOS.items():
        if only not in name:
            continue
        outcome = run(scenario, seeds, rides)
        for k, value in enumerate(
            ("rolling resistance", "drag area, hoods", "drag area, aero bars", "difference")
        ):
            yield (
                f"| {name if k == 0 else ''} | {value} | {outcome.bias[k]:+.1%} | {outcome.scatter[k]:.1%} | "
                f"{outcome.stated[k]:.1%} | {outcome.covered[k]:.0%} |"
            )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--only", default="", help="scenarios whose name holds this")
    parser.add_argument("--plain", action="store_true")
    arguments = parser.parse_args()
    if arguments.plain:
        model_module.RideModel.replay = lambda self, *_: self.windows.steps.speed  # type: ignore[method-assign]
    for line in table(arguments.seeds, arguments.only):
        print(line, flush=True)


if __name__ == "__main__":
    main()

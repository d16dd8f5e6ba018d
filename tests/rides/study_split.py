"""The truth study of positions that nobody told: how often two are found, and what errors they lead to.

::

    python -m tests.rides.study_split --seeds 40

Two positions 0.10 m² apart, in turn every 4 km of 40 km, on calm days; and one position in ordinary wind.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from pacer.rides.calibrate import CalibrationRide, calibrate
from pacer.rides.split import with_split
from tests.rides.simulated import Scenario, simulate
from tests.rides.study import setup_for

APART = Scenario(cda=(("hoods", 0.37), ("aero bars", 0.27)), block=4000.0)
ONE = Scenario(cda=(("hoods", 0.33),))
SCENARIOS = {
    "two, wind 0.5 m/s": replace(APART, wind_speed=0.5),
    "two, wind 1 m/s": replace(APART, wind_speed=1.0),
    "one, wind 3 m/s": ONE,
}


@dataclass(frozen=True)
class Found:
    """Evidence of each ride; of those taken for two positions: hoods, aero bars, difference, and errors."""

    evidence: np.ndarray
    supported: np.ndarray
    values: np.ndarray
    errors: np.ndarray


def run(scenario: Scenario, seeds: int) -> Found:
    """Look for two positions in `seeds` rides, and calibrate those where they are found."""
    setup = setup_for(scenario, scenario.crr)
    evidence, supported, values, errors = [], [], [], []
    for ride in simulate(scenario, seeds):
        split, item = with_split(CalibrationRide(ride), setup)
        evidence.append(split.evidence)
        supported.append(split.supported)
        if split.supported:
            found = calibrate([item], setup)
            told = [position.cda for position in found.positions]
            told.append(found.difference("hoods", "aero bars"))
            values.append([estimate.value for estimate in told])
            errors.append([estimate.error for estimate in told])
    return Found(*(np.array(x) for x in (evidence, supported, values, errors)))


def table(seeds: int) -> Iterator[str]:
    """Give the lines of the table in Markdown."""
    yield (
        "| positions | evidence, least and largest | taken for two | bias (hoods, aero bars, difference) | "
        "95 % interval holds the truth |"
    )
    yield "| --- | --- | --- | --- | --- |"
    for name, scenario in SCENARIOS.items():
        found = run(scenario, seeds)
        least, most = found.evidence.min(), found.evidence.max()
        start = f"| {name} | {least:.0f}, {most:.0f} | {found.supported.mean():.0%} |"
        if len(scenario.cda) == 1:
            yield f"{start} - | - |"
            continue
        areas = [area for _, area in scenario.cda]
        truth = np.array([*areas, areas[0] - areas[1]])
        bias = found.values.mean(axis=0) / truth - 1.0
        held = np.mean(np.abs(found.values - truth) < 1.96 * found.errors, axis=0)
        yield (
            f"{start} {', '.join(f'{value:+.1%}' for value in bias)} | "
            f"{', '.join(f'{value:.0%}' for value in held)} |"
        )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=40)
    for line in table(parser.parse_args().seeds):
        print(line, flush=True)


if __name__ == "__main__":
    main()

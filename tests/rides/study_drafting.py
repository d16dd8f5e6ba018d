"""The truth study of the drafting rule: what it finds, what it leaves out wrongly, and what that does.

::

    python -m tests.rides.study_drafting --seeds 100

Two stretches of a ride of 40 km, km 12 to 15 and km 27 to 31, are ridden in a lee that leaves a known share
of the drag, wandering by 15 % of what it saves as the gap opens and closes; the rider eases up by a tenth.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from pacer.rides.drafting import fit_without_drafting
from pacer.rides.fit import fit_rides
from pacer.rides.prepare import Fate
from tests.rides.simulated import Scenario, lee, simulate
from tests.rides.study import model_of, setup_for

BASE = Scenario()
CALM = replace(BASE, wind_speed=0.5)
WHERE = ((12_000.0, 15_000.0), (27_000.0, 31_000.0))


def drafted(scenario: Scenario, share: float) -> Scenario:
    """Give the same with two drafts that leave this share of the drag."""
    return replace(scenario, drafts=tuple((a, b, share) for a, b in WHERE))


SCENARIOS = {
    "no draft": BASE,
    "no draft, nearly calm": CALM,
    "behind a motorcycle at 3 m (0.52)": drafted(BASE, 0.52),
    "deep in a group (0.60)": drafted(BASE, 0.60),
    "behind one upright rider (0.73)": drafted(BASE, 0.73),
    "the same, nearly calm": drafted(CALM, 0.73),
    "behind one tucked rider (0.86), nearly calm": drafted(CALM, 0.86),
}


@dataclass(frozen=True)
class Found:
    """Seconds of drafts, of those found, of clean riding, of that left out; rides; areas before and after."""

    drafted: float
    hit: float
    clean: float
    wrong: float
    suspected: np.ndarray
    before: np.ndarray
    after: np.ndarray
    covered: np.ndarray


def run(scenario: Scenario, seeds: int, first_seed: int = 1) -> Found:
    """Fit `seeds` rides with and without the rule."""
    setup = setup_for(scenario, scenario.crr)
    held = np.zeros(1 + len(setup.positions), dtype=bool)
    truth = np.array([area for _, area in scenario.cda])
    seconds = np.zeros(4)
    suspected, before, after, covered = [], [], [], []
    for ride in simulate(scenario, seeds, first_seed):
        model = model_of(ride, scenario, setup)
        (left,), fit, _ = fit_without_drafting([model], held)
        steps = model.windows.steps
        at = np.interp(steps.end - 0.5 * steps.duration, ride.elapsed, ride.distance)
        in_lee, usable = lee(scenario, at) < 1.0, steps.fate == Fate.KEPT
        out = left.windows.steps.fate == Fate.SHELTERED
        for k, which in enumerate((usable & in_lee, out & in_lee, usable & ~in_lee, out & ~in_lee)):
            seconds[k] += steps.duration[which].sum()
        suspected.append(out.any())
        before.append(fit_rides([model], held).areas)
        after.append(fit.areas)
        covered.append(np.abs(fit.areas - truth) < 1.96 * np.sqrt(np.diag(fit.covariance))[1:])
    lists = (suspected, np.array(before) / truth - 1.0, np.array(after) / truth - 1.0, covered)
    return Found(*seconds.tolist(), *(np.array(x) for x in lists))


def table(seeds: int) -> Iterator[str]:
    """Give the lines of the table in Markdown."""
    yield (
        "| rides | drafts found | clean riding left out | rides with a suspicion | "
        "bias before (hoods, aero bars) | bias after | 95 % interval holds the truth |"
    )
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for name, scenario in SCENARIOS.items():
        found = run(scenario, seeds)
        hit = f"{found.hit / found.drafted:.0%}" if found.drafted else "-"
        before, after = found.before.mean(axis=0), found.after.mean(axis=0)
        covered = found.covered.mean(axis=0)
        yield (
            f"| {name} | {hit} | {found.wrong / found.clean:.1%} | {found.suspected.mean():.0%} | "
            f"{before[0]:+.1%}, {before[1]:+.1%} | {after[0]:+.1%}, {after[1]:+.1%} | "
            f"{covered[0]:.0%}, {covered[1]:.0%} |"
        )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=100)
    for line in table(parser.parse_args().seeds):
        print(line, flush=True)


if __name__ == "__main__":
    main()

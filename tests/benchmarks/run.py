"""Speed, as ratios within one run, so that another machine gives the same picture.

Run as `python -m tests.benchmarks.run`. Three tables: one solve of the programme against IPOPT on the same
cells and positions; how the whole of planning grows with the length of the course; the whole program.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

from pacer.cli.loading import load_request
from pacer.planning.problem import drag_shape
from pacer.planning.programme import Branches, solve
from pacer.workflow import make_plan
from tests.demo import RIDERS, ROUTES, demo_solution
from tests.oracle.ipopt import fastest_ride
from tests.oracle.test_ipopt import as_race

TRIES = 3
LAPS = (1, 2, 4, 8)


def quickest(work: Callable[[], object]) -> float:
    """Seconds of the quickest of a few tries."""
    taken = []
    for _ in range(TRIES):
        began = time.perf_counter()
        work()
        taken.append(time.perf_counter() - began)
    return min(taken)


def against_ipopt() -> None:
    """Print the first table."""
    print("| race | cells | programme, one solve | IPOPT over it |\n| --- | --- | --- | --- |")
    for name in RIDERS:
        found = demo_solution(name)
        problem, branches = found.problem, Branches.fixed(found.position)
        shape, race = (
            drag_shape(problem.road, found.optimum.mean_speed),
            as_race(found.problem, found.position),
        )
        ours = quickest(lambda p=problem, b=branches, s=shape, r=found.recovery: solve(p, b, s, r))
        theirs = quickest(lambda race=race: fastest_ride(race))
        print(f"| {name} | {len(problem.road)} | {ours:.2f} s | {theirs / ours:.1f} |", flush=True)


def growth() -> None:
    """Print the second table."""
    print("\n| orlibeck-tri, laps | seconds | over those of one lap, by lap |\n| --- | --- | --- |")
    first = 0.0
    for laps in LAPS:
        request = load_request(
            ROUTES / "orlibeck-tri.gpx",
            ROUTES / "rider-expert.toml",
            ROUTES / "orlibeck-tri.race.toml",
            overrides={"laps": laps, "effort": 0.7},
        )
        taken = quickest(lambda request=request: make_plan(request))
        first = first or taken
        print(f"| {laps} | {taken:.2f} | {taken / first / laps:.2f} |", flush=True)


def whole_program() -> None:
    """Print the third table."""
    command = [sys.executable, "-m", "pacer", "--help"]
    bare = quickest(lambda: subprocess.run([sys.executable, "-c", ""], check=True))
    helped = quickest(lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL))
    print(f"\n`--help` takes {helped:.2f} s, {helped / bare:.1f} times a bare Python.\n", flush=True)
    # From a small process: a child counts the memory of the one that it was forked from.
    subprocess.run([sys.executable, "-m", "tests.docs.measure"], check=True)


if __name__ == "__main__":
    against_ipopt()
    growth()
    whole_program()

"""What planning costs, as ratios in one run: ``python -m tests.benchmarks.run [--quick]``.

Prints three tables in the form of `docs/explanation/optimiser.md`: against the IPOPT formulation on the
same cells and positions, growth with length, and whole processes with their memory. Not part of the test
run: no test asserts a time.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np

from pacer.planning.optimise import optimise
from pacer.planning.problem import drag_shape
from pacer.planning.programme import Branches, solve
from pacer.workflow import make_plan, make_scenario
from tests.demo import RIDERS, ROUTES, demo_request
from tests.oracle.ipopt import fastest_ride
from tests.oracle.test_ipopt import as_race

T = TypeVar("T")
MEGABYTE = 1e6


def best_of(runs: int, work: Callable[[], T]) -> tuple[float, T]:
    """The shortest of a few runs [s], and what the last one gave."""
    times = []
    for _ in range(runs):
        began = time.perf_counter()
        result = work()
        times.append(time.perf_counter() - began)
    return min(times), result


def row(*values: str) -> None:
    """Print a row of a table."""
    print("| " + " | ".join(values) + " |", flush=True)


def heading(*names: str) -> None:
    """Print the head of a table."""
    print()
    row(*names)
    row(*["---"] * len(names))


def against_ipopt(runs: int) -> None:
    """One programme, and the whole search with its bound, against one IPOPT solution for given positions."""
    heading("course", "cells", "IPOPT", "our programme", "positions, rounds and bound", "times differ by")
    for name in RIDERS:
        scenario = make_scenario(demo_request(name))
        whole, solution = best_of(runs, partial(optimise, scenario))
        problem, optimum = solution.problem, solution.optimum
        shape = drag_shape(problem.road, np.maximum(optimum.mean_speed, 0.5))
        race = as_race(problem, solution.position)
        theirs, found = best_of(runs, partial(fastest_ride, race))
        fixed = Branches.fixed(solution.position)
        ours, _ = best_of(runs, partial(solve, problem, fixed, shape))
        row(
            name,
            f"{len(problem.road)}",
            f"{theirs:.2f} s, {found.iterations} iterations",
            f"{ours:.2f} s, {optimum.iterations} iterations: × {ours / theirs:.2f}",
            f"{whole:.2f} s: × {whole / theirs:.2f}",
            f"{100.0 * abs(optimum.time / found.time - 1.0):.4f} %",
        )


def growth(runs: int) -> None:
    """The rolling course once, twice and more times round."""
    heading("laps of the rolling course", "km", "cells", "planning", "for each cell, against one lap")
    first = 0.0
    for laps in (1, 2, 4, 8):
        request = demo_request("orlibeck-tri", laps=laps)
        seconds, plan = best_of(runs, partial(make_plan, request))
        cells = len(plan.cells.grade)
        first = first or seconds / cells
        row(
            f"{laps}",
            f"{plan.totals.distance_m / 1e3:.0f}",
            f"{cells}",
            f"{seconds:.2f} s",
            f"× {seconds / cells / first:.2f}",
        )


@dataclass(frozen=True)
class Process:
    """A whole process: how long, and how much memory at most [s], [bytes]."""

    seconds: float
    memory: float


LAUNCHER = """
import os, subprocess, sys, time
began = time.perf_counter()
child = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
_, status, usage = os.wait4(child.pid, 0)
print(time.perf_counter() - began, usage.ru_maxrss, os.waitstatus_to_exitcode(status))
"""
"""A small process that starts another and measures it; started from a large one it would count as large."""


def process(arguments: list[str]) -> Process:
    """Run `pacer` once in a process of its own."""
    command = [sys.executable, "-m", "pacer", *arguments]
    done = subprocess.run(
        [sys.executable, "-c", LAUNCHER, *command], capture_output=True, text=True, check=True
    )
    seconds, memory, code = done.stdout.split()
    if code != "0":
        raise RuntimeError(f"pacer {' '.join(arguments)} ended with {code}")
    # Kilobytes on Linux, bytes on macOS.
    return Process(float(seconds), float(memory) * (1.0 if sys.platform == "darwin" else 1024.0))


def processes(runs: int) -> None:
    """Whole commands, files and pages included, with the interpreter's own start for comparison."""
    heading("command", "time", "against `--help`", "most memory")
    races = {name: (name, rider, []) for name, rider in RIDERS.items()}
    races["orlibeck-tri, 9 laps (180 km)"] = ("orlibeck-tri", RIDERS["orlibeck-tri"], ["--laps", "9"])
    found = [process(["--help"]) for _ in range(runs)]
    start = min(p.seconds for p in found)
    row("`pacer --help`", f"{start:.2f} s", "× 1.0", f"{max(p.memory for p in found) / MEGABYTE:.0f} MB")
    for label, (name, rider, more) in races.items():
        with tempfile.TemporaryDirectory() as folder:
            arguments = ["plan", str(ROUTES / f"{name}.gpx"), "--rider", str(ROUTES / f"{rider}.toml")]
            arguments += ["--race", str(ROUTES / f"{name}.race.toml"), *more]
            found = [process([*arguments, "--out", str(Path(folder) / f"{k}")]) for k in range(runs)]
        seconds, memory = min(p.seconds for p in found), max(p.memory for p in found)
        row(
            f"`pacer plan` {label}",
            f"{seconds:.2f} s",
            f"× {seconds / start:.1f}",
            f"{memory / MEGABYTE:.0f} MB",
        )


def main() -> int:
    """Print the tables."""
    runs = 1 if "--quick" in sys.argv[1:] else 3
    print(f"Python {sys.version.split()[0]}, {os.cpu_count()} processors, best of {runs}")
    against_ipopt(runs)
    growth(runs)
    processes(runs)
    return 0


if __name__ == "__main__":
    sys.exit(main())

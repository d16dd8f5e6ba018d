"""The table of the demo races in `docs/explanation/figures.md`, measured again.

Run as `python -m tests.docs.measure`: each race is planned by a process of its own, as a user would.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from pacer.render.words import clock
from tests.demo import RIDERS, ROUTES

RACES: Final = (*((name, ()) for name in RIDERS), ("orlibeck-tri", ("--laps", "9", "--effort", "0.7")))

HEAD: Final = """\
| race | length | cells | segments | time | gap | free over bound | tuck saves | tucked | wall, CPU | memory |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"""


def measured(name: str, options: tuple[str, ...]) -> str:
    """A row of the table."""
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", "pacer", "plan", str(ROUTES / f"{name}.gpx"), "--out", folder),
                *("--rider", str(ROUTES / f"{RIDERS[name]}.toml")),
                *("--race", str(ROUTES / f"{name}.race.toml"), *options),
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - began
        if status:
            return f"| {name} {' '.join(options)} | not planned: exit {os.waitstatus_to_exitcode(status)} |"
        plan = json.loads((Path(folder) / "plan.json").read_text("utf-8"))
    totals, proof = plan["totals"], plan["optimality"]
    free = proof["free_optimum_s"]
    return (
        f"| {' '.join((name, *options))} | {totals['distance_m'] / 1000:.1f} km | "
        f"{len(plan['cells']['start_m'])} | {len(plan['segments'])} | {clock(totals['time_s'])} | "
        f"{100 * proof['gap']:.2f} % | {100 * (free / proof['bound_s'] - 1):.3f} % | "
        f"{clock(totals['upright_time_s'] - totals['time_s'])} | {100 * totals['tucked_time_share']:.0f} % | "
        f"{wall:.1f}, {used.ru_utime + used.ru_stime:.1f} s | {used.ru_maxrss / 1024:.0f} MB |"
    )


if __name__ == "__main__":
    print(HEAD)
    for race in RACES:
        print(measured(*race), flush=True)

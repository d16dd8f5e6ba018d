"""A copy of the package to change and run, as a contributor would, without touching the original."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "DEVELOPERS.md"

ROAD = "".join(
    f'<trkpt lat="{50 + 2e-4 * i:.6f}" lon="5"><ele>{100 + 0.9 * min(i, 300 - i):.1f}</ele></trkpt>'
    for i in range(300)
)
COURSE = f'<gpx version="1.1"><trk><name>North</name><trkseg>{ROAD}</trkseg></trk></gpx>'
"""6.7 km to the north: half of them up at 4 %, half of them down."""


class Copy:
    """The package in a folder of its own, the files that were touched in it, and runs of it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.touched = folder, set[str]()
        shutil.copytree(ROOT / "pacer", folder / "pacer", ignore=shutil.ignore_patterns("__pycache__"))
        (folder / "north.gpx").write_text(COURSE, encoding="utf-8")

    def insert(self, name: str, before: str, text: str) -> None:
        """Put lines in front of the one place that begins with `before`."""
        path = self.folder / "pacer" / name
        source = path.read_text(encoding="utf-8")
        assert source.count(before) == 1, f"{name}: {source.count(before)} places for {before!r}"
        path.write_text(source.replace(before, text + before), encoding="utf-8")
        self.touched.add(name)

    def replace(self, name: str, old: str, new: str) -> None:
        """Put `new` in the one place of `old`."""
        self.insert(name, old, new)
        path = self.folder / "pacer" / name
        path.write_text(path.read_text(encoding="utf-8").replace(new + old, new), encoding="utf-8")

    def make(self, name: str, text: str) -> None:
        """Write a new module."""
        path = self.folder / "pacer" / name
        assert not path.exists()
        path.write_text(text, encoding="utf-8")
        self.touched.add(name)

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run `pacer` from the copy."""
        return subprocess.run(
            [sys.executable, "-m", "pacer", *arguments],
            cwd=self.folder,
            env=os.environ | {"PYTHONPATH": str(self.folder)},
            capture_output=True,
            text=True,
            check=False,
        )

    def plan(self, rider: str = "") -> dict[str, Any]:
        """The parsed plan of the course, for a rider file of this text where one is given."""
        (self.folder / "rider.toml").write_text(rider, encoding="utf-8")
        done = self.run("plan", "north.gpx", "--out", "out", *(("--rider", "rider.toml") if rider else ()))
        assert done.returncode == 0, done.stderr
        found: dict[str, Any] = json.loads((self.folder / "out" / "plan.json").read_text(encoding="utf-8"))
        return found


def files_of_walk(heading: str) -> set[str]:
    """Modules that the guide names under a heading; `new.py` stands for a module that is made."""
    text = GUIDE.read_text(encoding="utf-8")
    part = text.split(f"### {heading}\n", 1)[1].split("\n#", 1)[0]
    return {name for name in re.findall(r"`([a-z_/]+/[a-z_]+\.py)`", part) if not name.startswith("tests/")}

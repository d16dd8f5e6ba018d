"""A folder in which every command of the documentation can be typed."""

from __future__ import annotations

import csv
import os
import shutil
import subprocess
import sys
from pathlib import Path

from tests.docs.pages import ROOT
from tests.files.fit_writer import FitWriter


def lay_out(folder: Path) -> None:
    """Put down the demo routes, and the files that the how-tos call by everyday names."""
    routes = folder / "routes"
    shutil.copytree(ROOT / "routes", routes)
    for name, source in {
        "course.gpx": "orlibeck-tri.gpx",
        "home.gpx": "scarnow-pass.gpx",
        "rider.toml": "rider-practised.toml",
        "me.toml": "rider-practised.toml",
        "race.toml": "orlibeck-tri.race.toml",
        "orlibeck-tri.zones.geojson": "orlibeck-tri.zones.geojson",
        "ride.csv": "orlibeck-ride.csv",
    }.items():
        shutil.copy(routes / source, folder / name)
    recording = fit_of(routes / "orlibeck-ride.csv")
    for name in ("sunday.fit", "race.fit", "ride.fit"):
        (folder / name).write_bytes(recording)


def fit_of(ride: Path, laps: int = 4) -> bytes:
    """The demo ride as a device would store it, with so many laps of equal duration."""
    with ride.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(line for line in stream if line[0] != "#"))
    writer, start = FitWriter(), 1_780_000_000.0
    for row in rows:
        writer.record(
            start + float(row["time_s"]),
            latitude=float(row["latitude_deg"]),
            longitude=float(row["longitude_deg"]),
            altitude=float(row["elevation_m"]),
            metres=float(row["distance_m"]),
            speed=float(row["speed_m_s"]),
            power=int(row["power_w"]),
            heart=int(row["heart_rate_bpm"]),
            cadence=88,
            temperature=16,
        )
    lap = len(rows) // laps
    for i in range(laps):
        writer.lap(start + i * lap, lap)
    writer.session(start, len(rows), 2, 0)
    return writer.finish()


def type_in(folder: Path, command: str) -> subprocess.CompletedProcess[str]:
    """Run a line of shell there, with the program that is being tested."""
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    return subprocess.run(
        ["bash", "-c", command],
        cwd=folder,
        env={**os.environ, "PATH": path},
        capture_output=True,
        text=True,
        check=False,
    )

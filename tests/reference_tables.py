"""Read the published values that tests compare with."""

from __future__ import annotations

import csv
from pathlib import Path

_FOLDER = Path(__file__).parent / "reference"


def read_table(name: str) -> list[dict[str, float]]:
    """Read a table of numbers; lines that begin with # say where it is from."""
    with (_FOLDER / name).open(encoding="utf-8", newline="") as file:
        lines = [line for line in file if not line.startswith("#")]
    return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(lines)]

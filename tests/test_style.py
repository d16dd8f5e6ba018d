"""The house's own tools find nothing: formatting, lint, types."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize(
    "command",
    [("ruff", "format", "--check", "."), ("ruff", "check", "."), ("mypy",)],
    ids=lambda command: " ".join(command),
)
def test_a_tool_finds_nothing(command: tuple[str, ...]) -> None:
    """Each tool exits 0 on the whole tree."""
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr

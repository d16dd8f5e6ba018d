"""Run the program as a user does, in this process."""

from __future__ import annotations

import sys
from dataclasses import dataclass

import pytest

from pacer.cli.app import entrypoint


@dataclass(frozen=True)
class Run:
    """What a run left behind."""

    code: int
    out: str
    err: str


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> Run:
    """Call `pacer` with these arguments."""
    before = sys.argv
    sys.argv = ["pacer", *map(str, arguments)]
    try:
        entrypoint()
        code = 0
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else 0 if stop.code is None else 1
    finally:
        sys.argv = before
    captured = capsys.readouterr()
    return Run(code, captured.out, captured.err)

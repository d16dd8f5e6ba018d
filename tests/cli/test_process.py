"""The program as a process: pipes that close, a full disk for its results, Ctrl-C."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.demo import ROUTES

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="pipes and signals of POSIX")


@POSIX
@pytest.mark.parametrize(
    ("command", "code"),
    [
        ("route marnhythe-tt.gpx", 0),
        ("--help", 0),
        ("plan --help", 0),
        ("--version", 0),
        ("", 2),
        ("no-such-command", 2),
        ("route no-such-file.gpx", 1),
    ],
)
@pytest.mark.parametrize("both", [False, True], ids=["results", "results and messages"])
def test_reader_that_leaves_early_gets_no_complaint(command: str, code: int, both: bool) -> None:
    """`pacer … | head`, with its messages or not, ends quietly when the reader has gone."""
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "wb") as closed:
        done = subprocess.run(
            [sys.executable, "-m", "pacer", *command.split()],
            cwd=ROUTES,
            stdout=closed,
            stderr=closed if both else subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == code
    if not both and code == 0:
        assert done.stderr == ""
    assert "Traceback" not in (done.stderr or "")
    assert "BrokenPipe" not in (done.stderr or "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full")
@pytest.mark.parametrize("command", ["--help", "route marnhythe-tt.gpx"])
def test_results_that_find_no_room_are_told(command: str) -> None:
    """`pacer … > file` on a full disk: exit 1 and one line."""
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "pacer", *command.split()],
            cwd=ROUTES,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 1
    assert done.stderr == "pacer: results: No space left on device\n"


INTERRUPTED_AT = """
import importlib.abc, os, signal, sys

class Interrupt(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path, target=None):
        if name == sys.argv[1]:
            os.kill(os.getpid(), signal.SIGINT)

signal.signal(signal.SIGINT, signal.default_int_handler)
sys.meta_path.insert(0, Interrupt())
from pacer.__main__ import entrypoint
sys.argv[2:] = ["--help"]
entrypoint()
"""


@POSIX
@pytest.mark.parametrize("module", ["pacer.cli", "pacer.cli.app", "typer", "typer.core", "pacer.errors"])
def test_interrupt_while_the_program_loads(module: str) -> None:
    """Ctrl-C while one of the program's modules is being imported: exit 130, one line."""
    done = subprocess.run(
        [sys.executable, "-c", INTERRUPTED_AT, module], capture_output=True, text=True, check=False
    )
    assert done.returncode == 130
    assert done.stdout == ""
    assert done.stderr == "pacer: interrupted; nothing was written\n"


def test_the_way_in_imports_nothing_before_it_hears_interrupts() -> None:
    """What `pacer` loads before its own `try` is the empty package and the way in."""
    code = "import sys; before = set(sys.modules); import pacer.__main__; print(*set(sys.modules) - before)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    ours = {name for name in done.stdout.split() if not name.startswith(("_", "typing", "importlib"))}
    assert {name for name in ours if name.startswith("pacer")} == {"pacer", "pacer.__main__"}
    assert not {name.split(".")[0] for name in ours} & {"typer", "click", "numpy", "inspect", "json"}
    project = tomllib.loads((ROUTES.parent / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["scripts"] == {"pacer": "pacer.__main__:entrypoint"}


def _heed_interrupts() -> None:
    """Undo what a shell does to processes it starts in the background: it makes them deaf to Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@POSIX
def test_interrupt_leaves_nothing(tmp_path: Path) -> None:
    """Ctrl-C in the middle of the work: exit 130, one line, no file."""
    process = subprocess.Popen(
        [sys.executable, "-m", "pacer", "plan", str(ROUTES / "scarnow-pass.gpx"), "--verbose"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=tmp_path,
        preexec_fn=_heed_interrupts,
    )
    assert process.stderr is not None
    assert "reading" in process.stderr.readline()  # done; seconds of work are to come
    process.send_signal(signal.SIGINT)
    out, err = process.communicate()
    assert process.returncode == 130
    assert out == ""
    assert err.splitlines()[-1] == "pacer: interrupted; nothing was written"
    assert "Traceback" not in err
    assert not list(tmp_path.iterdir())

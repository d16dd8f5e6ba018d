"""Coverage-guided fuzzing of one reader: `python -m tests.fuzz.run gpx --seconds 60`.

Needs `pip install atheris` (not part of the test extra). What ends in anything but one line that can be
printed stops the run and is left in the working directory as `crash-…`, to become a test with one fault.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from types import ModuleType

from tests.fuzz.readers import READERS, faults_of_line

SLOW_SECONDS = 10
LARGEST_BYTES = 20_000


def modules_of(name: str) -> list[str]:
    """The packages whose branches a reader's run is guided by."""
    wanted = {"ride-fit": ("pacer", "fitdecode"), "rider": ("pacer", "tomllib"), "race": ("pacer", "tomllib")}
    return list(wanted.get(name, ("pacer", "json", "csv")))


def parse() -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.run", description=__doc__)
    parser.add_argument("reader", choices=READERS)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--corpus", type=Path, help="A folder to start from and to add findings to.")
    return parser.parse_args()


def load_atheris() -> ModuleType:
    """Import the fuzzer, or say how to get it."""
    try:
        import atheris
    except ModuleNotFoundError:
        sys.exit("this needs atheris: pip install atheris")
    return atheris


def main() -> None:
    """Run one reader for so many seconds."""
    asked = parse()
    atheris = load_atheris()
    reader = READERS[asked.reader]
    corpus = asked.corpus or Path(tempfile.mkdtemp(prefix="pacer-corpus-"))
    corpus.mkdir(parents=True, exist_ok=True)
    with atheris.instrument_imports(include=modules_of(asked.reader), enable_loader_override=False):
        for number, seed in enumerate(reader.seeds()):
            (corpus / f"seed-{number}").write_bytes(seed[:LARGEST_BYTES])
            reader.outcome(seed)

    def one(content: bytes) -> None:
        line = reader.outcome(content)
        if line is not None and (faults := faults_of_line(line)):
            raise AssertionError(f"the line {', '.join(faults)}: {line!r}")

    options = [f"-max_total_time={asked.seconds}", f"-timeout={SLOW_SECONDS}", f"-max_len={LARGEST_BYTES}"]
    atheris.Setup([sys.argv[0], str(corpus), *options], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()

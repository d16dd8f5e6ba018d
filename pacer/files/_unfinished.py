"""A note in a folder while several of its files are being replaced, so that a power cut is noticed.

The note is on the disk, and with it the second names of all old files, before the first of them is replaced;
it goes when the last one is. Where one is found, the run was cut off in between: some files may be new and
some old. The next run that writes into the folder puts the old ones back first; a plan read from there is
refused.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

__all__ = ["NOTE", "Replacing", "cut_off", "note_text", "put_back_cut_off"]

NOTE: Final = "pacer-unfinished.txt"

_HEAD: Final = (
    "These files were being replaced when the program was cut off: some may be of the new plan and some of\n"
    "the old. Run the same command again, then print and copy all of them anew.\n\n"
)
_LINE: Final = re.compile(r"(\.pacer-(\d+)-\d+)\.new (replaces|makes) (\S.*)")
_LARGEST: Final = 100_000


@dataclass(frozen=True, slots=True)
class Replacing:
    """One file of the note: its place, the new file's name without suffix, whether an old one is kept."""

    target: str
    temp: str
    kept: bool


def note_text(files: Iterable[Replacing]) -> bytes:
    """What the note says, for people first."""
    lines = (f"{file.temp}.new {'replaces' if file.kept else 'makes'} {file.target}\n" for file in files)
    return (_HEAD + "".join(lines)).encode("utf-8", errors="surrogateescape")


def _read(folder: Path) -> tuple[Replacing, ...]:
    """The files of a folder's note; none where there is no note, or none that this program wrote."""
    try:
        with (folder / NOTE).open("rb") as file:
            text = file.read(_LARGEST).decode("utf-8", errors="surrogateescape")
    except OSError:
        return ()
    return tuple(_listed(text)) if text.startswith(_HEAD) else ()


def _listed(text: str) -> Iterator[Replacing]:
    for line in text.removeprefix(_HEAD).splitlines():
        found = _LINE.fullmatch(line)
        if found and found[4] != ".." and Path(found[4]).name == found[4]:
            yield Replacing(found[4], found[1], found[3] == "replaces")


def cut_off(path: Path) -> bool:
    """Whether a file is among those that were being replaced when a run was cut off."""
    return any(file.target == path.name for file in _read(path.parent))


def put_back_cut_off(folder: Path) -> None:
    """Put the old files back where a run was cut off; does nothing where none was, or where it still runs."""
    files = _read(folder)
    if not files or any(_runs(file) for file in files):
        return
    for file in files:
        temp, old, target = (folder / f"{file.temp}.new", folder / f"{file.temp}.old", folder / file.target)
        if os.path.lexists(old):
            old.replace(target)
            old.unlink(missing_ok=True)  # two names of one file: renaming the one to the other does nothing
        elif not file.kept and not temp.exists():
            target.unlink(missing_ok=True)
        temp.unlink(missing_ok=True)
    (folder / NOTE).unlink()


def _runs(file: Replacing) -> bool:
    """Whether the process that wrote the note is another one that is still there."""
    process = int(file.temp.split("-")[1])
    if os.name != "posix" or process == os.getpid():
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True
